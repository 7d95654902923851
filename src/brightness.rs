//! Brightness of a tone: where the weight of its harmonics lies.
//!
//! The harmonic spectral centroid in units of the fundamental: 1 for a sine, 2 where the
//! second harmonic carries most, more the brassier the tone. Being a ratio, it says the same
//! of a tuba and a trumpet, and of loud and soft recordings of the same sound.

use std::f64::consts::TAU;

use pulp::{Arch, Simd, WithSimd};

use crate::units::Pitch;

/// Harmonics that count (Peeters, Giordano, Susini, Misdariis and McAdams, "The Timbre
/// Toolbox", J. Acoust. Soc. Am. 130, 2011: its harmonic representation has twenty; from
/// memory).
const HARMONICS: usize = 20;
/// Share of the sample rate up to which harmonics count: converters roll off above.
const HIGHEST: f64 = 0.45;
/// Fewest periods in a window: a Hann window's main lobe is four bins wide, so that
/// neighbouring harmonics are apart from four periods on (Harris, Proc. IEEE 66, 1978).
const MIN_PERIODS: f64 = 4.0;
/// Mean square below which there is nothing to measure: digital silence.
const SILENT_POWER: f64 = 1e-12;

/// Brightness of a window of samples that holds a tone of this pitch: `sum(n a) / sum(a)`
/// over the amplitudes `a` of its harmonics `n`, of which the first twenty below 0.45 times
/// the sample rate count. `None` for a window of fewer than four periods, or silence.
///
/// Allocates nothing and takes time in proportion to the samples: a live engine can call it
/// with its latest window.
pub fn brightness(samples: &[f32], rate_hz: f64, pitch: Pitch) -> Option<f64> {
    let hz = pitch.hz();
    let count = samples.len();
    let power: f64 = samples.iter().map(|s| f64::from(*s).powi(2)).sum();
    // A window is a whole number of samples.
    let enough = count as f64 + 0.5 >= MIN_PERIODS * rate_hz / hz;
    if !enough || power <= SILENT_POWER * count as f64 {
        return None;
    }
    let highest = (HIGHEST * rate_hz / hz) as usize;
    let amplitudes = amplitudes(samples, hz / rate_hz);
    let (mut weighted, mut total) = (0.0, 0.0);
    for (harmonic, amplitude) in (1..).zip(amplitudes).take(highest) {
        weighted += f64::from(harmonic) * amplitude;
        total += amplitude;
    }
    (total > 0.0).then(|| weighted / total)
}

/// Amplitudes at a frequency in cycles per sample and its multiples, through a Hann window:
/// the magnitudes of the Fourier sums, by Goertzel's recurrence (Am. Math. Monthly 65,
/// 1958), all in one pass over the samples.
fn amplitudes(samples: &[f32], frequency: f64) -> [f64; HARMONICS] {
    let twice: [f64; HARMONICS] =
        std::array::from_fn(|at| 2.0 * (TAU * frequency * (at + 1) as f64).cos());
    let recurrences = Recurrences {
        samples,
        twice: &twice,
    };
    let [last, earlier] = Arch::new().dispatch(recurrences);
    std::array::from_fn(|at| {
        let (last, earlier) = (last[at], earlier[at]);
        (last * last + earlier * earlier - twice[at] * last * earlier)
            .max(0.0)
            .sqrt()
    })
}

/// Goertzel's recurrence for each harmonic, compiled for several vector instruction sets
/// with the same results to the last bit.
struct Recurrences<'a> {
    samples: &'a [f32],
    /// Twice the cosine of each harmonic's phase in a sample.
    twice: &'a [f64; HARMONICS],
}

/// Registers whose values stay in place over all samples: with last, earlier and twice some
/// fit into sixteen.
const REGISTERS: usize = 5;

impl WithSimd for Recurrences<'_> {
    /// The last values, and the last but one.
    type Output = [[f64; HARMONICS]; 2];

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> Self::Output {
        let (mut last_of_all, mut earlier_of_all) = ([0.0; HARMONICS], [0.0; HARMONICS]);
        let step = TAU / self.samples.len() as f64;
        let turn = 2.0 * step.cos();
        // Four lanes take all harmonics at once, two want another pass.
        let pass = REGISTERS * S::F64_LANES;
        for from in (0..HARMONICS).step_by(pass) {
            let lanes = |register: usize| {
                let at = (from + register * S::F64_LANES).min(HARMONICS);
                at..(at + S::F64_LANES).min(HARMONICS)
            };
            let twice: [S::f64s; REGISTERS] =
                std::array::from_fn(|r| simd.partial_load_f64s(&self.twice[lanes(r)]));
            let mut last = [simd.splat_f64s(0.0); REGISTERS];
            let mut earlier = last;
            // The window's cosine by a recurrence too, from half a sample before the first.
            let (mut window, mut before) = ((0.5 * step).cos(), (0.5 * step).cos());
            for sample in self.samples {
                let windowed = simd.splat_f64s((0.5 - 0.5 * window) * f64::from(*sample));
                (before, window) = (window, turn * window - before);
                for r in 0..REGISTERS {
                    let turned = simd.mul_f64s(twice[r], last[r]);
                    let next = simd.add_f64s(turned, simd.sub_f64s(windowed, earlier[r]));
                    (earlier[r], last[r]) = (last[r], next);
                }
            }
            for r in 0..REGISTERS {
                simd.partial_store_f64s(&mut last_of_all[lanes(r)], last[r]);
                simd.partial_store_f64s(&mut earlier_of_all[lanes(r)], earlier[r]);
            }
        }
        [last_of_all, earlier_of_all]
    }
}

/// Measures the brightness of the sound that has just passed.
#[derive(Debug, Clone)]
pub struct BrightnessMeter {
    rate_hz: f64,
    /// Shortest window, in seconds: the shortest time between two measurements, so that no
    /// sound goes unheard.
    least_s: f64,
    /// The newest samples, oldest first. Its capacity is never exceeded.
    recent: Vec<f32>,
    /// Longest window, in samples.
    longest: usize,
    /// Samples that must be kept.
    keep: usize,
}

impl BrightnessMeter {
    /// Meter for tones down to `lowest_hz`, asked `least_s` seconds apart about sound that
    /// ends up to `behind` samples before the newest.
    pub fn new(rate_hz: f64, lowest_hz: f64, least_s: f64, behind: usize) -> Self {
        let longest = MIN_PERIODS * rate_hz / lowest_hz + 2.0 * least_s * rate_hz;
        let longest = longest.ceil() as usize;
        let keep = longest + behind;
        BrightnessMeter {
            rate_hz,
            least_s,
            recent: Vec::with_capacity(2 * keep + behind),
            longest,
            keep,
        }
    }

    /// Takes the next samples, which are finite, `behind` at most.
    pub fn push(&mut self, samples: &[f32]) {
        if self.recent.len() + samples.len() > self.recent.capacity() {
            self.recent.drain(..self.recent.len() - self.keep);
        }
        self.recent.extend_from_slice(samples);
    }

    /// Length of the window for a pitch, in seconds: four periods, or as many whole ones as
    /// fill the time between two measurements.
    pub fn window_s(&self, pitch: Pitch) -> f64 {
        (self.least_s * pitch.hz()).ceil().max(MIN_PERIODS) / pitch.hz()
    }

    /// Brightness of the tone of this pitch that ended `behind` samples before the newest.
    /// `None` before a window has been heard, for a tone below the lowest, or of silence.
    pub fn measure(&self, pitch: Pitch, behind: usize) -> Option<f64> {
        let count = (self.window_s(pitch) * self.rate_hz).round() as usize;
        // What is beyond may or may not be kept, as the blocks fall.
        if count > self.longest {
            return None;
        }
        let end = self.recent.len().checked_sub(behind)?;
        let window = &self.recent[end.checked_sub(count)?..end];
        brightness(window, self.rate_hz, pitch)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::{BRIGHTNESS_HOPS, HOP_S};
    use proptest::prelude::*;

    fn tone(amplitudes: &[f64], hz: f64, rate_hz: f64, seconds: f64) -> Vec<f32> {
        let sample = |i: usize| {
            let phase = TAU * hz * i as f64 / rate_hz;
            let partials = amplitudes.iter().enumerate();
            let sum: f64 = partials
                .map(|(n, a)| a * ((n + 1) as f64 * phase).sin())
                .sum();
            sum as f32
        };
        (0..(rate_hz * seconds).round() as usize)
            .map(sample)
            .collect()
    }

    proptest! {
        /// What was put in is measured, at any pitch, level and usual sample rate.
        #[test]
        fn the_centroid_is_that_of_the_harmonics(
            pitch in 34.0f64..84.0,
            amplitudes in prop::collection::vec(0.01f64..1.0, 1..12),
            level in 0.001f64..0.1,
            rate_hz in prop::sample::select(vec![44_100.0, 48_000.0, 96_000.0]),
            periods in prop::sample::select(vec![4.0, 8.0]),
        ) {
            let hz = Pitch(pitch).hz();
            let scaled: Vec<f64> = amplitudes.iter().map(|a| a * level).collect();
            let samples = tone(&scaled, hz, rate_hz, periods / hz);
            let expected = amplitudes.iter().enumerate().map(|(n, a)| (n + 1) as f64 * a).sum::<f64>()
                / amplitudes.iter().sum::<f64>();
            let found = brightness(&samples, rate_hz, Pitch(pitch)).unwrap();
            prop_assert!((found - expected).abs() < 0.05 * expected, "{found} {expected}");
        }
    }

    #[test]
    fn nothing_is_said_of_silence_or_too_few_periods() {
        assert_eq!(brightness(&[0.0; 4096], 48_000.0, Pitch(69.0)), None);
        let short = tone(&[0.5], 50.0, 48_000.0, 0.05);
        assert_eq!(brightness(&short, 48_000.0, Pitch::from_hz(50.0)), None);
        assert_eq!(brightness(&[], 48_000.0, Pitch(69.0)), None);
    }

    proptest! {
        /// Whatever the blocks, what is measured is the window that ends there.
        #[test]
        fn the_meter_measures_the_newest_sound(
            pitch in 34.0f64..84.0,
            lengths in prop::collection::vec(1usize..=512, 80..160),
            behind in 0usize..512,
        ) {
            const RATE_HZ: f64 = 48_000.0;
            const EVERY_S: f64 = BRIGHTNESS_HOPS as f64 * HOP_S;
            let hz = Pitch(pitch).hz();
            let mut meter = BrightnessMeter::new(RATE_HZ, Pitch(34.0).hz(), EVERY_S, 512);
            let take: Vec<f32> = (0..lengths.iter().sum())
                .map(|i: usize| 0.1 * (TAU * hz * i as f64 / RATE_HZ * (1.0 + 1e-5 * i as f64)).sin() as f32)
                .collect();
            let room = meter.recent.capacity();
            let mut end = 0;
            for length in lengths {
                meter.push(&take[end..end + length]);
                end += length;
                prop_assert_eq!(meter.recent.capacity(), room);
                let periods = (EVERY_S * hz).ceil().max(4.0);
                let count = (periods * RATE_HZ / hz).round() as usize;
                let from = end.checked_sub(behind).and_then(|end| end.checked_sub(count));
                let expected = from.and_then(|from| brightness(&take[from..from + count], RATE_HZ, Pitch(pitch)));
                prop_assert_eq!(meter.measure(Pitch(pitch), behind), expected);
            }
        }
    }
}
