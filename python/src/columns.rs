//! Notes as columns.

use leadpipe::{LineNote, Pitch, Technique};
use numpy::PyArray1;
use pyo3::prelude::*;
use pyo3::types::PyDict;

/// Name and value of a column.
type Column<T> = (&'static str, fn(&LineNote) -> T);

/// The columns of the note list in full precision, and the measurements of each
/// technique as columns of their own, NaN where there is none.
pub fn columns<'py>(py: Python<'py>, line: &leadpipe::Line) -> PyResult<Bound<'py, PyDict>> {
    let notes = &line.notes;
    let columns = PyDict::new(py);
    let doubles: [Column<f64>; 6] = [
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
    let singles: [Column<f32>; 18] = [
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
        ("brightness", |n| n.note.brightness.unwrap_or(f32::NAN)),
    ];
    for (name, value) in singles {
        columns.set_item(name, PyArray1::from_iter(py, notes.iter().map(value)))?;
    }
    let midi = notes.iter().map(|n| n.concert.0 as i16);
    columns.set_item("midi", PyArray1::from_iter(py, midi))?;
    let accents = notes.iter().map(|n| n.note.accent);
    columns.set_item("accent", PyArray1::from_iter(py, accents))?;
    let texts: [Column<String>; 5] = [
        ("concert", |n| n.concert_name()),
        ("written", |n| n.written_name()),
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
