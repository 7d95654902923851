//! Lines that `training/make.py` wrote, and the same work for each of many.

use std::path::{Path, PathBuf};

/// Takes of folders that have their truth beside them.
pub fn takes(folders: &[&String]) -> Vec<PathBuf> {
    let takes_of = |folder: &&String| {
        let entries = std::fs::read_dir(folder).expect("a folder");
        let mut takes: Vec<PathBuf> = (entries.flatten().map(|entry| entry.path()))
            .filter(|path| path.extension().is_some_and(|e| e == "wav"))
            .collect();
        takes.sort();
        takes
    };
    let takes: Vec<PathBuf> = folders.iter().flat_map(takes_of).collect();
    if takes.is_empty() {
        refuse("name a folder of lines that training/make.py wrote: no .wav file was found");
    }
    takes
}

/// What is true of a take: its notes, and what it was made of.
pub fn truth(path: &Path) -> (Vec<serde_json::Value>, serde_json::Value) {
    let text = std::fs::read_to_string(path.with_extension("json")).expect("its truth beside it");
    let truth: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let notes = truth["notes"].as_array().expect("notes").clone();
    (notes, truth["info"].clone())
}

/// A number of a note's truth.
pub fn number(note: &serde_json::Value, key: &str) -> f64 {
    note[key].as_f64().expect("a number")
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

/// Says what is wrong, and ends.
pub fn refuse(why: &str) -> ! {
    eprintln!("{why}");
    std::process::exit(2);
}
