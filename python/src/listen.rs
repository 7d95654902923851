//! Runs the library's transcriber over a take, as the command `transcribe` does.

use std::path::{Path, PathBuf};

use leadpipe::{Health, Selection, Transcriber, Transcription};
use pyo3::prelude::*;

use crate::errors::Failure;
use crate::samples::{Blocks, Borrowed, FileBlocks, View};
use crate::settings::Settings;

/// How much sound is transcribed between two looks at the keyboard, in seconds: some
/// tens of milliseconds of work.
const INTERRUPT_S: f64 = 10.0;

/// A take as Python gave it.
pub enum Take<'py> {
    File(PathBuf),
    Array(Borrowed<'py>, f64),
}

impl<'py> Take<'py> {
    /// A path, or an array with its rate.
    pub fn new(take: &Bound<'py, PyAny>, sample_rate: Option<f64>) -> PyResult<Self> {
        if let Ok(path) = take.extract::<PathBuf>() {
            return Ok(Take::File(path));
        }
        // `leadpipe/_samples.py` asks for the rate.
        Ok(Take::Array(
            Borrowed::new(take)?,
            sample_rate.unwrap_or(f64::NAN),
        ))
    }

    pub fn source(&self) -> Source<'_> {
        match self {
            Take::File(path) => Source::File(path),
            Take::Array(array, rate) => Source::Array(array.view(), *rate),
        }
    }
}

/// The same without a tie to the interpreter.
pub enum Source<'a> {
    File(&'a Path),
    Array(View<'a>, f64),
}

impl<'a> Source<'a> {
    fn blocks(
        self,
        name: &Path,
        expected_hz: Option<f64>,
        selection: &Selection,
    ) -> leadpipe::Result<Box<dyn Blocks + 'a>> {
        match self {
            Source::File(path) => Ok(Box::new(FileBlocks::open(path, expected_hz, selection)?)),
            Source::Array(view, rate_hz) => view.blocks(name, rate_hz, selection),
        }
    }
}

/// What is kept of a take besides its notes.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Keep {
    /// Nothing.
    Notes,
    /// The contours of its notes.
    Contours,
    /// The pitch track.
    Track,
}

/// A transcribed take.
pub struct Heard {
    pub transcription: Transcription,
    /// Where the selected part ends, in seconds.
    pub end_s: f64,
    /// Faults of the recording.
    pub warnings: Vec<String>,
}

/// Transcribes a take. `name` stands for an array in messages.
pub fn listen(
    source: Source<'_>,
    name: &Path,
    expected_hz: Option<f64>,
    settings: &Settings,
    keep: Keep,
) -> Result<Heard, Failure> {
    let path = match source {
        Source::File(path) => path,
        Source::Array(..) => name,
    };
    let mut blocks = source.blocks(name, expected_hz, &settings.selection)?;
    let rate_hz = blocks.sample_rate_hz();
    let mut transcriber = Transcriber::new(settings.at(rate_hz)?, settings.mode);
    if keep != Keep::Track {
        transcriber = transcriber.notes_alone();
    }
    if keep == Keep::Notes {
        transcriber = transcriber.without_contours();
    }
    // A part can be written of notes without contours, and has to leave out the same clicks.
    if keep == Keep::Track {
        transcriber = transcriber.without_continuity();
    }
    let mut health = Health::default();
    let (mut samples, mut looked) = (0, 0);
    while let Some(block) = blocks.next()? {
        health.push(block);
        transcriber.push(block);
        samples += block.len();
        if (samples - looked) as f64 > INTERRUPT_S * rate_hz {
            looked = samples;
            Python::attach(|py| py.check_signals())?;
        }
    }
    let start_s = blocks.start_s();
    let mut transcription = transcriber.finish();
    transcription.shift(start_s);
    let faults = health.check(path, transcription.notes.len())?;
    let mut warnings = blocks.warnings();
    warnings.extend(faults);
    Ok(Heard {
        transcription,
        end_s: start_s + samples as f64 / rate_hz,
        warnings,
    })
}
