//! Files that appear whole or not at all: each is written under a temporary name
//! in the folder it belongs to and renamed when it is complete. A note list that another
//! one replaces is kept beside it, because a person may have corrected it.

use std::collections::BTreeSet;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use super::Sink;
use super::provenance::is_note_list;
use crate::error::{Error, Result};

/// How the names of temporary files begin.
const DRAFT: &str = ".leadpipe-";
/// Age from which a temporary file may belong to nobody any more, in seconds: a new one is
/// not locked yet.
const OLD_S: u64 = 60;

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
    /// Folders that what earlier runs left has been cleared from.
    cleared: BTreeSet<PathBuf>,
    /// Note lists that were replaced, and what they are called now; for [`take_kept`].
    kept: Vec<(PathBuf, PathBuf)>,
    /// Set once, by [`discard_staged`]: no file is staged or renamed any more.
    interrupted: bool,
}

static REGISTRY: Mutex<Registry> = Mutex::new(Registry {
    paths: Vec::new(),
    cleared: BTreeSet::new(),
    kept: Vec::new(),
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

/// Note lists that were replaced since this was last asked, and what they are called now.
pub fn take_kept() -> Vec<(PathBuf, PathBuf)> {
    std::mem::take(&mut Registry::lock().kept)
}

/// Where something cannot be written, and what to do about it.
pub(crate) fn unwritable(path: &Path, error: io::Error) -> Error {
    use io::ErrorKind::{AlreadyExists, NotADirectory, PermissionDenied, StorageFull};
    match error.kind() {
        PermissionDenied => Error::output(
            path,
            "permission denied",
            "choose a folder that you can write to",
        ),
        StorageFull => Error::output(path, "no space is left there", "free some space"),
        AlreadyExists | NotADirectory => Error::output(
            path,
            "there is a file where a folder should be",
            "choose another folder",
        ),
        _ => Error::output(path, in_words(&error), "choose another folder"),
    }
}

/// What an error says, without the name of the temporary file, which the library that makes
/// it puts behind this and which means nothing to anybody.
fn in_words(error: &io::Error) -> String {
    let said = error.to_string();
    said.split(" at path \"").next().unwrap_or_default().into()
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
        let named = path.clone();
        StagedFile::write_for(&named, path, write)
    }

    /// Checks that files can be written to a folder, which is created where it is missing.
    ///
    /// # Errors
    /// As [`StagedFile::write`], about the folder.
    pub fn check_folder(folder: &Path) -> Result<()> {
        StagedFile::write_for(folder, folder.join("probe"), |_| Ok(())).map(drop)
    }

    /// Writes a temporary file; an error is about what the player has named.
    fn write_for(
        named: &Path,
        path: PathBuf,
        write: impl FnOnce(&mut dyn Sink) -> io::Result<()>,
    ) -> Result<StagedFile> {
        let folder = folder_of(&path);
        let output_error = |error: io::Error| unwritable(named, error);
        // One lock from the check to the registration: an interrupt comes before
        // the file exists or finds it registered.
        let mut registry = Registry::lock_for_writing()?;
        std::fs::create_dir_all(folder).map_err(output_error)?;
        if registry.cleared.insert(folder.to_owned()) {
            clear_abandoned(folder);
        }
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
        let path = self.path.clone();
        commit_all(vec![self])?;
        Ok(path)
    }
}

/// Gives several files their final names, replacing files of those names: all of them or
/// none. A note list that differs from the one that replaces it is kept under another name.
///
/// # Errors
/// As [`StagedFile::commit`]. What was there before is there again.
pub fn commit_all(staged: Vec<StagedFile>) -> Result<Vec<PathBuf>> {
    // One lock for all: an interrupt comes before the first or after the last.
    let mut registry = Registry::lock_for_writing()?;
    let mut done: Vec<Replaced> = Vec::new();
    let mut registrations = Vec::new();
    let mut failed = None;
    let mut rest = staged.into_iter();
    for StagedFile {
        file,
        path,
        _registration,
    } in rest.by_ref()
    {
        registrations.push(_registration);
        let replaced = Replaced::keep(path).and_then(|replaced| {
            file.persist(&replaced.path)
                .map_err(|error| (replaced.path.clone(), error.error))?;
            Ok(replaced)
        });
        match replaced {
            Ok(replaced) => done.push(replaced),
            Err(error) => {
                failed = Some(error);
                break;
            }
        }
    }
    let outcome = match failed {
        None => {
            let paths = done.iter().map(|replaced| replaced.path.clone()).collect();
            let kept = done.into_iter().filter_map(Replaced::keep_list);
            registry.kept.extend(kept);
            Ok(paths)
        }
        Some((path, error)) => {
            done.into_iter().rev().for_each(Replaced::undo);
            Err(unwritable(&path, error))
        }
    };
    // Those that are dropped now lock the registry themselves.
    drop(registry);
    outcome
}

/// A name that is given to another file, and the file that had it.
struct Replaced {
    path: PathBuf,
    /// A second name of that file, or a copy. Dropped, it is deleted.
    before: Option<tempfile::TempPath>,
}

impl Replaced {
    /// Keeps what has a name.
    fn keep(path: PathBuf) -> std::result::Result<Replaced, (PathBuf, io::Error)> {
        let before = match path.is_file() {
            false => None,
            true => {
                let folder = folder_of(&path);
                let second = |name: &Path| match std::fs::hard_link(&path, name) {
                    Ok(()) => Ok(()),
                    Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Err(error),
                    // Not every file system has links.
                    Err(_) => std::fs::copy(&path, name).map(drop),
                };
                let kept = tempfile::Builder::new()
                    .prefix(DRAFT)
                    .make_in(folder, second);
                match kept {
                    Ok(kept) => Some(kept.into_temp_path()),
                    Err(error) => return Err((path, error)),
                }
            }
        };
        Ok(Replaced { path, before })
    }

    /// Keeps a note list that differs from the one that has its name now, beside it. Gives
    /// that name, and what the list is called instead.
    fn keep_list(self) -> Option<(PathBuf, PathBuf)> {
        let mut before = self.before?;
        if !is_note_list(&before) || is_equal(&before, &self.path) {
            return None;
        }
        let (stem, ending) = (self.path.file_stem()?, self.path.extension()?);
        for number in 1.. {
            let mut name = stem.to_owned();
            name.push(format!(".old-{number}."));
            name.push(ending);
            let kept = self.path.with_file_name(name);
            match before.persist_noclobber(&kept) {
                Ok(()) => return Some((self.path, kept)),
                Err(error) if error.error.kind() == io::ErrorKind::AlreadyExists => {
                    before = error.path;
                }
                // Too long a name: it stays where it was put aside.
                Err(error) => return error.path.keep().ok().map(|kept| (self.path, kept)),
            }
        }
        None
    }

    /// Gives the name back. Nothing can be done where that fails.
    fn undo(self) {
        let _ = match self.before {
            Some(before) => before.persist(&self.path).map_err(|error| error.error),
            None => std::fs::remove_file(&self.path),
        };
    }
}

/// Whether two files hold the same bytes, as far as can be told.
fn is_equal(one: &Path, other: &Path) -> bool {
    matches!((std::fs::read(one), std::fs::read(other)), (Ok(one), Ok(other)) if one == other)
}

/// Folder of a file.
fn folder_of(path: &Path) -> &Path {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
    folder.unwrap_or(Path::new("."))
}

fn temporary_file_in(folder: &Path) -> io::Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(DRAFT);
    // Unix temporary files are private; what becomes the player's file is readable
    // as the umask allows. Elsewhere the folder's access rules apply by themselves.
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(std::fs::Permissions::from_mode(0o666));
    }
    let file = builder.tempfile_in(folder)?;
    // Shows that the file is somebody's; not every file system can.
    let _ = file.as_file().try_lock();
    Ok(file)
}

/// Deletes the temporary files of runs that were killed. Those of a run that goes on are
/// locked; whatever cannot be told stays.
fn clear_abandoned(folder: &Path) {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return;
    };
    for entry in entries.flatten() {
        let draft = entry.file_name().to_string_lossy().starts_with(DRAFT);
        let path = entry.path();
        if !draft || !entry.file_type().is_ok_and(|kind| kind.is_file()) {
            continue;
        }
        let old = entry
            .metadata()
            .and_then(|m| m.modified())
            .is_ok_and(|at| at.elapsed().is_ok_and(|age| age.as_secs() >= OLD_S));
        let locks = |file: std::fs::File| file.try_lock().is_ok();
        if old && std::fs::File::open(&path).is_ok_and(locks) {
            let _ = std::fs::remove_file(path);
        }
    }
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
        let said = error.to_string();
        assert!(
            said.contains("x: ") && said.contains("free some space"),
            "{said}"
        );
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    }

    #[test]
    fn a_list_that_was_changed_is_kept_and_one_that_was_not_is_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("take.csv");
        let list = format!("{}\n", super::super::csv::HEADER.join(","));
        let write = |text: &str| {
            let write = |to: &mut dyn Sink| to.write_all(text.as_bytes());
            let staged = StagedFile::write(path.clone(), write).unwrap();
            staged.commit().unwrap();
        };
        let text = |name: &str| std::fs::read_to_string(folder.path().join(name)).unwrap();
        let mine = || {
            let kept = take_kept().into_iter();
            let kept = kept.filter(|(from, _)| *from == path);
            kept.map(|(_, to)| to.file_name().unwrap().to_owned())
                .collect::<Vec<_>>()
        };
        write(&list);
        write(&list);
        assert!(mine().is_empty());
        for (number, corrected) in [(1, "a,b\n"), (2, "c,d\n")] {
            let corrected = format!("{list}{corrected}");
            std::fs::write(&path, &corrected).unwrap();
            write(&list);
            let name = format!("take.old-{number}.csv");
            assert_eq!(mine(), [std::ffi::OsString::from(&name)]);
            assert_eq!((text(&name), text("take.csv")), (corrected, list.clone()));
        }
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 3);
    }

    /// The name of a temporary file is nobody's business, whatever cannot be done with it.
    #[test]
    #[cfg(target_os = "linux")]
    fn an_error_names_the_file_that_was_asked_for() {
        // No file can be created here, not even by root.
        let path = PathBuf::from("/proc/a.csv");
        let error = StagedFile::write(path, |_| Ok(())).unwrap_err().to_string();
        assert!(error.starts_with("/proc/a.csv: "), "{error}");
        assert!(!error.contains(DRAFT), "{error}");
        let error = StagedFile::check_folder(Path::new("/proc")).unwrap_err();
        assert!(error.to_string().starts_with("/proc: "), "{error}");
    }

    /// A directory in the way of any of them: the others are as they were before.
    #[test]
    fn where_one_cannot_be_renamed_none_is() {
        for in_the_way in 0..3 {
            let folder = tempfile::tempdir().unwrap();
            let paths = ["old", "new", "other"].map(|name| folder.path().join(name));
            std::fs::write(&paths[0], "before").unwrap();
            let write = |to: &mut dyn Sink| to.write_all(b"after");
            let stage = |path: &PathBuf| StagedFile::write(path.clone(), write).unwrap();
            let staged = paths.iter().map(stage).collect();
            let _ = std::fs::remove_file(&paths[in_the_way]);
            std::fs::create_dir(&paths[in_the_way]).unwrap();
            let error = commit_all(staged).unwrap_err().to_string();
            assert!(error.contains("choose another folder"), "{error}");
            for (at, path) in paths.iter().enumerate() {
                match (at, at == in_the_way) {
                    (_, true) => assert!(path.is_dir()),
                    (0, false) => assert_eq!(std::fs::read(path).unwrap(), b"before"),
                    (_, false) => assert!(!path.exists(), "{path:?}"),
                }
            }
            // No draft is left either.
            let left = std::fs::read_dir(folder.path()).unwrap().count();
            assert_eq!(left, if in_the_way == 0 { 1 } else { 2 });
        }
    }
}
