//! The beat of what is played, while it is played.
//!
//! The same model as the written part's ([`crate::notation::beat_decoder`]): places follow
//! what is usual in a metre, and a Kalman filter knows when each is due. Here it runs
//! forward alone: after each note the most probable hypothesis says where the beat is and
//! will be.

use std::collections::BTreeMap;

use crate::notation::beat_decoder::{PERIODS_S, log_usual, periods_s};
use crate::notation::estimate::DRIFT;
use crate::notation::metrical_model::{AHEAD, Division, MetricalModel};
use crate::notation::tempo_curve::Clock;
use crate::notation::{Metre, QUARTER};

/// Standard deviation of onsets around their places, in seconds: of the player's timing and
/// of onsets that are dated as they are heard, some 15 ms each.
const JITTER_S: f64 = 0.02;
/// Doubt about a period that was looked for, as a share, and periods looked for.
const LOOKED_FOR: f64 = 0.04;
const PERIODS_PER_OCTAVE: f64 = 10.0;
/// Standard deviations from its place beyond which an onset belongs to another.
const GATE: f64 = 4.0;
/// Cost of a note that has no place of its own (an ornament, a false onset), in nats.
const ORNAMENT: f64 = 5.0;
/// Hypotheses kept after each note: the most, and how much less probable they may be than
/// the best, in nats.
const MOST: usize = 200;
const WORSE: f64 = 12.0;
/// Hypotheses agree on the beat if their periods, or half or twice those, differ by less than
/// this share, and their beats by less than this part of the shorter one: in quarters alone
/// nobody can tell 60 from 120.
const SAME_PERIOD: f64 = 0.06;
const SAME_BEAT: f64 = 0.12;

/// Where the beat is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beat {
    /// Time of a beat, in seconds.
    pub at_s: f64,
    /// Seconds of a quarter.
    pub period_s: f64,
    /// Share of the probability of all hypotheses that agree with it, but for half or twice
    /// the tempo.
    pub sure: f64,
}

#[derive(Debug, Clone, Copy)]
struct Hypothesis {
    /// Place of the last note in the bar, in ticks.
    place: u32,
    division: Division,
    log_p: f64,
    clock: Clock,
}

impl Hypothesis {
    /// Time of the beat that its last note's place is in, in seconds.
    fn beat_s(&self) -> f64 {
        let within = f64::from(self.place % QUARTER) / f64::from(QUARTER);
        self.clock.due_s - within * self.clock.period_s
    }
}

/// Follows the beat, note by note.
#[derive(Debug)]
pub struct BeatFollower {
    model: MetricalModel,
    hypotheses: Vec<Hypothesis>,
}

impl Default for BeatFollower {
    fn default() -> Self {
        BeatFollower {
            model: MetricalModel::all(Metre::COMMON).swap_remove(0),
            hypotheses: Vec::new(),
        }
    }
}

impl BeatFollower {
    /// A note began at a time in seconds. Times rise.
    pub fn onset(&mut self, time_s: f64) {
        let gone = |h: &Hypothesis| {
            let quarters = (time_s - h.clock.due_s) / h.clock.period_s;
            quarters * f64::from(QUARTER) > 0.8 * f64::from(AHEAD)
        };
        if self.hypotheses.iter().all(gone) {
            self.begin(time_s);
            return;
        }
        // In order, so that the same notes leave the same hypotheses where some are equal.
        let mut next: BTreeMap<(u32, u8, i32), Hypothesis> = BTreeMap::new();
        let mut keep = |found: Hypothesis| {
            let period = (found.clock.period_s.log2() * 16.0).round() as i32;
            let key = (found.place, found.division as u8, period);
            let place = next.entry(key).or_insert(found);
            if place.log_p < found.log_p {
                *place = found;
            }
        };
        for before in &self.hypotheses {
            keep(Hypothesis {
                log_p: before.log_p - ORNAMENT,
                ..*before
            });
            for place in &self.model.nexts(before.place, before.division).all {
                let quarters = f64::from(place.ticks) / f64::from(QUARTER);
                let due = before.clock.after(quarters, DRIFT);
                if due.due_s > time_s + before.clock.period_s {
                    break;
                }
                let Some((clock, log_time)) = due.corrected(time_s, JITTER_S, GATE) else {
                    continue;
                };
                if (PERIODS_S.0..=PERIODS_S.1).contains(&clock.period_s) {
                    keep(Hypothesis {
                        place: place.place,
                        division: place.division,
                        log_p: before.log_p + place.log_p + log_time,
                        clock,
                    });
                }
            }
        }
        self.hypotheses = next.into_values().collect();
        self.prune();
    }

    /// Begins at a note, at any place; the tempo may be as it was.
    fn begin(&mut self, time_s: f64) {
        let known = self.beat().map(|beat| beat.period_s);
        self.hypotheses.clear();
        for period_s in periods_s(PERIODS_PER_OCTAVE).chain(known) {
            for place in self.model.places() {
                self.hypotheses.push(Hypothesis {
                    place,
                    division: Division::Whole,
                    log_p: self.model.log_first(place) + log_usual(period_s),
                    clock: Clock::new(time_s, period_s, JITTER_S, LOOKED_FOR),
                });
            }
        }
    }

    fn prune(&mut self) {
        self.hypotheses.sort_by(|a, b| b.log_p.total_cmp(&a.log_p));
        let best = self.hypotheses.first().map_or(0.0, |h| h.log_p);
        let near = self.hypotheses.partition_point(|h| h.log_p > best - WORSE);
        self.hypotheses.truncate(near.min(MOST));
        for hypothesis in &mut self.hypotheses {
            hypothesis.log_p -= best;
        }
    }

    /// The beat, as the most probable hypothesis has it; none before the first notes.
    pub fn beat(&self) -> Option<Beat> {
        let best = self
            .hypotheses
            .iter()
            .max_by(|a, b| a.log_p.total_cmp(&b.log_p))?;
        let (beat_s, period_s) = (best.beat_s(), best.clock.period_s);
        let (mut all, mut same) = (0.0, 0.0);
        for other in &self.hypotheses {
            let p = (other.log_p - best.log_p).exp();
            all += p;
            let ratio = other.clock.period_s / period_s;
            let octave = 2f64.powf(ratio.log2().round().clamp(-1.0, 1.0));
            let off = (other.beat_s() - beat_s) / (period_s * octave.min(1.0));
            let in_time = (off - off.round()).abs() < SAME_BEAT;
            if in_time && (ratio / octave - 1.0).abs() < SAME_PERIOD {
                same += p;
            }
        }
        Some(Beat {
            at_s: beat_s,
            period_s,
            sure: same / all,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Quarters, eighths, a dotted quarter, a half note: a plain tune.
    const VALUES: [f64; 16] = [
        1.0, 1.0, 0.5, 0.5, 1.0, 1.5, 0.5, 1.0, 1.0, 2.0, 1.0, 1.0, 0.5, 0.5, 1.0, 2.0,
    ];

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]

        /// With 12 ms of human timing and no note more than 30 ms off, the beat is found within
        /// two bars and kept: at a right tempo or half or twice it, and where it is.
        #[test]
        fn the_beat_of_a_tune_is_found_and_kept(tempo in 66.0f64..150.0, seed: u64) {
            let mut random = fastrand::Rng::with_seed(seed);
            let mut follower = BeatFollower::default();
            let quarter_s = 60.0 / tempo;
            let mut at = 0.0;
            for (count, value) in VALUES.iter().cycle().take(48).enumerate() {
                // A single note 45 ms off (one in some 4000 such takes) does move the beat that far.
                let normal = || (0..12).map(|_| random.f64() - 0.5).sum::<f64>();
                let stray = std::iter::repeat_with(normal).find(|s| s.abs() < 2.5);
                follower.onset(1.0 + at * quarter_s + 0.012 * stray.unwrap());
                if count > 16 {
                    let beat = follower.beat().unwrap();
                    let ratio = beat.period_s / quarter_s;
                    let octave = 2f64.powf(ratio.log2().round());
                    prop_assert!((ratio / octave - 1.0).abs() < 0.05, "{ratio} at {count}");
                    let unit = quarter_s * octave.min(1.0);
                    let off = (beat.at_s - 1.0) / unit;
                    prop_assert!((off - off.round()).abs() * unit < 0.04, "{off} at {count}");
                }
                at += value;
            }
        }
    }

    #[test]
    fn it_says_how_sure_it_is() {
        let mut follower = BeatFollower::default();
        assert_eq!(follower.beat(), None);
        follower.onset(1.0);
        let first = follower.beat().unwrap().sure;
        for at in 1..16 {
            follower.onset(1.0 + 0.6 * f64::from(at));
        }
        let last = follower.beat().unwrap();
        assert!(first < 0.2 && last.sure > 0.5, "{first} {last:?}");
    }
}
