//! What is read of one pitch at one moment: its own harmonics in windows that fit its
//! period, how well the sound repeats at it, and the level around it.
//!
//! The same list for every pitch, so that what is learned from one note serves all.

use super::salience::Salience;
use super::spectra::{LENGTH, NO_POWER_AT, SIZES, STARTS, Spectrum};
use crate::analysis::resampler::PASSBAND;
use crate::analysis::vector_math::higher;
use crate::units::Pitch;

/// Pitch bins in a semitone. At most a twentieth of a tone off, the fifth harmonic of
/// any pitch still lies within the main lobe of its window.
pub const BINS_PER_SEMITONE: usize = 5;
/// Pitch of the first bin, MIDI semitones.
pub const LOWEST: f32 = 20.0;
/// Number of bins: up to MIDI 93.
pub const BINS: usize = 73 * BINS_PER_SEMITONE + 1;

/// Number of features.
pub const FEATURES: usize = OWN + OTHERS.len();

/// Multiples of the pitch read in the short window.
const SHORT: [f64; 8] = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0];
/// Multiples read in the long window; those between the harmonics tell a pitch from
/// one an octave or a twelfth away, and tone from noise.
const LONG: [f64; 8] = [0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0];
/// Harmonics whose mean is read a semitone below and above: where a slide comes from.
const BESIDE: [f64; 3] = [1.0, 2.0, 3.0];

/// Features of the pitch itself and of the moment.
const OWN: usize = SHORT.len() + LONG.len() + 8;
/// Semitones away at which it is read how much other pitches stand out: neighbours,
/// the intervals of chords, and those of harmonics.
const OTHERS: [isize; 18] = [
    -19, -16, -12, -7, -5, -4, -3, -2, -1, 1, 2, 3, 4, 5, 7, 12, 16, 19,
];

/// Farthest of them, in bins.
pub const BESIDE_BINS: usize = 19 * BINS_PER_SEMITONE;

/// Reads in all.
const READS: usize = SHORT.len() + LONG.len() + 2 * BESIDE.len();

/// Periods that the short and the long window hold at least, where there is one so
/// long.
const PERIODS: (f64, f64) = (2.5, 6.0);

/// Power this far under the reference level is as good as none, as a base-2
/// logarithm: 70 dB.
pub const FLOOR: f32 = -23.25;

/// Contrast of any pitch in silence, as a base-2 logarithm: all harmonics at the floor, less half
/// of what lies between them. What lies beyond the bins reads slightly less (`NO_CONTRAST` in
/// `salience.rs`, which says why both are kept).
pub const SILENT_CONTRAST: f32 = 0.5 * FLOOR;

/// The bin nearest to a pitch in MIDI semitones.
pub fn bin_of(pitch: f32) -> Option<usize> {
    let bin = ((pitch - LOWEST) * BINS_PER_SEMITONE as f32).round();
    (0.0..BINS as f32).contains(&bin).then_some(bin as usize)
}

/// The pitch in the middle of a bin, MIDI semitones.
pub fn pitch_of(bin: usize) -> f32 {
    LOWEST + bin as f32 / BINS_PER_SEMITONE as f32
}

/// A value between two neighbours of [`Spectrum::log_power`].
#[derive(Debug, Clone, Copy, Default)]
struct Place {
    at: u16,
    part: f32,
}

/// Place of a frequency beyond the spectrum.
const NOWHERE: Place = Place {
    at: NO_POWER_AT as u16,
    part: 0.0,
};

/// Where each bin's harmonics lie in the spectra.
#[derive(Debug, Clone)]
pub struct FeatureReader {
    places: Vec<[Place; READS]>,
}

impl FeatureReader {
    /// Reader of spectra at `rate_hz`.
    pub fn new(rate_hz: f64) -> Self {
        let places = (0..BINS).map(|bin| places(rate_hz, f64::from(pitch_of(bin))));
        FeatureReader {
            places: places.collect(),
        }
    }

    /// The features of a bin: each about -2 to 1.5. `repeats` are the strengths of the
    /// correlation there, in nats, in the short and the long window; `reference` is the
    /// base-2 logarithm of the power that levels count from.
    #[inline(always)]
    pub fn read(
        &self,
        bin: usize,
        spectrum: &Spectrum,
        salience: &Salience,
        repeats: [f32; 2],
        reference: f32,
    ) -> [f32; FEATURES] {
        let scale = |log_power: f32| higher(log_power - reference, FLOOR) * 0.125 + 1.0;
        let powers: &[f32; LENGTH] = &spectrum.log_power;
        let values = self.places[bin].map(|place| {
            let at = usize::from(place.at).min(NO_POWER_AT);
            let (low, high) = (powers[at], powers[at + 1]);
            scale(low + place.part * (high - low))
        });
        let mut out = [0.0; FEATURES];
        let own = SHORT.len() + LONG.len();
        out[..own].copy_from_slice(&values[..own]);
        let mean = |v: &[f32]| v.iter().sum::<f32>() / v.len() as f32;
        out[own] = mean(&values[own..own + BESIDE.len()]);
        out[own + 1] = mean(&values[own + BESIDE.len()..]);
        out[own + 2] = repeats[0] * 0.5;
        out[own + 3] = repeats[1] * 0.5;
        out[own + 4] = scale(spectrum.level);
        out[own + 5] = scale(spectrum.high);
        out[own + 6] = (spectrum.dip * 0.125).max(-2.0);
        out[own + 7] = salience.contrast[bin] * 0.125;
        let around = &salience.widened[bin..bin + 2 * BESIDE_BINS + 1];
        for (value, semitones) in out[OWN..].iter_mut().zip(OTHERS) {
            let by = semitones * BINS_PER_SEMITONE as isize;
            *value = around[BESIDE_BINS.saturating_add_signed(by)] * 0.125;
        }
        out
    }
}

/// The features of any bin where there is no sound, before the first sample and after the
/// last, while there is some nearby: those of digital silence.
pub fn silence() -> [f32; FEATURES] {
    let none = FLOOR * 0.125 + 1.0;
    let mut out = [none; FEATURES];
    let own = SHORT.len() + LONG.len();
    // Nothing repeats, nothing dips, and nothing stands out.
    out[own + 2..own + 4].fill(0.0);
    out[own + 6] = 0.0;
    out[own + 7..].fill(SILENT_CONTRAST * 0.125);
    out
}

fn places(rate_hz: f64, pitch: f64) -> [Place; READS] {
    let period = rate_hz / Pitch(pitch).hz();
    let window = |periods: f64| {
        let fits = |&size: &usize| size as f64 >= periods * period;
        (0..SIZES.len())
            .find(|&i| fits(&SIZES[i]))
            .unwrap_or(SIZES.len() - 1)
    };
    let (short, long) = (window(PERIODS.0), window(PERIODS.1));
    let place = |window: usize, multiple: f64, pitch: f64| {
        let size = SIZES[window];
        let at = multiple * Pitch(pitch).hz() * size as f64 / rate_hz;
        if at > PASSBAND * size as f64 {
            return NOWHERE;
        }
        Place {
            at: (STARTS[window] + at as usize) as u16,
            part: at.fract() as f32,
        }
    };
    let own_short = SHORT.iter().map(|&m| place(short, m, pitch));
    let own_long = LONG.iter().map(|&m| place(long, m, pitch));
    let below = BESIDE.iter().map(|&m| place(long, m, pitch - 1.0));
    let above = BESIDE.iter().map(|&m| place(long, m, pitch + 1.0));
    let mut all = [Place::default(); READS];
    for (to, from) in all
        .iter_mut()
        .zip(own_short.chain(own_long).chain(below).chain(above))
    {
        *to = from;
    }
    all
}
