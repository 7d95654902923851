//! Many takes at once: finds them, distributes them to threads, reports progress.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;

use leadpipe::internals::output::provenance::{is_control_voltage, keep_input};
use leadpipe::internals::text::ending;
use leadpipe::{Error, Result, Take};

use super::progress::{self, Progress};
use super::stem;

/// The takes named, with folders replaced by the takes in them (not recursively),
/// sorted by name within a folder. Files of control voltages are no takes. From then on no
/// output replaces any of them.
///
/// # Errors
/// [`Error::Input`] for a folder that cannot be read or holds no take.
pub fn find_takes(named: &[PathBuf]) -> Result<Vec<PathBuf>> {
    let mut takes = Vec::new();
    for path in named {
        if path.is_dir() {
            takes.extend(in_folder(path)?);
        } else {
            takes.push(path.clone());
        }
    }
    takes.iter().for_each(|take| keep_input(take));
    Ok(takes)
}

fn in_folder(folder: &Path) -> Result<Vec<PathBuf>> {
    let failed = |e: io::Error| Error::input(folder, e, "check the folder's permissions");
    let mut takes = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(failed)? {
        let path = entry.map_err(failed)?.path();
        let known = Take::EXTENSIONS.contains(&ending(&path).as_str());
        // Hidden files are staged files and those of other programs.
        let hidden = (path.file_name()).is_some_and(|n| n.to_string_lossy().starts_with('.'));
        if known && !hidden && path.is_file() && !is_control_voltage(&path) {
            takes.push(path);
        }
    }
    if takes.is_empty() {
        return Err(Error::input(
            folder,
            "no takes in this folder",
            "choose one with WAV, AIFF, CAF, FLAC, MP3 or OGG files in it",
        ));
    }
    takes.sort();
    Ok(takes)
}

/// Results of a batch.
pub struct BatchResult<T> {
    /// Results of the takes that succeeded, in order.
    pub results: Vec<T>,
    /// [`Error::Several`] where takes failed; each has been reported on standard
    /// error.
    pub outcome: Result<()>,
}

/// Runs `work` on every take, `jobs` at a time.
pub fn process<T: Send>(
    takes: &[PathBuf],
    jobs: Option<u16>,
    work: impl Fn(&Path) -> Result<T> + Sync,
) -> BatchResult<T> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let jobs = jobs.map_or(cores, usize::from).min(takes.len());
    let next = AtomicUsize::new(0);
    let (finished, reports) = mpsc::channel();
    let mut slots: Vec<Option<T>> = takes.iter().map(|_| None).collect();
    let mut first = None;
    let mut failed = 0;
    std::thread::scope(|scope| {
        for _ in 0..jobs {
            let (finished, next, work) = (finished.clone(), &next, &work);
            scope.spawn(move || {
                loop {
                    let at = next.fetch_add(1, Ordering::Relaxed);
                    let Some(take) = takes.get(at) else { return };
                    if finished.send((at, work(take))).is_err() {
                        return;
                    }
                }
            });
        }
        drop(finished);
        let progress = Progress::of_takes(takes.len());
        for (at, result) in reports {
            match result {
                Ok(result) => slots[at] = Some(result),
                // The program is about to exit: nothing more to report.
                Err(Error::Interrupted) => {
                    first = Some(Error::Interrupted);
                    break;
                }
                Err(error) => {
                    progress::message(&format!("leadpipe: {error}"));
                    failed += 1;
                    first.get_or_insert(error);
                }
            }
            progress.done(super::shown(&stem(&takes[at])));
        }
    });
    BatchResult {
        results: slots.into_iter().flatten().collect(),
        outcome: match first {
            None => Ok(()),
            Some(Error::Interrupted) => Err(Error::Interrupted),
            Some(first) => Err(Error::Several {
                failed,
                of: takes.len(),
                first: Box::new(first),
            }),
        },
    }
}
