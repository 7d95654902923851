//! Makes a steady clock of a beat that is estimated anew with each note.
//!
//! A phase-locked loop of second order: its rate goes towards the beat's tempo, a little
//! faster or slower by what its phase is off, and never jumps. Where nothing is played it goes
//! on as it was.

use super::beat_follower::Beat;
use super::message::TICKS_PER_QUARTER;

/// Sureness from which the clock starts, and from which it follows.
const STARTS: f64 = 0.6;
const FOLLOWS: f64 = 0.4;
/// Time constant with which the rate goes to what is wanted, in seconds.
const TEMPO_S: f64 = 0.25;
/// Share of the phase error that is made up for in a second, and by how much faster or slower
/// at most: what a tape echo bears without a howl. With this share the loop is critically damped
/// (F. Gardner, "Phaselock Techniques").
const PULL_PER_S: f64 = 1.0 / (4.0 * TEMPO_S);
const MOST: f64 = 0.04;
/// A tempo that differs by more, as a share, is another one and no change of this one.
const OTHER: f64 = 0.12;
/// Steps of the loop, in seconds: the same whatever the blocks are.
const STEP_S: f64 = 0.001;

/// What a clock sends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pulse {
    /// The song begins with the next tick.
    Start,
    /// A 24th of a quarter, counted from 0.
    Tick(u64),
    /// The session ends.
    Stop,
}

/// The clock.
#[derive(Debug, Clone, Default)]
pub struct ClockGenerator {
    beat: Option<Beat>,
    running: bool,
    now_s: f64,
    /// Ticks since the start, with their fraction.
    phase: f64,
    /// Ticks in a second.
    rate: f64,
    sent: u64,
}

impl ClockGenerator {
    /// The beat has been estimated anew.
    pub fn follow(&mut self, beat: Beat) {
        let least = if self.running { FOLLOWS } else { STARTS };
        if beat.sure < least {
            return;
        }
        self.beat = match self.period_s() {
            Some(own_s) => self.in_own_octave(beat, own_s),
            None => Some(beat),
        };
    }

    /// Seconds of a quarter as it is sent, if it runs.
    fn period_s(&self) -> Option<f64> {
        let period_s = f64::from(TICKS_PER_QUARTER) / self.rate;
        self.running.then_some(period_s)
    }

    /// A beat at half or twice the tempo that is sent says the same: the clock stays as it
    /// is. One at another tempo altogether is not followed.
    fn in_own_octave(&self, beat: Beat, own_s: f64) -> Option<Beat> {
        let ratio = beat.period_s / own_s;
        let octave = 2f64.powf(ratio.log2().round());
        if (ratio / octave - 1.0).abs() > OTHER {
            return self.beat;
        }
        let ticks = f64::from(TICKS_PER_QUARTER);
        let period_s = beat.period_s / octave;
        // Where its beats are more, that one counts which is nearest to one of ours.
        let step_s = beat.period_s.min(period_s);
        let own_beat_s = self.now_s - (self.phase / ticks).fract() * own_s;
        let steps = ((own_beat_s - beat.at_s) / step_s).round();
        Some(Beat {
            at_s: beat.at_s + steps * step_s,
            period_s,
            sure: beat.sure,
        })
    }

    /// Whether it runs.
    pub fn running(&self) -> bool {
        self.running
    }

    /// Tempo that it sends, in quarters a minute, if it runs.
    pub fn tempo(&self) -> Option<f64> {
        self.period_s().map(|period_s| 60.0 / period_s)
    }

    /// Runs on to a time in seconds; gives what is to be sent, each with its time.
    pub fn run(&mut self, until_s: f64, mut send: impl FnMut(f64, Pulse)) {
        let Some(beat) = self.beat else {
            self.now_s = until_s;
            return;
        };
        let ticks = f64::from(TICKS_PER_QUARTER);
        if !self.running {
            // It starts on a beat.
            let beats = ((self.now_s - beat.at_s) / beat.period_s).ceil();
            let starts_s = beat.at_s + beats * beat.period_s;
            if starts_s >= until_s {
                self.now_s = until_s;
                return;
            }
            (self.running, self.phase, self.sent) = (true, 0.0, 0);
            (self.rate, self.now_s) = (ticks / beat.period_s, starts_s);
            send(starts_s, Pulse::Start);
        }
        while self.now_s + STEP_S <= until_s {
            // In seconds, of the nearest beat.
            let wanted = (self.now_s - beat.at_s) / beat.period_s - self.phase / ticks;
            let off_s = (wanted - wanted.round()) * beat.period_s;
            let pull = (PULL_PER_S * off_s).clamp(-MOST, MOST);
            let rate = ticks / beat.period_s * (1.0 + pull);
            self.rate += (rate - self.rate) * STEP_S / TEMPO_S;
            let reached = self.phase + self.rate * STEP_S;
            while (self.sent as f64) < reached {
                let due_s = self.now_s + (self.sent as f64 - self.phase) / self.rate;
                send(due_s, Pulse::Tick(self.sent));
                self.sent += 1;
            }
            self.phase = reached;
            self.now_s += STEP_S;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::live::clock::beat_follower::BeatFollower;

    const BLOCK_S: f64 = 128.0 / 48_000.0;

    /// Times of the ticks while quarters and eighths are played with so much human timing,
    /// in seconds, and of the beats.
    fn played(tempo: impl Fn(f64) -> f64, timing_s: f64, length_s: f64) -> (Vec<f64>, Vec<f64>) {
        let mut random = fastrand::Rng::with_seed(3);
        let (mut follower, mut clock) = (BeatFollower::default(), ClockGenerator::default());
        let (mut onsets, mut beats) = (Vec::new(), Vec::new());
        let mut at_s = 0.5;
        for beat in 0.. {
            if at_s > length_s {
                break;
            }
            let quarter_s = 60.0 / tempo(at_s);
            beats.push(at_s);
            let mut stray = || timing_s * (0..12).map(|_| random.f64() - 0.5).sum::<f64>();
            onsets.push(at_s + stray());
            if beat % 4 == 2 {
                onsets.push(at_s + 0.5 * quarter_s + stray());
            }
            at_s += quarter_s;
        }
        let mut onsets = onsets.into_iter().peekable();
        let mut ticks = Vec::new();
        for block in 1..(length_s / BLOCK_S) as usize {
            let now_s = block as f64 * BLOCK_S;
            // A note is known some 20 ms after it began.
            while let Some(onset_s) = onsets.next_if(|s| *s + 0.02 < now_s) {
                follower.onset(onset_s);
                follower
                    .beat()
                    .into_iter()
                    .for_each(|beat| clock.follow(beat));
            }
            clock.run(now_s, |at_s, pulse| {
                if matches!(pulse, Pulse::Tick(_)) {
                    ticks.push(at_s);
                }
            });
        }
        (ticks, beats)
    }

    /// 10 ms of human timing: ticks come evenly, and on the beats.
    #[test]
    fn ticks_are_steady_and_on_the_beat() {
        let (ticks, beats) = played(|_| 112.0, 0.01, 60.0);
        let settled: Vec<f64> = ticks.iter().copied().filter(|s| *s > 10.0).collect();
        assert!(settled.len() > 2_000, "{}", settled.len());
        let even_s = 60.0 / 112.0 / 24.0;
        for pair in settled.windows(2) {
            let off = (pair[1] - pair[0]) / even_s - 1.0;
            assert!(off.abs() < 0.06, "{off} at {}", pair[0]);
        }
        for beat_s in beats.iter().filter(|s| (10.0..58.0).contains(*s)) {
            let near = ticks
                .iter()
                .step_by(24)
                .map(|tick_s| (tick_s - beat_s).abs());
            let off_s = near.fold(f64::MAX, f64::min);
            assert!(off_s < 0.025, "{off_s} at {beat_s}");
        }
    }

    /// A player who gets faster is followed without a jump.
    #[test]
    fn an_accelerando_is_followed() {
        let (ticks, _) = played(|at_s| 96.0 + 0.4 * at_s, 0.008, 60.0);
        let last = &ticks[ticks.len() - 49..];
        let tempo = 60.0 * 2.0 / (last[48] - last[0]);
        assert!((tempo / 119.5 - 1.0).abs() < 0.02, "{tempo}");
        assert!(ticks.windows(2).all(|two| two[1] > two[0]));
    }
}
