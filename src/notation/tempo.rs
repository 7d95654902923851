//! The beat of a line: period and phase.

use std::f64::consts::TAU;

/// A steady beat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beat {
    /// Length of a quarter note in seconds.
    pub period_s: f64,
    /// Time of a beat, the one at or before the first onset, in seconds.
    pub phase_s: f64,
}

/// Range of tempi, quarter notes a minute.
const TEMPI: (f64, f64) = (48.0, 200.0);
/// Listeners prefer beats around this, and how far from it they still do, in
/// octaves of tempo (Parncutt, Music Perception 11(4), 1994: a maximum near
/// 100 a minute; the width is from memory).
const PREFERRED: f64 = 100.0;
const PREFERRED_OCTAVES: f64 = 0.8;
/// Ratio between two tempi that are tried.
const STEP: f64 = 1.002;
/// Default beat, in seconds: 120 a minute.
const DEFAULT_S: f64 = 0.5;

impl Beat {
    /// Beat of a known period, with its phase from onsets.
    pub fn at(period_s: f64, onsets: &[f64]) -> Beat {
        let first_s = onsets.first().copied().unwrap_or(0.0);
        // The best phase for half beats; of the two halves the one that more onsets are
        // close to.
        let half = resonance(onsets, 0.5 * period_s).1;
        let near = |phase_s: f64| {
            let off = |t: &f64| ((t - phase_s) / period_s + 0.5).rem_euclid(1.0) - 0.5;
            onsets.iter().filter(|t| off(t).abs() < 0.15).count()
        };
        let other = half + 0.5 * period_s;
        let phase_s = if near(other) > near(half) {
            other
        } else {
            half
        };
        let beats = ((first_s - phase_s) / period_s + 0.25).floor();
        Beat {
            period_s,
            phase_s: phase_s + beats * period_s,
        }
    }

    /// The beat that fits onsets best, at the beat, its halves and its quarters
    /// together, weighted by the tempi that listeners prefer.
    pub fn estimate(onsets: &[f64]) -> Beat {
        if onsets.len() < 4 {
            return Beat::at(DEFAULT_S, onsets);
        }
        let mut best = (f64::MIN, DEFAULT_S);
        let mut tempo = TEMPI.0;
        while tempo <= TEMPI.1 {
            let period_s = 60.0 / tempo;
            let agree = |share: f64| resonance(onsets, share * period_s).0;
            let octaves = (tempo / PREFERRED).log2() / PREFERRED_OCTAVES;
            let preferred = (-0.5 * octaves * octaves).exp();
            let score = preferred * (0.5 * agree(1.0) + agree(0.5) + agree(0.25));
            if score > best.0 {
                best = (score, period_s);
            }
            tempo *= STEP;
        }
        Beat::at(best.1, onsets)
    }

    /// A time in beats from the phase.
    pub fn beats(&self, time_s: f64) -> f64 {
        (time_s - self.phase_s) / self.period_s
    }
}

/// How well times agree on a period, 0 to 1, and the phase they agree on, in
/// seconds (the mean resultant of circular statistics).
fn resonance(times_s: &[f64], period_s: f64) -> (f64, f64) {
    let (mut x, mut y) = (0.0, 0.0);
    for time_s in times_s {
        let (s, c) = (TAU * time_s / period_s).sin_cos();
        (x, y) = (x + c, y + s);
    }
    let count = times_s.len().max(1) as f64;
    (x.hypot(y) / count, y.atan2(x) / TAU * period_s)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn onsets(tempo: f64, beats: &[f64]) -> Vec<f64> {
        // A player's onsets vary by some ten milliseconds.
        let jitter = |i: usize| 0.012 * ((i as f64 * 2.4).sin());
        let time = |(i, b): (usize, &f64)| 0.7 + b * 60.0 / tempo + jitter(i);
        beats.iter().enumerate().map(time).collect()
    }

    #[test]
    fn steady_tempi_are_found() {
        let rhythm = [
            0.0, 1.0, 1.5, 2.0, 3.0, 4.0, 4.5, 5.0, 5.5, 6.0, 7.0, 7.75, 8.0, 10.0,
        ];
        // Half and double are as good by the onsets alone: preference decides.
        for tempo in [76.0, 84.0, 100.0, 120.0, 138.0] {
            let beat = Beat::estimate(&onsets(tempo, &rhythm));
            let found = 60.0 / beat.period_s;
            assert!((found / tempo - 1.0).abs() < 0.015, "{tempo}: {found}");
            assert!(
                (beat.phase_s - 0.7).abs() < 0.03,
                "{tempo}: {}",
                beat.phase_s
            );
        }
    }

    #[test]
    fn few_onsets_have_a_default_beat() {
        assert_eq!(Beat::estimate(&[]).period_s, DEFAULT_S);
        assert!(Beat::estimate(&[1.0]).phase_s <= 1.0);
    }
}
