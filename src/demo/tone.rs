//! Plain tones with a pitch that is known to a thousandth of a cent.

use std::f64::consts::TAU;

use super::brass::Noise;
use crate::statistics::median;
use crate::transcriber::Transcription;
use crate::units::Pitch;

/// Sample rate of the tones, in hertz.
pub const RATE_HZ: f64 = 48_000.0;

/// A second and a half of a tone of the given partial amplitudes (the first is
/// the fundamental's), with white noise at a level in dB relative to it. `pitch` maps a
/// time in seconds to MIDI semitones.
pub fn tone(pitch: impl Fn(f64) -> f64, partials: &[f64], noise_db: f64, seed: u64) -> Vec<f32> {
    let mut noise = Noise::new(seed);
    let power: f64 = partials.iter().map(|a| a * a / 2.0).sum();
    let hiss = (3.0 * power).sqrt() * 10f64.powf(noise_db / 20.0);
    let mut phase = 0.0;
    let sample = |i: usize| {
        let hz = Pitch(pitch(i as f64 / RATE_HZ)).hz();
        phase = (phase + hz / RATE_HZ) % 1.0;
        let sum: f64 = partials
            .iter()
            .enumerate()
            .filter(|(k, _)| hz * (*k + 1) as f64 <= 20_000.0)
            .map(|(k, a)| a * (TAU * phase * (k + 1) as f64).sin())
            .sum();
        (0.1 * (sum + hiss * noise.value())) as f32
    };
    (0..(1.5 * RATE_HZ) as usize).map(sample).collect()
}

/// Median deviation from a pitch of the frames in such a tone's middle, in cents;
/// a frame without pitch counts as infinite.
pub fn median_error_cents(heard: &Transcription, pitch: f64) -> f64 {
    let off = |found: f32| 100.0 * (f64::from(found) - pitch).abs();
    let errors = heard
        .track
        .frames()
        .filter(|m| (0.4..1.2).contains(&m.time_s))
        .map(|m| m.pitch.map_or(f64::INFINITY, off));
    median(errors).unwrap_or(f64::INFINITY)
}
