//! Files that appear whole or not at all: each is written under a temporary name
//! in the folder it belongs to and renamed when it is complete.

use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use super::Sink;
use crate::error::{Error, Result};

/// A complete file that does not have its final name yet. Dropped, it is deleted.
#[derive(Debug)]
pub struct StagedFile {
    file: tempfile::NamedTempFile,
    path: PathBuf,
    _registration: Registration,
}

/// Every staged file of the process, so that an interrupt can delete them.
#[derive(Debug)]
struct Registry {
    paths: Vec<PathBuf>,
    /// Set once, by [`discard_staged`]: no file is staged or renamed any more.
    interrupted: bool,
}

static REGISTRY: Mutex<Registry> = Mutex::new(Registry {
    paths: Vec::new(),
    interrupted: false,
});

impl Registry {
    fn lock() -> MutexGuard<'static, Registry> {
        REGISTRY.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The registry, as long as files may still be written. Whoever holds the
    /// lock finishes before an interrupt deletes anything.
    fn lock_for_writing() -> Result<MutexGuard<'static, Registry>> {
        let registry = Self::lock();
        if registry.interrupted {
            return Err(Error::Interrupted);
        }
        Ok(registry)
    }
}

/// Keeps a staged file in the registry for as long as it exists.
#[derive(Debug)]
struct Registration(PathBuf);

impl Drop for Registration {
    fn drop(&mut self) {
        Registry::lock().paths.retain(|path| *path != self.0);
    }
}

/// Deletes all staged files and lets no other be staged or renamed: for a program
/// that is about to exit in the middle of its work.
pub fn discard_staged() {
    let mut registry = Registry::lock();
    registry.interrupted = true;
    for path in registry.paths.drain(..) {
        // It may have been deleted or renamed already.
        let _ = std::fs::remove_file(path);
    }
}

impl StagedFile {
    /// Writes a temporary file in the folder of `path`, which is created where it
    /// is missing.
    ///
    /// # Errors
    /// [`Error::Output`] where folder or file cannot be written;
    /// [`Error::Interrupted`] after [`discard_staged`].
    pub fn write(
        path: PathBuf,
        write: impl FnOnce(&mut dyn Sink) -> io::Result<()>,
    ) -> Result<StagedFile> {
        let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
        let folder = folder.unwrap_or(Path::new("."));
        let output_error = |error: io::Error| {
            let hint = match error.kind() {
                io::ErrorKind::PermissionDenied => "choose a folder that you can write to",
                io::ErrorKind::StorageFull => "free some space",
                _ => "choose another folder",
            };
            Error::output(folder, error, hint)
        };
        // One lock from the check to the registration: an interrupt comes before
        // the file exists or finds it registered.
        let mut registry = Registry::lock_for_writing()?;
        std::fs::create_dir_all(folder).map_err(output_error)?;
        let mut file = temporary_file_in(folder).map_err(output_error)?;
        registry.paths.push(file.path().to_owned());
        drop(registry);
        let registration = Registration(file.path().to_owned());
        let mut buffered = BufWriter::new(&mut file);
        write(&mut buffered).map_err(output_error)?;
        buffered.flush().map_err(output_error)?;
        drop(buffered);
        Ok(StagedFile {
            file,
            path,
            _registration: registration,
        })
    }

    /// The temporary file, to read it before it is renamed.
    pub fn path(&self) -> &Path {
        self.file.path()
    }

    /// Gives the file its final name, replacing a file of that name.
    ///
    /// # Errors
    /// [`Error::Output`] where the name belongs to something that is not a file;
    /// [`Error::Interrupted`] after [`discard_staged`].
    pub fn commit(self) -> Result<PathBuf> {
        let path = self.path;
        let registry = Registry::lock_for_writing()?;
        let renamed = self.file.persist(&path);
        drop(registry);
        renamed.map_err(|error| Error::output(&path, error.error, "choose another folder"))?;
        Ok(path)
    }
}

fn temporary_file_in(folder: &Path) -> io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".leadpipe-");
    // Unix temporary files are private; what becomes the player's file is readable
    // as the umask allows. Elsewhere the folder's access rules apply by themselves.
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_appears_on_commit_and_a_dropped_one_never() {
        let folder = tempfile::tempdir().unwrap();
        let (kept, dropped) = (folder.path().join("kept"), folder.path().join("dropped"));
        let write = |to: &mut dyn Sink| to.write_all(b"whole");
        let staged = StagedFile::write(kept.clone(), write).unwrap();
        assert!(!kept.exists() && staged.path().exists());
        assert_eq!(staged.commit().unwrap(), kept);
        assert_eq!(std::fs::read(&kept).unwrap(), b"whole");
        drop(StagedFile::write(dropped, write).unwrap());
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
        let registered = |path: &PathBuf| path.starts_with(folder.path());
        assert!(!Registry::lock().paths.iter().any(registered));
    }

    #[test]
    fn a_failed_write_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let full = |_: &mut dyn Sink| Err(io::ErrorKind::StorageFull.into());
        let error = StagedFile::write(folder.path().join("x"), full).unwrap_err();
        assert!(error.to_string().contains("free some space"), "{error}");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    }
}
