//! The notes of a take: as columns, as files, measured and compared.

use std::io::Cursor;
use std::path::PathBuf;

use leadpipe::{
    Error, LineNote, Pitch, ReferencePart, Technique, better_shift, compare, intonation_report,
    is_score, read_score, save,
};
use numpy::PyArray1;
use pyo3::prelude::*;
use pyo3::types::{PyBytes, PyDict};

use crate::errors::{exception, raise, unlocked};
use crate::listen::{Keep, Take, listen};
use crate::settings::Settings;
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

    /// Time, frequency, level and confidence of every hop of a note.
    #[allow(clippy::type_complexity)]
    fn contour<'py>(
        &self,
        py: Python<'py>,
        at: usize,
    ) -> PyResult<(
        Bound<'py, PyArray1<f64>>,
        Bound<'py, PyArray1<f64>>,
        Bound<'py, PyArray1<f32>>,
        Bound<'py, PyArray1<f32>>,
    )> {
        self.check_contours(py)?;
        let contour = &self.line.notes[at].note.contour;
        let time_s = |i: usize| contour.start_s + i as f64 * contour.hop_s;
        let points = &contour.points;
        let frequency_hz = points.iter().map(|p| Pitch(f64::from(p.pitch)).hz());
        Ok((
            PyArray1::from_iter(py, (0..points.len()).map(time_s)),
            PyArray1::from_iter(py, frequency_hz),
            PyArray1::from_iter(py, points.iter().map(|p| p.level_db)),
            PyArray1::from_iter(py, points.iter().map(|p| p.confidence)),
        ))
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
            let report = intonation_report(&self.line, temperature_c);
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
    ) -> PyResult<(String, Option<i32>)> {
        unlocked(py, || {
            if !is_score(&score) {
                return Err(Error::input(
                    &score,
                    "not a score that can be read",
                    "give a MIDI file or a MusicXML score, or a transcription",
                )
                .into());
            }
            let reference = read_score(&score, part)?.shifted(shift);
            Ok(self.compared(&reference)?)
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

/// The columns of the note list in full precision, and the measurements of each
/// technique as columns of their own, NaN where there is none.
fn columns<'py>(py: Python<'py>, line: &leadpipe::Line) -> PyResult<Bound<'py, PyDict>> {
    let notes = &line.notes;
    let columns = PyDict::new(py);
    let doubles: [(&str, fn(&LineNote) -> f64); 6] = [
        ("onset_s", |n| n.note.onset_s),
        ("offset_s", |n| n.note.offset_s),
        ("decided_s", |n| n.note.decided_s),
        ("frequency_hz", |n| Pitch(n.note.pitch).hz()),
        ("cents", |n| n.cents),
        ("volts", |n| n.volts),
    ];
    for (name, value) in doubles {
        columns.set_item(name, PyArray1::from_iter(py, notes.iter().map(value)))?;
    }
    let singles: [(&str, fn(&LineNote) -> f32); 17] = [
        ("level_db", |n| n.note.level_db),
        ("confidence", |n| n.note.confidence),
        ("dip_db", |n| n.note.measured.dip_db),
        ("rise_s", |n| n.note.measured.rise_s),
        ("sounding", |n| n.note.measured.sounding),
        ("body_s", |n| n.note.measured.body_s),
        ("accent_db", |n| n.note.measured.accent_db),
        ("vibrato_hz", |n| measured(n, "vibrato", 0)),
        ("vibrato_cents", |n| measured(n, "vibrato", 1)),
        ("flutter_hz", |n| measured(n, "flutter", 0)),
        ("flutter_db", |n| measured(n, "flutter", 1)),
        ("trill_hz", |n| measured(n, "trill", 0)),
        ("trill_cents", |n| measured(n, "trill", 1)),
        ("glissando_cents", |n| measured(n, "glissando", 0)),
        ("scoop_cents", |n| measured(n, "scoop", 0)),
        ("fall_cents", |n| measured(n, "fall", 0)),
        ("doit_cents", |n| measured(n, "doit", 0)),
    ];
    for (name, value) in singles {
        columns.set_item(name, PyArray1::from_iter(py, notes.iter().map(value)))?;
    }
    let midi = notes.iter().map(|n| n.concert.0 as i16);
    columns.set_item("midi", PyArray1::from_iter(py, midi))?;
    let accents = notes.iter().map(|n| n.note.accent);
    columns.set_item("accent", PyArray1::from_iter(py, accents))?;
    let texts: [(&str, fn(&LineNote) -> String); 5] = [
        ("concert", |n| n.concert.to_string()),
        ("written", |n| n.written.to_string()),
        ("attack", |n| n.note.attack.name().into()),
        ("length", |n| n.note.length.name().into()),
        ("technique", |n| {
            let names = n.note.techniques.iter().map(Technique::name);
            names.collect::<Vec<_>>().join(" ")
        }),
    ];
    for (name, value) in texts {
        columns.set_item(name, notes.iter().map(value).collect::<Vec<_>>())?;
    }
    Ok(columns)
}

/// The first or second measurement of a technique, NaN for a note without it.
fn measured(named: &LineNote, name: &str, at: usize) -> f32 {
    let techniques = &named.note.techniques;
    let Some(technique) = techniques.iter().find(|t| t.name() == name) else {
        return f32::NAN;
    };
    let values = match *technique {
        Technique::Vibrato {
            rate_hz,
            extent_cents,
        } => [rate_hz, extent_cents],
        Technique::Flutter { rate_hz, depth_db } => [rate_hz, depth_db],
        Technique::Trill {
            rate_hz,
            interval_cents,
        } => [rate_hz, interval_cents],
        Technique::Glissando { cents }
        | Technique::Scoop { cents }
        | Technique::Fall { cents }
        | Technique::Doit { cents } => [cents, f32::NAN],
    };
    values[at]
}
