//! `leadpipe transcribe`, `track` and `intonation` on takes with known notes.
#![cfg(feature = "cli")]

mod common;

use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::Stdio;

use common::{leadpipe, rows, semitones, succeed, write_wav};
use leadpipe::internals::demo::brass::{Played, Room, play};
use leadpipe::internals::demo::line;

fn take(folder: &Path, rate: u32) -> PathBuf {
    let path = folder.join("take.wav");
    write_wav(&path, rate, &[&line::render(f64::from(rate))]);
    path
}

#[test]
fn every_sample_rate_hears_the_same_line() {
    let folder = tempfile::tempdir().unwrap();
    let played = line::notes();
    let heard_at = |rate| {
        let path = take(folder.path(), rate);
        rows(&succeed(&[
            "transcribe",
            path.to_str().unwrap(),
            "--format",
            "csv",
        ]))
    };
    let usual = heard_at(44_100);
    for rate in [
        8_000, 11_025, 16_000, 22_050, 44_100, 48_000, 96_000, 192_000,
    ] {
        let heard = heard_at(rate);
        assert_eq!(heard.len(), played.len(), "{rate} Hz");
        for (row, note) in heard.iter().zip(&played) {
            assert_eq!(f64::from(row.midi), note.pitch, "{rate} Hz: {row:?}");
            assert!(
                (row.onset_s - note.onset_s).abs() < 0.025,
                "{rate} Hz: {row:?}"
            );
        }
        // The line has different noise at each rate, and some of its partials are left out at the
        // lowest ones.
        for (row, usual) in heard.iter().zip(&usual).filter(|_| rate >= 22_050) {
            let cents = 100.0 * (semitones(row.frequency_hz) - semitones(usual.frequency_hz));
            let late_s = row.onset_s - usual.onset_s;
            assert!(cents.abs() < 2.0, "{rate} Hz: {row:?} {usual:?}");
            assert!(late_s.abs() < 0.005, "{rate} Hz: {row:?} {usual:?}");
        }
    }
}

#[test]
fn the_causal_pass_decides_within_its_stream() {
    let folder = tempfile::tempdir().unwrap();
    let path = take(folder.path(), 48_000);
    let path = path.to_str().unwrap();
    let causal = rows(&succeed(&[
        "transcribe",
        path,
        "--causal",
        "--format",
        "csv",
    ]));
    let full = rows(&succeed(&["transcribe", path, "--format", "csv"]));
    let played = line::notes();
    for note in &played {
        let row = causal
            .iter()
            .find(|r| {
                (semitones(r.frequency_hz) - note.pitch).abs() < 0.5
                    && (r.onset_s - note.onset_s).abs() < 0.05
            })
            .unwrap_or_else(|| panic!("{note:?} not heard"));
        let late_s = row.decided_s - note.onset_s;
        assert!((0.0..0.08).contains(&late_s), "{row:?}");
    }
    // The full pass reports when the live engine knew, not when it knew itself.
    for row in &full {
        assert!(
            causal.iter().any(|c| c.decided_s == row.decided_s),
            "{row:?}"
        );
    }
}

#[test]
fn a_causal_decision_does_not_change_with_the_future() {
    let folder = tempfile::tempdir().unwrap();
    let path = take(folder.path(), 48_000);
    let path = path.to_str().unwrap();
    let whole = rows(&succeed(&[
        "transcribe",
        path,
        "--causal",
        "--format",
        "csv",
    ]));
    let part = rows(&succeed(&[
        "transcribe",
        path,
        "--causal",
        "--end",
        "4",
        "--format",
        "csv",
    ]));
    let ended = |row: &&common::Row| row.offset_s < 3.8;
    let early: Vec<_> = whole.iter().filter(ended).collect();
    assert!(early.len() >= 6);
    for row in early {
        let same = part.iter().any(|p| {
            p.onset_s == row.onset_s
                && p.decided_s == row.decided_s
                && p.frequency_hz == row.frequency_hz
        });
        assert!(same, "{row:?}");
    }
}

#[test]
fn channel_and_times_are_chosen() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("two.wav");
    let room = Room::default();
    let left = play(&[Played::new(0.5, 1.5, 55.0, 0.6)], 2.0, &room, 1);
    let right = play(&[Played::new(0.7, 1.5, 66.0, 0.6)], 2.0, &room, 2);
    write_wav(&path, 48_000, &[&left, &right]);
    let path = path.to_str().unwrap();
    let keys = |args: &[&str]| -> Vec<i32> {
        let args = [&["transcribe", path, "--format", "csv"], args].concat();
        rows(&succeed(&args)).iter().map(|r| r.midi).collect()
    };
    assert_eq!(keys(&["--channel", "1"]), [55]);
    assert_eq!(keys(&["--channel", "2"]), [66]);
    // Times stay those of the file.
    let args = [
        "transcribe",
        path,
        "--format",
        "csv",
        "--channel",
        "2",
        "--start",
        "0.4",
        "--end",
        "1.2",
    ];
    let part = rows(&succeed(&args));
    assert_eq!(part.len(), 1);
    assert!((part[0].onset_s - 0.7).abs() < 0.02, "{part:?}");
    assert!(part[0].offset_s <= 1.21, "{part:?}");
}

#[test]
fn written_notes_are_for_the_horn_in_hand() {
    let folder = tempfile::tempdir().unwrap();
    let path = take(folder.path(), 48_000);
    let path = path.to_str().unwrap();
    let first_written = |horn: &str| {
        let csv = succeed(&["transcribe", path, "--horn", horn, "--format", "csv"]);
        let line = csv.lines().nth(1).unwrap().to_owned();
        line.split(',').nth(7).unwrap().to_owned()
    };
    // Sounding B flat 3.
    assert_eq!(first_written("flugelhorn"), "C4");
    assert_eq!(first_written("horn"), "F4");
    assert_eq!(first_written("tenor-horn"), "G4");
    assert_eq!(first_written("trombone"), "Bb3");
    assert_eq!(first_written("euphonium-treble-clef"), "C5");
}

#[test]
fn the_other_estimator_agrees() {
    let folder = tempfile::tempdir().unwrap();
    let path = take(folder.path(), 48_000);
    let args = [
        "transcribe",
        path.to_str().unwrap(),
        "--estimator",
        "pitch-detection",
        "--format",
        "csv",
    ];
    let heard = rows(&succeed(&args));
    // An independent detector finds the long notes at the same pitch.
    for note in line::notes().iter().filter(|n| n.end_s - n.onset_s > 0.4) {
        let found = heard.iter().any(|row| {
            (semitones(row.frequency_hz) - note.pitch).abs() < 0.3
                && (row.onset_s - note.onset_s).abs() < 0.1
        });
        assert!(found, "{note:?} in {heard:?}");
    }
}

#[test]
fn track_follows_the_pitch() {
    let folder = tempfile::tempdir().unwrap();
    let path = take(folder.path(), 48_000);
    let csv = succeed(&["track", path.to_str().unwrap()]);
    let mut lines = csv.lines();
    assert_eq!(
        lines.next(),
        Some("time_s,frequency_hz,confidence,level_db")
    );
    let mut rest = 0;
    for line in lines {
        let fields: Vec<&str> = line.split(',').collect();
        let time_s: f64 = fields[0].parse().unwrap();
        if (0.1..0.5).contains(&time_s) {
            assert_eq!(fields[1], "", "room noise at {time_s} s");
            rest += 1;
        }
        if (0.7..1.1).contains(&time_s) {
            let pitch = semitones(fields[1].parse().unwrap());
            assert!((pitch - 58.0).abs() < 0.02, "{pitch} at {time_s} s");
        }
    }
    assert!((290..=310).contains(&rest), "{rest} frames in 0.4 s");
}

#[test]
fn intonation_finds_the_reference() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("sharp.wav");
    // Everything 20 cents sharp, but one pitch 8 cents flatter than the rest.
    let sharp = |onset_s: f64, key: f64, off: f64| {
        Played::new(onset_s, onset_s + 0.8, key + 0.2 + off, 0.6)
    };
    let notes = [
        sharp(0.3, 58.0, 0.0),
        sharp(1.3, 62.0, -0.08),
        sharp(2.3, 65.0, 0.0),
        sharp(3.3, 58.0, 0.0),
    ];
    write_wav(&path, 48_000, &[&play(&notes, 4.5, &Room::default(), 3)]);
    let args = [
        "intonation",
        path.to_str().unwrap(),
        "--horn",
        "trumpet",
        "--format",
        "json",
    ];
    let report: serde_json::Value = serde_json::from_str(&succeed(&args)).unwrap();
    let near = |value: &serde_json::Value, want: f64, within: f64| {
        let got = value.as_f64().unwrap();
        assert!((got - want).abs() < within, "{got}, wanted {want}");
    };
    near(&report["offset_cents"], 18.0, 1.0);
    near(
        &report["best_reference_hz"],
        440.0 * 2f64.powf(18.0 / 1200.0),
        0.3,
    );
    let pitches = report["pitches"].as_array().unwrap();
    assert_eq!(pitches.len(), 3);
    assert_eq!(pitches[0]["written"], "C4");
    assert_eq!(pitches[0]["notes"], 2);
    near(&pitches[0]["mean_cents"], 20.0, 1.0);
    near(&pitches[1]["mean_cents"], 12.0, 1.0);
    for note in report["notes"].as_array().unwrap() {
        near(&note["drift_cents"], 0.0, 2.0);
        near(&note["spread_cents"], 0.0, 3.0);
    }
}

/// As in `leadpipe track take.wav | head`, whoever writes the rows.
#[test]
fn a_closed_pipe_is_no_fault() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("line.wav");
    write_wav(&path, 48_000, &[&line::render(48_000.0)]);
    for (args, start) in [
        (["tunings", "--json"], ""),
        (["track", path.to_str().unwrap()], "time_s,"),
    ] {
        let mut run = common::command()
            .args(args)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut some = vec![0; start.len()];
        run.stdout.take().unwrap().read_exact(&mut some).unwrap();
        assert_eq!(some, start.as_bytes());
        let output = run.wait_with_output().unwrap();
        let errors = String::from_utf8(output.stderr).unwrap();
        assert_eq!((output.status.code(), &errors[..]), (Some(0), ""));
    }
    let alone = leadpipe(&[]);
    assert_eq!(alone.status.code(), Some(2));
    // The shortest way to something that works, on a machine with or without a microphone.
    let words = String::from_utf8(alone.stderr).unwrap();
    for step in [
        "leadpipe demo --out demo",
        "leadpipe transcribe TAKE.wav",
        "leadpipe --help",
    ] {
        assert!(words.contains(step), "{words}");
    }
}

#[test]
fn a_causal_track_does_not_change_with_the_future() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("soft.wav");
    // A soft note long before a loud one, which the live engine cannot know of.
    let notes = [
        Played::new(0.4, 1.2, 58.0, 0.1),
        Played::new(2.4, 3.2, 60.0, 1.0),
    ];
    let mut sound = play(&notes, 4.0, &Room::default(), 3);
    sound[96_000..].iter_mut().for_each(|x| *x *= 3.0);
    write_wav(&path, 48_000, &[&sound]);
    let path = path.to_str().unwrap();
    let whole = succeed(&["track", path, "--causal"]);
    let part = succeed(&["track", path, "--causal", "--end", "2"]);
    assert!(part.lines().count() > 1_400);
    for (before, after) in part.lines().zip(whole.lines()) {
        assert_eq!(before, after);
    }
}

/// A stage recorder's file: one of 32 channels is the horn.
#[test]
fn one_of_many_channels_is_heard() {
    let folder = tempfile::tempdir().unwrap();
    let take = folder.path().join("stage.wav");
    let horn = leadpipe::internals::demo::line::render(48_000.0);
    let hiss: Vec<f32> = (0..horn.len())
        .map(|i| ((i * 7_919 % 1_000) as f32 / 1_000.0 - 0.5) * 1e-3)
        .collect();
    let mut channels = vec![&hiss[..]; 32];
    channels[17] = &horn;
    common::write_wav(&take, 48_000, &channels);
    let take = take.to_str().unwrap();
    let list = succeed(&[
        "transcribe",
        take,
        "--channel",
        "18",
        "--horn",
        "flugelhorn",
        "--format",
        "csv",
    ]);
    assert_eq!(
        rows(&list).len(),
        leadpipe::internals::demo::line::notes().len()
    );
    let (code, errors) = common::fail(&["transcribe", take, "--channel", "33"]);
    assert!(code == 3 && errors.contains("1 to 32"), "{errors}");
    // Cut off on the way, it says what is there.
    let bytes = std::fs::read(take).unwrap();
    let cut = folder.path().join("cut.wav");
    std::fs::write(&cut, &bytes[..bytes.len() / 2]).unwrap();
    let (code, errors) = common::fail(&["transcribe", cut.to_str().unwrap(), "--channel", "18"]);
    assert!(code == 3 && errors.contains("--end 6."), "{errors}");
}
