//! Exceptions: the library's errors with their texts, and panics.

use std::any::Any;
use std::panic::{AssertUnwindSafe, catch_unwind};

use leadpipe::Error;
use pyo3::prelude::*;

/// What can end a call without a result.
pub enum Failure {
    /// The library says so.
    Library(Error),
    /// An exception of Python's, such as an interrupt from the keyboard.
    Python(PyErr),
}

impl From<Error> for Failure {
    fn from(error: Error) -> Self {
        Failure::Library(error)
    }
}

impl From<PyErr> for Failure {
    fn from(error: PyErr) -> Self {
        Failure::Python(error)
    }
}

/// An exception from `leadpipe/errors.py`, by its name there.
pub fn exception(py: Python<'_>, name: &str, text: &str) -> PyErr {
    let made = py
        .import("leadpipe.errors")
        .and_then(|errors| errors.getattr(name)?.call1((text,)));
    made.map_or_else(|failed| failed, PyErr::from_value)
}

/// The exception of a library error, with its text.
pub fn raise(py: Python<'_>, error: Error) -> PyErr {
    let name = match error {
        Error::Input { .. } => "InputError",
        Error::Silent { .. } => "SilentError",
        Error::Setting { .. } => "SettingError",
        Error::Output { .. } => "OutputError",
        _ => "LeadpipeError",
    };
    exception(py, name, &error.to_string())
}

/// Runs `work` without the interpreter's lock. A panic, which would be a fault of the
/// library, ends as an exception too.
pub fn unlocked<T: Send>(
    py: Python<'_>,
    work: impl FnOnce() -> Result<T, Failure> + Send,
) -> PyResult<T> {
    match py.detach(|| catch_unwind(AssertUnwindSafe(work))) {
        Ok(Ok(result)) => Ok(result),
        Ok(Err(Failure::Library(error))) => Err(raise(py, error)),
        Ok(Err(Failure::Python(error))) => Err(error),
        Err(panic) => Err(exception(py, "InternalError", &panic_text(&*panic))),
    }
}

fn panic_text(panic: &(dyn Any + Send)) -> String {
    let said = panic
        .downcast_ref::<&str>()
        .copied()
        .or_else(|| panic.downcast_ref::<String>().map(String::as_str));
    format!(
        "a fault in leadpipe: {}; please report it with the take",
        said.unwrap_or("no reason given")
    )
}

/// Panics, so that the tests can see what becomes of a panic.
#[pyfunction]
pub fn panics(py: Python<'_>) -> PyResult<()> {
    unlocked(py, || panic!("asked for"))
}
