//! Brightness as a control: smoothed, and mapped to a range.

use crate::error::{Error, Result};
use crate::notes::BODY_DB;

/// Time constant of the brightness that is sent, in seconds: two of its measurements, so
/// that no steps remain between them.
const SMOOTH_S: f64 = 0.02;

/// Smooths the brightness that is sent, in octaves over the fundamental. Where nothing is
/// measured it stays as it was, through rests too.
#[derive(Debug, Clone, Copy)]
pub struct BrightnessFollower {
    octaves: Option<f32>,
    /// Loudest hop of the note, dBFS.
    peak_db: f32,
}

impl Default for BrightnessFollower {
    fn default() -> Self {
        BrightnessFollower {
            octaves: None,
            peak_db: f32::NEG_INFINITY,
        }
    }
}

impl BrightnessFollower {
    /// A note starts; what was followed goes on.
    pub fn start(&mut self) {
        self.peak_db = f32::NEG_INFINITY;
    }

    /// Takes the brightness in units of the fundamental, not finite where none was measured,
    /// of a hop of `length_s` at a level in dBFS; returns the smoothed one, if any was
    /// measured yet.
    pub fn push(&mut self, brightness: f32, level_db: f32, length_s: f64) -> Option<f32> {
        self.peak_db = self.peak_db.max(level_db);
        let measured = brightness.log2();
        if measured.is_finite() && level_db > self.peak_db - BODY_DB {
            let alpha = (length_s / SMOOTH_S).min(1.0) as f32;
            let before = self.octaves.unwrap_or(measured);
            self.octaves = Some(before + alpha * (measured - before));
        }
        self.octaves.map(f32::exp2)
    }
}

/// What the ends of a brightness control stand for, in units of the fundamental.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BrightnessRange {
    /// Brightness at 0.
    pub dark: f32,
    /// Brightness at full control.
    pub bright: f32,
}

impl Default for BrightnessRange {
    /// From a sine to all harmonics alike: orchestral horns and trombones, soft and high to
    /// loud and low, were measured at 1.1 to 9.3.
    fn default() -> Self {
        BrightnessRange {
            dark: 1.0,
            bright: 10.0,
        }
    }
}

/// Limits of a range's ends, in units of the fundamental: twenty harmonics count.
const ENDS: std::ops::RangeInclusive<f32> = 1.0..=20.0;

impl BrightnessRange {
    /// A range from a dark tone to a bright one.
    ///
    /// # Errors
    /// [`Error::Setting`] where the ends are not 1 to 20, the bright one above the dark one.
    pub fn new(dark: f32, bright: f32) -> Result<Self> {
        match ENDS.contains(&dark) && ENDS.contains(&bright) && dark < bright {
            true => Ok(BrightnessRange { dark, bright }),
            false => Err(Error::setting(
                format!("brightness from {dark} to {bright}"),
                "give multiples of the fundamental, 1 to 20, the bright one above the dark one",
            )),
        }
    }

    /// Position of a brightness between dark (0) and bright (1), on a scale of octaves, as
    /// pitch and a filter's cutoff have it.
    pub fn share(&self, brightness: f32) -> f32 {
        let octaves = (self.bright / self.dark).log2();
        ((brightness / self.dark).log2() / octaves).clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::analysis::HOP_S;

    proptest! {
        /// Brighter is never sent darker, and the ends of the range are 0 and 1.
        #[test]
        fn brighter_is_never_darker(
            dark in 0.5f32..4.0,
            octaves in 0.1f32..4.0,
            at in 0.1f32..40.0,
            more in 1f32..10.0,
        ) {
            let range = BrightnessRange { dark, bright: dark * octaves.exp2() };
            let share = range.share(at);
            prop_assert!((0.0..=1.0).contains(&share));
            prop_assert!(range.share(at * more) >= share);
            prop_assert!(range.share(range.dark) == 0.0 && range.share(range.bright) > 0.999);
        }

        /// No step from hop to hop is more than a fourteenth of what is still to go.
        #[test]
        fn there_are_no_steps(values in prop::collection::vec(1f32..20.0, 2..200)) {
            let mut follower = BrightnessFollower::default();
            let mut before = follower.push(values[0], -20.0, HOP_S).unwrap();
            for value in values {
                let now = follower.push(value, -20.0, HOP_S).unwrap();
                let (step, left) = ((now / before).log2(), (value / before).log2());
                prop_assert!(step.abs() <= left.abs() / 14.0 + 1e-4);
                before = now;
            }
        }
    }

    #[test]
    fn what_is_not_measured_and_what_decays_is_held() {
        let mut follower = BrightnessFollower::default();
        let mut push = |brightness, level_db| follower.push(brightness, level_db, HOP_S);
        assert_eq!(push(f32::NAN, -20.0), None);
        assert_eq!(push(2.0, -20.0), Some(2.0));
        assert_eq!(push(f32::NAN, -20.0), Some(2.0));
        assert_eq!(push(9.0, -45.0), Some(2.0));
        // A soft note after a loud one is no decay.
        follower.start();
        assert!(follower.push(9.0, -45.0, HOP_S) > Some(2.0));
    }
}
