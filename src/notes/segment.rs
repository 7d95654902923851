//! Where notes begin and end.
//!
//! A note begins when tone appears, when the pitch settles at a new place, or
//! when the level dips and comes back on the same pitch (tonguing). Vibrato,
//! scoops, falls and slides move the pitch without settling; flutter dips the
//! level too often to be tonguing.

use std::collections::VecDeque;

use super::contour::Contour;
use super::{Attack, Length, Measured, Note, PitchFrame};
use crate::analysis::octave_errors::is_subharmonic;
use crate::units::{db_power, power_db};

/// What the segmenter reports, at the hop in which it decides.
#[derive(Debug, Clone, PartialEq)]
pub enum NoteEvent {
    /// A note has begun.
    Started(NoteStart),
    /// The note that had begun is over. Its articulation is not named yet.
    Ended(Note),
}

/// The start of a note, at the hop in which it is decided.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoteStart {
    /// When it began, stream seconds.
    pub onset_s: f64,
    /// When that was decided, stream seconds.
    pub decided_s: f64,
    /// Pitch at that time, MIDI semitones.
    pub pitch: f32,
    /// Level at that time, dBFS.
    pub level_db: f32,
    /// How it begins.
    pub attack: Attack,
}

impl NoteStart {
    /// The note that began so, once it is over: with its pitch, its articulation within
    /// not yet named. Levels in dB as in [`Note`] and [`Measured`].
    pub(super) fn ended(self, offset_s: f64, level_db: f32, dip_db: f32, contour: Contour) -> Note {
        let mut note = Note {
            onset_s: self.onset_s,
            offset_s,
            decided_s: self.decided_s,
            pitch: f64::from(self.pitch),
            attack: self.attack,
            length: Length::Normal,
            accent: false,
            techniques: Vec::new(),
            level_db,
            confidence: 0.0,
            measured: Measured {
                dip_db,
                ..Measured::default()
            },
            contour,
        };
        super::articulation::measure_pitch(&mut note);
        note
    }
}

/// Margin in nats at which a pitch is trusted. At 2 nats the odds are 7 to 1 for a
/// single hop; with several hops that agree they are far better.
pub const MIN_MARGIN: f32 = 2.0;
/// Hops that must agree before a note is decided.
const MIN_HOPS: usize = 2;
/// A pitch this far from the note's is another note's, in semitones. Wider than
/// any ordinary vibrato, narrower than a semitone played 35 cents out.
const ELSEWHERE: f32 = 0.65;
/// A pitch this near is certainly the note's, in semitones.
const HOME: f32 = 0.35;
/// A pitch that left the note's faster than this changed by valve, lip slur or
/// tongue, not by a slide; in seconds.
const QUICK_S: f64 = 0.03;
/// How long a pitch must stay steady to count as settled after a quick change, in
/// seconds.
const SETTLE_QUICK_S: f64 = 0.004;
/// The same after a slide, and for a whole multiple of the note's period: an
/// octave slip in a rough attack looks like a slur down for some 40 ms.
const SETTLE_SLOW_S: f64 = 0.06;
/// A pitch has come to rest when it moves at less than this share of the speed
/// at which it left.
const SLOWED: f64 = 0.5;
/// A pitch that leaves slower than this may be the start of a fall, and must stay
/// for as long as it took to get there; in semitones a second.
const SLIDE_SPEED: f64 = 25.0;
/// A pitch that is reached by a slide while the level sinks by more than this is the
/// end of a fall, in dB.
const SINKING_DB: f32 = 3.0;
/// How far it may stray meanwhile, in semitones.
const STILL: f32 = 0.18;
/// Tone may be lost this long while the level stays up, in seconds.
const LOST_LOUD_S: f64 = 0.08;
/// The same when the level has fallen too.
const LOST_SOFT_S: f64 = 0.025;
/// Fall from the peak that counts as "the level has fallen", in dB.
const SOFT_DB: f32 = 12.0;
/// A note is over this far under its peak, in dB.
const OVER_DB: f32 = 32.0;
/// A note's sound begins and ends this far under its peak, in dB.
pub const ONSET_DB: f32 = 30.0;
/// A tongued note younger than this is still finding its pitch, in seconds; a
/// slurred one has settled when it begins.
const YOUNG_S: f64 = 0.05;
/// The same for a note that is still swelling: youth starts anew with every so
/// many dB, up to an age.
const SWELL_DB: f32 = 3.0;
/// Up to this age, in seconds.
pub const MAX_YOUNG_S: f64 = 0.2;
/// How far it may go for it, in semitones.
pub const YOUNG_REACH: f32 = 1.6;
/// Levels closer than this are equally quiet, in dB.
const QUIET_TIE_DB: f32 = 3.0;
/// What rises less than this above the quietest part is still the previous sound, in
/// dB.
const RISE_DB: f32 = 6.0;
/// Sound must be this far above the noise floor, in dB.
const FLOOR_MARGIN_DB: f32 = 5.0;
/// Longest time from an onset to its decision, in seconds.
const LEAD_IN_S: f64 = 0.12;
/// Dip in level, in dB, from which a new attack is tongued.
const TONGUE_DIP_DB: f32 = 9.0;
/// Rise that ends a dip on an unchanged pitch, in dB.
const REATTACK_RISE_DB: f32 = 9.0;
/// Time in which that rise must happen, in seconds: a tremolo of 6 Hz and 10 dB
/// rises slower.
const REATTACK_RISE_S: f64 = 0.03;
/// Shortest time between tongue strokes, in seconds: fast double tonguing is
/// 12 a second, flutter 20 to 30.
const STROKE_S: f64 = 0.06;
/// This far under its peak a note is dying away and does not change to another, in
/// dB.
const DYING_DB: f32 = 18.0;
/// Sound must have been there for this long before it is called a note, in
/// seconds; less does not show whether it dies away.
const SOUND_S: f64 = 0.01;
/// A sound this far under its loudest is dying away already, in dB; one that has
/// only just begun shows it sooner, for no horn is past its loudest so early.
const FALLING_DB: f32 = 4.0;
const FALLING_YOUNG_DB: f32 = 1.5;
const JUST_BEGUN_S: f64 = 0.02;
/// Time over which that is looked at, in seconds.
const FALLING_S: f64 = 0.12;
/// How long the previous note is taken to die away, in seconds.
const TAIL_S: f64 = 0.25;
/// Rise over the tail's lowest level that a note on another pitch shows, in dB.
const TAIL_RISE_DB: f32 = 4.0;
/// Time constant with which a note's pitch follows the player, in seconds.
const FOLLOW_S: f64 = 0.25;
/// History kept to find onsets in, in seconds.
const HISTORY_S: f64 = 0.4;

/// A pitch away from the note's, not accepted yet.
#[derive(Debug, Clone, Copy)]
struct Away {
    since_s: f64,
    still_since_s: f64,
    low: f32,
    high: f32,
    hops: usize,
}

/// The note that is sounding.
#[derive(Debug, Clone)]
struct Open {
    start: NoteStart,
    dip_db: f32,
    anchor: f32,
    /// Last time the pitch was at home.
    home_s: f64,
    peak_db: f32,
    /// When the level last rose by a step, and to where.
    swelled_s: f64,
    swelled_db: f32,
    last_tone_s: f64,
    last_loud_s: f64,
    away: Option<Away>,
    contour: Contour,
}

/// What is left of the previous note.
#[derive(Debug, Clone, Copy)]
struct Tail {
    pitch: f32,
    peak_db: f32,
    /// When the note was over.
    ended_s: f64,
    /// Lowest level since.
    low_db: f32,
    /// Until when its sound went on dying away.
    until_s: f64,
    dying: bool,
}

/// A dip in level that may turn out a tongue stroke.
#[derive(Debug, Clone, Copy)]
struct Dip {
    low_s: f64,
    low_db: f32,
    /// Bottom of a dip that the level has come back from.
    risen_s: Option<f64>,
    /// Bottom of the dip before.
    last_s: f64,
}

/// Streaming segmenter: pitch frames in, note events out.
#[derive(Debug, Clone)]
pub struct Segmenter {
    hop_s: f64,
    /// Whether frames look back only, so that a change shows late by half the
    /// sound they were read from.
    causal: bool,
    history: VecDeque<(PitchFrame, f32)>,
    note: Option<Open>,
    tail: Tail,
    run: (f32, usize),
    dip: Dip,
}

impl Segmenter {
    /// Segmenter for frames `hop_s` apart. `causal` for those of the live engine.
    pub fn new(hop_s: f64, causal: bool) -> Self {
        Segmenter {
            hop_s,
            causal,
            history: VecDeque::with_capacity((HISTORY_S / hop_s) as usize + 2),
            note: None,
            tail: Tail {
                pitch: f32::NAN,
                peak_db: -120.0,
                ended_s: f64::NEG_INFINITY,
                low_db: -120.0,
                until_s: f64::NEG_INFINITY,
                dying: false,
            },
            run: (f32::NAN, 0),
            dip: Dip {
                low_s: f64::NEG_INFINITY,
                low_db: 0.0,
                risen_s: None,
                last_s: f64::NEG_INFINITY,
            },
        }
    }

    /// Takes the next frame and appends what it decides to `events`.
    pub fn push(&mut self, frame: PitchFrame, events: &mut Vec<NoteEvent>) {
        self.remember(frame);
        self.count_run(frame.pitch);
        let envelope_db = self.envelope_db();
        let Some(mut note) = self.note.take() else {
            self.follow_tail(frame, envelope_db);
            self.note = self.try_start(frame, envelope_db, events);
            return;
        };
        note.contour.points.push(frame.point());
        note.peak_db = note.peak_db.max(envelope_db);
        if envelope_db > note.swelled_db + SWELL_DB {
            (note.swelled_s, note.swelled_db) = (frame.time_s, envelope_db);
        }
        if envelope_db > note.peak_db - ONSET_DB {
            note.last_loud_s = frame.time_s;
        }
        let reattacked = self.reattack(&note, frame, envelope_db);
        match frame.pitch {
            None => note.away = None,
            Some(pitch) => {
                note.last_tone_s = frame.time_s;
                let away = (pitch - note.anchor).abs();
                let age_s = frame.time_s - note.start.decided_s;
                let young = note.start.attack != Attack::Slurred
                    && frame.time_s - note.swelled_s < YOUNG_S
                    && age_s < MAX_YOUNG_S;
                if young && away < YOUNG_REACH && frame.margin >= MIN_MARGIN {
                    // The attack is still finding its pitch.
                    note.anchor = pitch;
                }
                if away < HOME {
                    note.home_s = frame.time_s;
                }
                if away < ELSEWHERE {
                    note.away = None;
                    // The mean of the note so far, later of its recent past.
                    let memory_s = age_s.clamp(0.01, FOLLOW_S);
                    let share = (self.hop_s / memory_s) as f32;
                    note.anchor += share * (pitch - note.anchor);
                } else {
                    self.follow_away(&mut note, frame, pitch);
                }
            }
        }
        if let Some(low_s) = reattacked {
            let (dip_db, pitch) = (self.dip_db(low_s), frame.pitch.unwrap_or(note.anchor));
            self.end(note, low_s, events);
            self.note = Some(self.open(frame, low_s, pitch, Attack::Tongued, dip_db, events));
        } else if let Some(onset_s) = self.settled_elsewhere(&note, frame, envelope_db) {
            let pitch = frame.pitch.unwrap_or(note.anchor);
            let dip_db = self.dip_db(onset_s);
            let tongued = dip_db > TONGUE_DIP_DB;
            let attack = if tongued {
                Attack::Tongued
            } else {
                Attack::Slurred
            };
            let onset_s = if tongued {
                self.low_near(onset_s)
            } else {
                onset_s
            };
            self.end(note, onset_s, events);
            self.note = Some(self.open(frame, onset_s, pitch, attack, dip_db, events));
        } else if let Some(end_s) = over(&note, frame, envelope_db) {
            self.end(note, end_s, events);
        } else {
            self.note = Some(note);
        }
    }

    /// Ends what still sounds, at the end of the stream.
    pub fn finish(&mut self, events: &mut Vec<NoteEvent>) {
        if let Some(note) = self.note.take() {
            let end_s = note.last_loud_s.min(note.last_tone_s);
            self.end(note, end_s, events);
        }
    }

    fn remember(&mut self, frame: PitchFrame) {
        if self.history.len() as f64 * self.hop_s > HISTORY_S {
            self.history.pop_front();
        }
        let power = db_power(frame.level_db);
        self.history.push_back((frame, power));
    }

    fn count_run(&mut self, pitch: Option<f32>) {
        self.run = match pitch {
            Some(pitch) if (pitch - self.run.0).abs() < 0.5 => (pitch, self.run.1 + 1),
            Some(pitch) => (pitch, 1),
            None => (f32::NAN, 0),
        };
    }

    /// Level over the last period or 5 ms, whichever is longer, so that the
    /// pulses of a low tone do not look like dips.
    fn envelope_db(&self) -> f32 {
        self.envelope_at(self.history.len())
    }

    /// The same `ago_s` seconds earlier.
    fn envelope_ago(&self, ago_s: f64) -> f32 {
        let hops = (ago_s / self.hop_s).round() as usize;
        self.envelope_at(self.history.len().saturating_sub(hops).max(1))
    }

    fn envelope_at(&self, end: usize) -> f32 {
        let pitch = self.note.as_ref().map_or(self.run.0, |n| n.anchor);
        let pitch = if pitch.is_nan() {
            self.tail.pitch
        } else {
            pitch
        };
        // Without a pitch the period is NaN, and `max` gives the other operand.
        let hops = (period_s(pitch).max(0.005) / self.hop_s as f32).ceil() as usize;
        let first = end.saturating_sub(hops);
        let sum: f32 = self.history.range(first..end).map(|(_, p)| p).sum();
        power_db(sum / (end - first).max(1) as f32)
    }

    /// Follows how the previous note dies away.
    fn follow_tail(&mut self, frame: PitchFrame, envelope_db: f32) {
        let tail = &mut self.tail;
        tail.low_db = tail.low_db.min(envelope_db);
        tail.dying &= envelope_db > tail.peak_db - ONSET_DB && envelope_db < tail.low_db + 6.0;
        if tail.dying {
            tail.until_s = frame.time_s;
        }
    }

    fn try_start(
        &mut self,
        frame: PitchFrame,
        envelope_db: f32,
        events: &mut Vec<NoteEvent>,
    ) -> Option<Open> {
        let pitch = frame.pitch?;
        if frame.margin < MIN_MARGIN || self.run.1 < MIN_HOPS {
            return None;
        }
        // The tail of a note that has ended is not a new note: that takes a rise in
        // level, a small one if the pitch is new.
        let since_s = frame.time_s - self.tail.ended_s;
        let rise_db = envelope_db - self.tail.low_db;
        let same = (pitch - self.tail.pitch).abs() < ELSEWHERE;
        let needed_db = if same { REATTACK_RISE_DB } else { TAIL_RISE_DB };
        if since_s < TAIL_S && rise_db < needed_db {
            return None;
        }
        let onset_s = self.find_onset(frame.time_s);
        let age_s = frame.time_s - onset_s;
        let falling_db = if age_s < JUST_BEGUN_S {
            FALLING_YOUNG_DB
        } else {
            FALLING_DB
        };
        // A click rings on a pitch too, but only dies away.
        if age_s < SOUND_S || envelope_db < self.recent_peak_db() - falling_db {
            return None;
        }
        let dip_db = self.dip_db(onset_s);
        let joined = onset_s - self.tail.ended_s < 0.02 && dip_db < TONGUE_DIP_DB;
        let attack = if joined {
            Attack::Slurred
        } else {
            Attack::Tongued
        };
        Some(self.open(frame, onset_s, pitch, attack, dip_db, events))
    }

    /// Highest recent envelope since the previous note, dBFS.
    fn recent_peak_db(&self) -> f32 {
        let count = self.history.len();
        let hops = (FALLING_S / self.hop_s) as usize;
        let recent = count.saturating_sub(hops)..count;
        recent
            .filter(|&at| self.history[at].0.time_s > self.tail.ended_s)
            .map(|at| self.envelope_at(at + 1))
            .fold(-120.0, f32::max)
    }

    fn open(
        &mut self,
        frame: PitchFrame,
        onset_s: f64,
        pitch: f32,
        attack: Attack,
        dip_db: f32,
        events: &mut Vec<NoteEvent>,
    ) -> Open {
        let peak_db = self.envelope_db();
        self.dip.risen_s = None;
        (self.dip.low_s, self.dip.low_db) = (frame.time_s, peak_db);
        let start = NoteStart {
            onset_s,
            decided_s: frame.time_s,
            pitch,
            level_db: peak_db,
            attack,
        };
        events.push(NoteEvent::Started(start));
        let past: Vec<&PitchFrame> = self
            .history
            .iter()
            .map(|(m, _)| m)
            .filter(|m| m.time_s >= onset_s)
            .collect();
        let contour = Contour {
            start_s: past.first().map_or(frame.time_s, |m| m.time_s),
            hop_s: self.hop_s,
            points: past.iter().map(|m| m.point()).collect(),
        };
        Open {
            start,
            dip_db,
            anchor: pitch,
            home_s: frame.time_s,
            peak_db,
            swelled_s: frame.time_s,
            swelled_db: peak_db,
            last_tone_s: frame.time_s,
            last_loud_s: frame.time_s,
            away: None,
            contour,
        }
    }

    fn end(&mut self, note: Open, end_s: f64, events: &mut Vec<NoteEvent>) {
        let onset_s = note.start.onset_s;
        let offset_s = end_s.max(onset_s + self.hop_s);
        self.tail = Tail {
            pitch: note.anchor,
            peak_db: note.peak_db,
            ended_s: offset_s,
            low_db: self.envelope_db(),
            until_s: offset_s,
            dying: true,
        };
        let mut contour = note.contour;
        contour.end_at(offset_s);
        let start = NoteStart {
            onset_s,
            ..note.start
        };
        let ended = start.ended(offset_s, note.peak_db, note.dip_db, contour);
        events.push(NoteEvent::Ended(ended));
    }

    /// Follows a pitch that has left home.
    fn follow_away(&self, note: &mut Open, frame: PitchFrame, pitch: f32) {
        let now = frame.time_s;
        let fresh = |since_s| Away {
            since_s,
            still_since_s: now,
            low: pitch,
            high: pitch,
            hops: 1,
        };
        note.away = Some(match note.away {
            None => fresh(now),
            Some(mut away) => {
                away.low = away.low.min(pitch);
                away.high = away.high.max(pitch);
                away.hops += 1;
                if away.high - away.low > STILL {
                    fresh(away.since_s)
                } else {
                    away
                }
            }
        });
    }

    /// Onset of a new note at the pitch that the old one has left for.
    fn settled_elsewhere(&self, note: &Open, frame: PitchFrame, envelope_db: f32) -> Option<f64> {
        let away = note.away?;
        if envelope_db < note.peak_db - DYING_DB {
            // The end of a fall settles too.
            return None;
        }
        let quick = away.still_since_s - note.home_s < QUICK_S;
        let multiple = is_subharmonic((note.anchor - away.low) / 12.0);
        let settle_s = if quick && !multiple {
            SETTLE_QUICK_S
        } else {
            SETTLE_SLOW_S
        };
        let still_s = frame.time_s - away.still_since_s;
        if frame.margin < MIN_MARGIN || away.hops < MIN_HOPS || still_s < settle_s {
            return None;
        }
        if quick && !self.slowed(note, &away, still_s) {
            return None;
        }
        // Where a fall ends the sound is dying away. Offline this is not needed.
        if self.causal && !quick && envelope_db < self.envelope_ago(still_s) - SINKING_DB {
            return None;
        }
        // A window shows a change late by half the two periods that it spans.
        let late_s = if self.causal {
            let pitch = f64::from(away.low);
            1.0 / crate::units::Pitch(pitch).hz() + 0.002
        } else {
            0.0
        };
        let changed_s = if quick {
            away.since_s
        } else {
            away.still_since_s
        };
        Some((changed_s - late_s).max(note.start.onset_s + self.hop_s))
    }

    /// Whether a pitch that left home quickly has come to rest, and does not go on
    /// like the start of a fall.
    fn slowed(&self, note: &Open, away: &Away, still_s: f64) -> bool {
        let distance = (away.low - note.anchor)
            .abs()
            .min((away.high - note.anchor).abs());
        let took_s = (away.since_s - note.home_s).max(self.hop_s);
        let speed = f64::from(distance - HOME).max(0.0) / took_s;
        if speed < SLIDE_SPEED && still_s < took_s {
            return false;
        }
        f64::from(away.high - away.low) < SLOWED * speed * still_s
    }

    /// Time of a tongue stroke on the pitch that already sounds.
    fn reattack(&mut self, note: &Open, frame: PitchFrame, envelope_db: f32) -> Option<f64> {
        let now = frame.time_s;
        let dip = &mut self.dip;
        if dip.low_s < note.start.onset_s || envelope_db < dip.low_db {
            (dip.low_s, dip.low_db) = (now, envelope_db);
            return None;
        }
        if envelope_db - dip.low_db > REATTACK_RISE_DB {
            dip.risen_s = Some(dip.low_s);
            (dip.low_s, dip.low_db) = (now, envelope_db);
        } else if now - dip.low_s > REATTACK_RISE_S {
            // Forget a low that nothing quick came after.
            (dip.low_s, dip.low_db) = (now, envelope_db);
        }
        let low_s = dip.risen_s?;
        // A slur dips too. Only when the windows are clear of the sound before
        // is the pitch known to be the same.
        let period_s = 1.0 / crate::units::Pitch(f64::from(note.anchor)).hz();
        if now - low_s < 2.2 * period_s + 0.008 {
            return None;
        }
        dip.risen_s = None;
        let apart = low_s - dip.last_s > STROKE_S && low_s - note.start.decided_s > 0.5 * STROKE_S;
        dip.last_s = low_s;
        let home = frame.pitch.is_some() && note.away.is_none();
        (apart && home && self.dip_db(low_s) > TONGUE_DIP_DB).then_some(low_s)
    }

    /// Start of the sound that leads up to now.
    fn find_onset(&self, now_s: f64) -> f64 {
        let from_s = (now_s - LEAD_IN_S).max(self.tail.until_s);
        let past = self.history.iter().map(|(m, _)| *m);
        let lead_in: Vec<PitchFrame> = past.filter(|m| m.time_s > from_s).collect();
        let peak_db = lead_in.iter().map(|m| m.level_db).fold(-120.0, f32::max);
        match first_sound(&lead_in, peak_db, self.hop_s) {
            Some(at) => lead_in[at].time_s - self.hop_s,
            None => now_s,
        }
    }

    /// How far the level dips around a time, against the weaker side, in dB.
    fn dip_db(&self, at_s: f64) -> f32 {
        let (mut before, mut low, mut after) = (-120f32, f32::INFINITY, -120f32);
        for (end, (frame, _)) in self.history.iter().enumerate() {
            let from_s = frame.time_s - at_s;
            if from_s < -0.12 {
                continue;
            }
            let level = self.envelope_at(end + 1);
            if from_s < -0.02 {
                before = before.max(level);
            }
            if from_s.abs() < 0.04 {
                low = low.min(level);
            }
            if from_s > 0.0 {
                after = after.max(level);
            }
        }
        (before.min(after) - low).max(0.0)
    }

    /// Time of the lowest level around a time.
    fn low_near(&self, at_s: f64) -> f64 {
        let near = self.history.iter().enumerate();
        let near = near.filter(|(_, (m, _))| (m.time_s - at_s).abs() < 0.04);
        let low = near.min_by(|a, b| {
            self.envelope_at(a.0 + 1)
                .total_cmp(&self.envelope_at(b.0 + 1))
        });
        low.map_or(at_s, |(_, (m, _))| m.time_s)
    }
}

/// Index of the first sound of a note, given its lead-in (the frames up to its tone)
/// and its peak level.
///
/// That is the first sound within 30 dB of the peak after the first of the quietest
/// 8 ms: a burst of air or a click of the tongue often comes well before the tone and
/// belongs to it; the release of the previous note does not.
pub fn first_sound(lead_in: &[PitchFrame], peak_db: f32, hop_s: f64) -> Option<usize> {
    let width = ((0.008 / hop_s).round() as usize).clamp(1, lead_in.len().max(1));
    let power = |m: &PitchFrame| db_power(m.level_db);
    let levels = lead_in
        .windows(width)
        .map(|w| power_db(w.iter().map(power).sum::<f32>() / width as f32));
    let quietest_db = levels.clone().min_by(f32::total_cmp)?;
    let quiet = levels
        .clone()
        .position(|db| db < quietest_db + QUIET_TIE_DB)?;
    let threshold_db = |m: &PitchFrame| {
        let noise_db = m.floor_db + FLOOR_MARGIN_DB;
        (peak_db - ONSET_DB)
            .max(noise_db)
            .max(quietest_db + RISE_DB)
    };
    // Two hops together: one alone in steady noise strays by some dB.
    let after = lead_in[quiet..].windows(2).position(|pair| {
        let mean = 0.5 * (power(&pair[0]) + power(&pair[1]));
        power_db(mean) > threshold_db(&pair[0])
    });
    match after {
        Some(after) => Some(quiet + after),
        // Nothing rises: it has sounded all along, unless it is the noise floor.
        None => {
            let noise_db = lead_in.first()?.floor_db + FLOOR_MARGIN_DB;
            let sounding_db = (peak_db - ONSET_DB).max(noise_db);
            (quietest_db > sounding_db).then_some(quiet)
        }
    }
}

/// Period of a pitch in MIDI semitones, in seconds, accurate to 1e-6 of it: needed at
/// every hop.
fn period_s(pitch: f32) -> f32 {
    ((69.0 - pitch) / 12.0).exp2() / 440.0
}

/// Whether and when a note has ended.
fn over(note: &Open, frame: PitchFrame, envelope_db: f32) -> Option<f64> {
    let lost_s = frame.time_s - note.last_tone_s;
    let fallen_db = note.peak_db - envelope_db;
    let over = fallen_db > OVER_DB
        || lost_s > LOST_LOUD_S
        || (lost_s > LOST_SOFT_S && fallen_db > SOFT_DB);
    over.then(|| note.last_loud_s.min(note.last_tone_s))
}
