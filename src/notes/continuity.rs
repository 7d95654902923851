//! How much of a tone goes on through an onset.
//!
//! A click upon a held note, or a beat in a room's reverberation, can look like the attack of
//! another note of its pitch. But the lips never stopped: the harmonics after it are those before
//! it, as loud, and in the phase that their frequencies lead to. After a tongue the lips start
//! anew, in any phase.
//!
//! ```text
//!             before                   between              after
//!   ..|....|....|....|....|............ onset ..................|....|....|....|....|..
//!     harmonics' amplitudes and phases          predicted phase - measured phase
//! ```
//!
//! The phases are led on by the harmonics' common frequency on either side, as a sinusoidal
//! model joins its tracks (McAulay and Quatieri, IEEE Trans. ASSP 34, 1986; from memory).

use std::f64::consts::TAU;
use std::ops::Range;

use half::f16;
use realfft::num_complex::Complex;

use super::{LEVEL_S, Note, STRAY};
use crate::analysis::resampler::PASSBAND;
use crate::units::Pitch;

/// Harmonics that count.
const HARMONICS: usize = 8;
/// A window (Hann) is as long as a level is measured over, but so many periods at least, which
/// tell neighbouring harmonics apart.
const WINDOW_PERIODS: f64 = 3.2;
/// One window begins a quarter of the shortest window's length after another. The nearest to an
/// onset on either side are so many steps from it, that is the shortest window's length: a click
/// lasts some 10 ms, and the onset's date may be off by as much. The farthest are twice as far, if
/// the notes have room for them.
const STEPS: i32 = 4;
const STEP_S: f64 = LEVEL_S / STEPS as f64;
/// Standard deviation of the fundamental's phase as predicted, in turns: pitch never moves quite
/// evenly from one side to the other.
const PHASE_ERROR: f64 = 0.05;

/// Amplitudes and phases of a pitch's harmonics, against its own frequency's.
type Harmonics = [Complex<f64>; HARMONICS];

/// A stretch of a take at the analysis rate.
#[derive(Debug, Default)]
pub(crate) struct Sound {
    /// Half precision: 24 kB a second. Rounding is 66 dB under the signal.
    samples: Vec<f16>,
}

impl Sound {
    /// Takes the next samples.
    pub(crate) fn push(&mut self, samples: &[f32]) {
        self.samples
            .extend(samples.iter().map(|s| f16::from_f32(*s)));
    }

    /// Takes the first `count` samples away.
    pub(crate) fn split_front(&mut self, count: usize) -> Sound {
        let rest = self.samples.split_off(count.min(self.samples.len()));
        Sound {
            samples: std::mem::replace(&mut self.samples, rest),
        }
    }

    /// Measures the continuity of each note that touches another of its pitch: the samples are
    /// `rate_hz` apart, the first at `start_s`.
    pub(crate) fn measure(&self, notes: &mut [Note], start_s: f64, rate_hz: f64) {
        let excerpt = Excerpt {
            samples: &self.samples,
            start_s,
            rate_hz,
        };
        for at in 1..notes.len() {
            let (before, note) = (&notes[at - 1], &notes[at]);
            if note.touches(before) && (note.pitch - before.pitch).abs() < f64::from(STRAY) {
                let both_s = before.onset_s..note.offset_s;
                let continuity = excerpt.continuity(both_s, note.onset_s, Pitch(note.pitch));
                notes[at].measured.continuity = Some(continuity as f32);
            }
        }
    }
}

/// Samples with their times.
struct Excerpt<'a> {
    samples: &'a [f16],
    start_s: f64,
    rate_hz: f64,
}

impl Excerpt<'_> {
    /// Share of a tone of some pitch that goes on through an onset between the times where it
    /// begins and ends, 0 to 1.
    fn continuity(&self, tone_s: Range<f64>, onset_s: f64, pitch: Pitch) -> f64 {
        let hz = pitch.hz();
        let window_s = LEVEL_S.max(WINDOW_PERIODS / hz);
        // A quarter of the farthest window may lie outside its note.
        let steps = |room_s: f64| ((room_s - 0.25 * window_s) / STEP_S).floor() as i32;
        // A frequency is read from two windows at least.
        let count = |steps: i32| (steps - STEPS + 1).clamp(2, STEPS + 1);
        let length = (window_s * self.rate_hz) as usize;
        let turn = TAU / (length + 1) as f64;
        let window: Vec<f64> = (1..=length)
            .map(|at| 0.5 - 0.5 * (turn * at as f64).cos())
            .collect();
        let earlier = count(steps(onset_s - tone_s.start));
        let later = count(steps(tone_s.end - onset_s));
        let all: Vec<Harmonics> = (1 - STEPS - earlier..STEPS + later)
            .map(|step| self.harmonics(onset_s, f64::from(step) * STEP_S, hz, &window))
            .collect();
        let (earlier, later) = (earlier as usize, all.len() - later as usize);
        let between = &all[earlier - 1..=later];
        in_phase(&all[..earlier], &all[later..], hz)
            * as_loud(&all[..earlier], between, &all[later..])
    }

    /// The harmonics of a pitch in the window around a time that is given by its distance from
    /// an onset; phases count from the onset. By Goertzel's recurrence (Am. Math. Monthly 65,
    /// 1958), whose last two values give the phase too.
    fn harmonics(&self, onset_s: f64, from_onset_s: f64, hz: f64, window: &[f64]) -> Harmonics {
        let onset = (onset_s - self.start_s) * self.rate_hz;
        let middle = onset + from_onset_s * self.rate_hz;
        let first = middle.round() as i64 - window.len() as i64 / 2;
        let angle = |h: usize| TAU * (h + 1) as f64 * hz / self.rate_hz;
        let twice: [f64; HARMONICS] = std::array::from_fn(|h| 2.0 * angle(h).cos());
        let (mut last, mut earlier) = ([0.0; HARMONICS], [0.0; HARMONICS]);
        for (at, weight) in (first..).zip(window) {
            let sample = usize::try_from(at).ok().and_then(|at| self.samples.get(at));
            let weighted = weight * sample.map_or(0.0, |s| f64::from(s.to_f32()));
            for h in 0..HARMONICS {
                let next = weighted + twice[h] * last[h] - earlier[h];
                (earlier[h], last[h]) = (last[h], next);
            }
        }
        let audible = (PASSBAND * self.rate_hz / hz) as usize;
        let end = (first + window.len() as i64 - 1) as f64 - onset;
        std::array::from_fn(|h| match h < audible {
            true => {
                let sum = last[h] - earlier[h] * Complex::cis(-angle(h));
                sum * Complex::cis(-angle(h) * end)
            }
            false => Complex::ZERO,
        })
    }
}

/// Share of the louder side that is the other side led on in phase, 0 to 1.
fn in_phase(before: &[Harmonics], after: &[Harmonics], hz: f64) -> f64 {
    let offsets_hz = [before, after].map(|side| frequency_offset_hz(side, hz));
    let last = mean(before.iter().rev(), -offsets_hz[0]);
    let first = mean(after.iter(), offsets_hz[1]);
    // The nearest windows on both sides are LEVEL_S from the onset, so twice that from each other.
    let turns = (offsets_hz[0] + offsets_hz[1]) * LEVEL_S;
    let agreement = |error: f64| {
        let along = |h: usize| {
            let led = last[h] * Complex::cis(TAU * (h + 1) as f64 * (turns + error));
            (first[h] * led.conj()).re
        };
        let likely = (-0.5 * (error / PHASE_ERROR).powi(2)).exp();
        likely * (0..HARMONICS).map(along).sum::<f64>()
    };
    let errors = (-24..=24).map(|step| f64::from(step) / 8.0 * PHASE_ERROR);
    let best = errors.map(agreement).fold(0.0, f64::max);
    let louder = power(&last).max(power(&first));
    match louder > 0.0 {
        true => (best / louder).min(1.0),
        false => 0.0,
    }
}

/// Lowest amplitude between two sides against the weaker side's, 0 to 1.
fn as_loud(before: &[Harmonics], between: &[Harmonics], after: &[Harmonics]) -> f64 {
    let mean = |side: &[Harmonics]| side.iter().map(power).sum::<f64>() / side.len() as f64;
    let weaker = mean(before).min(mean(after));
    let lowest = between.iter().map(power).fold(f64::INFINITY, f64::min);
    match weaker > 0.0 {
        true => (lowest / weaker).sqrt().min(1.0),
        false => 0.0,
    }
}

/// How far the harmonics' common fundamental is off `hz`, in hertz: what agrees best with the
/// advance of their phases from window to window.
fn frequency_offset_hz(side: &[Harmonics], hz: f64) -> f64 {
    let mut advance = Harmonics::default();
    for pair in side.windows(2) {
        for h in 0..HARMONICS {
            advance[h] += pair[1][h] * pair[0][h].conj();
        }
    }
    let turned = |h: usize, offset_hz: f64| {
        advance[h] * Complex::cis(-TAU * (h + 1) as f64 * offset_hz * STEP_S)
    };
    let agreement = |offset_hz: &f64| {
        (0..HARMONICS)
            .map(|h| turned(h, *offset_hz).re)
            .sum::<f64>()
    };
    // A pitch that is farther off would be another note's.
    let farthest_hz = hz * (Pitch(f64::from(STRAY)).hz() / Pitch(0.0).hz() - 1.0);
    let offsets = (-12..=12).map(|step| f64::from(step) / 12.0 * farthest_hz);
    let best = offsets.max_by(|a, b| agreement(a).total_cmp(&agreement(b)));
    let near = best.unwrap_or(0.0);
    // From there by least squares.
    let (mut sum, mut weight) = (0.0, 0.0);
    for h in 0..HARMONICS {
        let (left, number) = (turned(h, near), (h + 1) as f64);
        sum += left.norm() * number * left.arg();
        weight += left.norm() * number * number;
    }
    match weight > 0.0 {
        true => near + sum / weight / (TAU * STEP_S),
        false => 0.0,
    }
}

/// Mean of windows, each turned to the first one's time by a frequency's offset in hertz.
fn mean<'a>(side: impl ExactSizeIterator<Item = &'a Harmonics>, offset_hz: f64) -> Harmonics {
    let count = side.len() as f64;
    let mut sum = Harmonics::default();
    for (at, window) in side.enumerate() {
        let turns = offset_hz * STEP_S * at as f64;
        for h in 0..HARMONICS {
            sum[h] += window[h] * Complex::cis(-TAU * (h + 1) as f64 * turns) / count;
        }
    }
    sum
}

fn power(harmonics: &Harmonics) -> f64 {
    harmonics.iter().map(|h| h.norm_sqr()).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const ONSET_S: f64 = 0.3;

    /// Continuity at 0.3 s of a tone of 0.6 s whose phase in turns and amplitude are given, with
    /// a click of this amplitude upon it.
    fn continuity(
        pitch: f64,
        phase: impl Fn(f64) -> f64,
        level: impl Fn(f64) -> f64,
        click: f64,
    ) -> f64 {
        let (rate_hz, start_s) = (12_000.0, -0.1);
        let mut noise = fastrand::Rng::with_seed(5);
        let mut sound = Sound::default();
        for at in 0..(0.8 * rate_hz) as usize {
            let time_s = start_s + at as f64 / rate_hz;
            let since_s = time_s - ONSET_S;
            let harmonic = |k: f64| (TAU * k * phase(time_s)).sin() / k;
            let tone: f64 = (1..=6).map(|k| harmonic(f64::from(k))).sum();
            let knock = match since_s > 0.0 {
                true => click * (noise.f64() - 0.5) * (-since_s / 0.003).exp(),
                false => 0.0,
            };
            sound.push(&[(0.1 * (level(time_s) * tone + knock)) as f32]);
        }
        let excerpt = Excerpt {
            samples: &sound.samples,
            start_s,
            rate_hz,
        };
        excerpt.continuity(0.0..0.6, ONSET_S, Pitch(pitch))
    }

    /// Phase of a tone with a vibrato, in turns.
    fn wavering(pitch: f64, cents: f64, time_s: f64) -> f64 {
        let rate_hz = 5.5;
        let swing = cents / 1200.0 * 2f64.ln() / (TAU * rate_hz);
        Pitch(pitch).hz() * (time_s - swing * (TAU * rate_hz * time_s).cos())
    }

    proptest! {
        /// A click does not interrupt the lips, whatever their vibrato and the note's date.
        #[test]
        fn a_tone_under_a_click_goes_on(
            pitch in 40.0f64..72.0,
            cents in 0.0f64..12.0,
            click in 0.0f64..3.0,
            off in -0.2f64..0.2,
        ) {
            let phase = |time_s: f64| wavering(pitch + off, cents, time_s);
            let found = continuity(pitch, phase, |_| 1.0, click);
            prop_assert!(found > 0.75, "{found}");
        }

        /// The lips start anew in another phase, with no dip in level.
        #[test]
        fn a_tone_that_starts_anew_does_not(
            pitch in 40.0f64..82.0,
            cents in 0.0f64..20.0,
            turns in 0.25f64..0.75,
        ) {
            let broken = |time_s: f64| {
                wavering(pitch, cents, time_s) + if time_s > ONSET_S { turns } else { 0.0 }
            };
            let found = continuity(pitch, broken, |_| 1.0, 0.0);
            prop_assert!(found < 0.5, "{found}");
        }

        /// The tongue stops the air for 40 ms.
        #[test]
        fn a_tone_that_dips_goes_on_in_part(pitch in 55.0f64..82.0, dip_db in 6.0f64..30.0) {
            let level = |time_s: f64| match (time_s - ONSET_S).abs() < 0.02 {
                true => 10f64.powf(-dip_db / 20.0),
                false => 1.0,
            };
            let found = continuity(pitch, |time_s| wavering(pitch, 0.0, time_s), level, 0.0);
            prop_assert!(found < 0.85 && found < 1.6 * level(ONSET_S) + 0.05, "{found}");
        }
    }

    #[test]
    fn nothing_goes_on_in_silence() {
        assert_eq!(continuity(60.0, |_| 0.0, |_| 0.0, 0.0), 0.0);
    }
}
