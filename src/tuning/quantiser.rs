//! Quantises to the nearest pitch of a tuning, with hysteresis.

use std::borrow::Borrow;

use super::Tuning;
use crate::units::Pitch;

/// How a played pitch is quantised for output.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Snap {
    /// Exactly the tuning's pitch.
    Hard,
    /// The tuning's pitch, with the bends that were played.
    Bend,
    /// What was played.
    #[default]
    Off,
}

impl Snap {
    /// Pitch that a note is named by: that of the tuning, or the one that was played.
    pub(crate) fn named(self, played: Pitch, tuned: Pitch) -> Pitch {
        match self {
            Snap::Off => played,
            Snap::Hard | Snap::Bend => tuned,
        }
    }

    /// Pitch that is sent on while a note sounds at `played`: the rule of files and
    /// sessions alike.
    ///
    /// `target` is the pitch that stands for the note, `centre` the pitch that its
    /// player centres on. A bent note keeps the player's distance from the centre,
    /// however far the target is from it.
    pub(crate) fn sent(self, target: Pitch, centre: f64, played: f64) -> Pitch {
        match self {
            Snap::Hard => target,
            Snap::Bend => Pitch(target.0 + played - centre),
            Snap::Off => Pitch(played),
        }
    }
}

/// Quantiser that stays on a note until the pitch is clearly nearer to another.
///
/// ```
/// use leadpipe::internals::tuning::quantiser::Quantiser;
/// use leadpipe::{Pitch, Reference, Tuning};
/// let table = Tuning::find("equal-12", None, Reference::default()).unwrap();
/// let mut quantiser = Quantiser::new(&table);
/// assert_eq!(quantiser.push(Pitch(60.4)).0.round(), 60.0);
/// assert_eq!(quantiser.push(Pitch(60.55)).0.round(), 60.0); // held
/// assert_eq!(quantiser.push(Pitch(60.7)).0.round(), 61.0);
/// ```
#[derive(Debug, Clone)]
pub struct Quantiser<T> {
    tuning: T,
    held: Option<usize>,
}

/// Hysteresis: how far past the midpoint the pitch must go, as a share of the step. A
/// tenth of a semitone is more than a steady tone varies (some 5 cents).
const HYSTERESIS: f64 = 0.1;

impl<T: Borrow<Tuning>> Quantiser<T> {
    /// Quantiser for a tuning, borrowed or owned, that holds no note yet.
    pub fn new(tuning: T) -> Self {
        Quantiser { tuning, held: None }
    }

    /// Its tuning.
    pub fn tuning(&self) -> &Tuning {
        self.tuning.borrow()
    }

    /// The tuning's pitch for a played one.
    pub fn push(&mut self, pitch: Pitch) -> Pitch {
        let nearest = self.tuning.borrow().nearest_index(pitch);
        let pitches = self.tuning.borrow().pitches();
        let held = match self.held {
            Some(held) if held != nearest => {
                let (from, to) = (pitches[held], pitches[nearest]);
                let midpoint = 0.5 * (from + to);
                let step = (to - from).abs();
                if (pitch.0 - midpoint).abs() > HYSTERESIS * step || held.abs_diff(nearest) > 1 {
                    nearest
                } else {
                    held
                }
            }
            _ => nearest,
        };
        self.held = Some(held);
        Pitch(pitches[held])
    }

    /// Releases the held note, at the end of a note.
    pub fn release(&mut self) {
        self.held = None;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tuning::{Reference, catalogue};
    use proptest::prelude::*;

    fn tunings() -> Vec<Tuning> {
        let reference = Reference::default();
        let files = catalogue();
        files
            .iter()
            .map(|f| Tuning::new(f, None, reference).unwrap())
            .collect()
    }

    fn largest_step(table: &Tuning) -> f64 {
        let steps = table.pitches().windows(2).map(|pair| pair[1] - pair[0]);
        steps.fold(0.0, f64::max)
    }

    proptest! {
        #[test]
        fn first_result_is_the_nearest(pitch in 20.0f64..100.0) {
            for tuning in tunings() {
                let got = Quantiser::new(&tuning).push(Pitch(pitch)).0;
                let best = tuning.pitches().iter().map(|p| (p - pitch).abs()).fold(f64::MAX, f64::min);
                prop_assert!(((got - pitch).abs() - best).abs() < 1e-9);
            }
        }

        /// A higher pitch is never sent lower, and none is moved by more than half of
        /// the table's largest step.
        #[test]
        fn order_is_kept_and_nothing_moves_far(low in 20.0f64..100.0, above in 0.0f64..30.0) {
            for table in tunings() {
                let sent = |pitch| Quantiser::new(&table).push(Pitch(pitch)).0;
                prop_assert!(sent(low) <= sent(low + above));
                prop_assert!((sent(low) - low).abs() <= 0.5 * largest_step(&table) + 1e-9);
            }
        }

        /// While a pitch moves, the answer changes only to the nearest pitch of the
        /// table, and what is held is left before it is farther away than the band.
        #[test]
        fn a_moving_pitch_is_followed(walk in prop::collection::vec(30.0f64..90.0, 1..40), steps in 1usize..30) {
            for table in tunings() {
                let mut quantiser = Quantiser::new(&table);
                let mut held = None;
                for ends in walk.windows(2) {
                    for step in 0..steps {
                        let pitch = ends[0] + (ends[1] - ends[0]) * step as f64 / steps as f64;
                        let got = quantiser.push(Pitch(pitch)).0;
                        let far = (0.5 + HYSTERESIS) * largest_step(&table) + 1e-9;
                        prop_assert!((got - pitch).abs() <= far, "{} {pitch} {got}", table.name());
                        prop_assert!(held == Some(got) || got == table.nearest(Pitch(pitch)).0);
                        held = Some(got);
                    }
                }
            }
        }

        #[test]
        fn never_flickers_within_the_band(border in 40i32..80, wobble in prop::collection::vec(-0.09f64..0.09, 2..50)) {
            let tuning = &tunings()[0];
            let mut quantiser = Quantiser::new(tuning);
            let mut answers: Vec<f64> =
                wobble.iter().map(|w| quantiser.push(Pitch(f64::from(border) + 0.5 + w)).0).collect();
            answers.dedup();
            prop_assert_eq!(answers.len(), 1);
        }

        #[test]
        fn pitches_of_the_tuning_stay(index in 0usize..100) {
            for tuning in tunings() {
                let pitch = tuning.pitches()[index % tuning.pitches().len()];
                prop_assert_eq!(Quantiser::new(&tuning).push(Pitch(pitch)).0, pitch);
            }
        }
    }
}
