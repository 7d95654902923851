//! File formats of a transcribed line: one file per format, each behind the trait
//! [`Output`].
//!
//! Files appear whole or not at all: all are staged under temporary names before
//! the first is renamed (`staged_file.rs`).

pub mod comparison_page;
pub mod csv;
#[cfg(feature = "live")]
pub mod cue_points;
pub mod cv;
pub mod cv_renderer;
#[cfg(test)]
pub(crate) mod generated;
pub mod json;
mod lilypond;
pub mod midi;
pub mod midi_encoder;
pub mod musicxml;
pub(crate) mod page_signs;
pub mod paint;
pub mod pdf;
mod performance;
pub mod picture;
pub mod provenance;
#[cfg(feature = "report")]
pub mod report;
pub(crate) mod staged_file;
pub mod table;
pub mod track;
pub mod wav;

use std::io::{self, Seek, Write};
use std::path::{Path, PathBuf};

use crate::error::Result;
use crate::line::Line;

pub use staged_file::{StagedFile, commit_all, discard_staged, take_kept};

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

/// Writes a line to one file. Its folder is created where it is missing. A file of an
/// earlier run is replaced, one that this program did not write is not.
///
/// # Errors
/// [`crate::error::Error::Output`] where it cannot be written; nothing is then left of it.
pub fn save(line: &Line, path: &Path, output: &dyn Output) -> Result<PathBuf> {
    stage(path, output.extension(), |to| output.write(line, to))?.commit()
}

/// Writes a file of the format whose names end in `ending`, without giving it its name yet.
/// What may not be replaced is asked again here: an input may have been named since.
///
/// # Errors
/// [`crate::error::Error::Output`] where something is in the way or it cannot be written.
pub fn stage(
    path: &Path,
    ending: &str,
    write: impl FnOnce(&mut dyn Sink) -> io::Result<()>,
) -> Result<StagedFile> {
    provenance::check_free(path, ending)?;
    StagedFile::write(path.to_owned(), write)
}

/// Checks, before long work, that [`save_all`] may write its files.
///
/// # Errors
/// [`crate::error::Error::Output`] where something is in the way.
pub fn check_all_free(folder: &Path, stem: &str, outputs: &[Box<dyn Output>]) -> Result<()> {
    for output in outputs {
        provenance::check_free(&path_of(&**output, folder, stem), output.extension())?;
    }
    Ok(())
}

fn path_of(output: &dyn Output, folder: &Path, stem: &str) -> PathBuf {
    folder.join(format!("{stem}{}", output.extension()))
}

/// Writes a line in several formats to `folder`, with file names from `stem`. The
/// folder is created where it is missing. Files of earlier runs are replaced, files that
/// this program did not write are not; a note list that differs from the new one is kept
/// beside it as `STEM.old-1.csv`. Returns the files' paths.
///
/// # Errors
/// [`crate::error::Error::Output`] where a file cannot be written; the folder is then
/// as it was.
pub fn save_all(
    line: &Line,
    folder: &Path,
    stem: &str,
    outputs: &[Box<dyn Output>],
) -> Result<Vec<PathBuf>> {
    commit_all(stage_all(line, folder, stem, outputs)?)
}

/// Writes the files of [`save_all`] without giving them their names yet.
///
/// # Errors
/// As [`save_all`].
pub fn stage_all(
    line: &Line,
    folder: &Path,
    stem: &str,
    outputs: &[Box<dyn Output>],
) -> Result<Vec<StagedFile>> {
    check_all_free(folder, stem, outputs)?;
    let mut staged = Vec::new();
    for output in outputs {
        let path = path_of(&**output, folder, stem);
        staged.push(StagedFile::write(path, |to| output.write(line, to))?);
    }
    Ok(staged)
}
