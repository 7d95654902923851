//! Horns and tunings.

use leadpipe::{Clef, Concert, Pitch, Reference, Written};
use numpy::PyArray1;
use pyo3::prelude::*;

use crate::errors::raise;

/// A horn.
#[pyclass(frozen, eq, module = "leadpipe._native")]
#[derive(PartialEq)]
pub struct Horn(pub leadpipe::Horn);

#[pymethods]
impl Horn {
    /// The horn of a name, or of a TOML file.
    #[new]
    fn new(py: Python<'_>, name: &str) -> PyResult<Self> {
        leadpipe::Horn::find(name)
            .map(Horn)
            .map_err(|e| raise(py, e))
    }

    #[getter]
    fn name(&self) -> &str {
        &self.0.name
    }

    #[getter]
    fn title(&self) -> &str {
        &self.0.title
    }

    #[getter]
    fn sounds(&self) -> i32 {
        self.0.sounds
    }

    #[getter]
    fn clef(&self) -> &'static str {
        match self.0.clef {
            Clef::Treble => "treble",
            Clef::Alto => "alto",
            Clef::Tenor => "tenor",
            Clef::Bass => "bass",
        }
    }

    #[getter]
    fn low(&self) -> i32 {
        self.0.low.0
    }

    #[getter]
    fn high(&self) -> i32 {
        self.0.high.0
    }

    #[getter]
    fn valves(&self) -> u8 {
        self.0.valves
    }

    #[getter]
    fn slide(&self) -> bool {
        self.0.slide
    }

    fn written(&self, concert: i32) -> i32 {
        self.0.written(Concert(concert)).0
    }

    fn concert(&self, written: i32) -> i32 {
        self.0.concert(Written(written)).0
    }

    fn fingerings(&self, concert: i32) -> Vec<String> {
        let fingerings = self.0.fingerings(Concert(concert));
        fingerings.iter().map(leadpipe::Fingering::name).collect()
    }

    fn __repr__(&self) -> String {
        format!("<Horn {}: {}>", self.0.name, self.0.title)
    }
}

/// A tuning at a reference pitch.
#[pyclass(frozen, eq, module = "leadpipe._native")]
#[derive(PartialEq)]
pub struct Tuning(pub leadpipe::Tuning);

#[pymethods]
impl Tuning {
    /// The tuning of a name, or of a TOML or .syx file.
    #[new]
    #[pyo3(signature = (name, tonic=None, reference_hz=440.0))]
    fn new(py: Python<'_>, name: &str, tonic: Option<&str>, reference_hz: f64) -> PyResult<Self> {
        Reference::new(reference_hz)
            .and_then(|reference| leadpipe::Tuning::find(name, tonic, reference))
            .map(Tuning)
            .map_err(|e| raise(py, e))
    }

    #[getter]
    fn name(&self) -> &str {
        self.0.name()
    }

    #[getter]
    fn title(&self) -> &str {
        self.0.title()
    }

    #[getter]
    fn about(&self) -> &str {
        self.0.about()
    }

    #[getter]
    fn reference_hz(&self) -> f64 {
        self.0.reference().a4_hz()
    }

    #[getter]
    fn degrees_cents<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<f64>> {
        PyArray1::from_slice(py, self.0.degrees_cents())
    }

    #[getter]
    fn period_cents(&self) -> f64 {
        self.0.period_cents()
    }

    #[getter]
    fn frequencies_hz<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<f64>> {
        PyArray1::from_iter(py, self.0.pitches().iter().map(|p| Pitch(*p).hz()))
    }

    /// Deviation of a frequency from the nearest pitch, cents.
    fn cents(&self, frequency_hz: f64) -> f64 {
        let pitch = Pitch::from_hz(frequency_hz);
        if !pitch.0.is_finite() {
            return f64::NAN;
        }
        pitch.cents_above(self.0.nearest(pitch))
    }

    fn __repr__(&self) -> String {
        let reference_hz = self.0.reference().a4_hz();
        format!("<Tuning {} at A4 = {reference_hz} Hz>", self.0.name())
    }
}

/// All built-in horns.
#[pyfunction]
pub fn horns() -> Vec<Horn> {
    leadpipe::Horn::catalogue()
        .iter()
        .cloned()
        .map(Horn)
        .collect()
}

/// Names of the built-in tunings.
#[pyfunction]
pub fn tunings() -> Vec<&'static str> {
    leadpipe::Tuning::names().collect()
}

/// Name of a MIDI key.
#[pyfunction]
pub fn note_name(midi: i32) -> String {
    Concert(midi).to_string()
}
