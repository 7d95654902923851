//! What is written stays as it is: snapshots of every format, and the JSON
//! against its schema by an independent validator.
#![cfg(feature = "cli")]

mod common;

use common::{leadpipe, succeed};

/// The demo's files in a fresh folder.
fn demo() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    succeed(&["demo", "--out", folder.path().to_str().unwrap()]);
    folder
}

fn text(folder: &tempfile::TempDir, name: &str) -> String {
    std::fs::read_to_string(folder.path().join(name)).unwrap()
}

/// The first lines of a text.
fn head(text: &str, lines: usize) -> String {
    text.lines().take(lines).collect::<Vec<_>>().join("\n")
}

#[test]
fn note_lists() {
    let folder = demo();
    let csv = text(&folder, "lamplight.csv");
    insta::assert_snapshot!("csv", head(&csv, 6));
    // RFC 4180: as many fields in every row, none with a stray quote.
    let fields = csv.lines().next().unwrap().split(',').count();
    for line in csv.lines() {
        assert_eq!(line.split(',').count(), fields, "{line}");
    }
    insta::assert_snapshot!("json", head(&text(&folder, "lamplight.json"), 44));
    let take = folder.path().join("lamplight.wav");
    let table = succeed(&["transcribe", take.to_str().unwrap(), "--horn", "flugelhorn"]);
    insta::assert_snapshot!("table", table);
}

#[test]
fn json_keeps_its_schema() {
    let folder = demo();
    let schema: serde_json::Value =
        serde_json::from_str(leadpipe::internals::output::json::SCHEMA).unwrap();
    let notes: serde_json::Value = serde_json::from_str(&text(&folder, "lamplight.json")).unwrap();
    let validator = jsonschema::validator_for(&schema).expect("the schema itself is valid");
    let errors: Vec<String> = validator
        .iter_errors(&notes)
        .map(|e| format!("{e}"))
        .collect();
    assert!(errors.is_empty(), "{errors:#?}");
    assert_eq!(notes["notes"].as_array().unwrap().len(), 18);
    // The validator does look: a field too many is an error.
    let mut wrong = notes.clone();
    wrong["notes"][0]["colour"] = "brass".into();
    assert!(!validator.is_valid(&wrong));
    let printed: serde_json::Value =
        serde_json::from_str(&succeed(&["transcribe", "--schema"])).unwrap();
    assert_eq!(printed, schema);
}

#[test]
fn midi_events() {
    let folder = demo();
    let bytes = std::fs::read(folder.path().join("lamplight.mid")).unwrap();
    let smf = midly::Smf::parse(&bytes).unwrap();
    let mut tick = 0;
    let mut lines = vec![format!("{:?}", smf.header)];
    for event in smf.tracks[0].iter().take(24) {
        tick += event.delta.as_int();
        lines.push(format!("{tick:>6} {:?}", event.kind));
    }
    insta::assert_snapshot!("midi", lines.join("\n"));
}

#[test]
fn help_texts() {
    for command in [
        "demo",
        "transcribe",
        "track",
        "intonation",
        "horns",
        "tunings",
        #[cfg(feature = "live")]
        "live",
        #[cfg(feature = "live")]
        "devices",
        #[cfg(feature = "live")]
        "soundcheck",
        #[cfg(feature = "live")]
        "rig",
        #[cfg(feature = "live")]
        "calibrate",
    ] {
        let help = succeed(&[command, "-h"]);
        assert!(help.contains("Usage: leadpipe"), "{help}");
        assert!(
            help.lines().all(|line| line.chars().count() <= 110),
            "{help}"
        );
        // The long help has examples of the command.
        let help = succeed(&[command, "--help"]);
        assert!(help.contains(&format!("leadpipe {command}")), "{command}");
    }
    assert!(
        String::from_utf8(leadpipe(&["--version"]).stdout)
            .unwrap()
            .starts_with("leadpipe ")
    );
}
