//! Decimates any input rate to the 11 to 22 kHz at which pitch is detected.
//!
//! A brass tone below 1.6 kHz has the partials that determine its period below
//! 5 kHz, and the cost of the correlator grows with the square of its rate.
//! Whole-number decimation keeps the filter short (its delay is heard by the
//! player) and sample times exact.

use std::f64::consts::PI;

use pulp::{Arch, Simd, WithSimd};

use super::vector_math::dot;

/// Low-pass filter and whole-number decimator with a known delay.
#[derive(Debug, Clone)]
pub struct Decimator {
    factor: usize,
    taps: Vec<f32>,
    /// Recent inputs: one filter length of the past, then those since the last move.
    /// When it is full the newest filter length is moved to the front.
    history: Vec<f32>,
    write: usize,
    until_next: usize,
    primed: bool,
}

/// Lowest rate that the decimator goes down to: 1.6 kHz then still has 6.9 samples a
/// period, enough for exact interpolation.
const LOWEST_RATE_HZ: f64 = 11_000.0;

/// Share of the output rate up to which the sound passes: above it the filter falls off.
pub(crate) const PASSBAND: f64 = 0.44;

/// Capacity of the history, in filter lengths: the more, the rarer the moves.
const CAPACITY: usize = 16;

impl Decimator {
    /// Decimator for an input at `sample_rate_hz`. Rates below 22 kHz pass
    /// unchanged.
    pub fn new(sample_rate_hz: f64) -> Self {
        let factor = (sample_rate_hz / LOWEST_RATE_HZ).floor().max(1.0) as usize;
        let taps = low_pass(factor);
        let length = taps.len();
        Decimator {
            factor,
            taps,
            history: vec![0.0; CAPACITY * length],
            write: length,
            until_next: factor,
            primed: false,
        }
    }

    /// Inputs per output.
    pub fn factor(&self) -> usize {
        self.factor
    }

    /// Delay of the filter in input samples.
    pub fn delay(&self) -> usize {
        self.taps.len() / 2
    }

    /// Takes any number of finite input samples and appends an output sample to `out` for
    /// every `factor` of them.
    pub fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        if self.factor == 1 {
            out.extend_from_slice(samples);
            return;
        }
        let Some(&first) = samples.first() else {
            return;
        };
        if !self.primed {
            // Samples before the first are taken to equal it: filtering a step would
            // ring.
            self.history.fill(first);
            self.primed = true;
        }
        let length = self.taps.len();
        for block in samples.chunks((CAPACITY - 1) * length) {
            if self.write + block.len() > self.history.len() {
                self.history.copy_within(self.write - length..self.write, 0);
                self.write = length;
            }
            self.history[self.write..][..block.len()].copy_from_slice(block);
            let first_end = self.write + self.until_next;
            self.write += block.len();
            if first_end > self.write {
                self.until_next = first_end - self.write;
                continue;
            }
            self.until_next = self.factor - (self.write - first_end) % self.factor;
            Arch::new().dispatch(Filter {
                inputs: &self.history[first_end - length..self.write],
                taps: &self.taps,
                factor: self.factor,
                out,
            });
        }
    }
}

/// One output for each window of inputs, `factor` apart.
struct Filter<'a> {
    inputs: &'a [f32],
    taps: &'a [f32],
    factor: usize,
    out: &'a mut Vec<f32>,
}

impl WithSimd for Filter<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) {
        let windows = self.inputs.windows(self.taps.len()).step_by(self.factor);
        self.out
            .extend(windows.map(|window| dot(window, self.taps)));
    }
}

/// Symmetric low-pass of 16 * `factor` taps, cut at [`PASSBAND`], windowed with Blackman's
/// window (Harris, Proc. IEEE 66, 1978, table 1: side lobes at -58 dB).
fn low_pass(factor: usize) -> Vec<f32> {
    if factor == 1 {
        return vec![1.0];
    }
    let length = 16 * factor;
    let cutoff = PASSBAND / factor as f64;
    let middle = length as f64 / 2.0;
    let mut taps: Vec<f64> = (0..length)
        .map(|i| {
            // Tap 0 is left at zero: the remaining odd count is symmetric.
            let x = i as f64 - middle;
            let sinc = if x == 0.0 {
                2.0 * cutoff
            } else {
                (2.0 * PI * cutoff * x).sin() / (PI * x)
            };
            let phase = 2.0 * PI * i as f64 / length as f64;
            sinc * (0.42 - 0.5 * phase.cos() + 0.08 * (2.0 * phase).cos())
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|t| *t /= sum);
    taps.into_iter().map(|t| t as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gain_at(frequency_hz: f64, rate_hz: f64) -> f64 {
        let tone: Vec<f32> = (0..48_000)
            .map(|i| (2.0 * PI * frequency_hz * f64::from(i) / rate_hz).sin() as f32)
            .collect();
        let mut low = Vec::new();
        Decimator::new(rate_hz).push(&tone, &mut low);
        let settled = &low[1_000..];
        let power: f64 = settled.iter().map(|&y| f64::from(y * y)).sum();
        10.0 * (2.0 * power / settled.len() as f64).log10()
    }

    #[test]
    fn passes_partials_and_stops_aliases() {
        assert!(gain_at(3_000.0, 48_000.0).abs() < 0.2);
        assert!(gain_at(9_500.0, 48_000.0) < -50.0);
        assert_eq!(Decimator::new(48_000.0).factor(), 4);
        assert_eq!(Decimator::new(44_100.0).factor(), 4);
        assert_eq!(Decimator::new(8_000.0).factor(), 1);
    }

    #[test]
    fn delay_is_as_stated() {
        let mut decimator = Decimator::new(44_100.0);
        let mut inputs = vec![0.0; 400];
        inputs[99] = 1.0;
        let mut low = Vec::new();
        decimator.push(&inputs, &mut low);
        let top = (0..low.len()).max_by(|&a, &b| low[a].total_cmp(&low[b]));
        // Output n comes with input n * factor + factor - 1.
        let at = top.unwrap() * decimator.factor() + decimator.factor() - 1;
        assert!(at.abs_diff(99 + decimator.delay()) <= decimator.factor());
    }

    #[test]
    fn blocks_of_any_length_give_the_same() {
        let sound: Vec<f32> = (0..5_000).map(|i| ((i * i) as f32).sin()).collect();
        for rate_hz in [8_000.0, 44_100.0, 192_000.0] {
            let mut whole = Vec::new();
            Decimator::new(rate_hz).push(&sound, &mut whole);
            for length in [1, 3, 64, 1_021] {
                let mut decimator = Decimator::new(rate_hz);
                let mut parts = Vec::new();
                for block in sound.chunks(length) {
                    decimator.push(block, &mut parts);
                }
                assert_eq!(parts, whole, "{rate_hz} Hz in blocks of {length}");
            }
            assert_eq!(whole.len(), sound.len() / Decimator::new(rate_hz).factor());
        }
    }
}
