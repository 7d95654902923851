//! What a line is written as: one file a format, each behind one small trait.
//!
//! Files appear whole or not at all: each is written under a temporary name in
//! its folder and renamed when all are complete.

pub mod csv;
pub mod cv;
pub mod json;
pub mod midi;
pub mod musicxml;
pub mod picture;
pub mod report;
pub mod table;
pub mod track;
pub mod wav;

use std::io::{self, BufWriter, Seek, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use crate::error::{Error, Result};
use crate::line::Line;

/// Where a format is written to.
pub trait Sink: Write + Seek {}
impl<T: Write + Seek> Sink for T {}

/// A format that a line can be written in.
pub trait Output {
    /// End of the file's name.
    fn ending(&self) -> &'static str;
    /// Writes the line.
    fn write(&self, line: &Line, to: &mut dyn Sink) -> io::Result<()>;
}

/// Writes a line in several formats to `folder`, named after `stem`. The folder
/// is made where it is missing. Gives the files' paths.
///
/// # Errors
/// [`Error::Output`] where a file cannot be written; none of them is left then.
pub fn save_all(
    line: &Line,
    folder: &Path,
    stem: &str,
    outputs: &[Box<dyn Output>],
) -> Result<Vec<PathBuf>> {
    let mut saves = Vec::new();
    for output in outputs {
        let path = folder.join(format!("{stem}{}", output.ending()));
        saves.push(Draft::write(path, |to| output.write(line, to))?);
    }
    saves.into_iter().map(Draft::keep).collect()
}

/// A file that is complete but not yet under its name.
pub struct Draft {
    file: tempfile::NamedTempFile,
    path: PathBuf,
    _listed: Listed,
}

/// Drafts there are, so that an interrupt can take them away.
static DRAFTS: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

/// A draft's place in the list, for as long as it lives.
struct Listed(PathBuf);

impl Drop for Listed {
    fn drop(&mut self) {
        drafts().retain(|path| *path != self.0);
    }
}

fn drafts() -> MutexGuard<'static, Vec<PathBuf>> {
    DRAFTS.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Takes all drafts away and lets no more be made, for a program that is about to
/// end in the middle of its work.
pub fn abandon() {
    let drafts = drafts();
    for path in drafts.iter() {
        // What is gone already need not be taken away.
        let _ = std::fs::remove_file(path);
    }
    std::mem::forget(drafts);
}

impl Draft {
    /// Writes a draft of the file at `path`, in the same folder.
    ///
    /// # Errors
    /// [`Error::Output`] where folder or file cannot be written.
    pub fn write(
        path: PathBuf,
        write: impl FnOnce(&mut dyn Sink) -> io::Result<()>,
    ) -> Result<Draft> {
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
        let folder = folder.unwrap_or(Path::new("."));
        let refused = |error: io::Error| {
            let hint = match error.kind() {
                io::ErrorKind::PermissionDenied => "choose a folder that you can write to",
                io::ErrorKind::StorageFull => "free some space",
                _ => "choose another folder",
            };
            Error::output(folder, error, hint)
        };
        std::fs::create_dir_all(folder).map_err(refused)?;
        // Listed as soon as it is there: an interrupt may come in between.
        let mut listed = drafts();
        let mut file = tempfile::Builder::new()
            .prefix(".leadpipe-")
            .permissions(permissions())
            .tempfile_in(folder)
            .map_err(refused)?;
        listed.push(file.path().to_owned());
        drop(listed);
        let listed = Listed(file.path().to_owned());
        let mut buffered = BufWriter::new(&mut file);
        write(&mut buffered).map_err(refused)?;
        buffered.flush().map_err(refused)?;
        drop(buffered);
        Ok(Draft {
            file,
            path,
            _listed: listed,
        })
    }

    /// Where the draft can be read meanwhile.
    pub fn path(&self) -> &Path {
        self.file.path()
    }

    /// Puts the file under its name.
    ///
    /// # Errors
    /// [`Error::Output`] where the name is taken by something that is no file.
    pub fn keep(self) -> Result<PathBuf> {
        let path = self.path;
        self.file
            .persist(&path)
            .map_err(|error| Error::output(&path, error.error, "choose another folder"))?;
        Ok(path)
    }
}

/// Files are for the player to share: readable by all, as the umask allows.
fn permissions() -> std::fs::Permissions {
    use std::os::unix::fs::PermissionsExt;
    std::fs::Permissions::from_mode(0o666)
}
