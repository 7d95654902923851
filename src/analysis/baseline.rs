//! The McLeod detector of the `pitch-detection` crate, as an independent baseline.
//!
//! Tests compare against it and a player may choose it. It has one window for all
//! pitches and no memory between frames.

use std::fmt;

use pitch_detection::detector::PitchDetector;
use pitch_detection::detector::mcleod::McLeodDetector;

use super::Settings;
use super::offline_decoder::DecodedFrame;
use crate::units::{Pitch, power_db};

/// Streaming wrapper around the crate's detector.
pub struct BaselineDetector {
    sample_rate_hz: f64,
    range_hz: (f64, f64),
    gate: f32,
    hop: usize,
    window: Vec<f32>,
    size: usize,
    detector: McLeodDetector<f32>,
}

impl fmt::Debug for BaselineDetector {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("BaselineDetector")
            .field("sample_rate_hz", &self.sample_rate_hz)
            .field("range_hz", &self.range_hz)
            .finish_non_exhaustive()
    }
}

/// Time between frames, in seconds.
const HOP_S: f64 = 0.005;
/// Periods of the lowest pitch that a window must hold.
const PERIODS: f64 = 2.2;
/// Clarity from which the crate's result is accepted (its examples use 0.7; a value
/// from memory).
const CLARITY: f32 = 0.7;

impl BaselineDetector {
    /// Detector for one channel.
    pub fn new(settings: Settings) -> Self {
        let (sample_rate_hz, range_hz) = (settings.sample_rate_hz(), settings.range_hz());
        let hop = (HOP_S * sample_rate_hz).round() as usize;
        let size = (PERIODS * sample_rate_hz / range_hz.0) as usize;
        // The hop in the middle must fit, also for a horn that has no low pitches.
        let size = size.max(hop).next_power_of_two();
        BaselineDetector {
            sample_rate_hz,
            range_hz,
            gate: 10f64.powf(settings.gate_db() / 10.0) as f32 * size as f32,
            hop,
            window: Vec::with_capacity(2 * size),
            size,
            detector: McLeodDetector::new(size, size / 2),
        }
    }

    /// Time between frames in seconds.
    pub fn hop_s(&self) -> f64 {
        self.hop as f64 / self.sample_rate_hz
    }

    /// Time of the first frame's middle, in seconds.
    pub fn first_s(&self) -> f64 {
        0.5 * self.size as f64 / self.sample_rate_hz
    }

    /// Takes samples; appends finished frames.
    pub fn push(&mut self, samples: &[f32], out: &mut Vec<DecodedFrame>) {
        for &sample in samples {
            self.window.push(sample);
            if self.window.len() == self.size {
                out.push(self.frame());
                self.window.drain(..self.hop);
            }
        }
    }

    fn frame(&mut self) -> DecodedFrame {
        // The crate takes whole rates.
        let whole_hz = self.sample_rate_hz.round();
        let found = self
            .detector
            .get_pitch(&self.window, whole_hz as usize, self.gate, CLARITY)
            .map(|p| {
                let hz = f64::from(p.frequency) * self.sample_rate_hz / whole_hz;
                (hz, p.clarity.clamp(0.0, 1.0))
            })
            .filter(|(hz, _)| (self.range_hz.0..=self.range_hz.1).contains(hz));
        // The level of the hop in the middle, where the pitch is read.
        let middle = &self.window[(self.size - self.hop) / 2..][..self.hop];
        let power = middle.iter().map(|x| f64::from(x * x)).sum::<f64>() / self.hop as f64;
        DecodedFrame {
            pitch: found.map_or(f32::NAN, |(hz, _)| Pitch::from_hz(hz).0 as f32),
            confidence: found.map_or(0.0, |(_, clarity)| clarity),
            level_db: power_db(power as f32),
            centroid_hz: f32::NAN,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Also for a horn so high that a few of its periods are shorter than a hop, and at a rate
    /// that is no whole number.
    #[test]
    fn a_high_pitch_is_found() {
        let rate_hz = 22_254.5;
        let settings = Settings::builder(rate_hz).range_hz(1_000.0, 1_600.0);
        let mut detector = BaselineDetector::new(settings.build().unwrap());
        let sine = |i: usize| (std::f64::consts::TAU * 1_200.0 * i as f64 / rate_hz).sin() as f32;
        let samples: Vec<f32> = (0..2_000).map(sine).collect();
        let mut frames = Vec::new();
        detector.push(&samples, &mut frames);
        assert!(frames.len() > 10);
        let pitch = Pitch::from_hz(1_200.0).0 as f32;
        for frame in frames {
            assert!((frame.pitch - pitch).abs() < 0.2, "{frame:?}");
        }
    }
}
