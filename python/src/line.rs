//! The notes of a take: as columns, as files, measured and compared.

use std::io::Cursor;
use std::path::PathBuf;

use leadpipe::{Error, ReferencePart, better_shift, compare, intonation, is_score, save};
use pyo3::prelude::*;
use pyo3::types::{PyBytes, PyDict};

use crate::columns::columns;
use crate::errors::{exception, raise, unlocked};
use crate::listen::{Keep, Take, listen};
use crate::settings::Settings;
use crate::track::{Columns, Frames};
use crate::writer::Writer;

/// A transcribed take.
#[pyclass(frozen, module = "leadpipe._native")]
pub struct Line {
    line: leadpipe::Line,
    warnings: Vec<String>,
    contours: bool,
}

/// Transcribes a take: a path, or an array of float32 or float64 with its rate.
#[pyfunction]
pub fn transcribe(
    py: Python<'_>,
    take: Bound<'_, PyAny>,
    sample_rate: Option<f64>,
    name: PathBuf,
    settings: Bound<'_, Settings>,
) -> PyResult<Line> {
    let take = Take::new(&take, sample_rate)?;
    let (source, settings) = (take.source(), settings.get());
    unlocked(py, || {
        let keep = match settings.contours {
            true => Keep::Contours,
            false => Keep::Notes,
        };
        let heard = listen(source, &name, sample_rate, settings, keep)?;
        let stem = name.file_stem().unwrap_or(name.as_os_str());
        Ok(Line {
            line: leadpipe::Line::new(
                &stem.to_string_lossy(),
                heard.end_s,
                heard.transcription.notes,
                settings.context.clone(),
            ),
            warnings: heard.warnings,
            contours: settings.contours,
        })
    })
}

#[pymethods]
impl Line {
    #[getter]
    fn source(&self) -> &str {
        &self.line.source
    }

    #[getter]
    fn length_s(&self) -> f64 {
        self.line.length_s
    }

    #[getter]
    fn warnings(&self) -> Vec<String> {
        self.warnings.clone()
    }

    #[getter]
    fn horn(&self) -> Option<String> {
        self.line.context.horn.as_ref().map(|h| h.name.clone())
    }

    #[getter]
    fn tuning(&self) -> String {
        self.line.context.tuning.name().to_owned()
    }

    #[getter]
    fn reference_hz(&self) -> f64 {
        self.line.context.tuning.reference().a4_hz()
    }

    fn __len__(&self) -> usize {
        self.line.notes.len()
    }

    /// The notes as columns: names to arrays, or to lists of text.
    fn columns<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        columns(py, &self.line)
    }

    /// The hops of a note.
    fn contour<'py>(&self, py: Python<'py>, at: usize) -> PyResult<Frames<'py>> {
        self.check_contours(py)?;
        let contour = &self.line.notes[at].note.contour;
        let mut hops = Columns::default();
        for (at, point) in contour.points.iter().enumerate() {
            let time_s = contour.start_s + at as f64 * contour.hop_s;
            hops.push(time_s, point.pitch, point.confidence, point.level_db);
        }
        Ok(hops.into_arrays(py))
    }

    /// The line in a format, as it would be in its file.
    fn render<'py>(
        &self,
        py: Python<'py>,
        writer: Bound<'_, Writer>,
    ) -> PyResult<Bound<'py, PyBytes>> {
        let writer = self.writer(&writer)?;
        let bytes = unlocked(py, || {
            let mut to = Cursor::new(Vec::new());
            let written = writer.output().write(&self.line, &mut to);
            written.map_err(|e| Error::setting(e, "choose another format"))?;
            Ok(to.into_inner())
        })?;
        Ok(PyBytes::new(py, &bytes))
    }

    /// Writes the line to a file, whole or not at all.
    fn save(&self, py: Python<'_>, writer: Bound<'_, Writer>, path: PathBuf) -> PyResult<()> {
        let writer = self.writer(&writer)?;
        unlocked(py, || {
            save(&self.line, &path, &*writer.output())?;
            Ok(())
        })
    }

    /// The intonation report as JSON, for air of so many degrees Celsius.
    fn intonation(&self, py: Python<'_>, temperature_c: f64) -> PyResult<String> {
        self.check_contours(py)?;
        if !(-20.0..=50.0).contains(&temperature_c) {
            let problem = format!("a temperature of {temperature_c} degrees Celsius");
            return Err(raise(py, Error::setting(problem, "give -20 to 50")));
        }
        unlocked(py, || {
            let report = intonation(&self.line, temperature_c);
            Ok(serde_json::to_string(&report).expect("a report is JSON"))
        })
    }

    /// The comparison with a score as JSON, and the shift in semitones with which it
    /// would match better, if there is one.
    fn compare_score(
        &self,
        py: Python<'_>,
        score: PathBuf,
        part: Option<usize>,
        shift: i32,
    ) -> PyResult<(String, Option<i32>, Vec<String>)> {
        unlocked(py, || {
            if !is_score(&score) {
                return Err(Error::input(
                    &score,
                    "not a score that can be read",
                    "give a MIDI file or a MusicXML score, or a transcription",
                )
                .into());
            }
            let reference = ReferencePart::read(&score, part)?.shifted(shift);
            let (compared, better) = self.compared(&reference)?;
            Ok((compared, better, reference.warnings))
        })
    }

    /// The same with another transcription.
    fn compare_line(
        &self,
        py: Python<'_>,
        other: Bound<'_, Line>,
        shift: i32,
    ) -> PyResult<(String, Option<i32>)> {
        let other = &other.get().line;
        unlocked(py, || {
            let reference = ReferencePart::played(other).shifted(shift);
            Ok(self.compared(&reference)?)
        })
    }
}

impl Line {
    /// A line of notes of a stream.
    pub fn of_stream(line: leadpipe::Line) -> Self {
        Line {
            line,
            warnings: Vec::new(),
            contours: true,
        }
    }

    fn compared(&self, reference: &ReferencePart) -> leadpipe::Result<(String, Option<i32>)> {
        let comparison = compare(&self.line, reference)?;
        let shift = better_shift(&self.line, reference, &comparison);
        let json = serde_json::to_string(&comparison).expect("a comparison is JSON");
        Ok((json, shift))
    }

    fn writer<'a>(&self, writer: &'a Bound<'_, Writer>) -> PyResult<&'a Writer> {
        if writer.get().needs_contours() {
            self.check_contours(writer.py())?;
        }
        if let Some(options) = writer.get().notation() {
            let checked = options.check_for(&self.line);
            checked.map_err(|e| raise(writer.py(), e))?;
        }
        Ok(writer.get())
    }

    fn check_contours(&self, py: Python<'_>) -> PyResult<()> {
        if self.contours {
            return Ok(());
        }
        let text = "these notes have no contours; transcribe with contours=True";
        Err(exception(py, "SettingError", text))
    }
}
