//! How much each pitch stands out in one moment's spectrum: the mean level of its
//! harmonics against what lies between them.
//!
//! Summed harmonics have an octave problem of their own and are not what decides on a
//! pitch. They see two things that the correlation, which asks for *the* period of all
//! the sound, sees late or not: a new note that still lies under the reverberation of
//! the one before, and what else sounds beside a pitch (a chord, an octave).

use super::features::{BINS, BINS_PER_SEMITONE, pitch_of};
use super::spectra::{SIZES, STARTS, Spectrum};
use crate::units::Pitch;

/// Harmonics whose mean is taken.
const HARMONICS: [usize; 6] = [1, 2, 3, 4, 5, 6];
/// Multiples between the harmonics.
const BETWEEN: [f64; 3] = [0.5, 1.5, 2.5];

/// Bins below the first and above the last that harmonics and their gaps reach.
const BELOW: usize = 12 * BINS_PER_SEMITONE;
const ABOVE: usize = 32 * BINS_PER_SEMITONE;

/// Bins from a pitch to a multiple of it.
fn steps(multiple: f64) -> isize {
    (12.0 * BINS_PER_SEMITONE as f64 * multiple.log2()).round() as isize
}

/// Levels of all pitches in one moment, as base-2 logarithms of power by bin.
#[derive(Debug, Clone)]
pub struct Salience {
    /// Mean level of the harmonics against the reference.
    pub harmonics: Vec<f32>,
    /// That, less half of what lies between.
    pub contrast: Vec<f32>,
    /// The highest contrast within two bins, for what sounds beside a pitch.
    pub widened: Vec<f32>,
}

/// Reads [`Salience`] from the longest window's spectrum.
#[derive(Debug, Clone)]
pub struct PitchAxis {
    places: Vec<(usize, f32)>,
}

impl PitchAxis {
    /// Axis of spectra at `rate_hz`.
    pub fn new(rate_hz: f64) -> Self {
        let size = SIZES[2];
        let place = |i: usize| {
            let pitch =
                f64::from(pitch_of(0)) + (i as f64 - BELOW as f64) / BINS_PER_SEMITONE as f64;
            let at = Pitch(pitch).hz() * size as f64 / rate_hz;
            let last = (0.44 * size as f64) as usize;
            ((at as usize).min(last), at.fract() as f32)
        };
        PitchAxis {
            places: (0..BELOW + BINS + ABOVE).map(place).collect(),
        }
    }

    /// Salience of all bins, levels counted from `reference` and cut off at `floor`
    /// under it (both base-2 logarithms).
    pub fn read(&self, spectrum: &Spectrum, reference: f32, floor: f32) -> Salience {
        let longest = &spectrum.log_power[STARTS[2]..];
        let last = (0.44 * SIZES[2] as f64) as usize;
        let level = |&(at, part): &(usize, f32)| {
            if at >= last {
                return floor;
            }
            let value = longest[at] + part * (longest[at + 1] - longest[at]);
            (value - reference).max(floor)
        };
        let axis: Vec<f32> = self.places.iter().map(level).collect();
        let mean = |multiples: &mut dyn Iterator<Item = f64>| {
            let mut sums = vec![0f32; BINS];
            let mut count = 0.0;
            for multiple in multiples {
                let from = (BELOW as isize + steps(multiple)) as usize;
                for (sum, value) in sums.iter_mut().zip(&axis[from..from + BINS]) {
                    *sum += value;
                }
                count += 1.0;
            }
            sums.iter_mut().for_each(|sum| *sum /= count);
            sums
        };
        let harmonics = mean(&mut HARMONICS.iter().map(|&h| h as f64));
        let between = mean(&mut BETWEEN.iter().copied());
        let contrast: Vec<f32> = harmonics
            .iter()
            .zip(&between)
            .map(|(h, b)| h - 0.5 * b)
            .collect();
        let widened = (0..BINS).map(|bin| {
            let near = &contrast[bin.saturating_sub(2)..(bin + 3).min(BINS)];
            near.iter().copied().fold(f32::NEG_INFINITY, f32::max)
        });
        Salience {
            widened: widened.collect(),
            harmonics,
            contrast,
        }
    }
}
