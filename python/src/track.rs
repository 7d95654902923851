//! The pitch track of a take.

use std::path::PathBuf;

use leadpipe::{Pitch, PitchFrame};
use numpy::PyArray1;
use pyo3::prelude::*;

use crate::errors::unlocked;
use crate::listen::{Keep, Take, listen};
use crate::settings::Settings;

/// Time, frequency (NaN without tone), confidence and level of every hop.
pub type Frames<'py> = (
    Bound<'py, PyArray1<f64>>,
    Bound<'py, PyArray1<f64>>,
    Bound<'py, PyArray1<f32>>,
    Bound<'py, PyArray1<f32>>,
);

/// Frames as columns.
#[derive(Default)]
pub struct Columns {
    time_s: Vec<f64>,
    frequency_hz: Vec<f64>,
    confidence: Vec<f32>,
    level_db: Vec<f32>,
}

impl Columns {
    /// Adds a frame. `pitch` is in MIDI semitones, NaN without tone.
    pub fn push(&mut self, time_s: f64, pitch: f32, confidence: f32, level_db: f32) {
        self.time_s.push(time_s);
        self.frequency_hz.push(Pitch(f64::from(pitch)).hz());
        self.confidence.push(confidence);
        self.level_db.push(level_db);
    }

    pub fn push_frame(&mut self, frame: &PitchFrame) {
        let pitch = frame.pitch.unwrap_or(f32::NAN);
        self.push(frame.time_s, pitch, frame.confidence, frame.level_db);
    }

    pub fn into_arrays(self, py: Python<'_>) -> Frames<'_> {
        (
            PyArray1::from_vec(py, self.time_s),
            PyArray1::from_vec(py, self.frequency_hz),
            PyArray1::from_vec(py, self.confidence),
            PyArray1::from_vec(py, self.level_db),
        )
    }
}

/// Tracks a take: a path, or an array of float32 or float64 with its rate. Returns the
/// frames and the recording's faults.
#[pyfunction]
pub fn track<'py>(
    py: Python<'py>,
    take: Bound<'py, PyAny>,
    sample_rate: Option<f64>,
    name: PathBuf,
    settings: Bound<'py, Settings>,
) -> PyResult<(Frames<'py>, Vec<String>)> {
    let take = Take::new(&take, sample_rate)?;
    let (source, settings) = (take.source(), settings.get());
    let (columns, warnings) = unlocked(py, || {
        let heard = listen(source, &name, sample_rate, settings, Keep::Track)?;
        let mut columns = Columns::default();
        for frame in heard.transcription.track.frames() {
            columns.push_frame(&frame);
        }
        Ok((columns, heard.warnings))
    })?;
    Ok((columns.into_arrays(py), warnings))
}
