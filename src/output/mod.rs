//! File formats of a transcribed line: one file per format, each behind the trait
//! [`Output`].
//!
//! Files appear whole or not at all: all are staged under temporary names before
//! the first is renamed (`staged_file.rs`).

pub mod csv;
pub mod cv;
pub mod cv_renderer;
#[cfg(test)]
mod generated;
pub mod json;
pub mod midi;
pub(crate) mod midi_values;
pub mod musicxml;
pub mod picture;
#[cfg(feature = "report")]
pub mod report;
mod staged_file;
pub mod table;
pub mod track;
pub mod wav;

use std::io::{self, Seek, Write};
use std::path::{Path, PathBuf};

use crate::error::Result;
use crate::line::Line;

pub use staged_file::{StagedFile, discard_staged};

/// Destination of a format.
pub trait Sink: Write + Seek {}
impl<T: Write + Seek> Sink for T {}

/// A format that a line can be written in.
pub trait Output {
    /// Extension of the file name.
    fn extension(&self) -> &'static str;
    /// Writes the line.
    ///
    /// # Errors
    /// What `to` answers; [`io::ErrorKind::InvalidInput`] for a line that the format
    /// cannot hold.
    fn write(&self, line: &Line, to: &mut dyn Sink) -> io::Result<()>;
}

/// Writes a line in several formats to `folder`, with file names from `stem`. The
/// folder is created where it is missing. Returns the files' paths.
///
/// # Errors
/// [`crate::error::Error::Output`] where a file cannot be written; none of them is
/// then left.
pub fn save_all(
    line: &Line,
    folder: &Path,
    stem: &str,
    outputs: &[Box<dyn Output>],
) -> Result<Vec<PathBuf>> {
    let mut staged = Vec::new();
    for output in outputs {
        let path = folder.join(format!("{stem}{}", output.extension()));
        staged.push(StagedFile::write(path, |to| output.write(line, to))?);
    }
    staged.into_iter().map(StagedFile::commit).collect()
}
