//! Signals as lines of JSON on standard output (`--jsonl`).
//!
//! One object a line; `event` says which: `start`, `stop`, `note` (with the fields
//! of the JSON note list), `cue`, `silence`. Times are stream seconds.

use std::io::Write;

use serde::Serialize;

use super::Sender;
use crate::live::signal::Signal;
use crate::notes::Attack;
use crate::output::json::{Entry, entry, rounded};

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
    Stop {
        time_s: f64,
    },
    Note(Entry<'a>),
    Cue {
        time_s: f64,
        gesture: &'a str,
    },
    Silence,
}

/// Writes events to a stream, standard output in the program.
pub struct Lines<W> {
    to: W,
    closed: bool,
}

impl<W: Write + Send> Lines<W> {
    /// Writer to a stream.
    pub fn new(to: W) -> Self {
        Lines { to, closed: false }
    }
}

impl<W: Write + Send> Sender for Lines<W> {
    fn open(&mut self) -> Result<(), String> {
        if self.closed {
            return Err("nobody reads it any more".into());
        }
        Ok(())
    }

    fn send(&mut self, signal: &Signal) -> Result<(), String> {
        let event = match signal {
            Signal::Start(s) => Event::Start {
                time_s: rounded(s.at_s, 6),
                onset_s: rounded(s.onset_s, 6),
                key: s.key,
                pitch: rounded(s.pitch.0, 4),
                played: rounded(f64::from(s.played), 4),
                strength: s.strength,
                level_db: s.level_db,
                attack: s.attack,
                written: s.written.to_string(),
                concert: s.concert.to_string(),
                cents: rounded(s.cents, 2),
            },
            Signal::Stop { at_s } => Event::Stop {
                time_s: rounded(*at_s, 6),
            },
            Signal::Note(named) => Event::Note(entry(named)),
            Signal::Cue(cue) => Event::Cue {
                time_s: rounded(cue.at_s, 6),
                gesture: cue.gesture.name(),
            },
            Signal::Silence => Event::Silence,
            Signal::Move(_) => return Ok(()),
        };
        let mut line = serde_json::to_vec(&event).map_err(|e| e.to_string())?;
        line.push(b'\n');
        let written = self.to.write_all(&line).and_then(|()| self.to.flush());
        written.map_err(|e| {
            self.closed = true;
            e.to_string()
        })
    }
}
