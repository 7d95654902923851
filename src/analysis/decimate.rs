//! Brings any input rate down to the 11 to 22 kHz at which pitch is sought.
//!
//! A brass tone below 1.6 kHz has all the partials that tell its period under
//! 5 kHz, and the cost of the correlator grows with the square of its rate.
//! Whole-number decimation keeps the filter short (its delay is heard by the
//! player) and sample times exact.

use std::f64::consts::PI;

/// Low-pass filter and whole-number decimator with a known delay.
#[derive(Debug, Clone)]
pub struct Decimator {
    factor: usize,
    taps: Vec<f32>,
    /// The inputs of late, at least `taps.len()` of them before `write`, so that a
    /// window is one slice. The newest are moved to the front when it is full.
    history: Vec<f32>,
    write: usize,
    until_next: usize,
    primed: bool,
}

/// Lowest rate the decimator leaves: 1.6 kHz then still has 6.9 samples a
/// period, enough for exact interpolation.
const LOWEST_RATE_HZ: f64 = 11_000.0;

/// Windows that the history has room for: one move in so many.
const ROOM: usize = 16;

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
            history: vec![0.0; ROOM * length],
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

    /// Takes one input sample; gives an output sample every `factor` inputs.
    #[inline]
    pub fn push(&mut self, sample: f32) -> Option<f32> {
        if self.factor == 1 {
            return Some(sample);
        }
        let length = self.taps.len();
        if !self.primed {
            // A take that starts off zero has been there all along: filtering a
            // step would ring.
            self.history.fill(sample);
            self.primed = true;
        }
        if self.write == self.history.len() {
            self.history.copy_within(self.write - length.., 0);
            self.write = length;
        }
        self.history[self.write] = sample;
        self.write += 1;
        self.until_next -= 1;
        if self.until_next > 0 {
            return None;
        }
        self.until_next = self.factor;
        let window = &self.history[self.write - length..self.write];
        // Eight running sums let the compiler use vector registers.
        let mut sums = [0f32; 8];
        let chunks = window.chunks_exact(8).zip(self.taps.chunks_exact(8));
        for (x, h) in chunks {
            for lane in 0..8 {
                sums[lane] += x[lane] * h[lane];
            }
        }
        Some(sums.iter().sum())
    }
}

/// Symmetric low-pass of 16 * `factor` taps (padded to a multiple of 8), cut at
/// 0.44 of the output rate, windowed with Blackman's window (Harris, Proc. IEEE
/// 66, 1978, table 1: side lobes at -58 dB).
fn low_pass(factor: usize) -> Vec<f32> {
    if factor == 1 {
        return vec![1.0];
    }
    let length = 16 * factor;
    let cutoff = 0.44 / factor as f64;
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
        let mut decimator = Decimator::new(rate_hz);
        let mut power = 0.0;
        let mut count = 0;
        for i in 0..48_000 {
            let x = (2.0 * PI * frequency_hz * f64::from(i) / rate_hz).sin();
            if let Some(y) = decimator.push(x as f32)
                && i > 4_000
            {
                power += f64::from(y * y);
                count += 1;
            }
        }
        10.0 * (2.0 * power / f64::from(count)).log10()
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
        let mut best = (0, 0.0f32);
        // A unit impulse at input 100 comes out `delay` inputs later.
        for i in 0..400usize {
            let x = if i == 99 { 1.0 } else { 0.0 };
            if let Some(y) = decimator.push(x)
                && y > best.1
            {
                best = (i, y);
            }
        }
        assert!(best.0.abs_diff(99 + decimator.delay()) <= decimator.factor());
    }
}
