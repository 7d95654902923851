//! Lines that `training/make.py` wrote, and work on many at once.

use std::path::{Path, PathBuf};

/// Says what is wrong, and ends.
pub fn refuse(why: &str) -> ! {
    eprintln!("{why}");
    std::process::exit(2);
}

/// Takes of a folder that have their truth beside them.
pub fn takes(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder)
        .unwrap_or_else(|error| refuse(&format!("{}: {error}", folder.display())));
    let mut takes: Vec<PathBuf> = (entries.flatten().map(|entry| entry.path()))
        .filter(|path| path.extension().is_some_and(|e| e == "wav"))
        .collect();
    takes.sort();
    takes
}

/// The truth of a line: its notes, and what they were made of.
pub fn truth_of(take: &Path) -> serde_json::Value {
    let path = take.with_extension("json");
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| {
        refuse(&format!(
            "{}: {error}; training/make.py writes it beside the line",
            path.display()
        ))
    });
    serde_json::from_str(&text)
        .unwrap_or_else(|error| refuse(&format!("{}: {error}", path.display())))
}

/// Does the same for each of many, on every core, in order.
pub fn in_parallel<T: Sync, R: Send>(items: &[T], work: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let cores = std::thread::available_parallelism().map_or(1, |n| n.get());
    let share = items.len().div_ceil(cores).max(1);
    std::thread::scope(|scope| {
        let work = &work;
        let threads: Vec<_> = (items.chunks(share))
            .map(|part| scope.spawn(move || part.iter().map(work).collect::<Vec<R>>()))
            .collect();
        (threads.into_iter())
            .flat_map(|thread| thread.join().expect("no panic"))
            .collect()
    })
}
