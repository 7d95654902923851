//! The promise: without any device a file plays through the same live engine, in
//! real time, with every setting of a live session.
#![cfg(all(feature = "cli", feature = "live"))]

mod common;
#[path = "common/stage.rs"]
mod stage;

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use common::{rows, wait};
use leadpipe::internals::demo::brass::{Bend, Played, Room, play as render};
use stage::{Live, OscReceiver, free_port, send_osc};

/// Four tongued notes, the second harder, the third short, the last one falling.
fn take(folder: &Path) -> PathBuf {
    let fall = Bend::Fall {
        cents: 420.0,
        over_s: 0.35,
    };
    let notes = [
        Played::new(0.3, 0.7, 58.0, 0.3),
        Played::new(0.8, 1.2, 60.0, 0.3),
        Played::new(1.3, 1.7, 62.0, 0.95),
        Played::new(1.8, 1.88, 58.0, 0.4),
        Played::new(2.3, 3.1, 65.0, 0.6).bent(fall),
    ];
    let path = folder.join("line.wav");
    common::write_wav(&path, 48_000, &[&render(&notes, 3.5, &Room::default(), 1)]);
    path
}

fn run(options: &[&str]) -> (Vec<serde_json::Value>, String) {
    let folder = tempfile::tempdir().unwrap();
    let take = take(folder.path());
    let mut all = vec!["--from", take.to_str().unwrap(), "--jsonl"];
    all.extend(options);
    let mut live = Live::start(None, &all);
    live.ends_within(15.0);
    let lines = live.lines();
    let events = lines.iter().map(|l| serde_json::from_str(l).expect("JSON"));
    (events.collect(), live.errors())
}

fn starts(events: &[serde_json::Value]) -> Vec<i64> {
    let starts = events.iter().filter(|e| e["event"] == "start");
    starts.map(|e| e["key"].as_i64().unwrap()).collect()
}

#[test]
fn a_file_plays_in_real_time() {
    let begun = Instant::now();
    let (events, errors) = run(&["--horn", "trumpet"]);
    assert!(begun.elapsed() > Duration::from_millis(3_400));
    assert_eq!(starts(&events), [58, 60, 62, 58, 65]);
    assert_eq!(events[0]["written"], "C4");
    assert!(errors.contains("5 notes"), "{errors}");
}

#[test]
fn gestures_are_cued() {
    let (events, _) = run(&[]);
    let cues: Vec<_> = events.iter().filter(|e| e["event"] == "cue").collect();
    let at = |name: &str| {
        let cue = cues.iter().find(|c| c["gesture"] == name);
        cue.unwrap_or_else(|| panic!("no {name}: {cues:?}"))["time_s"]
            .as_f64()
            .unwrap()
    };
    // While the accented note is young, and when the others end.
    assert!((1.3..1.42).contains(&at("accent")), "{}", at("accent"));
    assert!((1.85..2.1).contains(&at("staccatissimo").min(2.0)));
    assert!(at("fall") > 2.8);
    let accents = cues.iter().filter(|c| c["gesture"] == "accent").count();
    assert_eq!(accents, 1, "{cues:?}");
}

/// Dropouts cut no note in two, and are counted.
#[test]
fn dropouts_are_filled_and_counted() {
    let folder = tempfile::tempdir().unwrap();
    let path = take(folder.path());
    let reader = hound::WavReader::open(&path).unwrap();
    let mut samples: Vec<f32> = reader.into_samples().map(Result::unwrap).collect();
    // 2 ms each, in the first, the third and the last note.
    for from in [24_000, 72_000, 120_000] {
        samples[from..from + 96].fill(0.0);
    }
    common::write_wav(&path, 48_000, &[&samples]);
    let mut live = Live::start(None, &["--from", path.to_str().unwrap(), "--jsonl"]);
    live.ends_within(15.0);
    let lines = live.lines();
    let events = lines.iter().map(|l| serde_json::from_str(l).expect("JSON"));
    assert_eq!(starts(&events.collect::<Vec<_>>()), [58, 60, 62, 58, 65]);
    let errors = live.errors();
    assert!(
        errors.contains(" 0 late blocks, 3 dropouts filled"),
        "{errors}"
    );
}

#[test]
fn attacks_step_a_sequence() {
    let (events, _) = run(&["--sequence", "C2,G2,Eb3"]);
    assert_eq!(starts(&events), [36, 43, 51, 36, 43]);
}

#[test]
fn attacks_draw_from_the_table() {
    let options = [
        "--source",
        "draw",
        "--tuning",
        "minor-pentatonic",
        "--tonic",
        "Bb",
    ];
    let (events, _) = run(&options);
    let drawn = starts(&events);
    // B flat, D flat, E flat, F, A flat, from C3 to C5.
    assert!(
        drawn
            .iter()
            .all(|k| [10, 1, 3, 5, 8].contains(&(k % 12)) && (48..=72).contains(k)),
        "{drawn:?}"
    );
    assert_eq!(
        starts(&run(&options).0),
        drawn,
        "the same seed draws the same"
    );
}

#[test]
fn shift_and_snap_change_what_is_sent() {
    let (events, _) = run(&["--shift", "-12", "--snap", "hard", "--reference", "442"]);
    assert_eq!(starts(&events), [46, 48, 50, 46, 53]);
    let shift = 12.0 * (442.0f64 / 440.0).log2();
    for event in events.iter().filter(|e| e["event"] == "start") {
        let sent = event["pitch"].as_f64().unwrap();
        assert!(
            (sent - shift - (sent - shift).round()).abs() < 1e-3,
            "{event}"
        );
    }
}

#[test]
fn a_take_is_kept_with_its_notes() {
    let folder = tempfile::tempdir().unwrap();
    let takes = folder.path().join("takes");
    let (_, errors) = run(&["--record", takes.to_str().unwrap()]);
    let files: Vec<PathBuf> = std::fs::read_dir(&takes)
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    let with = |ending: &str| {
        let found = files.iter().find(|p| p.to_string_lossy().ends_with(ending));
        found.unwrap_or_else(|| panic!("no {ending}: {files:?} {errors}"))
    };
    let reader = hound::WavReader::open(with(".wav")).unwrap();
    let length_s = f64::from(reader.duration()) / 48_000.0;
    assert!((length_s - 3.5).abs() < 0.01, "{length_s}");
    let notes = rows(&std::fs::read_to_string(with(".csv")).unwrap());
    assert_eq!(
        notes.iter().map(|r| r.midi).collect::<Vec<_>>(),
        [58, 60, 62, 58, 65]
    );
    assert!(with(".mid").exists() && with(".json").exists());
    assert!(errors.contains("wrote"), "{errors}");
}

/// What a session has sent is what its note events and its take's list and MIDI file say.
#[test]
fn a_take_says_what_was_sent() {
    let folder = tempfile::tempdir().unwrap();
    let takes = folder.path().to_str().unwrap();
    let sending = ["--shift", "5", "--sequence", "C4,E4,G4"];
    let (events, _) = run(&[&sending[..], &["--record", takes]].concat());
    let keys = starts(&events);
    assert_eq!(keys, [65, 69, 72, 65, 69]);
    let path = |ending: &str| file_of(takes, ending);
    assert_eq!(keys_of(&path("mid")), keys);
    let list: serde_json::Value =
        serde_json::from_slice(&std::fs::read(path("json")).unwrap()).unwrap();
    assert_eq!(list["take"]["shift"], 5);
    assert_eq!(list["take"]["sequence"], serde_json::json!([60, 64, 67]));
    let notes = list["notes"].as_array().unwrap().iter();
    let told = events.iter().filter(|e| e["event"] == "note");
    for notes in [notes.collect::<Vec<_>>(), told.collect()] {
        let volts: Vec<f64> = notes.iter().map(|n| n["volts"].as_f64().unwrap()).collect();
        assert_eq!(volts.len(), keys.len());
        for (volts, key) in volts.iter().zip(&keys) {
            assert!((60.0 + 12.0 * volts - *key as f64).abs() < 1e-3, "{volts}");
        }
    }
}

/// The notes that a session drew stand in its note events and in the JSON list of its take, and
/// the list is written again with them, as the take's MIDI file has them.
#[test]
fn a_take_says_what_was_drawn() {
    let folder = tempfile::tempdir().unwrap();
    let takes = folder.path().to_str().unwrap();
    let sending = ["--source", "draw", "--tuning", "blues", "--shift", "5"];
    let (events, errors) = run(&[&sending[..], &["--record", takes]].concat());
    let keys = starts(&events);
    assert_eq!(keys.len(), 5, "{errors}");
    assert_ne!(keys, [63, 65, 67, 63, 70], "drawn, not followed");
    let path = |ending: &str| file_of(takes, ending);
    let list: serde_json::Value =
        serde_json::from_slice(&std::fs::read(path("json")).unwrap()).unwrap();
    let notes = list["notes"].as_array().unwrap().iter();
    let told = events.iter().filter(|e| e["event"] == "note");
    for notes in [notes.collect::<Vec<_>>(), told.collect()] {
        let drawn: Vec<i64> = notes
            .iter()
            .map(|n| n["drawn"].as_f64().unwrap().round() as i64 + 5)
            .collect();
        assert_eq!(drawn, keys);
    }
    let again = folder.path().join("again");
    common::succeed(&[
        "write",
        path("json").to_str().unwrap(),
        "--out",
        again.to_str().unwrap(),
        "--write",
        "midi",
    ]);
    let mut written = std::fs::read_dir(again).unwrap().map(|e| e.unwrap().path());
    let written = written.next().expect("a MIDI file");
    assert_eq!(keys_of(&written), keys);
    assert_eq!(keys_of(&path("mid")), keys);
}

/// The file of a folder whose name ends so.
fn file_of(folder: &str, ending: &str) -> PathBuf {
    let mut files = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path());
    let path = files.find(|p| p.extension().is_some_and(|e| e == ending));
    path.unwrap_or_else(|| panic!("no {ending} in {folder}"))
}

/// Keys of a MIDI file's notes.
fn keys_of(path: &Path) -> Vec<i64> {
    let midi = std::fs::read(path).unwrap();
    let smf = midly::Smf::parse(&midi).unwrap();
    let on = |event: &midly::TrackEvent| match event.kind {
        midly::TrackEventKind::Midi {
            message: midly::MidiMessage::NoteOn { key, .. },
            ..
        } => Some(i64::from(key.as_int())),
        _ => None,
    };
    smf.tracks[0].iter().filter_map(on).collect()
}

#[test]
fn a_rig_file_routes_and_switches() {
    let folder = tempfile::tempdir().unwrap();
    let receiver = OscReceiver::start();
    let listen = free_port();
    let rig = folder.path().join("stage.toml");
    let text = format!(
        "horns = [\"trumpet\", \"trombone\"]\n[osc]\nto = [\"127.0.0.1:{}\"]\nlisten = \"{listen}\"\n\
         [[route]]\nwhen = \"accent\"\nosc = \"/lamp/flash\"\n",
        receiver.port
    );
    std::fs::write(&rig, text).unwrap();
    let take = take(folder.path());
    let options = [
        "--rig",
        rig.to_str().unwrap(),
        "--from",
        take.to_str().unwrap(),
        "--jsonl",
    ];
    let mut live = Live::start(None, &options);
    assert!(wait(5.0, || live
        .lines()
        .iter()
        .any(|l| l.contains("\"start\""))));
    send_osc(listen, "/leadpipe/horn", Some("trombone"));
    assert!(wait(5.0, || live
        .lines()
        .iter()
        .any(|l| l.contains("\"gesture\":\"accent\""))));
    send_osc(listen, "/leadpipe/mute", None);
    live.ends_within(10.0);
    let events: Vec<serde_json::Value> = live
        .lines()
        .iter()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect();
    let written: Vec<_> = events
        .iter()
        .filter(|e| e["event"] == "start")
        .map(|e| e["written"].as_str().unwrap().to_owned())
        .collect();
    // What sounds at a switch is named anew.
    assert_eq!(written, ["C4", "Bb3", "C4", "D4"]);
    let flashes = receiver
        .messages()
        .iter()
        .filter(|m| m.addr == "/lamp/flash")
        .count();
    assert_eq!(flashes, 1);
}

#[test]
fn what_cannot_work_is_refused_in_one_line() {
    let folder = tempfile::tempdir().unwrap();
    let take = take(folder.path());
    let take = take.to_str().unwrap();
    for (options, code, word) in [
        (&["--from", "nowhere.wav"][..], 3, "nowhere.wav"),
        (&["--from", take, "--horn", "kazoo"], 4, "kazoo"),
        (&["--from", take, "--source", "sequence"], 4, "--sequence"),
        (&["--from", take, "--level", "-30"], 4, "add --double"),
        (&["--from", take, "--midi-channel", "2"], 4, "add --midi"),
        (&["--from", take, "--volts-full-scale", "5"], 4, "add --cv"),
        #[cfg(feature = "page")]
        (&["--from", take, "--page-read-only"], 4, "add --page"),
        (&["--from", take, "--rig", "nosuch"], 4, "rig new"),
        (&["--from", take, "--osc", "nonsense"], 4, "HOST:PORT"),
        (&["--from", take, "--cv", "jack"], 4, "DEVICE:CHANNELS"),
        (
            &["--from", take, "--cv", "jack:3,3,5,6"],
            4,
            "channel 3 is set for two",
        ),
        (
            &["--from", take, "--output", "nosuchdevice", "--double"],
            7,
            "nosuchdevice",
        ),
        (&["--from", take, "--midi", "nosuchport"], 7, "MIDI"),
        (&["--from", take, "--record", take], 5, "into a folder"),
        (&["--input", "nosuchdevice"], 7, "nosuchdevice"),
        (
            &["--from", take, "--record", "/proc/nowhere"],
            5,
            "/proc/nowhere",
        ),
    ] {
        let mut args = vec!["live", "--plain"];
        args.extend(options);
        let (got, errors) = common::fail(&args);
        assert_eq!(got, code, "{options:?}: {errors}");
        assert!(errors.contains(word), "{options:?}: {errors}");
        assert_eq!(
            errors.trim_end().lines().count(),
            1,
            "{options:?}: {errors}"
        );
    }
}

/// A cue that was set up for another rig.
#[test]
fn an_unknown_name_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let take = take(folder.path());
    let port = free_port();
    let listen = port.to_string();
    let options = ["--from", take.to_str().unwrap(), "--listen", &listen];
    let mut live = Live::start(None, &[&options[..], &["--horn", "trumpet"]].concat());
    assert!(wait(10.0, || !live.lines().is_empty()), "{}", live.errors());
    send_osc(port, "/leadpipe/horn", Some("kazoo"));
    let told = || {
        live.errors()
            .contains("no horn of this session is called \"kazoo\"")
    };
    assert!(wait(10.0, told), "{}", live.errors());
    assert_eq!(live.ends_within(15.0), Some(0));
}
