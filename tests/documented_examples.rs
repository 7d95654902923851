//! The promise: every example that help, README and guides show runs as it
//! stands. What needs a device is parsed to its last option.
#![cfg(feature = "cli")]

mod common;

use std::path::Path;
use std::process::Command;

use common::{command, program, succeed, write_wav};

/// What needs a sound device, a port or a meter.
const DEVICES: [&str; 4] = ["live", "soundcheck", "calibrate", "devices"];

const COMMANDS: [&str; 16] = [
    "demo",
    "live",
    "soundcheck",
    "rig",
    "devices",
    "calibrate",
    "transcribe",
    "write",
    "track",
    "intonation",
    "compare",
    "horns",
    "tunings",
    "settings",
    "manual",
    "",
];

/// Examples of a text: lines that begin with the program's name, with what is
/// continued on the next; without remarks.
fn examples(text: &str, indent: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut lines = text.lines();
    let start = format!("{indent}leadpipe ");
    while let Some(line) = lines.next() {
        if !line.starts_with(&start) {
            continue;
        }
        let mut example = line.trim().to_owned();
        while let Some(first) = example.strip_suffix('\\') {
            example = format!("{first} {}", lines.next().expect("a continued line").trim());
        }
        // Remarks stand behind a hash or four spaces.
        let end = [" #", "    "]
            .iter()
            .filter_map(|mark| example.find(mark))
            .min();
        example.truncate(end.unwrap_or(example.len()));
        found.push(example.trim().to_owned());
    }
    found
}

/// Examples of a guide's shell blocks.
fn guide(path: &Path) -> Vec<String> {
    let text = std::fs::read_to_string(path).unwrap();
    let blocks = text.split("```sh\n").skip(1);
    blocks
        .flat_map(|rest| examples(rest.split("```").next().unwrap_or(""), ""))
        .collect()
}

fn all() -> Vec<String> {
    let mut found = Vec::new();
    for name in COMMANDS {
        let help = command()
            .args([name, "--help"].iter().filter(|a| !a.is_empty()))
            .output();
        let help = String::from_utf8(help.unwrap().stdout).unwrap();
        let shown = examples(&help, "  ");
        assert!(
            !shown.is_empty() || name.is_empty() || help.contains("leadpipe"),
            "{name}"
        );
        found.extend(shown);
    }
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    found.extend(guide(&root.join("README.md")));
    for entry in std::fs::read_dir(root.join("docs")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|e| e == "md") {
            found.extend(guide(&path));
        }
    }
    // Once each, in the order they are read.
    let mut seen = std::collections::HashSet::new();
    found.retain(|example| seen.insert(example.clone()));
    found
}

/// A folder with the files that examples speak of.
fn prepared() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let line = leadpipe::internals::demo::line::render(48_000.0);
    for name in [
        "take.wav",
        "today.wav",
        "yesterday.wav",
        "takes/one.wav",
        "takes/two.wav",
    ] {
        std::fs::create_dir_all(at("takes")).unwrap();
        write_wav(&at(name), 48_000, &[&line]);
    }
    let selection = leadpipe::Selection::default();
    let flac = leadpipe::internals::audio::flac::Flac::read(&at("take.wav"), &selection).unwrap();
    std::fs::write(at("take.flac"), flac.bytes).unwrap();
    let here = |args: &[&str]| {
        let done = command()
            .args(args)
            .current_dir(folder.path())
            .output()
            .unwrap();
        assert!(done.status.success(), "{args:?}");
    };
    here(&[
        "transcribe",
        "take.wav",
        "--horn",
        "trumpet",
        "--out",
        ".",
        "--write",
        "musicxml,midi",
    ]);
    std::fs::rename(at("take.musicxml"), at("part.musicxml")).unwrap();
    // A tune whose second part is the take's.
    let bytes = std::fs::read(at("take.mid")).unwrap();
    let mut tune = midly::Smf::parse(&bytes).unwrap();
    tune.tracks.push(tune.tracks[0].clone());
    tune.header.format = midly::Format::Parallel;
    tune.save(at("tune.mid")).unwrap();
    std::fs::copy(at("tune.mid"), at("click.mid")).unwrap();
    std::fs::copy(at("take.mid"), at("line.mid")).unwrap();
    folder
}

#[test]
fn every_example_runs() {
    let folder = prepared();
    let examples = all();
    assert!(examples.len() > 30, "{examples:?}");
    let engraver = common::engraver(folder.path());
    let path = program().parent().unwrap().to_owned();
    let mut paths = vec![path];
    paths.extend(std::env::split_paths(&std::env::var_os("PATH").unwrap()));
    for example in examples {
        let command = example.split_whitespace().nth(1).unwrap_or("");
        let mut line = example.clone();
        if DEVICES.contains(&command) && !line.contains("--from") {
            line = line.split(['<', '>']).next().unwrap().to_owned() + " --help";
        }
        let run = Command::new("sh")
            .args(["-c", &line])
            .current_dir(folder.path())
            .env("PATH", std::env::join_paths(&paths).unwrap())
            .env("LILYPOND", &engraver)
            .env("XDG_CONFIG_HOME", folder.path().join("config"))
            .output()
            .unwrap();
        let errors = String::from_utf8_lossy(&run.stderr);
        assert!(run.status.success(), "{line}: {errors}");
    }
}

/// The files that help shows can be copied from there and used.
#[test]
fn files_in_the_help_can_be_used() {
    let folder = tempfile::tempdir().unwrap();
    for (name, title) in [("horns", "Cavalry trumpet"), ("tunings", "My tuning")] {
        let help = succeed(&[name, "--help"]);
        let after = help.split("FILE.toml:").nth(1).unwrap();
        let indented = |line: &&str| line.is_empty() || line.starts_with("  ");
        let file: Vec<&str> = after
            .trim_start_matches('\n')
            .lines()
            .take_while(indented)
            .collect();
        let path = folder.path().join(format!("{name}.toml"));
        std::fs::write(&path, file.join("\n")).unwrap();
        let shown = succeed(&[name, path.to_str().unwrap()]);
        assert!(shown.contains(title), "{shown}");
    }
}
