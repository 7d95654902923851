//! The promise: what a player never changes is set once, options win, and a command says
//! when a setting decided something.
#![cfg(feature = "cli")]

mod common;

use std::path::Path;
use std::process::Output;

use common::{command, fail, fixture, succeed};

/// Runs the program for a player with these settings.
fn with(settings: &str, args: &[&str]) -> Output {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("leadpipe/settings.toml");
    std::fs::create_dir_all(file.parent().unwrap()).unwrap();
    std::fs::write(&file, settings).unwrap();
    let mut run = command();
    run.env("XDG_CONFIG_HOME", folder.path()).args(args);
    run.output().unwrap()
}

fn text(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).unwrap()
}

fn take() -> String {
    fixture("tenor-trombone-Ab3.wav").to_str().unwrap().into()
}

#[test]
fn settings_decide_what_no_option_says() {
    let settings = "horn = \"bass trumpet\"\nreference_hz = 442.0\n";
    let done = with(settings, &["transcribe", &take()]);
    assert!(done.status.success());
    let table = text(&done.stdout);
    assert!(table.contains("Bass trumpet in B flat") && table.contains("A4 = 442 Hz"));
    assert_eq!(
        text(&done.stderr),
        "leadpipe: from your settings: horn bass trumpet, reference 442\n"
    );
    // Options win, and then there is nothing to say.
    let options = [
        "transcribe",
        &take(),
        "--horn",
        "trombone",
        "--reference",
        "440Hz",
    ];
    let done = with(settings, &options);
    assert_eq!(text(&done.stdout), succeed(&options));
    assert_eq!(text(&done.stderr), "");
}

#[test]
fn kinds_of_file_and_list_are_settings() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().to_str().unwrap();
    let settings = "format = \"csv\"\nwrite = [\"svg\"]\n";
    let done = with(settings, &["transcribe", &take(), "--out", out]);
    assert!(text(&done.stdout).starts_with("onset_s,"));
    let written: Vec<_> = std::fs::read_dir(out)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    assert_eq!(written, ["tenor-trombone-Ab3.svg"]);
    assert!(text(&done.stderr).contains("format csv, write svg"));
    // Without a folder nothing is written, and nothing is said of it.
    let done = with(settings, &["transcribe", &take()]);
    assert!(done.status.success() && !text(&done.stderr).contains("svg"));
}

/// The key of a player's part, and the air that a report's theory is for.
#[test]
fn a_key_and_a_temperature_are_settings() {
    let take = take();
    let key = ["transcribe", &take, "--format", "csv"];
    let done = with("key = \"B\"\n", &key);
    let spelled = succeed(&[&key[..], &["--key", "B"]].concat());
    assert_eq!(text(&done.stdout), spelled);
    assert!(spelled.contains("G#3") && succeed(&key).contains("Ab3"));
    assert_eq!(text(&done.stderr), "leadpipe: from your settings: key B\n");
    // Of the air in the horn only a report tells.
    let folder = tempfile::tempdir().unwrap();
    let report = [
        "--out",
        folder.path().to_str().unwrap(),
        "--write",
        "report",
    ];
    for (more, words) in [(&[][..], ""), (&report, "temperature 12")] {
        let horn = [&["transcribe", &take, "--horn", "trombone"], more].concat();
        let done = with("temperature_c = 12.0\n", &horn);
        assert_eq!(
            text(&done.stderr).contains("from your settings"),
            !words.is_empty()
        );
        assert!(text(&done.stderr).contains(words));
    }
    let page = folder.path().join("tenor-trombone-Ab3.html");
    assert!(std::fs::read_to_string(page).unwrap().contains("12 °C"));
}

/// Every list on standard output has the format that is set.
#[test]
fn a_format_is_for_every_list() {
    for args in [
        &["horns"][..],
        &["tunings"],
        &["tunings", "just"],
        &["compare", &take(), &take()],
        &["track", &take()],
    ] {
        let done = with("format = \"json\"\n", args);
        assert_eq!(
            text(&done.stdout),
            succeed(&[args, &["--format", "json"]].concat())
        );
        assert_eq!(
            text(&done.stderr),
            "leadpipe: from your settings: format json\n",
            "{args:?}"
        );
    }
    let rows = with("format = \"table\"\n", &["track", &take()]);
    assert_eq!(text(&rows.stdout), succeed(&["track", &take()]));
    assert_eq!(text(&rows.stderr), "");
}

/// A tonic belongs to its tuning.
#[test]
fn another_tuning_leaves_the_tonic_behind() {
    let settings = "tuning = \"just\"\ntonic = \"D\"\n";
    let own = ["intonation", &take(), "--tuning", "just"];
    assert_eq!(text(&with(settings, &own).stdout), succeed(&own));
    let plain = with(settings, &own[..2]);
    assert_ne!(text(&plain.stdout), succeed(&own));
    assert_eq!(
        text(&plain.stdout),
        succeed(&[&own[..], &["--tonic", "D"]].concat())
    );
    assert!(text(&plain.stderr).contains("tuning just, tonic D"));
}

#[test]
fn mistakes_are_named_and_the_file_can_be_mended() {
    let settings = "# mine\nhorn = \"trumpt\"\n";
    for args in [&["transcribe", "x.wav"][..], &["settings", "check"]] {
        let done = with(settings, args);
        assert_eq!(done.status.code(), Some(4), "{args:?}");
        let errors = text(&done.stderr);
        assert!(
            errors.contains("settings.toml: line 2, column 8:"),
            "{errors}"
        );
        assert!(errors.contains("did you mean \"trumpet\"?"), "{errors}");
        assert_eq!(errors.lines().count(), 1);
    }
    assert!(with(settings, &["horns"]).status.success());
    assert!(with(settings, &["--help"]).status.success());
}

#[test]
fn a_file_to_start_from() {
    let folder = tempfile::tempdir().unwrap();
    let run = |args: &[&str]| {
        let mut run = command();
        run.env("XDG_CONFIG_HOME", folder.path()).args(args);
        run.output().unwrap()
    };
    let file = folder.path().join("leadpipe/settings.toml");
    assert!(text(&run(&["settings"]).stdout).contains("leadpipe settings new"));
    assert!(run(&["settings", "new"]).status.success());
    assert!(run(&["settings", "check"]).status.success());
    // It changes nothing until it is edited, and is never written over.
    assert_eq!(text(&run(&["transcribe", &take()]).stderr), "");
    assert_eq!(run(&["settings", "new"]).status.code(), Some(5));
    let text_then = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, text_then.replace("# horn =", "horn =")).unwrap();
    let shown = run(&["settings", "--format", "json"]);
    let shown: serde_json::Value = serde_json::from_slice(&shown.stdout).unwrap();
    assert_eq!(shown["horn"], "trumpet");
}

#[test]
fn times_and_frequencies_are_read_as_they_are_said() {
    let from = |start: &str| succeed(&["transcribe", &take(), "--start", start]);
    assert_eq!(from("0:00.5"), from("0.5"));
    for (option, value, hint) in [
        ("--start", "1:75", "such as 12.5 or 1:23.5"),
        ("--end", "soon", "such as 12.5 or 1:23.5"),
        ("--reference", "high", "give hertz, such as 442"),
        ("--key", "H", "give a key such as F"),
        ("--jobs", "0", "give 1 to 256"),
        ("--shift", "far", "give a whole number"),
    ] {
        let (code, errors) = fail(&["transcribe", "x.wav", option, value]);
        assert_eq!(code, 2, "{option} {value}");
        assert!(errors.contains(hint), "{errors}");
        assert_eq!(errors.lines().count(), 1, "{errors}");
    }
}

#[test]
fn shells_complete_horns_and_tunings() {
    let folder = tempfile::tempdir().unwrap();
    succeed(&["manual", "--out", folder.path().to_str().unwrap()]);
    for file in ["leadpipe.bash", "_leadpipe", "leadpipe.fish"] {
        let script = std::fs::read_to_string(Path::new(folder.path()).join(file)).unwrap();
        for name in ["flugelhorn", "wagner-tuba-bb", "werckmeister-3"] {
            assert!(script.contains(name), "{file}: {name}");
        }
    }
}

/// Every list on standard output is there as JSON too, by the same option.
#[test]
fn every_list_is_there_as_json() {
    let take = take();
    for args in [
        &["horns"][..],
        &["horns", "tuba"],
        &["tunings"],
        &["tunings", "just"],
        &["settings"],
        &["transcribe", &take],
        &["intonation", &take],
        &["track", &take],
        &["compare", &take, &take],
    ] {
        let printed = succeed(&[args, &["--format", "json"]].concat());
        serde_json::from_str::<serde_json::Value>(&printed).expect("JSON");
        let rows = succeed(&[args, &["--format", "csv"]].concat());
        let mut rows = csv::Reader::from_reader(rows.as_bytes());
        assert!(rows.records().all(|row| row.is_ok()), "{args:?}");
    }
    // The rows of a track are those of its objects.
    let rows = succeed(&["track", &take]);
    let printed = succeed(&["track", &take, "--format", "json"]);
    let objects: Vec<serde_json::Value> = serde_json::from_str(&printed).unwrap();
    assert_eq!(objects.len(), rows.lines().count() - 1);
}

#[test]
fn colour_is_for_terminals() {
    let done = with("colour = \"always\"\n", &["transcribe", &take()]);
    assert!(text(&done.stdout).contains("\x1b[34m"));
    // Not in a pipe.
    assert!(!succeed(&["transcribe", &take()]).contains('\x1b'));
}
