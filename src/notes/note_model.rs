//! The note model: which notes explain the tone evidence of a whole take best.
//!
//! ```text
//!            start            age 2: may end, or the next may start
//! silence ---------> note  age 0 -> 1 -> 2 -+-> silence
//!                                   ^-------/
//! ```
//!
//! A moment is silent, or one pitch sounds. A pitch goes on from moment to moment and may
//! glide, which costs more the farther it goes. To start a note costs something, which evidence for an onset pays back;
//! to pass an onset by without starting one costs what the evidence says. A note has an
//! age, for none is shorter than three moments. The cheapest way through the take is found
//! by the Viterbi algorithm (Forney, Proc. IEEE 61, 1973); costs are in nats, as the
//! evidence is. [`super::live_model`] decodes a model of the
//! same kind forward, and says in what it differs.

use super::STRAY;
use crate::analysis::SAME_PITCH;
use crate::analysis::tone::network::silent_odds;
use crate::analysis::tone::{ToneCell, ToneTrack};

/// What the model believes of notes before it hears any. The values were fitted by
/// `examples/fit_note_models.rs`; `training/README.md` says what was taken from that.
#[derive(Debug, Clone, Copy)]
pub struct NoteModel {
    /// Share of a moment's evidence for tone that is new: neighbouring moments repeat the
    /// same sound.
    pub tone_share: f32,
    /// Starting a note, in nats.
    pub start: f32,
    /// Evidence for an onset counts up to here, log odds.
    pub max_onset: f32,
    /// Onsets that the network sees where there is one for sure: an onset is spread over
    /// neighbouring moments.
    pub onsets_seen: f32,
    /// Gliding, in nats per semitone.
    pub glide: f32,
    /// A moment in which a sounding pitch is not among those asked about, in nats.
    pub missing: f32,
    /// What the offline pitch path adds to the log odds of its pitch, times the share of the
    /// sound over one half that it explains: the network has heard few horns, the correlation
    /// needs to have heard none. It is flat from 0 to 3, but without it the ends of notes in rooms
    /// are right less often (`DEVELOPERS.md`).
    pub correlation_share: f32,
    /// How long a moment lasts, in seconds.
    pub moment_s: f64,
}

impl NoteModel {
    /// The fitted model for moments of so many seconds.
    pub fn new(moment_s: f64) -> Self {
        NoteModel {
            tone_share: 0.3,
            start: 1.8,
            max_onset: 1.2,
            onsets_seen: 0.65,
            glide: 1.05,
            missing: 1.4,
            correlation_share: 0.7,
            moment_s,
        }
    }
}

/// A note as the model finds it, in moments of the tone track.
#[derive(Debug, Clone, PartialEq)]
pub struct DraftNote {
    /// When it begins, with a fraction.
    pub onset: f64,
    /// When it ends, with a fraction.
    pub offset: f64,
    /// Its first moment.
    pub first: usize,
    /// Its pitch in each moment, MIDI semitones.
    pub pitches: Vec<f32>,
    /// Evidence for the tongue, log odds.
    pub tongue_odds: f32,
}

impl DraftNote {
    /// The moment after its last.
    pub fn end(&self) -> usize {
        self.first + self.pitches.len()
    }
}

/// From this age on, in moments, a note may end.
const GROWN: usize = 2;
/// Ages of a note; the last stands for all older ones.
const AGES: usize = GROWN + 1;
/// No tongue repeats a note within so many moments, which are 44 ms. Set by hand: less than the 71 ms
/// between the strokes of the quickest double tonguing (14 a second; common practice), and more than
/// the 36 to 42 ms of a soft attack that were taken for notes (`training/README.md`).
const SHORTEST_REPEAT: f64 = 4.0;
/// No probability that is read from a network's word is nearer to none, or to one.
const LEAST: f32 = 0.001;

/// Probability of log odds.
pub(super) fn probability(odds: f32) -> f32 {
    1.0 / (1.0 + (-odds).exp())
}

/// Log odds of a probability.
fn log_odds(probability: f32) -> f32 {
    (probability / (1.0 - probability)).ln()
}

/// Onset evidence around a cell.
#[derive(Debug, Clone, Copy)]
struct Onset {
    /// That a note starts here, log odds.
    odds: f32,
    /// When, in moments with a fraction.
    at: f64,
    /// What it costs to pass this moment by without an onset, in nats.
    passing: f32,
}

impl Onset {
    /// None.
    fn none(at: usize) -> Self {
        Onset {
            odds: log_odds(LEAST),
            at: at as f64,
            passing: 0.0,
        }
    }
}

/// Where the best way to a state came from.
#[derive(Debug, Clone, Copy)]
struct Way {
    score: f32,
    /// State of the moment before: none is silence, else a pitch and an age.
    from: Option<(u16, u8)>,
    /// Whether the note starts here.
    starts: bool,
}

/// Out of reach.
const LOST: Way = Way {
    score: f32::NEG_INFINITY,
    from: None,
    starts: false,
};

/// A pitch in a moment, at each age.
#[derive(Debug, Clone, Copy)]
struct Tone {
    pitch: f32,
    /// That it sounds, log odds.
    odds: f32,
    onset: Onset,
    tongue_odds: f32,
    ways: [Way; AGES],
}

impl Tone {
    fn best(&self) -> f32 {
        self.ways
            .iter()
            .map(|w| w.score)
            .fold(f32::NEG_INFINITY, f32::max)
    }
}

/// All states of a moment.
#[derive(Debug, Clone)]
struct States {
    silence: Way,
    tones: Vec<Tone>,
}

impl NoteModel {
    /// The notes of a take, in order.
    pub fn decode(&self, track: &ToneTrack) -> Vec<DraftNote> {
        let mut moments: Vec<States> = Vec::with_capacity(track.len());
        let start = States {
            silence: Way { score: 0.0, ..LOST },
            tones: Vec::new(),
        };
        for at in 0..track.len() {
            let states = self.step(track, at, moments.last().unwrap_or(&start));
            moments.push(states);
        }
        trace(&moments)
    }

    /// Evidence for an onset around a pitch.
    fn onset(&self, track: &ToneTrack, at: usize, pitch: f32) -> Onset {
        // The likeliest onset in each of five moments to either side: its probability, and
        // when it was, in moments from this one.
        const REACH: isize = 5;
        let near = |by: isize| {
            let there = at.checked_add_signed(by).filter(|&at| at < track.len());
            let cells = there.map_or(&[][..], |at| track.cells(at));
            let own = cells.iter().filter(|c| (c.pitch - pitch).abs() < STRAY);
            own.max_by(|a, b| a.evidence.onset.total_cmp(&b.evidence.onset))
                .map_or((0.0, 0.0), |c| {
                    let age = f64::from(c.evidence.age_s) / self.moment_s;
                    (probability(c.evidence.onset), by as f64 - age)
                })
        };
        let seen: [(f32, f64); 2 * REACH as usize + 1] =
            std::array::from_fn(|i| near(i as isize - REACH));
        let p = |by: isize| seen[(by + REACH) as usize].0;
        // Onsets expected within two moments, and the log odds that there is one.
        let expected = |by: isize| (-2..=2).map(|d| p(by + d)).sum::<f32>();
        let odds = |expected: f32| {
            let share = (expected / self.onsets_seen).clamp(LEAST, 1.0 - LEAST);
            log_odds(share).min(self.max_onset)
        };
        let peak = p(0) > p(-1) && p(0) >= p(1) && p(0) > p(-2) && p(0) >= p(2);
        let best = (-3..=3).fold(-3, |best, by| if p(by) > p(best) { by } else { best });
        // Each moment around it says when the onset was: their mean by probability.
        let around = &seen[(best + REACH - 1) as usize..=(best + REACH + 1) as usize];
        let sum: f64 = around.iter().map(|&(p, _)| f64::from(p)).sum();
        let when: f64 = around.iter().map(|&(p, when)| f64::from(p) * when).sum();
        let when = if sum > 0.0 { when / sum } else { 0.0 };
        Onset {
            // A note starts at the peak or beside it, so that a peak starts one note.
            odds: odds(if best.abs() <= 1 { expected(best) } else { 0.0 }),
            at: at as f64 + when,
            passing: if peak {
                odds(expected(0)).exp().ln_1p()
            } else {
                0.0
            },
        }
    }

    fn step(&self, track: &ToneTrack, at: usize, before: &States) -> States {
        let ended = Self::ended(before);
        let silent = Way {
            score: before.silence.score,
            ..LOST
        };
        // What a note starts from is what silence comes from.
        let silence = if ended.score > silent.score {
            ended
        } else {
            silent
        };
        let mut tones: Vec<Tone> = (track.cells(at).iter())
            .map(|cell| self.reach(before, silence, cell, self.onset(track, at, cell.pitch)))
            .collect();
        for pitch in self.held(before, &tones) {
            let cell = ToneCell {
                pitch,
                evidence: Default::default(),
            };
            let mut tone = self.reach(before, silence, &cell, Onset::none(at));
            tone.odds = silent_odds();
            tone.ways
                .iter_mut()
                .for_each(|way| way.score -= self.missing);
            tones.push(tone);
        }
        let mut states = States { silence, tones };
        let top = states
            .tones
            .iter()
            .map(Tone::best)
            .fold(silence.score, f32::max);
        states.silence.score -= top;
        for tone in &mut states.tones {
            tone.ways.iter_mut().for_each(|way| way.score -= top);
        }
        states
    }

    /// The best note that may end.
    fn ended(before: &States) -> Way {
        let mut best = LOST;
        for (i, tone) in before.tones.iter().enumerate() {
            for (age, way) in tone.ways.iter().enumerate().skip(GROWN) {
                if way.score > best.score {
                    best = Way {
                        score: way.score,
                        from: Some((i as u16, age as u8)),
                        starts: false,
                    };
                }
            }
        }
        best
    }

    /// The best ways to a pitch: on from a pitch near it, or a note that starts.
    fn reach(&self, before: &States, start: Way, cell: &ToneCell, onset: Onset) -> Tone {
        let tone = self.tone_share * cell.evidence.tone;
        let mut ways = [LOST; AGES];
        for (i, past) in before.tones.iter().enumerate() {
            let glide = (past.pitch - cell.pitch).abs();
            for (age, way) in past.ways.iter().enumerate() {
                let score = way.score - self.glide * glide - onset.passing + tone;
                let reached = &mut ways[(age + 1).min(AGES - 1)];
                if score > reached.score {
                    *reached = Way {
                        score,
                        from: Some((i as u16, age as u8)),
                        starts: false,
                    };
                }
            }
        }
        ways[0] = Way {
            score: start.score - self.start + onset.odds + tone,
            from: start.from,
            starts: true,
        };
        Tone {
            pitch: cell.pitch,
            odds: cell.evidence.tone,
            onset,
            tongue_odds: cell.evidence.tongue,
            ways,
        }
    }

    /// Pitches that are not asked about in the next moment but may go on, best first: those for
    /// which a new note, without any onset in evidence, would not be the better way.
    fn held(&self, before: &States, now: &[Tone]) -> Vec<f32> {
        let anew = before.silence.score - self.start + log_odds(LEAST);
        let mut leading: Vec<&Tone> = before.tones.iter().filter(|t| t.best() > anew).collect();
        leading.sort_by(|a, b| b.best().total_cmp(&a.best()));
        let mut held: Vec<f32> = Vec::new();
        for tone in leading {
            let far = |pitch: f32| (pitch - tone.pitch).abs() > SAME_PITCH;
            if now.iter().all(|n| far(n.pitch)) && held.iter().all(|&p| far(p)) {
                held.push(tone.pitch);
            }
        }
        held
    }
}

/// Walks back from the best last state.
fn trace(moments: &[States]) -> Vec<DraftNote> {
    let mut notes = Vec::new();
    let Some(last) = moments.last() else {
        return notes;
    };
    let mut best = (last.silence.score, None);
    for (i, tone) in last.tones.iter().enumerate() {
        for (age, way) in tone.ways.iter().enumerate() {
            if way.score > best.0 {
                best = (way.score, Some((i as u16, age as u8)));
            }
        }
    }
    let mut state = best.1;
    let mut pitches = Vec::new();
    let mut offset = 0.0;
    for (moment, states) in moments.iter().enumerate().rev() {
        let Some((i, age)) = state else {
            state = states.silence.from;
            continue;
        };
        let tone = &states.tones[usize::from(i)];
        let way = tone.ways[usize::from(age)];
        if pitches.is_empty() {
            let next = notes.last().filter(|next| next.first == moment + 1);
            offset = match end(moment, tone, moments.get(moment + 1)) {
                Some(end) => end,
                None => next.map_or(moment as f64 + 1.0, |next| next.onset),
            };
        }
        pitches.push(tone.pitch);
        if way.starts {
            pitches.reverse();
            notes.push(DraftNote {
                onset: tone.onset.at,
                offset,
                first: moment,
                pitches: std::mem::take(&mut pitches),
                tongue_odds: tone.tongue_odds,
            });
        }
        state = way.from;
    }
    notes.reverse();
    without_false_repeats(notes)
}

/// When a note ends whose last moment is this: where its odds are even, which go from one
/// moment's to the next's in a line. None if they are still better than even in the next.
fn end(moment: usize, last: &Tone, next: Option<&States>) -> Option<f64> {
    let tones = next.map_or(&[][..], |next| &next.tones);
    let own = tones
        .iter()
        .filter(|t| (t.pitch - last.pitch).abs() < STRAY);
    let (before, after) = (last.odds, own.map(|t| t.odds).fold(silent_odds(), f32::max));
    let share = match (before > 0.0, after > 0.0) {
        (true, true) => return None,
        (true, false) => before / (before - after),
        (false, _) => 0.0,
    };
    Some(moment as f64 + f64::from(share))
}

/// Joins a note and what is taken for a repeat of it where either is too short for that: a piece of its
/// attack, or of its release.
fn without_false_repeats(notes: Vec<DraftNote>) -> Vec<DraftNote> {
    let mut out: Vec<DraftNote> = Vec::with_capacity(notes.len());
    let mut notes = notes.into_iter().peekable();
    while let Some(note) = notes.next() {
        let end = note.end();
        let next = notes.peek().filter(|next| next.first == end);
        let length = next.map_or(end as f64, |next| next.onset) - note.onset;
        let repeats = |before: &&mut DraftNote| {
            let apart = before.pitches.last().zip(note.pitches.first());
            before.end() == note.first
                && apart.is_some_and(|(a, b)| (a - b).abs() < STRAY)
                && length.min(note.onset - before.onset) < SHORTEST_REPEAT
        };
        match out.last_mut().filter(repeats) {
            Some(before) => {
                before.pitches.extend(note.pitches);
                before.offset = note.offset;
            }
            None => out.push(note),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::HOP_S;
    use crate::analysis::tone::OFFLINE;
    use crate::analysis::tone::network::Evidence;

    #[test]
    fn a_piece_of_an_attack_or_release_is_no_note() {
        let note = |first: usize, length: usize| DraftNote {
            onset: first as f64,
            offset: (first + length) as f64,
            first,
            pitches: vec![60.0; length],
            tongue_odds: 0.0,
        };
        let spans = |notes: Vec<DraftNote>| {
            let notes = without_false_repeats(notes).into_iter();
            notes.map(|n| (n.first, n.end())).collect::<Vec<_>>()
        };
        assert_eq!(spans(vec![note(0, 20), note(20, 3)]), [(0, 23)]);
        assert_eq!(spans(vec![note(0, 20), note(20, 6)]), [(0, 20), (20, 26)]);
        assert_eq!(spans(vec![note(0, 3), note(3, 20)]), [(0, 23)]);
        assert_eq!(spans(vec![note(0, 6), note(6, 20)]), [(0, 6), (6, 26)]);
        assert_eq!(spans(vec![note(0, 20), note(24, 3)]), [(0, 20), (24, 27)]);
    }

    /// A track of cells given by moment as pitch, tone and onset odds.
    fn track(moments: usize, cells: impl Fn(usize) -> Vec<(f32, f32, f32)>) -> ToneTrack {
        let mut track = ToneTrack::default();
        for at in 0..moments {
            track.push(cells(at).into_iter().map(|(pitch, tone, onset)| ToneCell {
                pitch,
                evidence: Evidence {
                    tone,
                    onset,
                    ..Evidence::default()
                },
            }));
        }
        track
    }

    fn model() -> NoteModel {
        NoteModel::new(OFFLINE.moment_s(HOP_S))
    }

    fn spans(track: &ToneTrack) -> Vec<(usize, usize)> {
        let notes = model().decode(track);
        notes.iter().map(|n| (n.first, n.end())).collect()
    }

    /// An onset as the network shows it: sure at its moment, hinted at beside it.
    fn at_onset(at: usize, onset: usize) -> f32 {
        match at.abs_diff(onset) {
            0 => 1.0,
            1 => -1.0,
            _ => -7.0,
        }
    }

    #[test]
    fn a_tone_with_an_onset_is_a_note() {
        let one = track(60, |at| {
            let sounds = (20..50).contains(&at);
            vec![(60.0, if sounds { 5.0 } else { -5.0 }, at_onset(at, 20))]
        });
        assert_eq!(spans(&one), [(20, 50)]);
    }

    #[test]
    fn a_steady_tone_without_an_onset_is_none_for_a_while() {
        // A hum that the network half believes.
        let hum = track(400, |_| vec![(31.0, 0.0, -7.0)]);
        assert_eq!(spans(&hum), []);
    }

    #[test]
    fn a_note_ends_where_its_odds_are_even() {
        let ends = |last: f32, after: f32| {
            let track = track(60, |at| {
                let odds = match at {
                    20..40 => 4.0,
                    40 => last,
                    41 => after,
                    _ => -4.0,
                };
                vec![(60.0, odds, at_onset(at, 20))]
            });
            model().decode(&track)[0].offset
        };
        assert!((ends(3.0, -3.0) - 40.5).abs() < 1e-6);
        assert!((ends(1.0, -3.0) - 40.25).abs() < 1e-6);
        assert!((ends(4.0, -1.0) - 40.8).abs() < 1e-6);
    }

    #[test]
    fn an_onset_on_the_same_pitch_starts_a_note() {
        let two = track(60, |at| {
            let onset = at_onset(at, 10).max(at_onset(at, 30));
            vec![(60.0, if (10..50).contains(&at) { 5.0 } else { -5.0 }, onset)]
        });
        assert_eq!(spans(&two), [(10, 30), (30, 50)]);
    }

    #[test]
    fn a_glide_is_one_note_and_a_step_two() {
        let way = |step: f32| {
            track(60, move |at| {
                let pitch = if at < 30 {
                    60.0
                } else {
                    60.0 + step.min(0.4 * (at - 29) as f32)
                };
                let onset = at_onset(at, 10);
                vec![(
                    pitch,
                    if (10..50).contains(&at) { 5.0 } else { -5.0 },
                    onset,
                )]
            })
        };
        assert_eq!(spans(&way(4.0)).len(), 1);
        let step = track(60, |at| {
            let (pitch, onset) = if at < 30 { (60.0, 10) } else { (64.0, 30) };
            vec![(
                pitch,
                if (10..50).contains(&at) { 5.0 } else { -5.0 },
                at_onset(at, onset),
            )]
        });
        assert_eq!(spans(&step), [(10, 30), (30, 50)]);
    }

    #[test]
    fn a_gap_in_what_is_asked_about_is_bridged() {
        let gap = track(60, |at| match at {
            28..31 => vec![],
            _ => vec![(
                60.0,
                if (10..50).contains(&at) { 5.0 } else { -5.0 },
                at_onset(at, 10),
            )],
        });
        assert_eq!(spans(&gap), [(10, 50)]);
    }

    #[test]
    fn what_cannot_go_on_is_forgotten() {
        // Another pitch in each moment, 12 in turn.
        let passing = track(2_000, |at| vec![(60.0 + (at % 12) as f32, -3.0, -7.0)]);
        let model = model();
        let mut states = States {
            silence: Way { score: 0.0, ..LOST },
            tones: Vec::new(),
        };
        for at in 0..passing.len() {
            states = model.step(&passing, at, &states);
        }
        // One note in the air, or none: all others would cost less anew.
        assert!(states.tones.len() <= 2, "{}", states.tones.len());
    }
}
