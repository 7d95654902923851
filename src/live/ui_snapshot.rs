//! Snapshot of the session for screen and stage page to draw.

use std::sync::Arc;
use std::time::SystemTime;

use super::control_event::{Gesture, Mark, NoteOn};
use super::setup::Setup;
use crate::line::LineNote;
use crate::voice;

/// State of the session, sent 25 times a second and whenever a note begins or ends or a
/// command is carried out.
#[derive(Debug, Clone, Default)]
pub struct UiSnapshot {
    /// Stream time, seconds.
    pub now_s: f64,
    /// The sounding note.
    pub note: Option<NoteOn>,
    /// By the system's clock, when it was decided that it begins, or that the last one ends.
    pub decided: Option<SystemTime>,
    /// Pitch and level since the last snapshot.
    pub trace: Vec<TracePoint>,
    /// Notes that ended since then.
    pub notes: Vec<Arc<LineNote>>,
    /// Gestures since then.
    pub gestures: Vec<Gesture>,
    /// Marks set since then.
    pub marks: Vec<Mark>,
    /// Why commands were refused since then.
    pub refused: Vec<String>,
    /// Noise gate, dBFS.
    pub gate_db: f64,
    /// Horn, tuning and note source in use and what can be chosen instead; `None` before
    /// the session starts.
    pub setup: Option<Arc<Setup>>,
    /// Names of the horn, tuning and note source in use.
    pub horn: String,
    pub tuning: String,
    pub source: String,
    /// Settings of the doubling voice, if there is one.
    pub voice: Option<voice::Settings>,
    /// Transposition in semitones.
    pub shift: i32,
    /// Whether output is muted.
    pub muted: bool,
    /// Whether the horn sounds but nothing is sent of it before the next attack, after a
    /// panic or a mute.
    pub held_back: bool,
    /// Length of the take that is recorded, in seconds; `None` where none is.
    pub recording_s: Option<f64>,
    /// Tempo of the rig's clock in quarters a minute, while it runs.
    pub clock_tempo: Option<f64>,
    /// Tempo of the clock that follows the player, in quarters a minute, and how sure the
    /// beat is, 0 to 1.
    pub beat_tempo: Option<(f64, f64)>,
    /// State of the input and the outputs.
    pub input: PortStatus,
    pub outputs: Vec<PortStatus>,
    /// Time from the last note's onset to its event, if there was one, and from an
    /// event to the output device, in seconds.
    pub decision_latency_s: Option<f64>,
    pub output_latency_s: f64,
    /// Whether the engine has real-time priority.
    pub realtime: bool,
    /// The session has ended.
    pub finished: bool,
}

impl UiSnapshot {
    /// Deviation of a pitch (MIDI semitones) from the sounding note's tuned pitch, in cents.
    pub fn cents(&self, pitch: f32) -> Option<f32> {
        let note = self.note?;
        let tuned = f64::from(note.name.played) - note.name.cents / 100.0;
        Some(((f64::from(pitch) - tuned) * 100.0) as f32)
    }

    /// Puts what happened before it, and was not read, in front of what it holds.
    pub fn prepend(&mut self, missed: UiSnapshot) {
        fn join<T>(mut missed: Vec<T>, mut new: Vec<T>, most: usize) -> Vec<T> {
            missed.append(&mut new);
            // Of what has not been read for minutes, the newest is enough.
            missed.drain(..missed.len().saturating_sub(most));
            missed
        }
        let own = std::mem::take(&mut self.trace);
        self.trace = join(missed.trace, own, MAX_TRACE);
        self.notes = join(missed.notes, std::mem::take(&mut self.notes), MAX_EVENTS);
        let own = std::mem::take(&mut self.gestures);
        self.gestures = join(missed.gestures, own, MAX_EVENTS);
        let own = std::mem::take(&mut self.refused);
        self.refused = join(missed.refused, own, MAX_EVENTS);
        self.marks = join(missed.marks, std::mem::take(&mut self.marks), MAX_EVENTS);
    }
}

/// Points of the trace that a snapshot holds at most: no screen draws more.
pub const MAX_TRACE: usize = 2_000;
/// Notes, gestures and marks that it holds at most.
const MAX_EVENTS: usize = 200;

/// Shows snapshots elsewhere than on the terminal.
pub trait Display: Send {
    /// Takes a snapshot; never blocks.
    fn show(&mut self, snapshot: &UiSnapshot);
    /// Name, error and losses for the screen.
    fn status(&self) -> PortStatus;
}

/// A point of the pitch trace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TracePoint {
    /// Stream time, seconds.
    pub time_s: f64,
    /// Played pitch in MIDI semitones; `None` without tone.
    pub pitch: Option<f32>,
    /// dBFS.
    pub level_db: f32,
}

/// An input or output and its state.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PortStatus {
    /// Name.
    pub name: String,
    /// Current error, if any.
    pub error: Option<String>,
    /// What it has lost so far, and of what: frames, blocks, events.
    pub lost: Vec<(u64, &'static str)>,
}

impl PortStatus {
    /// Status of a port; counts of zero are left out.
    pub fn new(name: String, error: Option<String>, lost: &[(u64, &'static str)]) -> Self {
        PortStatus {
            name,
            error,
            lost: lost.iter().copied().filter(|(n, _)| *n > 0).collect(),
        }
    }

    /// The same with a count of something else; zero is left out.
    pub fn with_count(mut self, count: u64, what: &'static str) -> Self {
        self.lost.extend((count > 0).then_some((count, what)));
        self
    }
}
