//! Notes as they are played: the note model decoded forward, and what each note did.

use std::collections::VecDeque;

use super::articulation::{LIVE_ROUNDS, MAX_HOPS, PitchScratch, WaveScratch, measure_pitch};
use super::contour::{Contour, Point};
use super::live_model::{Decision, LiveDecoder, LiveModel, Sounding};
use super::live_oscillation::{End, OscillationFollower};
use super::refinement::oscillation::{Oscillation, OscillationScratch};
use super::rig_sound::RigSound;
use super::technique_model::TechniqueModel;
use super::timeline::smooth_s;
use super::{
    Attack, BESIDE_S, DIP_REACH_S, Length, Measured, Note, PitchFrame, STRAY, articulation,
    attack_of, brightness_of,
};
use crate::analysis::candidates::Candidate;
use crate::analysis::tone::{CAUSAL, ToneReader, ToneTrack};
use crate::analysis::{Analyser, Frame};
use crate::units::{Pitch, mean_level_db};

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
    /// Level at that time, dBFS: the mean over the last periods.
    pub level_db: f32,
    /// How it begins.
    pub attack: Attack,
}

impl NoteStart {
    /// The note that began so, once it is over: with its pitch, its articulation within
    /// not yet named. Levels in dB as in [`Note`] and [`Measured`].
    pub(super) fn ended(
        self,
        offset_s: f64,
        level_db: f32,
        dip_db: f32,
        contour: Contour,
        scratch: &mut PitchScratch,
    ) -> Note {
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
            brightness: None,
            measured: Measured {
                dip_db,
                ..Measured::default()
            },
            contour,
        };
        measure_pitch(&mut note, LIVE_ROUNDS, scratch);
        note
    }
}

/// History kept, in seconds: what a note's first moments, the dip before it and a rolled tongue
/// are read from.
const HISTORY_S: f64 = 0.4;
/// A rolled tongue is told by so many dips of the level.
const DIPS: f64 = 5.0;

/// The note that is sounding.
#[derive(Debug, Clone)]
struct Open {
    start: NoteStart,
    contour: Contour,
    dip_db: f32,
    /// Level of its loudest 20 ms so far, dBFS, once it is so long.
    loudest_db: Option<f32>,
    /// Whether it oscillates, or did.
    oscillates: bool,
}

/// Streaming segmenter of the live engine.
///
/// All that it works with is allocated when it is made, and stays as large. At the end of a note
/// memory is allocated for the contour that is handed out with the note, and for the measurement of
/// a trill; while a note lasts longer than 40 s, for each doubling of its length.
#[derive(Debug, Clone)]
pub struct Segmenter {
    hop_s: f64,
    reader: ToneReader,
    /// The moments that a hop completes: one or none.
    moments: ToneTrack,
    decoder: LiveDecoder,
    rig: RigSound,
    techniques: TechniqueModel,
    oscillation: OscillationFollower,
    history: VecDeque<PitchFrame>,
    /// Recent hops in one piece, in which a rolled tongue is looked for, and with what.
    roll: Contour,
    waves: WaveScratch,
    note: Option<Open>,
    /// While no note sounds: the room for the points of the next, [`MAX_HOPS`].
    points: Vec<Point>,
    /// With what a note's pitch is measured at its end.
    pitch: PitchScratch,
    /// End of the note before, stream seconds.
    ended_s: f64,
}

impl Segmenter {
    /// Segmenter for the frames of an analyser.
    pub fn new(analyser: &Analyser) -> Self {
        let hop_s = analyser.hop_s();
        let techniques = TechniqueModel::DEFAULT;
        let roll_hops = Self::roll_hops(&techniques, hop_s);
        Segmenter {
            hop_s,
            reader: ToneReader::new(&CAUSAL, analyser),
            moments: ToneTrack::with_capacity(1),
            decoder: LiveDecoder::new(LiveModel::DEFAULT, CAUSAL.moment_s(hop_s)),
            oscillation: OscillationFollower::new(hop_s, techniques),
            rig: RigSound::new(),
            techniques,
            history: VecDeque::with_capacity((HISTORY_S / hop_s) as usize + 2),
            roll: Contour {
                hop_s,
                points: Vec::with_capacity(roll_hops),
                ..Contour::default()
            },
            waves: WaveScratch::for_hops(roll_hops),
            note: None,
            points: Vec::with_capacity(MAX_HOPS),
            pitch: PitchScratch::for_hops(MAX_HOPS),
            ended_s: f64::NEG_INFINITY,
        }
    }

    /// Hops in which a rolled tongue is looked for.
    fn roll_hops(techniques: &TechniqueModel, hop_s: f64) -> usize {
        (DIPS / techniques.waves.flutter_hz.0 / hop_s) as usize
    }

    /// Takes the next frame; appends what it settles to `events`. Gives the frame as the causal
    /// engine hears it: with the pitch of the note that sounds; where none does, that of the
    /// best path, measured precisely where that speaks of the same peak.
    pub fn push(&mut self, frame: &Frame, events: &mut Vec<NoteEvent>) -> PitchFrame {
        self.reader.push_samples(&frame.samples);
        let open = !frame.level.closed;
        self.reader
            .push_candidates(&frame.candidates, open, &mut self.moments);
        let mut decision = Decision::Same;
        let is_moment = !self.moments.is_empty();
        let doubt = |pitch| self.rig.doubt(pitch, frame.time_s);
        for at in 0..self.moments.len() {
            decision = self
                .decoder
                .push(self.moments.cells(at).iter().copied(), doubt);
        }
        self.moments.clear();
        let leading = frame.leading_pitch();
        let swinging = self.oscillation.push(self.pitch_frame(frame, leading));
        let now = self.pitch_frame(frame, swinging.or_else(|| self.decoded_pitch(frame)));
        if self.history.len() as f64 * self.hop_s > HISTORY_S {
            self.history.pop_front();
        }
        self.history.push_back(now);
        if let Some(note) = &mut self.note {
            note.contour.points.push(now.point());
            // Of the windows of 20 ms, one every 5 ms is enough.
            if is_moment && let Some(level_db) = note.contour.latest_db() {
                note.loudest_db = Some(note.loudest_db.map_or(level_db, |l| l.max(level_db)));
            }
        }
        match decision {
            Decision::Same => {}
            Decision::Ended if self.oscillation.goes_on(now.time_s) => {}
            Decision::Ended => self.end(now.time_s, events),
            Decision::Begun(sounding, age_s) => {
                let onset_s = now.time_s - f64::from(age_s);
                if !self.goes_on_with(&sounding, onset_s, now.time_s) {
                    let tongue_odds = sounding.note.tongue_odds;
                    self.end(onset_s, events);
                    self.begin(sounding.pitch, tongue_odds, onset_s, now, events);
                }
            }
        }
        match self.oscillation.take_end(now.time_s) {
            Some(End::Silent(end_s)) => self.end(end_s, events),
            Some(End::Above { onset_s, pitch }) => {
                self.end(onset_s, events);
                self.begin(pitch, f32::NEG_INFINITY, onset_s, now, events);
            }
            Some(End::Below) | None => {}
        }
        self.pitch_frame(frame, now.pitch.or(leading))
    }

    /// Whether what the decoder takes for a new note is a turn of the one that sounds, or a dip
    /// of its rolled tongue.
    fn goes_on_with(&mut self, sounding: &Sounding, onset_s: f64, now_s: f64) -> bool {
        let Some(note) = &self.note else {
            return false;
        };
        let same = (sounding.pitch - note.start.pitch).abs() < STRAY;
        let dip_db = self.dip_db(onset_s, sounding.pitch.min(note.start.pitch));
        let tongued = sounding.note.tongue_odds >= 0.0;
        dip_db < self.techniques.swings.dip_db
            && self.oscillation.turns_to(sounding.pitch, tongued, now_s)
            || same && self.rolls(sounding.pitch, now_s)
    }

    /// Whether the level has rolled of late, at one pitch in MIDI semitones.
    fn rolls(&mut self, pitch: f32, now_s: f64) -> bool {
        let near = |frame: &&PitchFrame| frame.pitch.is_none_or(|p| (p - pitch).abs() < STRAY);
        let most = Self::roll_hops(&self.techniques, self.hop_s);
        let recent = self.history.iter().rev().take_while(near).take(most);
        let Contour {
            start_s, points, ..
        } = &mut self.roll;
        points.clear();
        points.extend(recent.map(PitchFrame::point));
        points.reverse();
        *start_s = now_s - points.len() as f64 * self.hop_s;
        let (pitch, model) = (f64::from(pitch), &self.techniques.waves);
        articulation::flutter(&self.roll, pitch, model, &mut self.waves).is_some()
    }

    /// The rig plays a pitch now, in MIDI semitones, that the microphone may hear.
    pub fn rig_plays(&mut self, pitch: f32) {
        if let Some(now) = self.history.back() {
            self.rig.plays(pitch, now.time_s);
        }
    }

    /// Ends what still sounds, at the end of the stream.
    pub fn finish(&mut self, events: &mut Vec<NoteEvent>) {
        self.end(f64::INFINITY, events);
    }

    /// The pitch of what the decoder says sounds, measured where that is near.
    fn decoded_pitch(&self, frame: &Frame) -> Option<f32> {
        let best = frame.best_path.hypothesis.map(|b| b.pitch);
        let fine = frame.fine_pitch.map(|f| f.pitch);
        self.decoder.sounding().map(|s| {
            let near = |p: &f32| (p - s.pitch).abs() < STRAY;
            fine.filter(near).or(best.filter(near)).unwrap_or(s.pitch)
        })
    }

    /// A frame with a pitch, which need not be that of the best path.
    fn pitch_frame(&self, frame: &Frame, pitch: Option<f32>) -> PitchFrame {
        let best = frame.best_path.hypothesis.map(|best| best.pitch);
        let leads = |pitch: f32| best.is_some_and(|best| (best - pitch).abs() < STRAY);
        let candidate = |pitch: f32| frame.candidates.near(pitch, STRAY);
        PitchFrame {
            time_s: frame.time_s,
            pitch,
            margin: match pitch.is_some_and(leads) {
                true => frame.best_path.margin,
                false => 0.0,
            },
            confidence: (pitch.or(best).and_then(candidate)).map_or(0.0, Candidate::confidence),
            level_db: frame.level.hop_db,
            brightness: brightness_of(frame.centroid_hz, pitch),
            trills: self.oscillation.trills(),
        }
    }

    fn begin(
        &mut self,
        pitch: f32,
        tongue_odds: f32,
        onset_s: f64,
        now: PitchFrame,
        events: &mut Vec<NoteEvent>,
    ) {
        let onset_s = onset_s.max(self.ended_s).max(0.0).min(now.time_s);
        let start = NoteStart {
            onset_s,
            decided_s: now.time_s,
            pitch: now.pitch.unwrap_or(pitch),
            level_db: self.level_db(onset_s, now.pitch.unwrap_or(pitch)),
            attack: attack_of(onset_s - self.ended_s, tongue_odds),
        };
        let own = self.history.iter().filter(|frame| frame.time_s >= onset_s);
        let mut points = std::mem::take(&mut self.points);
        points.extend(own.clone().map(PitchFrame::point));
        let mut contour = Contour {
            start_s: own.clone().next().map_or(now.time_s, |frame| frame.time_s),
            hop_s: self.hop_s,
            points,
        };
        // Before the note was sure, the pitch was that of what sounded before.
        for point in &mut contour.points {
            if (point.pitch - start.pitch).abs() > STRAY {
                point.pitch = f32::NAN;
            }
        }
        let dip_db = self.dip_db(onset_s, start.pitch);
        self.oscillation
            .begin(pitch, tongue_odds < 0.0, onset_s, now.time_s);
        self.note = Some(Open {
            start,
            loudest_db: contour.loudest_db(),
            contour,
            dip_db,
            oscillates: self.oscillation.under_way(),
        });
        events.push(NoteEvent::Started(start));
    }

    fn end(&mut self, end_s: f64, events: &mut Vec<NoteEvent>) {
        let Some(note) = self.note.take() else {
            return;
        };
        let mut contour = note.contour;
        let last_s = contour.start_s + contour.points.len() as f64 * contour.hop_s;
        let end_s = end_s.min(last_s).max(note.start.onset_s + self.hop_s);
        contour.end_at(end_s);
        self.ended_s = end_s;
        // The note is handed out with a copy, and the room stays for the next.
        let own = contour.clone();
        self.points = contour.points;
        self.points.clear();
        self.points.shrink_to(MAX_HOPS);
        let (start, scratch) = (note.start, &mut self.pitch);
        let level_db = note.loudest_db.unwrap_or(start.level_db);
        let mut ended = start.ended(end_s, level_db, note.dip_db, own, scratch);
        // Its room is the note's own: oscillations are few, and may last long.
        let scratch = &mut OscillationScratch::default();
        let measured = || Oscillation::measure(&ended.contour, &self.techniques, scratch);
        if let Some(found) = note.oscillates.then(measured).flatten() {
            ended.techniques.push(found.technique);
            ended.pitch = found.pitch;
        }
        events.push(NoteEvent::Ended(ended));
    }

    /// Level now of a note of a pitch in MIDI semitones that began at `onset_s`, dBFS. A hop is
    /// less than a period, and has one of its pulses or none: the mean is over whole periods, but
    /// not over long, since the note still rises.
    fn level_db(&self, onset_s: f64, pitch: f32) -> f32 {
        let period_s = 1.0 / Pitch(f64::from(pitch)).hz();
        let since_s = self.history.back().map_or(0.0, |now| now.time_s - onset_s);
        let had = (since_s / period_s).floor().max(1.0);
        let periods = (smooth_s(f64::from(pitch), self.hop_s) / period_s)
            .ceil()
            .min(had);
        let hops =
            ((periods * period_s / self.hop_s).round() as usize).clamp(1, self.history.len());
        let recent = self.history.range(self.history.len() - hops..);
        mean_level_db(recent.map(|f| f.level_db))
    }

    /// How far the level dips around a time, against the weaker side, in dB. The pulses of a
    /// tone of the pitch given, in MIDI semitones, are no dips.
    fn dip_db(&self, at_s: f64, pitch: f32) -> f32 {
        let hops = ((smooth_s(f64::from(pitch), self.hop_s) / self.hop_s).round() as usize).max(1);
        let level_db = |at: usize| {
            let recent = self.history.range(at.saturating_sub(hops - 1)..=at);
            mean_level_db(recent.map(|f| f.level_db))
        };
        let (mut before, mut low, mut after) = (-120f32, f32::INFINITY, -120f32);
        for (at, frame) in self.history.iter().enumerate() {
            let from_s = frame.time_s - at_s;
            let level_db = level_db(at);
            if (-BESIDE_S..-0.02).contains(&from_s) {
                before = before.max(level_db);
            }
            if from_s.abs() < DIP_REACH_S {
                low = low.min(level_db);
            }
            if from_s > 0.0 {
                after = after.max(level_db);
            }
        }
        (before.min(after) - low).max(0.0)
    }
}
