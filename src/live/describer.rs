//! Describes finished notes on a thread of its own, so that a long note holds up
//! neither its note-off nor the next note.

use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::{Duration, Instant};

use super::control_event::ControlEvent;
use super::gestures::FinishedNote;
use crate::error::{Error, Result};

/// The thread's two ends.
pub struct Describer {
    notes: Option<Sender<FinishedNote>>,
    events: Receiver<ControlEvent>,
}

impl Describer {
    /// Starts the thread.
    ///
    /// # Errors
    /// [`Error::Device`] where the system gives no thread.
    pub fn start() -> Result<Self> {
        let (notes, queue) = channel::<FinishedNote>();
        let (described, events) = channel();
        let run = move || {
            let mut out = Vec::new();
            for note in queue {
                note.describe(&mut out);
                for event in out.drain(..) {
                    if described.send(event).is_err() {
                        return;
                    }
                }
            }
        };
        std::thread::Builder::new()
            .name("leadpipe notes".into())
            .spawn(run)
            .map_err(|e| Error::device("engine", e, "close some programs"))?;
        Ok(Describer {
            notes: Some(notes),
            events,
        })
    }

    /// Queues a note.
    pub fn push(&self, note: FinishedNote) {
        if let Some(notes) = &self.notes {
            let _ = notes.send(note);
        }
    }

    /// Takes what has been described so far.
    pub fn poll(&self, out: &mut Vec<ControlEvent>) {
        out.extend(self.events.try_iter());
    }

    /// Takes the rest, waiting for it no longer than `within`.
    pub fn finish(&mut self, within: Duration, out: &mut Vec<ControlEvent>) {
        self.notes = None;
        let deadline = Instant::now() + within;
        let left = || deadline.saturating_duration_since(Instant::now());
        while let Ok(event) = self.events.recv_timeout(left()) {
            out.push(event);
        }
    }
}
