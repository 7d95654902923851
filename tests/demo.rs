//! `leadpipe demo` hears its own line: every note, to the cent, with its
//! articulation, and writes every kind of output.
#![cfg(feature = "cli")]

mod common;

use common::{rows, succeed};
use leadpipe::internals::demo::brass::{Bend, Start};
use leadpipe::internals::demo::line;

#[test]
fn demo_comes_back_as_played() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().to_str().unwrap();
    let printed = succeed(&["demo", "--out", out]);
    assert!(printed.contains("Flugelhorn in B flat"));
    for ending in ["wav", "track.csv", "csv", "json", "mid", "cv.wav"] {
        let path = folder.path().join(format!("lamplight.{ending}"));
        assert!(path.metadata().unwrap().len() > 1_000, "{ending}");
        assert!(printed.contains(path.to_str().unwrap()), "{ending}");
    }
    let csv = std::fs::read_to_string(folder.path().join("lamplight.csv")).unwrap();
    let heard = rows(&csv);
    let played = line::notes();
    assert_eq!(heard.len(), played.len());
    for (row, note) in heard.iter().zip(&played) {
        assert!((row.onset_s - note.onset_s).abs() < 0.02, "{row:?}");
        assert_eq!(f64::from(row.midi), note.pitch, "{row:?}");
        assert!(row.cents.abs() < 5.0, "{row:?}");
        let attack = match note.start {
            Start::Tongued => "tongued",
            Start::Slurred => "slurred",
            Start::Breath => "breath",
        };
        assert_eq!(row.attack, attack, "{row:?}");
        let technique = match note.bend {
            Bend::Scoop { .. } => "scoop",
            Bend::Fall { .. } => "fall",
            Bend::Vibrato { .. } => "vibrato",
            _ => "",
        };
        assert_eq!(row.technique, technique, "{row:?}");
        let short = note.end_s - note.onset_s < 0.11;
        // The short notes are played for less than a third of their time: staccatissimo.
        assert_eq!(row.length.starts_with("stacca"), short, "{row:?}");
    }
}
