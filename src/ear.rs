//! The ear: samples in, notes out. The crate's front door.
//!
//! [`Tracker`] is the live engine's ear: it answers while the horn plays and
//! never looks ahead. [`Listener`] hears a whole take: it runs the same engine,
//! keeps what it saw, and decides again with the future known.

use crate::analysis::path::{Path, Refined};
use crate::analysis::second_opinion::SecondOpinion;
use crate::analysis::{Analyser, Frame, Settings};
use crate::notes::segment::{Event, Segmenter};
use crate::notes::timeline::{Timeline, carry_to_edges};
use crate::notes::{Moment, Note, articulation, hindsight};

/// Something heard.
#[derive(Debug)]
pub enum Heard<'a> {
    /// A frame of the analysis, every 1.3 ms.
    Frame(&'a Frame),
    /// A note began or ended.
    Note(Event),
}

/// The causal ear.
///
/// ```
/// use leadpipe::analysis::Settings;
/// use leadpipe::ear::{Heard, Tracker};
/// use leadpipe::notes::segment::Event;
///
/// let mut tracker = Tracker::new(48_000.0, Settings::default());
/// let tone: Vec<f32> = (0..24_000)
///     .map(|i| {
///         let phase = i as f32 * 233.08 * std::f32::consts::TAU / 48_000.0;
///         0.1 * (phase.sin() + 0.5 * (2.0 * phase).sin())
///     })
///     .collect();
/// let mut started = Vec::new();
/// tracker.push(&tone, &mut |heard| {
///     if let Heard::Note(Event::Started(note)) = heard {
///         started.push(note);
///     }
/// });
/// assert_eq!(started.len(), 1);
/// assert!((started[0].pitch - 58.0).abs() < 0.1);
/// assert!(started[0].decided_s < 0.030);
/// ```
#[derive(Debug, Clone)]
pub struct Tracker {
    analyser: Analyser,
    segmenter: Segmenter,
    events: Vec<Event>,
}

impl Tracker {
    /// Ear for samples at `sample_rate_hz` (8 to 192 kHz).
    pub fn new(sample_rate_hz: f64, settings: Settings) -> Self {
        let analyser = Analyser::new(sample_rate_hz, settings);
        Tracker {
            segmenter: Segmenter::new(analyser.hop_s(), true),
            analyser,
            events: Vec::with_capacity(4),
        }
    }

    /// Time between frames in seconds.
    pub fn hop_s(&self) -> f64 {
        self.analyser.hop_s()
    }

    /// Takes samples (full scale 1.0) and hands over what is heard in them.
    pub fn push(&mut self, samples: &[f32], heard: &mut dyn FnMut(Heard)) {
        let (segmenter, events) = (&mut self.segmenter, &mut self.events);
        self.analyser.push(samples, &mut |frame| {
            segmenter.push(causal_moment(frame), events);
            heard(Heard::Frame(frame));
            for event in events.drain(..) {
                heard(Heard::Note(event));
            }
        });
    }

    /// Ends a note that still sounds.
    pub fn finish(&mut self, heard: &mut dyn FnMut(Heard)) {
        self.segmenter.finish(&mut self.events);
        for event in self.events.drain(..) {
            heard(Heard::Note(event));
        }
    }
}

/// What the causal engine takes a frame for: the leading pitch, measured
/// precisely where that speaks of the same peak, and the level.
pub fn causal_moment(frame: &Frame) -> Moment {
    let leader = frame.belief.leader;
    let tuned = frame.tuned.map(|t| t.pitch);
    Moment {
        time_s: frame.time_s,
        pitch: leader.map(|l| match tuned {
            Some(pitch) if (pitch - l.pitch).abs() < 0.3 => pitch,
            _ => l.pitch,
        }),
        lead: frame.belief.lead,
        confidence: leader.map_or(0.0, |l| l.confidence),
        level_db: frame.level.hop_db,
        floor_db: frame.level.floor_db,
    }
}

/// A take, heard.
pub struct Listened {
    /// Every hop with its pitch.
    pub track: Timeline,
    /// The notes.
    pub notes: Vec<Note>,
}

impl Listened {
    /// Counts all times from `start_s` earlier: for a part of a take, from the
    /// start of its file.
    pub fn shift(&mut self, start_s: f64) {
        self.track.shift(start_s);
        for note in &mut self.notes {
            note.shift(start_s);
        }
    }
}

/// The ear for whole takes.
pub struct Listener {
    tracker: Tracker,
    path: Path,
    frames: Vec<Refined>,
    causal: Vec<Note>,
    first_s: Option<f64>,
    mode: Mode,
}

/// With or without hindsight.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// Exactly what the live engine decides.
    Causal,
    /// Decided again with the whole take known.
    Full,
}

impl Listener {
    /// Ear for a take at `sample_rate_hz`.
    pub fn new(sample_rate_hz: f64, settings: Settings, mode: Mode) -> Self {
        let tracker = Tracker::new(sample_rate_hz, settings);
        Listener {
            path: Path::new(&tracker.analyser),
            tracker,
            frames: Vec::new(),
            causal: Vec::new(),
            first_s: None,
            mode,
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f32]) {
        let (path, frames) = (&mut self.path, &mut self.frames);
        let (causal, first_s, mode) = (&mut self.causal, &mut self.first_s, self.mode);
        self.tracker.push(samples, &mut |heard| match heard {
            Heard::Frame(frame) => {
                first_s.get_or_insert(frame.time_s);
                match mode {
                    Mode::Full => path.push(frame, frames),
                    Mode::Causal => frames.push(causal_frame(frame)),
                }
            }
            Heard::Note(Event::Ended(note)) => keep(causal, note, mode),
            Heard::Note(Event::Started(_)) => {}
        });
    }

    /// Hears the take out.
    pub fn finish(mut self) -> Listened {
        let (causal, mode) = (&mut self.causal, self.mode);
        self.tracker.finish(&mut |heard| {
            if let Heard::Note(Event::Ended(note)) = heard {
                keep(causal, note, mode);
            }
        });
        if mode == Mode::Full {
            self.path.finish(&mut self.frames);
        }
        let hop_s = self.tracker.hop_s();
        let mut track = Timeline::new(self.frames, self.first_s.unwrap_or(0.0), hop_s);
        let mut notes = match mode {
            Mode::Causal => self.causal,
            Mode::Full => second_pass(&mut track, &self.causal),
        };
        articulation::describe(&mut notes);
        Listened { track, notes }
    }
}

/// In the full pass only the times of the causal notes are wanted.
fn keep(causal: &mut Vec<Note>, mut note: Note, mode: Mode) {
    if mode == Mode::Full {
        note.contour = Default::default();
    }
    causal.push(note);
}

fn causal_frame(frame: &Frame) -> Refined {
    let moment = causal_moment(frame);
    Refined {
        pitch: moment.pitch.unwrap_or(f32::NAN),
        confidence: moment.confidence,
        level_db: moment.level_db,
    }
}

fn second_pass(track: &mut Timeline, causal: &[Note]) -> Vec<Note> {
    track.hush_room();
    let mut notes = hindsight::notes(track);
    carry_to_edges(track, &notes);
    for note in &mut notes {
        note.decided_s = causal_decision(note, causal);
    }
    notes
}

/// When the live engine committed to a note: at the causal note of the same
/// pitch that overlaps it. A note that it never committed to is known at its
/// end.
fn causal_decision(note: &Note, causal: &[Note]) -> f64 {
    causal
        .iter()
        .filter(|c| (c.pitch - note.pitch).abs() < 0.65)
        .filter(|c| c.onset_s < note.offset_s && c.offset_s > note.onset_s)
        .map(|c| c.decided_s)
        .find(|&s| s > note.onset_s)
        .unwrap_or(note.offset_s)
}

/// A take heard by the `pitch-detection` crate's ear and our segmenter. Notes
/// count as decided when the crate's window over their start is full.
pub struct SecondListener {
    detector: SecondOpinion,
    frames: Vec<Refined>,
}

impl SecondListener {
    /// Ear for a take at `sample_rate_hz`.
    pub fn new(sample_rate_hz: f64, settings: Settings) -> Self {
        SecondListener {
            detector: SecondOpinion::new(sample_rate_hz, settings),
            frames: Vec::new(),
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f32]) {
        self.detector.push(samples, &mut self.frames);
    }

    /// Hears the take out.
    pub fn finish(self) -> Listened {
        let (hop_s, first_s) = (self.detector.hop_s(), self.detector.first_s());
        let mut track = Timeline::new(self.frames, first_s, hop_s);
        track.hush_room();
        let mut notes = hindsight::notes(&track);
        for note in &mut notes {
            note.decided_s += first_s;
        }
        articulation::describe(&mut notes);
        Listened { track, notes }
    }
}
