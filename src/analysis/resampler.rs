//! Brings sound of any sample rate to the 11,025 Hz at which it is analysed.
//!
//! A brass tone below 1.6 kHz has the partials that determine its period below
//! 5 kHz, and the cost of the correlator grows with the square of its rate. The rate is the same
//! for every take, so windows and hops have the same length and fall at the same instants whatever
//! the input's rate: the same playing gives the same notes at 44.1 and at 48 kHz. It is a quarter of
//! the commonest rate, 44.1 kHz.

use std::f64::consts::PI;

use pulp::{Arch, Simd, WithSimd};

use super::vector_math::dot;

/// Rate at which sound is analysed, in hertz.
pub const ANALYSIS_RATE_HZ: f64 = 11_025.0;

/// Cutoff of the low-pass filter (-6 dB), as a share of the analysis rate: at 44.1 kHz -1 dB at 4 kHz,
/// below -50 dB from 6.5 kHz.
pub(crate) const PASSBAND: f64 = 0.44;

/// Length of the low-pass filter, in samples at the analysis rate (or the input's, if that is
/// lower). Half of it is the delay, which the player hears.
const FILTER_LENGTH: f64 = 16.0;

/// Most phases of the filter: positions of an output between two inputs. Exact for rates that are a
/// multiple of 25 Hz (11,025 = 25 * 441); for others the nearest phase is used.
const MOST_PHASES: usize = 441;

/// Capacity of the history, in filter lengths: the more, the rarer the moves.
const CAPACITY: usize = 16;

/// Low-pass filter and resampler to [`ANALYSIS_RATE_HZ`] with a known delay: a polyphase filter
/// (Crochiere and Rabiner, Interpolation and decimation of digital signals, Proc. IEEE 69, 1981).
#[derive(Debug, Clone)]
pub struct Resampler {
    sample_rate_hz: f64,
    /// Taps of the filter, one row of `length` for each position of an output between two inputs,
    /// the last row the first, shifted by one input.
    taps: Vec<f32>,
    length: usize,
    phases: usize,
    /// Recent inputs: one filter length of the past, then those since the last move.
    /// When it is full the newest filter length is moved to the front.
    history: Vec<f32>,
    write: usize,
    /// Inputs and outputs so far.
    inputs: u64,
    outputs: u64,
}

impl Resampler {
    /// Resampler of sound at `sample_rate_hz`.
    pub fn new(sample_rate_hz: f64) -> Self {
        let exact =
            |phases: &usize| (*phases as f64 * sample_rate_hz / ANALYSIS_RATE_HZ).fract() == 0.0;
        let phases = (1..MOST_PHASES).find(exact).unwrap_or(MOST_PHASES);
        let half = Self::delay_s(sample_rate_hz) * sample_rate_hz;
        let length = (2.0 * half).ceil() as usize;
        let taps = (0..=phases)
            .flat_map(|phase| low_pass(phase as f64 / phases as f64, length, half, sample_rate_hz));
        Resampler {
            sample_rate_hz,
            taps: taps.collect(),
            length,
            phases,
            history: vec![0.0; CAPACITY * length],
            write: length,
            inputs: 0,
            outputs: 0,
        }
    }

    /// Delay of the filter in seconds.
    fn delay_s(sample_rate_hz: f64) -> f64 {
        0.5 * FILTER_LENGTH / sample_rate_hz.min(ANALYSIS_RATE_HZ)
    }

    /// Most outputs that so many inputs can complete.
    pub fn most(&self, inputs: usize) -> usize {
        (inputs as f64 * ANALYSIS_RATE_HZ / self.sample_rate_hz) as usize + 1
    }

    /// Position of output number `count` (from 1), in inputs.
    fn due(&self, count: u64) -> f64 {
        count as f64 * self.sample_rate_hz / ANALYSIS_RATE_HZ
    }

    /// Whole inputs that had come when output number `count` (from 1) was due.
    pub fn inputs_due(&self, count: u64) -> u64 {
        self.due(count) as u64
    }

    /// Time of the sound in output number `count` (from 1), in seconds of the input.
    pub fn time_s(&self, count: u64) -> f64 {
        count as f64 / ANALYSIS_RATE_HZ - Self::delay_s(self.sample_rate_hz)
    }

    /// Takes any number of finite input samples and appends the output samples that they complete
    /// to `out`.
    pub fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        let Some(&first) = samples.first() else {
            return;
        };
        if self.inputs == 0 {
            // Samples before the first are taken to equal it: filtering a step would
            // ring.
            self.history.fill(first);
        }
        for block in samples.chunks((CAPACITY - 1) * self.length) {
            if self.write + block.len() > self.history.len() {
                self.history
                    .copy_within(self.write - self.length..self.write, 0);
                self.write = self.length;
            }
            self.history[self.write..][..block.len()].copy_from_slice(block);
            self.write += block.len();
            self.inputs += block.len() as u64;
            Arch::new().dispatch(Filter {
                resampler: self,
                out,
            });
        }
    }
}

/// The outputs that the newest inputs complete.
struct Filter<'a> {
    resampler: &'a mut Resampler,
    out: &'a mut Vec<f32>,
}

impl WithSimd for Filter<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) {
        let resampler = self.resampler;
        loop {
            let due = resampler.due(resampler.outputs + 1);
            let Some(later) = resampler.inputs.checked_sub(due.ceil() as u64) else {
                return;
            };
            resampler.outputs += 1;
            let end = resampler.write - later as usize;
            let phase = ((due.ceil() - due) * resampler.phases as f64).round() as usize;
            let taps = &resampler.taps[phase * resampler.length..][..resampler.length];
            let window = &resampler.history[end - resampler.length..end];
            self.out.push(dot(window, taps));
        }
    }
}

/// Low-pass cut at [`PASSBAND`], windowed with Blackman's window (Harris, Proc. IEEE 66, 1978,
/// table 1: side lobes at -58 dB) of `half` inputs either way: its `length` taps. `early`: how far
/// the output's instant lies before the end of its last input, in inputs.
fn low_pass(early: f64, length: usize, half: f64, sample_rate_hz: f64) -> Vec<f32> {
    let cutoff = PASSBAND * ANALYSIS_RATE_HZ.min(sample_rate_hz) / sample_rate_hz;
    let mut taps: Vec<f64> = (0..length)
        .map(|i| {
            // Distance of this input from the centre of the window, whose end lies `1 - early` inputs
            // after the last.
            let x = i as f64 - length as f64 + early + half;
            let sinc = if x == 0.0 {
                2.0 * cutoff
            } else {
                (2.0 * PI * cutoff * x).sin() / (PI * x)
            };
            let phase = 2.0 * PI * (x + half) / (2.0 * half);
            let window = 0.42 - 0.5 * phase.cos() + 0.08 * (2.0 * phase).cos();
            if x.abs() < half { sinc * window } else { 0.0 }
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|t| *t /= sum);
    taps.into_iter().map(|t| t as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn resampled(sound: &[f32], rate_hz: f64) -> Vec<f32> {
        let mut low = Vec::new();
        Resampler::new(rate_hz).push(sound, &mut low);
        low
    }

    /// A sine as it is sampled at a rate, one second.
    fn sine(hz: f64, rate_hz: f64) -> Vec<f32> {
        (0..rate_hz as usize)
            .map(|i| (2.0 * PI * hz * i as f64 / rate_hz).sin() as f32)
            .collect()
    }

    fn gain_db(hz: f64, rate_hz: f64) -> f64 {
        let low = resampled(&sine(hz, rate_hz), rate_hz);
        let settled = &low[1_000..];
        let power: f64 = settled.iter().map(|&y| f64::from(y * y)).sum();
        10.0 * (2.0 * power / settled.len() as f64).log10()
    }

    #[test]
    fn passes_partials_and_stops_aliases() {
        for rate_hz in [16_000.0, 22_254.5, 44_100.0, 48_000.0, 192_000.0] {
            assert!(gain_db(3_000.0, rate_hz).abs() < 0.2, "{rate_hz}");
            assert!(gain_db(7_900.0, rate_hz) < -50.0, "{rate_hz}");
        }
        assert!(gain_db(2_000.0, 8_000.0).abs() < 0.2);
    }

    /// What comes out is the sound at the times stated, at any rate, also where its ratio to the
    /// analysis rate is no fraction of small numbers.
    #[test]
    fn outputs_are_the_sound_at_their_times() {
        for rate_hz in [
            8_000.0, 11_025.0, 16_000.0, 22_254.5, 44_100.0, 48_000.0, 96_000.0, 191_999.0,
        ] {
            let resampler = Resampler::new(rate_hz);
            for hz in [60.0, 700.0, 2_000.0] {
                let low = resampled(&sine(hz, rate_hz), rate_hz);
                for (count, &y) in (1..).zip(&low).skip(100) {
                    let want = (2.0 * PI * hz * resampler.time_s(count)).sin();
                    let error = (f64::from(y) - want).abs();
                    assert!(
                        error < 0.003,
                        "{rate_hz} Hz, sine of {hz} Hz, output {count}: {error}"
                    );
                }
            }
        }
    }

    /// Outputs stand at the same instants whatever the rate.
    #[test]
    fn times_do_not_depend_on_the_rate() {
        let time_s = |rate_hz| Resampler::new(rate_hz).time_s(1_000);
        for rate_hz in [11_025.0, 22_050.0, 48_000.0, 88_200.0, 192_000.0] {
            assert_eq!(time_s(rate_hz), time_s(44_100.0), "{rate_hz}");
        }
    }

    #[test]
    fn blocks_of_any_length_give_the_same() {
        let sound: Vec<f32> = (0..5_000).map(|i| ((i * i) as f32).sin()).collect();
        for rate_hz in [8_000.0, 11_025.0, 44_100.0, 48_000.0, 191_999.0] {
            let whole = resampled(&sound, rate_hz);
            for length in [1, 3, 64, 1_021] {
                let mut resampler = Resampler::new(rate_hz);
                let mut parts = Vec::new();
                for block in sound.chunks(length) {
                    let before = parts.len();
                    resampler.push(block, &mut parts);
                    assert!(parts.len() - before <= resampler.most(length), "{rate_hz}");
                }
                assert_eq!(parts, whole, "{rate_hz} Hz in blocks of {length}");
            }
            let due = (sound.len() as f64 * ANALYSIS_RATE_HZ / rate_hz) as usize;
            assert_eq!(whole.len(), due, "{rate_hz}");
        }
    }
}
