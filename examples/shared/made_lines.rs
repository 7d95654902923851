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

/// How a note's pitch moves: seconds, and MIDI semitones; empty for a note that keeps its pitch.
pub fn contour(note: &serde_json::Value) -> Vec<(f64, f64)> {
    let list = |key: &str| {
        let values = note["contour"][key].as_array().into_iter().flatten();
        values.filter_map(serde_json::Value::as_f64)
    };
    list("times_s").zip(list("midi")).collect()
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

/// Ends if a name that was given is none of those that are known.
pub fn refuse_unknown<'a>(given: impl IntoIterator<Item = &'a str>, known: &[&str]) {
    if let Some(other) = given.into_iter().find(|name| !known.contains(name)) {
        let known = known.join(", ");
        refuse(&format!("{other}: neither a folder nor one of {known}"));
    }
}

/// Says what is wrong, and ends.
fn refuse(why: &str) -> ! {
    eprintln!("{why}");
    std::process::exit(2);
}
