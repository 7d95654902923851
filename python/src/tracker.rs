//! The causal tracker for streams.

use std::path::Path;
use std::sync::Mutex;

use leadpipe::{Event, Length, Measured, Note, NoteEvent, NoteStart, Selection};
use pyo3::prelude::*;

use crate::errors::{exception, raise, unlocked};
use crate::line::Line;
use crate::samples::Borrowed;
use crate::settings::Settings;
use crate::track::{Columns, Frames};

/// What a block brought: frames, and notes that began (`true`) or ended with the line
/// that names them, each in order.
type Update<'py> = (Frames<'py>, Vec<bool>, Line);

/// A stream's tracker. One thread at a time is inside; others wait.
#[pyclass(frozen, module = "leadpipe._native")]
pub struct Tracker {
    /// `None` once it is closed.
    stream: Mutex<Option<Box<leadpipe::Tracker>>>,
    settings: Py<Settings>,
    sample_rate_hz: f64,
    /// The process that it was made in.
    process: u32,
}

#[pymethods]
impl Tracker {
    #[new]
    fn new(py: Python<'_>, sample_rate: f64, settings: Py<Settings>) -> PyResult<Self> {
        let built = settings.get().at(sample_rate).map_err(|e| raise(py, e))?;
        Ok(Tracker {
            stream: Mutex::new(Some(Box::new(leadpipe::Tracker::new(built)))),
            settings,
            sample_rate_hz: sample_rate,
            process: std::process::id(),
        })
    }

    #[getter]
    fn sample_rate(&self) -> f64 {
        self.sample_rate_hz
    }

    /// Whether `finish` or `close` was called.
    #[getter]
    fn closed(&self, py: Python<'_>) -> bool {
        // Another thread may be inside for a while.
        py.detach(|| self.stream.lock().map_or(true, |stream| stream.is_none()))
    }

    /// Takes the next samples.
    fn push<'py>(&self, py: Python<'py>, block: Bound<'py, PyAny>) -> PyResult<Update<'py>> {
        self.check_process(py)?;
        let array = Borrowed::new(&block)?;
        let view = array.view();
        let settings = self.settings.get();
        self.update(py, |tracker, heard| {
            if view.is_empty() {
                return Ok(());
            }
            let selection = Selection {
                channel: settings.selection.channel,
                ..Selection::default()
            };
            // Twice: a block with a bad sample in it changes nothing.
            let name = Path::new("block");
            let mut checked = view.clone().blocks(name, self.sample_rate_hz, &selection)?;
            while checked.next()?.is_some() {}
            let mut blocks = view.blocks(name, self.sample_rate_hz, &selection)?;
            while let Some(block) = blocks.next()? {
                tracker.push(block, |event| heard.push(event));
            }
            Ok(())
        })
    }

    /// Ends the stream, and a note that still sounds, and closes the tracker.
    fn finish<'py>(&self, py: Python<'py>) -> PyResult<Update<'py>> {
        self.check_process(py)?;
        let update = self.update(py, |tracker, heard| {
            tracker.finish(|event| heard.push(event));
            Ok(())
        })?;
        self.close(py);
        Ok(update)
    }

    /// Closes the tracker. Closing twice is no fault.
    fn close(&self, py: Python<'_>) {
        py.detach(|| {
            if let Ok(mut stream) = self.stream.lock() {
                *stream = None;
            }
        });
    }
}

impl Tracker {
    /// The state of a stream goes with the process that reads it.
    fn check_process(&self, py: Python<'_>) -> PyResult<()> {
        let here = std::process::id();
        if here == self.process {
            return Ok(());
        }
        let text = format!(
            "this tracker belongs to process {}, and this is its fork {here}; make a tracker in each process",
            self.process
        );
        Err(exception(py, "ForkError", &text))
    }

    fn update<'py>(
        &self,
        py: Python<'py>,
        work: impl FnOnce(&mut leadpipe::Tracker, &mut Heard) -> leadpipe::Result<()> + Send,
    ) -> PyResult<Update<'py>> {
        let mut heard = Heard::default();
        let open = unlocked(py, || {
            // Poisoned by a panic: what it would go on with cannot be relied on.
            let Ok(mut stream) = self.stream.lock() else {
                return Ok(false);
            };
            let Some(tracker) = stream.as_deref_mut() else {
                return Ok(false);
            };
            work(tracker, &mut heard)?;
            Ok(true)
        })?;
        if !open {
            let text = "this tracker is closed; make another for another stream";
            return Err(exception(py, "ClosedError", text));
        }
        let context = self.settings.get().context.clone();
        let line = leadpipe::Line::new("stream", 0.0, heard.notes, context);
        Ok((
            heard.frames.into_arrays(py),
            heard.started,
            Line::of_stream(line),
        ))
    }
}

/// What the tracker reported.
#[derive(Default)]
struct Heard {
    frames: Columns,
    notes: Vec<Note>,
    started: Vec<bool>,
}

impl Heard {
    fn push(&mut self, event: Event) {
        let (note, started) = match event {
            Event::Frame(frame) => return self.frames.push_frame(&frame),
            Event::Note(NoteEvent::Started(start)) => (begun(start), true),
            Event::Note(NoteEvent::Ended(note)) => (note, false),
        };
        self.notes.push(note);
        self.started.push(started);
    }
}

/// A note of which the beginning alone is known, to be named as whole ones are.
fn begun(start: NoteStart) -> Note {
    Note {
        onset_s: start.onset_s,
        offset_s: f64::NAN,
        decided_s: start.decided_s,
        pitch: f64::from(start.pitch),
        attack: start.attack,
        length: Length::Normal,
        accent: false,
        techniques: Vec::new(),
        level_db: start.level_db,
        confidence: f32::NAN,
        brightness: None,
        measured: Measured::default(),
        contour: leadpipe::Contour::default(),
    }
}
