//! Control events as lines of JSON on standard output (`--jsonl`).
//!
//! One object a line; `event` says which: `start`, `stop`, `note` (with the fields
//! of the JSON note list), `cue`, `mark`, `silence`. Times are stream seconds.

use std::io::{self, Write};
use std::sync::{Arc, Mutex, PoisonError};

use serde::Serialize;

use super::Sender;
use crate::live::control_event::ControlEvent;
use crate::notes::Attack;
use crate::output::json::{Entry, entry};
use crate::units::rounded;

#[derive(Serialize)]
#[serde(tag = "event", rename_all = "lowercase")]
enum Event<'a> {
    Start {
        time_s: f64,
        onset_s: f64,
        key: u8,
        pitch: f64,
        played: f64,
        strength: f32,
        level_db: f32,
        attack: Attack,
        written: String,
        concert: String,
        cents: f64,
    },
    Name {
        time_s: f64,
        played: f64,
        written: String,
        concert: String,
        cents: f64,
    },
    Stop {
        time_s: f64,
    },
    Note(Box<Entry<'a>>),
    Cue {
        time_s: f64,
        gesture: &'a str,
    },
    Mark {
        time_s: f64,
        kept: bool,
    },
    Silence,
}

/// Writes events to a stream, standard output in the program.
pub struct JsonLines<W> {
    to: W,
    failure: Failure,
    /// Why it can take nothing more.
    closed: Option<String>,
}

/// What nothing more can be written for, shared with whoever ends the session because of it.
#[derive(Debug, Clone, Default)]
pub struct Failure(Arc<Mutex<Option<io::Error>>>);

impl Failure {
    /// The error, for as long as nobody has taken it.
    pub fn take(&self) -> Option<io::Error> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).take()
    }

    fn set(&self, error: io::Error) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(error);
    }
}

impl<W: Write + Send> JsonLines<W> {
    /// Writer to a stream; why it fails is told in `failure`.
    pub fn new(to: W, failure: Failure) -> Self {
        JsonLines {
            to,
            failure,
            closed: None,
        }
    }
}

impl<W: Write + Send> Sender for JsonLines<W> {
    fn open(&mut self) -> Result<(), String> {
        self.closed.clone().map_or(Ok(()), Err)
    }

    fn send(&mut self, event: &ControlEvent) -> Result<(), String> {
        let event = match event {
            ControlEvent::NoteOn(s) => Event::Start {
                time_s: rounded(s.at_s, 6),
                onset_s: rounded(s.onset_s, 6),
                key: s.name.key,
                pitch: rounded(s.name.pitch.0, 4),
                played: rounded(f64::from(s.name.played), 4),
                strength: s.strength,
                level_db: s.level_db,
                attack: s.attack,
                written: s.name.written.to_string(),
                concert: s.name.concert.to_string(),
                cents: rounded(s.name.cents, 2),
            },
            ControlEvent::NoteRenamed { at_s, name } => Event::Name {
                time_s: rounded(*at_s, 6),
                played: rounded(f64::from(name.played), 4),
                written: name.written.to_string(),
                concert: name.concert.to_string(),
                cents: rounded(name.cents, 2),
            },
            ControlEvent::NoteOff { at_s } => Event::Stop {
                time_s: rounded(*at_s, 6),
            },
            ControlEvent::NoteFinished { note: named, .. } => Event::Note(Box::new(entry(named))),
            ControlEvent::Gesture(gesture_event) => Event::Cue {
                time_s: rounded(gesture_event.at_s, 6),
                gesture: gesture_event.gesture.name(),
            },
            ControlEvent::Mark(mark) => Event::Mark {
                time_s: rounded(mark.at_s, 6),
                kept: mark.kept,
            },
            ControlEvent::Silence => Event::Silence,
            ControlEvent::NoteUpdate(_)
            | ControlEvent::SetupChanged(_)
            | ControlEvent::Clock(_) => {
                return Ok(());
            }
        };
        let mut line = serde_json::to_vec(&event).map_err(|e| e.to_string())?;
        line.push(b'\n');
        let written = self.to.write_all(&line).and_then(|()| self.to.flush());
        written.map_err(|e| {
            let why = match e.kind() {
                io::ErrorKind::BrokenPipe => "its reader has closed it".into(),
                _ => e.to_string(),
            };
            self.closed = Some(why.clone());
            self.failure.set(e);
            why
        })
    }
}
