//! Snapshot of the session for the screen to draw.

use std::sync::Arc;

use super::control_event::{Gesture, NoteOn};
use crate::line::LineNote;
use crate::voice::Timbre;

/// State of the session, sent some 25 times a second.
#[derive(Debug, Clone, Default)]
pub struct UiSnapshot {
    /// Stream time, seconds.
    pub now_s: f64,
    /// The sounding note.
    pub note: Option<NoteOn>,
    /// Pitch and level since the last snapshot.
    pub trace: Vec<TracePoint>,
    /// Notes that ended since then.
    pub notes: Vec<Arc<LineNote>>,
    /// Gestures since then.
    pub gestures: Vec<Gesture>,
    /// Noise gate, dBFS.
    pub gate_db: f64,
    /// Names of the horn, tuning and note source in use.
    pub horn: String,
    pub tuning: String,
    pub source: String,
    pub timbre: Option<Timbre>,
    /// Transposition in semitones.
    pub shift: i32,
    /// Whether output is muted.
    pub muted: bool,
    /// Whether the horn sounds but nothing is sent of it before the next attack, after a
    /// panic or a mute.
    pub held_back: bool,
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
}
