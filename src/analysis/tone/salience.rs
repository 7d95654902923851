//! How much each pitch stands out in one moment's spectrum: the mean level of its
//! harmonics against what lies between them.
//!
//! Summed harmonics have an octave problem of their own and are not what decides on a
//! pitch. They see two things that the correlation, which asks for *the* period of all
//! the sound, sees late or not: a new note that still lies under the reverberation of
//! the one before, and what else sounds beside a pitch (a chord, an octave).

use pulp::{Arch, Simd, WithSimd};

use super::features::{BESIDE_BINS, BINS, BINS_PER_SEMITONE, pitch_of};
use super::spectra::{LONGEST, NO_POWER_AT, STARTS, Spectrum};
use crate::analysis::resampler::PASSBAND;
use crate::analysis::vector_math::higher;
use crate::units::Pitch;

/// Harmonics whose mean is taken.
const HARMONICS: [f64; 6] = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0];
/// Multiples between the harmonics.
const BETWEEN: [f64; 3] = [0.5, 1.5, 2.5];

/// Contrast beside the first and the last bin, where no pitch is read. It was set by hand, a little
/// under what silence reads as ([`SILENT_CONTRAST`](super::features::SILENT_CONTRAST)). The networks
/// have learned from features with both (`examples/tone_cells.rs` writes them as they are read
/// here), so neither can take the other's place unless weights are learned anew.
const NO_CONTRAST: f32 = -12.0;

/// Bins below the first and above the last that harmonics and their gaps reach.
const BELOW: usize = 12 * BINS_PER_SEMITONE;
const ABOVE: usize = 32 * BINS_PER_SEMITONE;

/// Place of the first bin's multiple.
fn start(multiple: f64) -> usize {
    let bins = (12.0 * BINS_PER_SEMITONE as f64 * multiple.log2()).round() as isize;
    BELOW.saturating_add_signed(bins)
}

/// Levels of all pitches in one moment, as base-2 logarithms of power by bin.
#[derive(Debug, Clone)]
pub struct Salience {
    /// Mean level of the harmonics against the reference.
    pub harmonics: Vec<f32>,
    /// That, less half of what lies between.
    pub contrast: Vec<f32>,
    /// The highest contrast within two bins, for what sounds beside a pitch: with
    /// [`BESIDE_BINS`] empty bins before the first and after the last.
    pub widened: Vec<f32>,
}

impl Default for Salience {
    fn default() -> Self {
        Salience {
            harmonics: vec![0.0; BINS],
            contrast: vec![0.0; BINS],
            widened: vec![NO_CONTRAST; BESIDE_BINS + BINS + BESIDE_BINS],
        }
    }
}

/// Reads [`Salience`] from the longest window's spectrum.
#[derive(Debug, Clone)]
pub struct PitchAxis {
    places: Vec<(usize, f32)>,
    /// Where the first bin's harmonics lie among the places, and what is between them.
    harmonics: [usize; HARMONICS.len()],
    between: [usize; BETWEEN.len()],
}

impl PitchAxis {
    /// Axis of spectra at `rate_hz`.
    pub fn new(rate_hz: f64) -> Self {
        let place = |i: usize| {
            let pitch =
                f64::from(pitch_of(0)) + (i as f64 - BELOW as f64) / BINS_PER_SEMITONE as f64;
            let at = Pitch(pitch).hz() * LONGEST as f64 / rate_hz;
            let last = (PASSBAND * LONGEST as f64) as usize;
            ((at as usize).min(last), at.fract() as f32)
        };
        PitchAxis {
            places: (0..BELOW + BINS + ABOVE).map(place).collect(),
            harmonics: HARMONICS.map(start),
            between: BETWEEN.map(start),
        }
    }

    /// Salience of all bins, levels counted from `reference` and cut off at `floor`
    /// under it (both base-2 logarithms).
    pub fn read(&self, spectrum: &Spectrum, reference: f32, floor: f32, out: &mut Salience) {
        Arch::new().dispatch(Read {
            axis: self,
            spectrum,
            reference,
            floor,
            out,
        });
    }
}

/// [`PitchAxis::read`] in vector registers.
struct Read<'a> {
    axis: &'a PitchAxis,
    spectrum: &'a Spectrum,
    reference: f32,
    floor: f32,
    out: &'a mut Salience,
}

impl WithSimd for Read<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) {
        let longest = &self.spectrum.log_power[STARTS[3]..NO_POWER_AT];
        let last = (PASSBAND * LONGEST as f64) as usize;
        let mut levels = [0f32; BELOW + BINS + ABOVE];
        for (level, &(at, part)) in levels.iter_mut().zip(&self.axis.places) {
            let value = longest[at] + part * (longest[at + 1] - longest[at]);
            let heard = if at >= last { f32::NEG_INFINITY } else { value };
            *level = higher(heard - self.reference, self.floor);
        }
        let Salience {
            harmonics,
            contrast,
            widened,
        } = self.out;
        mean(&levels, self.axis.harmonics, harmonics);
        mean(&levels, self.axis.between, contrast);
        for (between, harmonics) in contrast.iter_mut().zip(&*harmonics) {
            *between = harmonics - 0.5 * *between;
        }
        let widened = &mut widened[BESIDE_BINS..BESIDE_BINS + BINS];
        widened.copy_from_slice(contrast);
        for by in 1..=2 {
            for (wide, other) in widened[by..].iter_mut().zip(&*contrast) {
                *wide = higher(*wide, *other);
            }
            for (wide, other) in widened.iter_mut().zip(&contrast[by..]) {
                *wide = higher(*wide, *other);
            }
        }
    }
}

/// Mean of the levels at some multiples of every bin's frequency.
#[inline(always)]
fn mean<const N: usize>(levels: &[f32], starts: [usize; N], out: &mut [f32]) {
    out.fill(0.0);
    for from in starts {
        for (sum, value) in out.iter_mut().zip(&levels[from..from + BINS]) {
            *sum += value;
        }
    }
    out.iter_mut().for_each(|sum| *sum /= N as f32);
}
