//! Reading recordings with known notes.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use leadpipe::{Mode, Settings, Transcriber, Transcription};
use serde::Deserialize;

/// A row of the manifest.
#[derive(Deserialize)]
pub struct Recording {
    pub file: String,
    pub articulation: String,
    pub midi: f64,
    #[serde(default)]
    pub cents: f64,
}

pub fn manifest(folder: &Path) -> Vec<Recording> {
    let text = std::fs::read_to_string(folder.join("manifest.json")).expect("manifest.json");
    serde_json::from_str(&text).expect("a list of recordings")
}

/// Where the tone of a single note begins and ends, in seconds.
#[derive(Deserialize)]
pub struct Tone {
    file: String,
    pub tone_on_s: f64,
    pub tone_off_s: f64,
}

/// The tones that are known, by file.
pub fn tones(folder: &Path) -> HashMap<String, Tone> {
    let text = std::fs::read_to_string(folder.join("tones.json")).expect("tones.json");
    let tones: Vec<Tone> = serde_json::from_str(&text).expect("a list of tones");
    tones.into_iter().map(|t| (t.file.clone(), t)).collect()
}

/// A known note of a line.
#[derive(Deserialize)]
pub struct Known {
    pub onset: f64,
    pub offset: f64,
    pub midi: f64,
    pub attack: String,
}

#[derive(Deserialize)]
struct Truth {
    notes: Vec<Known>,
}

/// All lines of a folder with their notes.
pub fn lines(folder: &Path) -> Vec<(PathBuf, Vec<Known>)> {
    let mut paths: Vec<PathBuf> = std::fs::read_dir(folder.join("lines2"))
        .expect("lines2/")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|e| e == "flac"))
        .collect();
    paths.sort();
    let with_truth = |path: PathBuf| {
        let text = std::fs::read_to_string(path.with_extension("json")).expect("the truth");
        let truth: Truth = serde_json::from_str(&text).expect("notes");
        (path, truth.notes)
    };
    paths.into_iter().map(with_truth).collect()
}

pub fn listen(samples: &[f32], rate_hz: f64, mode: Mode) -> Transcription {
    let mut transcriber = Transcriber::new(Settings::builder(rate_hz).build().unwrap(), mode);
    transcriber.push(samples);
    transcriber.finish()
}
