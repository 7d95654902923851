//! The note model, decoded forward while the horn plays.
//!
//! The same model as [`super::note_model`]: a moment is silent or one pitch sounds, a
//! pitch goes on and may glide, to begin a note costs something. What differs is the
//! evidence (only the past is known, so that an onset is seen as a note that has begun
//! *of late*), and that each state remembers the note it belongs to, for nothing can be
//! traced back. A note is announced when the best state belongs to it and leads all
//! states that belong to another by a fixed margin: a sequential probability ratio test
//! (Wald, 1945), so that sure things are announced at once.

use super::STRAY;
use crate::analysis::SAME_PITCH;
use crate::analysis::tone::ToneCell;

/// What the model believes of notes before it hears any, in nats. The values lie near those
/// that `examples/fit_note_models.rs` finds; `training/README.md` says why not on them.
#[derive(Debug, Clone, Copy)]
pub struct LiveModel {
    /// Share of a moment's evidence for tone that is new.
    pub tone_share: f32,
    /// Share of its evidence for a note that has begun of late that is new.
    pub young_share: f32,
    /// Beginning a note.
    pub start: f32,
    /// Going silent.
    pub end: f32,
    /// Gliding, per semitone.
    pub glide: f32,
    /// A moment in which a sounding pitch is not among those asked about.
    pub missing: f32,
    /// Margin at which a note or its end is announced.
    pub sure: f32,
}

impl Default for LiveModel {
    fn default() -> Self {
        LiveModel {
            tone_share: 0.75,
            young_share: 0.55,
            start: 0.5,
            end: 1.8,
            glide: 0.6,
            missing: 0.6,
            sure: 2.4,
        }
    }
}

/// A note that a state belongs to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Begun {
    number: u64,
    /// Moment of its first state.
    first: u64,
    /// How long before the moment now it began, as it was last read, in seconds, and
    /// when that was.
    age_s: f32,
    read: u64,
    /// Evidence for the tongue, log odds.
    pub tongue_odds: f32,
}

/// Pitches that one moment may go on with at most.
const MAX_STATES: usize = 24;

#[derive(Debug, Clone, Copy)]
struct State {
    pitch: f32,
    score: f32,
    /// Moments in which its pitch has stayed put.
    still: u32,
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

/// Forward decoder of the note model.
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

/// Farthest glide from moment to moment that is still the same note, in semitones: a quick slur
/// of a semitone takes few moments, and without this is missed (`tests/transcriber.rs`).
const MAX_GLIDE: f32 = 0.4;
/// States of one pitch whose onsets are this close are readings of one note, in seconds.
const SAME_ONSET_S: f32 = 0.05;
/// Readings this close in time are of one attack, which has not found its pitch yet: no
/// tongue is quicker (double tonguing is 14 a second at most; common practice). In seconds.
const ONE_ATTACK_S: f32 = 0.025;
/// How far an attack may be from the pitch that it finds, in semitones.
pub const ATTACK_REACH: f32 = 1.6;
/// A pitch stays put from moment to moment up to here, in semitones: one bin.
const STILL: f32 = 0.21;
/// Moments for which a pitch must have stayed put before it is a note of its own beside
/// one that sounds: 5 ms.
const SETTLED: u32 = 1;
/// For so long a note counts as begun of late (`FRESH_S` in `training/train.py`).
const YOUNG_S: f32 = 0.07;
/// Scores do not fall farther behind: a long note must not take long to be given up.
const MAX_BEHIND: f32 = 25.0;

impl LiveDecoder {
    /// Decoder for moments `step_s` apart.
    pub fn new(model: LiveModel, step_s: f64) -> Self {
        LiveDecoder {
            model,
            step_s: step_s as f32,
            moment: 0,
            silence: 0.0,
            states: Vec::with_capacity(MAX_STATES),
            next: Vec::with_capacity(MAX_STATES),
            numbers: 0,
            announced: None,
        }
    }

    /// Takes the cells of the next moment.
    pub fn push(&mut self, cells: impl Iterator<Item = ToneCell>) -> Decision {
        self.moment += 1;
        let best = self.best();
        let (from_score, quietest) = match best {
            Some(at) => (
                self.states[at].score.max(self.silence),
                self.states[at].score,
            ),
            None => (self.silence, f32::NEG_INFINITY),
        };
        let silence = self.silence.max(quietest - self.model.end);
        let mut next = std::mem::take(&mut self.next);
        next.clear();
        for cell in cells {
            next.push(self.reach(&cell, from_score));
        }
        self.hold(&mut next);
        next.truncate(MAX_STATES);
        self.next = std::mem::replace(&mut self.states, next);
        let top = self.states.iter().map(|s| s.score).fold(silence, f32::max);
        self.silence = (silence - top).max(-MAX_BEHIND);
        for state in &mut self.states {
            state.score = (state.score - top).max(-MAX_BEHIND);
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
        note.age_s + self.since_s(note.read)
    }

    /// The best way to a pitch.
    fn reach(&mut self, cell: &ToneCell, from_score: f32) -> State {
        let model = self.model;
        let tone = model.tone_share * cell.evidence.tone;
        let young = model.young_share * cell.evidence.onset;
        self.numbers += 1;
        let age_s = cell.evidence.age_s.clamp(0.0, YOUNG_S);
        let fresh = Begun {
            number: self.numbers,
            first: self.moment,
            age_s,
            read: self.moment,
            tongue_odds: cell.evidence.tongue,
        };
        let mut reached = State {
            pitch: cell.pitch,
            score: from_score - model.start + tone + young,
            still: 0,
            note: fresh,
        };
        for past in &self.states {
            let glide = (past.pitch - cell.pitch).abs();
            if glide > MAX_GLIDE {
                continue;
            }
            let mut note = past.note;
            let is_young = self.age_s(&note) < YOUNG_S;
            let score =
                past.score - model.glide * glide + tone + if is_young { young } else { 0.0 };
            if score >= reached.score {
                if is_young {
                    (note.age_s, note.read) = (age_s.max(self.since_s(note.first)), self.moment);
                    note.tongue_odds = cell.evidence.tongue;
                }
                let stays = glide <= STILL;
                reached = State {
                    pitch: cell.pitch,
                    score,
                    still: if stays { past.still + 1 } else { 0 },
                    note,
                };
            }
        }
        reached
    }

    /// Lets pitches go on where they are not asked about, until they are as far behind as any
    /// can be.
    fn hold(&self, next: &mut Vec<State>) {
        for past in &self.states {
            let apart = |n: &State| (n.pitch - past.pitch).abs() > SAME_PITCH;
            if past.score > -MAX_BEHIND && next.iter().all(apart) {
                next.push(State {
                    score: past.score - self.model.missing,
                    ..*past
                });
            }
        }
    }

    /// Whether two readings are of one note at one pitch.
    fn one_note(&self, a: (f32, &Begun), b: (f32, &Begun)) -> bool {
        let near = (a.0 - b.0).abs() < STRAY && self.apart_s(a.1, b.1) < SAME_ONSET_S;
        a.1.number == b.1.number || near
    }

    /// Whether two readings are of one attack, which has not found its pitch yet.
    fn one_attack(&self, a: (f32, &Begun), b: (f32, &Begun)) -> bool {
        (a.0 - b.0).abs() < ATTACK_REACH && self.apart_s(a.1, b.1) < ONE_ATTACK_S
    }

    /// Time between the onsets of two notes, in seconds.
    fn apart_s(&self, a: &Begun, b: &Begun) -> f32 {
        (self.age_s(a) - self.age_s(b)).abs()
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
        let own = (best.pitch, &best.note);
        let known = |a: Sounding| {
            let sounding = (a.pitch, &a.note);
            self.one_note(sounding, own) || self.one_attack(sounding, own)
        };
        if self.announced.is_some_and(known) {
            self.announced = Some(sounding);
            return Decision::Same;
        }
        let rivals = self
            .states
            .iter()
            .filter(|s| !self.one_note((s.pitch, &s.note), own));
        let rival = rivals.map(|s| s.score).fold(self.silence, f32::max);
        // What a slur passes through on its way is no note.
        let passing = self.announced.is_some() && best.still < SETTLED;
        if passing || best.score - rival < self.model.sure {
            return Decision::Same;
        }
        self.announced = Some(sounding);
        Decision::Begun(sounding, self.age_s(&best.note))
    }
}
