//! The native half of the Python package `leadpipe`. What its users see is in
//! `leadpipe/`; this takes arrays in, calls the library without holding the
//! interpreter's lock, and gives columns back.
//!
//! ```text
//! samples.rs -> listen.rs -> line.rs (notes, files, intonation, comparison)
//!                        \-> track.rs
//! tracker.rs (streams)   columns.rs (notes as columns)   writer.rs (formats)
//! catalogue.rs (horns, tunings)      errors.rs (exceptions)
//! ```

mod catalogue;
mod columns;
mod errors;
mod line;
mod listen;
mod samples;
mod settings;
mod track;
mod tracker;
mod writer;

use pyo3::prelude::*;

#[pymodule]
mod _native {
    #[pymodule_export]
    use super::catalogue::{Horn, Tuning, horns, note_name, tunings};
    #[pymodule_export]
    use super::errors::panics;
    #[pymodule_export]
    use super::line::{Line, transcribe};
    #[pymodule_export]
    use super::settings::Settings;
    #[pymodule_export]
    use super::track::track;
    #[pymodule_export]
    use super::tracker::Tracker;
    #[pymodule_export]
    use super::writer::Writer;

    use super::*;

    #[pymodule_init]
    fn init(module: &Bound<'_, PyModule>) -> PyResult<()> {
        // Read once now: a child that is forked while another thread reads it would
        // wait for that thread for ever.
        leadpipe::Horn::catalogue();
        module.add("VERSION", env!("CARGO_PKG_VERSION"))?;
        module.add("EXTENSIONS", leadpipe::Take::EXTENSIONS.to_vec())?;
        module.add("DEFAULT_GATE_DB", leadpipe::DEFAULT_GATE_DB)?;
        Ok(())
    }

    /// The built-in take at a sample rate in hertz.
    #[pyfunction]
    fn demo_line(py: Python<'_>, sample_rate: f64) -> PyResult<Bound<'_, numpy::PyArray1<f32>>> {
        // A rate that the tracker takes is one that can be rendered.
        let checked = leadpipe::Settings::builder(sample_rate).build();
        checked.map_err(|e| super::errors::raise(py, e))?;
        let samples = py.detach(|| leadpipe::demo_line(sample_rate));
        Ok(numpy::PyArray1::from_vec(py, samples))
    }
}
