//! The promise: a folder of takes is one command; what fails is named and costs
//! the others nothing; no file is written over another.
#![cfg(feature = "cli")]

mod common;

use std::path::Path;
use std::time::Duration;

use common::{fail, leadpipe, poll, succeed, write_wav};

fn folder_of(names: &[&str]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let sound = leadpipe::internals::demo::line::render(48_000.0);
    for name in names {
        write_wav(&folder.path().join(name), 48_000, &[&sound[..48_000 * 5]]);
    }
    folder
}

fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap();
    let name =
        |e: std::io::Result<std::fs::DirEntry>| e.unwrap().file_name().into_string().unwrap();
    let mut names: Vec<String> = entries.map(name).collect();
    names.sort();
    names
}

#[test]
fn a_folder_is_written_down_whole() {
    let takes = folder_of(&["one.wav", "two.wav", "three.wav"]);
    std::fs::write(takes.path().join("notes.txt"), "set list").unwrap();
    let (folder, out) = (takes.path().to_str().unwrap(), takes.path().join("out"));
    let args = [
        "transcribe",
        folder,
        "--out",
        out.to_str().unwrap(),
        "--write",
        "csv,svg",
    ];
    let text = succeed(&args);
    assert_eq!(
        names(&out),
        [
            "one.csv",
            "one.svg",
            "three.csv",
            "three.svg",
            "two.csv",
            "two.svg"
        ]
    );
    // In order of name, whichever was ready first.
    let order: Vec<&str> = text.lines().map(|l| l.split(':').next().unwrap()).collect();
    assert_eq!(order, ["one", "three", "two"]);
    // The same as one at a time.
    let alone = succeed(&[
        "transcribe",
        takes.path().join("two.wav").to_str().unwrap(),
        "--format",
        "csv",
    ]);
    assert_eq!(std::fs::read_to_string(out.join("two.csv")).unwrap(), alone);
    let again = [&args[..], &["--jobs", "1"]].concat();
    assert_eq!(succeed(&again), text);
    // The summary in other forms.
    let json = succeed(&[&args[..], &["--format", "json"]].concat());
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(
        (&json[1]["name"], &json[1]["files"]),
        (&"three".into(), &2.into())
    );
    let csv = succeed(&[&args[..], &["--format", "csv"]].concat());
    assert!(csv.starts_with("name,notes,length_s,files\none,"), "{csv}");
}

#[test]
fn one_bad_take_does_not_cost_the_others() {
    let takes = folder_of(&["a.wav", "c.wav"]);
    std::fs::write(takes.path().join("b.wav"), "no sound").unwrap();
    let out = takes.path().join("out");
    let (code, errors) = fail(&[
        "transcribe",
        takes.path().to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
    ]);
    assert_eq!(code, 3);
    let lines: Vec<&str> = errors.lines().collect();
    assert_eq!(lines.len(), 2, "{errors}");
    assert!(
        lines[0].contains("b.wav") && lines[1].contains("1 of 3 takes"),
        "{errors}"
    );
    assert_eq!(names(&out).len(), 6);
    // The summary has the two that could be heard.
    let output = leadpipe(&[
        "intonation",
        takes.path().to_str().unwrap(),
        "--format",
        "csv",
    ]);
    assert_eq!(output.status.code(), Some(3));
    let csv = String::from_utf8(output.stdout).unwrap();
    let first: Vec<&str> = csv.lines().map(|l| l.split(',').next().unwrap()).collect();
    assert_eq!(first, ["name", "a", "c"]);
}

#[test]
fn what_cannot_go_together_is_refused_first() {
    let takes = folder_of(&["a.wav", "b.wav"]);
    let folder = takes.path().to_str().unwrap();
    let (code, errors) = fail(&["transcribe", folder]);
    assert!(code == 4 && errors.contains("--out"), "{errors}");
    let other = folder_of(&["a.wav"]);
    let out = takes.path().join("out");
    let args = [
        "transcribe",
        folder,
        other.path().to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
    ];
    let (code, errors) = fail(&args);
    assert!(code == 4 && errors.contains("same files"), "{errors}");
    let empty = tempfile::tempdir().unwrap();
    let (code, errors) = fail(&["intonation", empty.path().to_str().unwrap()]);
    assert!(
        code == 3 && errors.contains("no takes in this folder"),
        "{errors}"
    );
    let (code, errors) = fail(&["intonation", folder, "--audio", "--report", "x.html"]);
    assert!(code == 4 && errors.contains("--audio"), "{errors}");
    assert!(!Path::new("x.html").exists());
    let take = takes.path().join("a.wav");
    for command in ["transcribe", "intonation"] {
        let (code, errors) = fail(&[command, take.to_str().unwrap(), "--audio"]);
        assert!(code == 4 && errors.contains("without a report"), "{errors}");
    }
}

/// An interrupt in the middle leaves whole files or none.
#[test]
fn an_interrupt_leaves_nothing_half_done() {
    let folder = tempfile::tempdir().unwrap();
    let line = leadpipe::internals::demo::line::render(48_000.0);
    let long: Vec<f32> = line.iter().cycle().take(line.len() * 20).copied().collect();
    for name in ["a.wav", "b.wav", "c.wav", "d.wav"] {
        write_wav(&folder.path().join(name), 48_000, &[&long]);
    }
    // While the first files are drafts, when one is whole, and when one take is.
    type Reached = fn(&[String]) -> bool;
    let moments: [(&str, Reached); 3] = [
        ("a draft", |names| !names.is_empty()),
        ("a file", |names| names.iter().any(|n| !n.starts_with('.'))),
        ("a report", |names| {
            names.iter().any(|n| n.ends_with(".html"))
        }),
    ];
    for (moment, reached) in moments {
        let out = folder.path().join(moment);
        let mut run = common::command()
            .args(["transcribe", folder.path().to_str().unwrap(), "--out"])
            .arg(&out)
            .args(["--write", "cv,csv,report", "--audio", "--jobs", "2"])
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .unwrap();
        let so_far = || out.exists() && reached(&names(&out));
        assert!(poll(60.0, Duration::from_millis(1), so_far), "no {moment}");
        let kill = std::process::Command::new("kill")
            .args(["-INT", &run.id().to_string()])
            .status();
        assert!(kill.unwrap().success());
        let code = run.wait().unwrap().code();
        assert_eq!(code, Some(130), "at {moment}");
        let left = if out.exists() {
            let left = names(&out);
            assert!(!left.is_empty(), "an empty folder at {moment}");
            left
        } else {
            Vec::new()
        };
        let drafts: Vec<_> = left
            .iter()
            .filter(|n| n.starts_with(".leadpipe-"))
            .collect();
        assert!(drafts.is_empty(), "{drafts:?}");
        for name in left.iter().filter(|n| n.ends_with(".html")) {
            let text = std::fs::read_to_string(out.join(name)).unwrap();
            assert!(text.trim_end().ends_with("</html>"), "{name}");
        }
    }
}

/// Voltages beside the takes are not transcribed in the next run, and a recording that has
/// the name of an output stays.
#[test]
fn outputs_beside_takes_are_neither_takes_nor_in_the_way() {
    let takes = folder_of(&["one.wav", "two.wav"]);
    let folder = takes.path().to_str().unwrap();
    let args = ["transcribe", folder, "--out", folder, "--write", "cv,csv"];
    let first = succeed(&args);
    let written = names(takes.path());
    assert!(written.contains(&"one.cv.wav".to_owned()), "{written:?}");
    // The same again: files of the program's own are replaced.
    assert_eq!(succeed(&args), first);
    assert_eq!(names(takes.path()), written);

    let recording = takes.path().join("two.cv.wav");
    let sound = leadpipe::internals::demo::line::render(48_000.0);
    write_wav(&recording, 48_000, &[&sound[..48_000 * 2]]);
    let before = std::fs::read(&recording).unwrap();
    let (code, errors) = fail(&args);
    assert!(
        code == 5 && errors.contains("two.cv.wav: a file that leadpipe did not write"),
        "{errors}"
    );
    assert_eq!(std::fs::read(&recording).unwrap(), before);
    // It is a take like the others.
    assert!(takes.path().join("two.cv.csv").exists());
}

#[test]
fn a_name_that_is_too_long_leaves_no_part_of_the_set() {
    let long = "n".repeat(248);
    let takes = folder_of(&[&format!("{long}.wav")]);
    let take = takes.path().join(format!("{long}.wav"));
    let out = takes.path().join("out");
    let (code, errors) = fail(&[
        "transcribe",
        take.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--write",
        "csv,midi,musicxml",
    ]);
    assert!(code == 5 && errors.contains("too long"), "{errors}");
    assert!(!out.exists());
}

/// What a killed run left is cleared by the next, and nobody else's.
#[test]
fn drafts_of_a_killed_run_are_cleared() {
    let takes = folder_of(&["one.wav"]);
    let out = takes.path().join("out");
    std::fs::create_dir(&out).unwrap();
    let long_ago = std::time::SystemTime::now() - Duration::from_secs(3_600);
    let draft = |name: &str| {
        let file = std::fs::File::create(out.join(name)).unwrap();
        file.set_modified(long_ago).unwrap();
        file
    };
    let held = draft(".leadpipe-held");
    held.lock().unwrap();
    for name in [".leadpipe-left", ".other-left"] {
        drop(draft(name));
    }
    // A moment old: its writer may not have locked it yet.
    std::fs::write(out.join(".leadpipe-new"), "").unwrap();
    let take = takes.path().join("one.wav");
    succeed(&[
        "transcribe",
        take.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--write",
        "csv",
    ]);
    assert_eq!(
        names(&out),
        [".leadpipe-held", ".leadpipe-new", ".other-left", "one.csv"]
    );
}
