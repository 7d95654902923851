//! What the engine shows of itself, for a screen to draw.

use std::sync::Arc;

use super::control_event::{Gesture, NoteOn};
use crate::line::LineNote;
use crate::voice::Timbre;

/// What the screen needs, some 25 times a second.
#[derive(Debug, Clone, Default)]
pub struct UiSnapshot {
    /// Stream time, seconds.
    pub now_s: f64,
    /// The note that sounds.
    pub note: Option<NoteOn>,
    /// Where pitch and level have been since the last time.
    pub trace: Vec<TracePoint>,
    /// Notes that ended since.
    pub notes: Vec<Arc<LineNote>>,
    /// Gestures since.
    pub gestures: Vec<Gesture>,
    /// Nothing under this is tone, dBFS.
    pub gate_db: f64,
    /// Names of what is in use.
    pub horn: String,
    pub table: String,
    pub source: String,
    pub timbre: Option<Timbre>,
    /// Semitones added.
    pub shift: i32,
    /// Whether nothing is sent.
    pub muted: bool,
    /// Input and outputs.
    pub input: PortStatus,
    pub outputs: Vec<PortStatus>,
    /// From the onset of the last note to its signal, in seconds, and from a
    /// signal to the loudspeaker's converter.
    pub decision_latency_s: f64,
    pub output_latency_s: f64,
    /// Whether the engine has real-time priority.
    pub realtime: bool,
    /// The session is over.
    pub finished: bool,
}

/// A point of the pitch trace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TracePoint {
    /// Stream time, seconds.
    pub time_s: f64,
    /// Played pitch, MIDI semitones; none without tone.
    pub pitch: Option<f32>,
    /// dBFS.
    pub level_db: f32,
}

/// An input or output and its state.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PortStatus {
    /// Name.
    pub name: String,
    /// What is wrong, if anything.
    pub error: Option<String>,
    /// What was lost on the way, so far.
    pub lost: u64,
}
