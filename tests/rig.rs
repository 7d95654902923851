//! The promise: a rig file can be started, checked and filled in by the program,
//! and keeps what its owner wrote.
#![cfg(all(feature = "cli", feature = "live"))]

mod common;

use std::path::Path;
use std::process::{Command, Output, Stdio};

use leadpipe::internals::demo::brass::{Noise, Played, Room, play};

/// Runs the program with a configuration folder of its own.
fn leadpipe(folder: &Path, args: &[&str], input: &str) -> Output {
    use std::io::Write;
    let mut child = Command::new(common::program())
        .args(args)
        .env("XDG_CONFIG_HOME", folder)
        .env("HOME", folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    // It may refuse before it reads.
    let _ = child
        .stdin
        .take()
        .expect("a pipe")
        .write_all(input.as_bytes());
    child.wait_with_output().expect("it ends")
}

fn text(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

#[test]
fn a_rig_is_started_listed_and_checked() {
    let folder = tempfile::tempdir().unwrap();
    let run = |args: &[&str]| leadpipe(folder.path(), args, "");
    assert!(text(&run(&["rig", "list"])).contains("rig new"));
    assert!(run(&["rig", "new", "stage"]).status.success());
    assert_eq!(
        run(&["rig", "new", "stage"]).status.code(),
        Some(5),
        "it is not overwritten"
    );
    assert_eq!(text(&run(&["rig", "list"])).trim(), "stage");
    assert!(run(&["rig", "check", "stage"]).status.success());
    let path = folder.path().join("leadpipe/rigs/stage.toml");
    std::fs::write(
        &path,
        "horns = [\"trumpet\"]\n[[switch]]\nprogram = 1\ndo = \"horn tuba-f\"\n",
    )
    .unwrap();
    let refused = run(&["rig", "check", "stage"]);
    assert_eq!(refused.status.code(), Some(4));
    assert!(text(&refused).contains("tuba-f"), "{}", text(&refused));
    std::fs::write(&path, "[midi]\nprot = \"x\"\n").unwrap();
    assert!(text(&run(&["rig", "check", "stage"])).contains("line 2"));
    // What a session would refuse, a check refuses.
    for (rig, why) in [
        (
            "[[route]]\nwhen = \"accent\"\ntrigger = 7\n",
            "no control voltages",
        ),
        (
            "[cv]\nchannels = [1, 2]\n[double]\non = true\n",
            "channel 1 is set for both",
        ),
        ("[levels]\ngate_db = 5.0\n", "gate"),
    ] {
        std::fs::write(&path, rig).unwrap();
        let refused = run(&["rig", "check", "stage"]);
        assert_eq!(refused.status.code(), Some(4), "{rig}");
        assert!(text(&refused).contains(why), "{}", text(&refused));
    }
}

#[test]
fn a_soundcheck_is_stored() {
    let folder = tempfile::tempdir().unwrap();
    let mut noise = Noise::new(5);
    let mut hiss = |level: f64| -> Vec<f32> {
        (0..96_000)
            .map(|_| (level * noise.value()) as f32)
            .collect()
    };
    let room = Room {
        noise_db: -72.0,
        ..Room::default()
    };
    let notes = |force: f64| {
        play(
            &[
                Played::new(0.2, 1.0, 58.0, force),
                Played::new(1.1, 1.9, 63.0, force),
            ],
            2.0,
            &room,
            1,
        )
    };
    let takes = [
        ("room", hiss(3e-4)),
        ("soft", notes(0.3)),
        ("loud", notes(0.9)),
        ("rig", notes(0.05)),
    ];
    let mut names = Vec::new();
    for (name, samples) in &takes {
        let path = folder.path().join(format!("{name}.wav"));
        common::write_wav(&path, 48_000, &[samples]);
        names.push(path.to_str().unwrap().to_owned());
    }
    let rig = folder.path().join("mine.toml");
    std::fs::write(&rig, "# mine\nhorns = [\"horn\"]\n").unwrap();
    let rig = rig.to_str().unwrap();
    let takes = names.join(",");
    let output = leadpipe(
        folder.path(),
        &["soundcheck", "--takes", &takes, "--rig", rig],
        "",
    );
    assert!(output.status.success(), "{}", text(&output));
    assert!(
        text(&output).contains("dB softer than your soft playing"),
        "{}",
        text(&output)
    );
    let stored = std::fs::read_to_string(rig).unwrap();
    assert!(
        stored.starts_with("# mine\nhorns = [\"horn\"]\n"),
        "{stored}"
    );
    let table: toml::Table = stored.parse().unwrap();
    let level = |name: &str| table["levels"][name].as_float().unwrap();
    assert!(level("room_db") < level("gate_db") && level("gate_db") < level("soft_db"));
    assert!(level("soft_db") + 8.0 < level("loud_db"), "{stored}");
    // Silence in place of playing sets nothing.
    let silent = [&names[0], &names[0], &names[2], &names[0]]
        .map(String::as_str)
        .join(",");
    let refused = leadpipe(
        folder.path(),
        &["soundcheck", "--takes", &silent, "--rig", rig],
        "",
    );
    assert_eq!(refused.status.code(), Some(6), "{}", text(&refused));
    let errors = String::from_utf8(refused.stderr).unwrap();
    assert!(errors.starts_with("leadpipe: no soft notes"), "{errors}");
    assert_eq!(errors.lines().count(), 1, "{errors}");
    assert!(refused.stdout.is_empty(), "levels of nothing");
    assert_eq!(std::fs::read_to_string(rig).unwrap(), stored);
}

#[test]
fn a_rig_has_a_name_or_a_path_that_ends_in_toml() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["", " ", "../../evil", "sub/stage", ".toml", "a\nb"] {
        let refused = leadpipe(folder.path(), &["rig", "new", name], "");
        assert_eq!(refused.status.code(), Some(4), "{name:?}");
        assert!(
            text(&refused).contains("path ending in .toml"),
            "{}",
            text(&refused)
        );
    }
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

/// A gate under the noise is not stored, nor is a value in a rig that could hurt.
#[test]
fn what_makes_no_sense_is_neither_stored_nor_used() {
    let folder = tempfile::tempdir().unwrap();
    let room = Room {
        noise_db: -40.0,
        ..Room::default()
    };
    let notes = |force: f64| {
        let two = [
            Played::new(0.2, 1.0, 58.0, force),
            Played::new(1.1, 1.9, 63.0, force),
        ];
        play(&two, 2.0, &room, 1)
    };
    let takes: Vec<String> = [
        ("room", play(&[], 2.0, &room, 2)),
        ("soft", notes(0.1)),
        ("loud", notes(0.9)),
    ]
    .iter()
    .map(|(name, samples)| {
        let path = folder.path().join(format!("{name}.wav"));
        common::write_wav(&path, 48_000, &[samples]);
        path.to_str().unwrap().to_owned()
    })
    .collect();
    let rig = folder.path().join("mine.toml");
    std::fs::write(&rig, "# mine\n").unwrap();
    let rig_name = rig.to_str().unwrap();
    let four = format!("{},{}", takes.join(","), takes[0]);
    let refused = leadpipe(
        folder.path(),
        &["soundcheck", "--takes", &four, "--rig", rig_name],
        "",
    );
    assert_eq!(refused.status.code(), Some(4), "{}", text(&refused));
    assert!(
        text(&refused).contains("nothing was stored"),
        "{}",
        text(&refused)
    );
    let shown = String::from_utf8_lossy(&refused.stdout);
    assert!(
        shown.contains("room ") && !shown.contains("gate "),
        "{shown}"
    );
    assert_eq!(std::fs::read_to_string(&rig).unwrap(), "# mine\n");

    for (setting, words) in [
        ("[double]\nlevel_db = 20.0", "--level"),
        ("[double]\ninterval = 900.0", "--interval"),
        ("[levels]\ngate_db = 20.0", "--gate"),
        ("[levels]\nsoft_db = -10.0\nloud_db = -30.0", "not above"),
        ("[cv]\noffset_v = nan", "offset_v"),
        ("shift = 2147483647", "--shift"),
        ("[midi]\nchannel = 17", "--midi-channel"),
        ("[clock]\nmetre = \"3/4\"", "no clock comes in"),
        ("[cv]\nchannels = [3, 3, 5, 6]", "channel 3 is set for two"),
        (
            "[cv]\nchannels = [3, 4]\n[clock]\nchannel = 4",
            "channel 4 is set for two",
        ),
        ("[cv]\nchannels = [1, 2, 3, 4, 5, 6]", "6 channels for 5"),
        ("[double]\nchannels = [0]", "1 to 256"),
        ("[draw]\nlow = \"C5\"\nhigh = \"C3\"", "is above draw.high"),
        ("[draw]\nhigh = \"C2\"", "draw.low = \"C3\" is above"),
        ("reference_hz = 9000.0", "reference_hz"),
        ("horns = [\"kazoo\"]", "horns (--horn): no horn"),
        ("tunings = [\"nope\"]", "tunings (--tuning): no tuning"),
        ("tonic = \"H\"", "tonic (--tonic)"),
        ("[input]\nchannel = 0", "1 to 256"),
    ] {
        std::fs::write(&rig, setting).unwrap();
        let refused = leadpipe(folder.path(), &["rig", "check", rig_name], "");
        assert_eq!(refused.status.code(), Some(4), "{setting}");
        assert!(text(&refused).contains(words), "{}", text(&refused));
        assert!(text(&refused).contains(rig_name), "{}", text(&refused));
    }
    // A session names the file where the mistake is in it, and not where it is an option's.
    let take = &takes[1];
    for (setting, option, in_file) in [
        ("reference_hz = 9000.0", "440", false),
        ("[draw]\nhigh = \"C2\"", "440", true),
        ("", "9000", false),
    ] {
        std::fs::write(&rig, setting).unwrap();
        let args = [
            "live",
            "--plain",
            "--from",
            take,
            "--rig",
            rig_name,
            "--reference",
            option,
        ];
        let done = leadpipe(folder.path(), &args, "");
        assert_eq!(text(&done).contains(rig_name), in_file, "{}", text(&done));
    }
}
