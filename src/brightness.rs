//! Brightness of a tone: where the weight of its harmonics lies.
//!
//! The harmonic spectral centroid in units of the fundamental: 1 for a sine, 2 where the
//! second harmonic carries most, more the brassier the tone. Being a ratio, it says the same
//! of a tuba and a trumpet, and of loud and soft recordings of the same sound.

use std::f64::consts::TAU;

use crate::line::Line;
use crate::statistics::median;
use crate::units::Pitch;

/// Harmonics that count (Peeters, Giordano, Susini, Misdariis and McAdams, "The Timbre
/// Toolbox", J. Acoust. Soc. Am. 130, 2011: its harmonic representation has twenty; from
/// memory).
const HARMONICS: u32 = 20;
/// Share of the sample rate up to which harmonics count: converters roll off above.
const HIGHEST: f64 = 0.45;
/// Fewest periods in a window: a Hann window's main lobe is four bins wide, so that
/// neighbouring harmonics are apart from four periods on (Harris, Proc. IEEE 66, 1978).
const MIN_PERIODS: f64 = 4.0;
/// Periods of a note's windows.
const PERIODS: f64 = 8.0;
/// Mean square below which there is nothing to measure: digital silence.
const SILENCE: f64 = 1e-12;

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
    if (count as f64) < MIN_PERIODS * rate_hz / hz || power <= SILENCE * count as f64 {
        return None;
    }
    let highest = (HIGHEST * rate_hz / hz).floor().min(f64::from(HARMONICS)) as u32;
    let (mut weighted, mut total) = (0.0, 0.0);
    for harmonic in 1..=highest {
        let amplitude = amplitude(samples, f64::from(harmonic) * hz / rate_hz);
        weighted += f64::from(harmonic) * amplitude;
        total += amplitude;
    }
    (total > 0.0).then(|| weighted / total)
}

/// Amplitude at a frequency in cycles per sample, through a Hann window: the magnitude of
/// the Fourier sum, by Goertzel's recurrence (Am. Math. Monthly 65, 1958).
fn amplitude(samples: &[f32], frequency: f64) -> f64 {
    let step = TAU / samples.len() as f64;
    let twice = 2.0 * (TAU * frequency).cos();
    let turn = 2.0 * step.cos();
    // The window's cosine by the same recurrence, from half a sample before the first.
    let (mut window, mut before) = ((0.5 * step).cos(), (0.5 * step).cos());
    let (mut last, mut earlier) = (0.0, 0.0);
    for sample in samples {
        let hann = 0.5 - 0.5 * window;
        (before, window) = (window, turn * window - before);
        (earlier, last) = (last, hann * f64::from(*sample) + twice * last - earlier);
    }
    (last * last + earlier * earlier - twice * last * earlier)
        .max(0.0)
        .sqrt()
}

/// A stretch of a take in which one note sounds steadily.
#[derive(Debug)]
struct Window {
    note: usize,
    from: usize,
    to: usize,
    pitch: Pitch,
}

/// Measures the notes of a line while their take passes block by block.
#[derive(Debug)]
pub struct Meter {
    rate_hz: f64,
    /// Those still to come, the next one last.
    windows: Vec<Window>,
    /// Samples that are still needed, and the index of the first.
    waiting: Vec<f32>,
    first: usize,
    heard: Vec<Vec<f64>>,
}

impl Meter {
    /// For a line whose take starts at `start_s` of the line's time.
    pub fn new(line: &Line, rate_hz: f64, start_s: f64) -> Meter {
        let at = |time_s: f64| ((time_s - start_s).max(0.0) * rate_hz) as usize;
        let mut windows = Vec::new();
        for (note, named) in line.notes.iter().enumerate() {
            let (from, end) = (at(named.note.onset_s), at(named.note.body_end_s()));
            let length = (PERIODS * rate_hz / Pitch(named.note.pitch).hz()).ceil() as usize;
            // Every other stretch of the note: neighbours would say the same.
            for from in (from..end.saturating_sub(length)).step_by(2 * length) {
                windows.push(Window {
                    note,
                    from,
                    to: from + length,
                    pitch: Pitch(named.note.pitch),
                });
            }
        }
        windows.sort_by_key(|window| std::cmp::Reverse(window.from));
        Meter {
            rate_hz,
            windows,
            waiting: Vec::new(),
            first: 0,
            heard: vec![Vec::new(); line.notes.len()],
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, block: &[f32]) {
        self.waiting.extend_from_slice(block);
        let end = self.first + self.waiting.len();
        while let Some(window) = self.windows.pop_if(|window| window.to <= end) {
            let samples = &self.waiting[window.from - self.first..window.to - self.first];
            if let Some(value) = brightness(samples, self.rate_hz, window.pitch) {
                self.heard[window.note].push(value);
            }
        }
        let needed = self
            .windows
            .last()
            .map_or(end, |window| window.from.min(end));
        self.waiting.drain(..needed - self.first);
        self.first = needed;
    }

    /// Brightness of each note: the median of its windows; `None` for one that is shorter
    /// than eight periods.
    pub fn finish(self) -> Vec<Option<f64>> {
        let median_of = |values: Vec<f64>| median(values.into_iter());
        self.heard.into_iter().map(median_of).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
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
        (0..(rate_hz * seconds) as usize).map(sample).collect()
    }

    proptest! {
        /// What was put in is measured, at any pitch, level and usual sample rate.
        #[test]
        fn the_centroid_is_that_of_the_harmonics(
            pitch in 34.0f64..84.0,
            amplitudes in prop::collection::vec(0.01f64..1.0, 1..12),
            level in 0.001f64..0.1,
            rate_hz in prop::sample::select(vec![44_100.0, 48_000.0, 96_000.0]),
        ) {
            let hz = Pitch(pitch).hz();
            let scaled: Vec<f64> = amplitudes.iter().map(|a| a * level).collect();
            let samples = tone(&scaled, hz, rate_hz, PERIODS / hz);
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
}
