//! The promise: `--write pdf` gives a page to print where an engraver is installed, and
//! says what to install where there is none.
#![cfg(all(feature = "cli", unix))]

mod common;

use std::path::Path;
use std::process::{Command, Output};

const LIST: &str = "onset_s,offset_s,midi\n1,1.4,58\n1.5,1.9,60\n2,2.4,62\n2.5,3.4,63\n";

fn write(folder: &Path, engraver: &str, options: &[&str]) -> Output {
    let list = folder.join("tune.csv");
    std::fs::write(&list, LIST).unwrap();
    Command::new(common::program())
        .args([
            "write",
            list.to_str().unwrap(),
            "--write",
            "pdf,csv",
            "--out",
        ])
        .arg(folder.join("out"))
        .args(options)
        .env("LILYPOND", engraver)
        .output()
        .unwrap()
}

#[test]
fn a_page_has_what_was_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let engraver = common::engraver(folder.path());
    let options = [
        "--horn",
        "trombone",
        "--clef",
        "tenor",
        "--title",
        "A \"Tune\"",
        "--composer",
        "Somebody",
        "--part-name",
        "2nd trombone",
        "--tempo",
        "120",
        "--meter",
        "3/4",
    ];
    let done = write(folder.path(), &engraver, &options);
    assert!(
        done.status.success(),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
    let input = std::fs::read_to_string(folder.path().join("kept.ly")).unwrap();
    for part in [
        "title = \\markup \\center-column { \\wordwrap-lines { \"A\" \"\\\"Tune\\\"\" } }",
        "composer = \"Somebody\"",
        "poet = \"2nd trombone\"",
        "\\clef tenor",
        "\\time 3/4",
        "\\tempo 4 = 120",
        "bes4",
    ] {
        assert!(input.contains(part), "{part} in {input}");
    }
    // The program knows its own page again, and leaves others' alone.
    let again = write(folder.path(), &engraver, &options);
    assert!(
        again.status.success(),
        "{}",
        String::from_utf8_lossy(&again.stderr)
    );
    std::fs::write(folder.path().join("out/tune.pdf"), "%PDF-1.7 a scan").unwrap();
    assert_eq!(
        write(folder.path(), &engraver, &options).status.code(),
        Some(5)
    );
}

#[test]
fn without_an_engraver_nothing_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let done = write(folder.path(), "/nowhere/engraver", &[]);
    let errors = String::from_utf8_lossy(&done.stderr);
    assert_eq!(done.status.code(), Some(4), "{errors}");
    assert_eq!(errors.lines().count(), 1, "{errors}");
    assert!(errors.contains("install LilyPond"), "{errors}");
    assert!(!folder.path().join("out").exists());
}
