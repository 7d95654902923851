//! The note model, decoded forward while the horn plays.
//!
//! A model of the same kind as [`super::note_model`]: a moment is silent or one pitch sounds, a
//! pitch goes on and may glide, to begin a note costs something. It differs in this:
//!
//! - Only the past is known, so an onset is seen as a note that has begun *of late*: its evidence
//!   counts in each moment in which a note is young, for it or against it. Offline it counts once,
//!   where a note starts.
//! - To pass an onset by costs nothing, and no note is too short. Instead onsets close in time are
//!   of one attack.
//! - A note may begin without its onset being heard, at a high cost.
//! - To go silent costs something; offline it costs nothing.
//! - A glide costs nothing up to a limit, and beyond it is another note. Offline there is no limit,
//!   and it costs more the farther it goes.
//! - Evidence for tone counts in full; offline a share of it does, and the pitch path adds to it.
//! - Each state remembers the note it belongs to, for nothing can be traced back.
//!
//! A note is announced when the best state belongs to it and leads all states that belong to
//! another by a fixed margin: a sequential probability ratio test (Wald, 1945), so that sure
//! things are announced at once.

use super::STRAY;
use super::note_model::probability;
use crate::analysis::SAME_PITCH;
use crate::analysis::tone::ToneCell;

/// What the model believes of notes before it hears any, in nats where no unit is named. The
/// values lie near those that `examples/fit_note_models.rs` finds; `training/README.md` says why
/// not on them.
#[derive(Debug, Clone, Copy)]
pub struct LiveModel {
    /// Share of a moment's evidence for a note that has begun of late that is new. Of its evidence
    /// for tone all is: fitted, its share is one.
    pub young_share: f32,
    /// Beginning a note.
    pub start: f32,
    /// Beginning a note whose onset is not heard, beyond that.
    pub unheard: f32,
    /// Going silent.
    pub end: f32,
    /// Farthest glide from moment to moment that is still the same note, in semitones: a quick
    /// slur of a semitone takes few moments, and without a limit is missed (`tests/transcriber.rs`).
    /// Within it a glide costs nothing: a fit finds next to no cost for it.
    pub max_glide: f32,
    /// A moment in which a sounding pitch is not among those asked about.
    pub missing: f32,
    /// Margin at which a note or its end is announced.
    pub sure: f32,
    /// Onsets this close in time, in seconds, are of one attack, which has not found its pitch
    /// yet. Set by hand, about a third of the 71 ms between the strokes of the quickest double
    /// tonguing (14 a second; common practice): two strokes are not taken for one, even
    /// if their onsets are dated some way off.
    pub one_attack_s: f32,
}

impl LiveModel {
    /// The model that plays.
    pub const DEFAULT: LiveModel = LiveModel {
        young_share: 0.7,
        start: 0.8,
        unheard: 60.0,
        end: 2.2,
        max_glide: STRAY,
        missing: 0.7,
        sure: 3.0,
        one_attack_s: 0.025,
    };

    /// Scores do not fall farther behind than a note costs that begins unheard, which can take
    /// the place of any: a long note must not take long to be given up.
    fn farthest_behind(&self) -> f32 {
        self.start + self.unheard
    }
}

/// A note that a state belongs to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Begun {
    number: u64,
    /// Moment of its first state.
    first: u64,
    /// When it began, in moments: what its moments said while it was young, each weighted by the
    /// probability that it began of late, and their weight so far.
    onset: f64,
    weight: f32,
    /// Whether its onset was heard.
    heard: bool,
    /// Evidence for the tongue, log odds.
    pub tongue_odds: f32,
}

/// States that one moment may go on with at most, the likeliest; of each pitch up to three: with
/// its onset heard, young and older, and without. What is asked about takes 54 of them at most.
const MAX_STATES: usize = 72;

#[derive(Debug, Clone, Copy)]
struct State {
    pitch: f32,
    score: f32,
    /// Whether its pitch has stayed put since the moment before.
    still: bool,
    note: Begun,
}

/// What the decoder says of a moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sounding {
    /// Pitch of the best state, MIDI semitones.
    pub pitch: f32,
    /// The note it belongs to.
    pub note: Begun,
}

/// Forward decoder of [`LiveModel`].
#[derive(Debug, Clone)]
pub struct LiveDecoder {
    model: LiveModel,
    step_s: f32,
    moment: u64,
    silence: f32,
    states: Vec<State>,
    next: Vec<State>,
    numbers: u64,
    announced: Option<Sounding>,
}

/// What has become sure in a moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Decision {
    /// Nothing new.
    Same,
    /// A note has begun so many seconds ago; what sounded before is over.
    Begun(Sounding, f32),
    /// The note that sounded is over.
    Ended,
}

/// For so long a note counts as begun of late (`FRESH_S` in `training/train.py`).
const YOUNG_S: f32 = 0.07;

impl LiveDecoder {
    /// Decoder for moments `step_s` apart.
    pub fn new(model: LiveModel, step_s: f64) -> Self {
        LiveDecoder {
            model,
            step_s: step_s as f32,
            moment: 0,
            silence: 0.0,
            states: Vec::with_capacity(2 * MAX_STATES),
            next: Vec::with_capacity(2 * MAX_STATES),
            numbers: 0,
            announced: None,
        }
    }

    /// Takes the cells of the next moment, and what speaks against an onset at a pitch in MIDI
    /// semitones, in nats.
    pub fn push(
        &mut self,
        cells: impl Iterator<Item = ToneCell>,
        doubt: impl Fn(f32) -> f32,
    ) -> Decision {
        self.moment += 1;
        let best = self.best();
        let (from_score, best_score) = match best {
            Some(at) => (
                self.states[at].score.max(self.silence),
                self.states[at].score,
            ),
            None => (self.silence, f32::NEG_INFINITY),
        };
        let silence = self.silence.max(best_score - self.model.end);
        let mut next = std::mem::take(&mut self.next);
        next.clear();
        for cell in cells {
            self.reach(&cell, from_score, true, doubt(cell.pitch), &mut next);
            self.reach(&cell, from_score, false, 0.0, &mut next);
        }
        self.hold(&mut next);
        if next.len() > MAX_STATES {
            next.sort_unstable_by(|a, b| b.score.total_cmp(&a.score));
            next.truncate(MAX_STATES);
        }
        self.next = std::mem::replace(&mut self.states, next);
        let top = self.states.iter().map(|s| s.score).fold(silence, f32::max);
        let behind = self.model.farthest_behind();
        self.silence = (silence - top).max(-behind);
        for state in &mut self.states {
            state.score = (state.score - top).max(-behind);
        }
        self.decide()
    }

    /// What sounds now, if a note has been announced.
    pub fn sounding(&self) -> Option<Sounding> {
        self.announced
    }

    fn best(&self) -> Option<usize> {
        (0..self.states.len())
            .max_by(|&a, &b| self.states[a].score.total_cmp(&self.states[b].score))
    }

    fn since_s(&self, moment: u64) -> f32 {
        (self.moment - moment) as f32 * self.step_s
    }

    /// How long ago a note began, in seconds.
    fn age_s(&self, note: &Begun) -> f32 {
        (self.moment as f64 - note.onset) as f32 * self.step_s
    }

    /// Adds the best way to a pitch, of notes whose onset is heard or of those whose onset is not. If
    /// that is an older note, a young note of another attack is kept as well: it may lead later,
    /// since each of its first moments is further evidence that it has begun. `doubt` is what speaks
    /// against an onset at this pitch, in nats.
    fn reach(
        &mut self,
        cell: &ToneCell,
        from_score: f32,
        heard: bool,
        doubt: f32,
        next: &mut Vec<State>,
    ) {
        let model = self.model;
        let tone = cell.evidence.tone;
        // To a note whose onset is not heard onsets say nothing, for it or against it.
        let young = match heard {
            true => model.young_share * (cell.evidence.onset - doubt),
            false => 0.0,
        };
        let cost = model.start + if heard { 0.0 } else { model.unheard };
        let age = f64::from(cell.evidence.age_s.clamp(0.0, YOUNG_S) / self.step_s);
        let onset = self.moment as f64 - if heard { age } else { 0.0 };
        // Where the rig may be what is heard, the evidence against an onset counts once for every
        // moment since the onset. Otherwise one moment could begin a note in the past, which would
        // soon be too old to be doubted.
        let so_far = match young < 0.0 && doubt > 0.0 {
            true => 1.0 + age as f32,
            false => 1.0,
        };
        // Never quite nothing: it is a weight, and something must weigh.
        let likely = probability(cell.evidence.onset - doubt).max(f32::MIN_POSITIVE);
        self.numbers += 1;
        let mut begun = State {
            pitch: cell.pitch,
            score: from_score - cost + tone + young * so_far,
            still: false,
            note: Begun {
                number: self.numbers,
                first: self.moment,
                onset,
                weight: likely,
                heard,
                tongue_odds: cell.evidence.tongue,
            },
        };
        let mut old: Option<State> = None;
        for past in self.states.iter().filter(|past| past.note.heard == heard) {
            let glide = (past.pitch - cell.pitch).abs();
            if glide > model.max_glide {
                continue;
            }
            let mut note = past.note;
            let is_young = heard && self.age_s(&note) < YOUNG_S;
            let score = past.score + tone + if is_young { young } else { 0.0 };
            if is_young {
                note.weight += likely;
                note.onset += f64::from(likely / note.weight) * (onset - note.onset);
                note.onset = note.onset.min(note.first as f64);
                note.tongue_odds = cell.evidence.tongue;
            }
            let reached = State {
                pitch: cell.pitch,
                score,
                still: glide <= SAME_PITCH,
                note,
            };
            if is_young {
                if score >= begun.score {
                    begun = reached;
                }
            } else if old.is_none_or(|old| score >= old.score) {
                old = Some(reached);
            }
        }
        let Some(old) = old else {
            next.push(begun);
            return;
        };
        let is_other = !self.one_attack(&old.note, &begun.note);
        if old.score >= begun.score {
            next.push(old);
            if heard && is_other {
                next.push(begun);
            }
        } else {
            if !is_other {
                // Of the same attack: what has been heard of it so far has its weight.
                begun.note.weight += old.note.weight;
            }
            next.push(begun);
        }
    }

    /// Lets pitches go on where they are not asked about, until they are as far behind as any
    /// can be.
    fn hold(&self, next: &mut Vec<State>) {
        let behind = self.model.farthest_behind();
        let asked = next.len();
        for past in &self.states {
            let apart = |n: &State| {
                n.note.heard != past.note.heard || (n.pitch - past.pitch).abs() > SAME_PITCH
            };
            if past.score > -behind && next[..asked].iter().all(apart) {
                next.push(State {
                    score: past.score - self.model.missing,
                    ..*past
                });
            }
        }
    }

    /// Whether two readings are of one attack.
    fn one_attack(&self, a: &Begun, b: &Begun) -> bool {
        (self.age_s(a) - self.age_s(b)).abs() < self.model.one_attack_s
    }

    fn decide(&mut self) -> Decision {
        let best = self.best().map(|at| self.states[at]);
        let Some(best) = best.filter(|best| best.score >= self.silence) else {
            let sounding = self.announced.and_then(|a| {
                let own = self
                    .states
                    .iter()
                    .filter(|s| s.note.number == a.note.number);
                own.map(|s| s.score).max_by(f32::total_cmp)
            });
            let sure = sounding.is_none_or(|s| self.silence - s > self.model.sure);
            let ended = sure && self.announced.take().is_some();
            return if ended {
                Decision::Ended
            } else {
                Decision::Same
            };
        };
        let sounding = Sounding {
            pitch: best.pitch,
            note: best.note,
        };
        let known = |a: Sounding| {
            let same = a.note.number == best.note.number;
            // What goes on at the pitch that sounds needs no onset to go on.
            let goes_on = !best.note.heard && (a.pitch - best.pitch).abs() < STRAY;
            same || goes_on || self.one_attack(&a.note, &best.note)
        };
        if self.announced.is_some_and(known) {
            self.announced = Some(sounding);
            return Decision::Same;
        }
        let rivals = self
            .states
            .iter()
            .filter(|s| s.note.number != best.note.number);
        let rival = rivals.map(|s| s.score).fold(self.silence, f32::max);
        // What a slur passes through on its way is no note.
        let passing = self.announced.is_some() && !best.still;
        let unheard = !best.note.heard && self.since_s(best.note.first) < YOUNG_S;
        if passing || unheard || best.score - rival < self.model.sure {
            return Decision::Same;
        }
        self.announced = Some(sounding);
        Decision::Begun(sounding, self.age_s(&best.note))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::HOP_S;
    use crate::analysis::tone::CAUSAL;
    use crate::analysis::tone::network::Evidence;

    /// Pitches of the notes that are begun where each moment has one cell: pitch, log odds of an
    /// onset, and how long ago in milliseconds. Tone is as sure as it gets.
    fn begun(moments: &[(f32, f32, f32)]) -> Vec<f32> {
        let mut decoder = LiveDecoder::new(LiveModel::DEFAULT, CAUSAL.moment_s(HOP_S));
        let mut pitches = Vec::new();
        for &(pitch, onset, age_ms) in moments {
            let evidence = Evidence {
                tone: 4.2,
                onset,
                age_s: 0.001 * age_ms,
                ..Evidence::default()
            };
            let cell = ToneCell { pitch, evidence };
            if let Decision::Begun(sounding, _) = decoder.push([cell].into_iter(), |_| 0.0) {
                pitches.push(sounding.pitch);
            }
        }
        pitches
    }

    /// A note that begins clearly and goes on for 0.3 s.
    fn long(pitch: f32) -> Vec<(f32, f32, f32)> {
        let moment_ms = 1_000.0 * CAUSAL.moment_s(HOP_S) as f32;
        (0..55)
            .map(|at| match at as f32 * moment_ms {
                age_ms if age_ms < 70.0 => (pitch, 5.0, age_ms),
                _ => (pitch, -7.0, 20.0),
            })
            .collect()
    }

    /// A valve opens: the pitch is on its way for three moments, and that something has begun
    /// is a little likelier than not in the next four, but in none of them certain.
    #[test]
    fn a_quick_semitone_is_a_note_though_no_moment_is_sure() {
        let mut moments = long(62.0);
        moments.extend([(62.6, -2.4, 17.0), (62.8, -0.6, 16.0), (62.8, -0.6, 22.0)]);
        let weak = [(0.4, 30.0), (0.5, 41.0), (0.9, 46.0), (0.7, 50.0)];
        moments.extend(weak.map(|(onset, age_ms)| (63.0, onset, age_ms)));
        moments.extend([(63.0, -6.0, 40.0); 20]);
        assert_eq!(begun(&moments), [62.0, 63.0]);
        // Without them it is a glide.
        let unlike = moments
            .iter()
            .map(|&(pitch, onset, age_ms)| match onset < 2.0 {
                true => (pitch, onset.min(-3.0), age_ms),
                false => (pitch, onset, age_ms),
            });
        assert_eq!(begun(&unlike.collect::<Vec<_>>()), [62.0]);
    }

    /// Tongued twelve times a second: when a note is 70 ms old, the evidence for its onset may last
    /// a moment longer, and the next note's comes soon.
    #[test]
    fn a_note_s_last_breath_is_not_the_next() {
        let mut moments = Vec::new();
        for _ in 0..6 {
            let strong = [14.0, 19.0, 24.0, 29.0, 34.0, 39.0, 44.0, 50.0, 55.0, 60.0];
            moments.extend(strong.map(|age_ms| (60.0, 5.5, age_ms)));
            let last = [
                (1.2, 64.0),
                (0.1, 46.0),
                (0.3, 6.0),
                (0.6, 7.0),
                (0.9, 10.0),
            ];
            moments.extend(last.map(|(onset, age_ms)| (60.0, onset, age_ms)));
        }
        // Five pauses between six notes.
        moments.truncate(moments.len() - 5);
        assert_eq!(begun(&moments), [60.0; 6]);
    }
}
