//! Control voltages are right within a millivolt, read back by another decoder.
#![cfg(feature = "cli")]

mod common;

use std::path::Path;

use common::{leadpipe, rows, succeed, write_wav};
use leadpipe::internals::demo::brass::{Played, Room, play};
use leadpipe::{Selection, Take};

const RATE: u32 = 48_000;

/// One channel of a file, read with the decoder that reads takes.
fn channel(path: &Path, number: usize) -> Vec<f32> {
    let selection = Selection {
        channel: Some(number),
        ..Selection::default()
    };
    let mut take = Take::open(path, &selection).unwrap();
    let (mut all, mut block) = (Vec::new(), Vec::new());
    while take.next_block(&mut block).unwrap() {
        all.extend_from_slice(&block);
    }
    all
}

fn voltages(line: &[Played], length_s: f64, args: &[&str]) -> ([Vec<f32>; 4], Vec<common::Row>) {
    let folder = tempfile::tempdir().unwrap();
    let take = folder.path().join("take.wav");
    write_wav(&take, RATE, &[&play(line, length_s, &Room::default(), 5)]);
    let out = folder.path().join("out");
    let fixed = [
        "transcribe",
        take.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--write",
        "cv,csv",
    ];
    succeed(&[&fixed, args].concat());
    let notes = rows(&std::fs::read_to_string(out.join("take.csv")).unwrap());
    let cv = out.join("take.cv.wav");
    ([1, 2, 3, 4].map(|n| channel(&cv, n)), notes)
}

fn at(channel: &[f32], time_s: f64) -> f64 {
    f64::from(channel[(time_s * f64::from(RATE)) as usize])
}

fn line() -> Vec<Played> {
    vec![
        Played::new(0.4, 1.2, 60.0, 0.6),
        Played::new(1.2, 1.9, 64.0, 0.6).slurred(),
        Played::new(2.4, 3.2, 53.3, 0.5),
    ]
}

#[test]
fn pitch_is_a_volt_an_octave() {
    let ([pitch, ..], _) = voltages(&line(), 4.0, &[]);
    for (time_s, key) in [(0.8, 60.0), (1.6, 64.0), (2.9, 53.3)] {
        let volts = 10.0 * at(&pitch, time_s);
        assert!(
            (volts - (key - 60.0) / 12.0).abs() < 0.001,
            "{volts} V at {time_s} s"
        );
    }
    // Held after the note.
    assert!((10.0 * at(&pitch, 3.9) - (53.3 - 60.0) / 12.0).abs() < 0.003);
}

#[test]
fn settings_move_it() {
    let args = [
        "--zero-volt-note",
        "A3",
        "--volts-full-scale",
        "5",
        "--snap",
        "hard",
    ];
    let ([pitch, ..], _) = voltages(&line(), 4.0, &args);
    for (time_s, key) in [(0.8, 60.0), (1.6, 64.0), (2.9, 53.0)] {
        let volts = 5.0 * at(&pitch, time_s);
        // Snapped hard, the table's pitch is exact.
        assert!(
            (volts - (key - 57.0) / 12.0).abs() < 1e-5,
            "{volts} V at {time_s} s"
        );
    }
}

/// As `calibrate` may find it.
#[test]
fn an_interface_that_inverts_gets_it_the_other_way_round() {
    let ([pitch, ..], _) = voltages(&line(), 4.0, &["--volts-full-scale", "-10"]);
    let volts = -10.0 * at(&pitch, 1.6);
    assert!((volts - 4.0 / 12.0).abs() < 0.001, "{volts}");
}

#[test]
fn bent_snap_keeps_the_shape_and_moves_the_centre() {
    let bent = voltages(&line(), 4.0, &["--snap", "bend"]).0;
    let volts = 10.0 * at(&bent[0], 2.9);
    assert!((volts - (53.0 - 60.0) / 12.0).abs() < 0.001, "{volts}");
}

#[test]
fn gate_and_trigger_follow_the_attacks() {
    let ([_, gate, trigger, loudness], notes) = voltages(&line(), 4.0, &[]);
    assert_eq!(notes.len(), 3);
    for (time_s, volts) in [
        (0.2, 0.0),
        (0.8, 5.0),
        (1.2, 5.0),
        (1.6, 5.0),
        (2.3, 0.0),
        (2.9, 5.0),
        (3.9, 0.0),
    ] {
        assert!(
            (10.0 * at(&gate, time_s) - volts).abs() < 1e-6,
            "gate at {time_s} s"
        );
    }
    let high = |from_s: f64, to_s: f64| {
        (trigger[(from_s * 48e3) as usize..(to_s * 48e3) as usize])
            .iter()
            .filter(|v| **v > 0.4)
            .count()
    };
    // 5 ms at each tongued attack, none at the slur.
    assert!((238..=242).contains(&high(0.3, 0.6)), "{}", high(0.3, 0.6));
    assert_eq!(high(1.0, 1.5), 0);
    assert!((238..=242).contains(&high(2.2, 2.7)));
    assert!(10.0 * at(&loudness, 0.8) > 2.0);
    assert_eq!(at(&loudness, 0.2), 0.0);
    // A softer note gives a lower voltage.
    assert!(at(&loudness, 2.9) < at(&loudness, 0.8));
}

/// A voltage that the interface cannot put out is a wrong note, so it is said, by `write` as by
/// `transcribe`.
#[test]
fn what_full_scale_cuts_off_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let list = "onset_s,offset_s,midi\n0.1,0.2,60\n0.2,0.3,74\n0.3,0.4,47\n";
    std::fs::write(path("line.csv"), list).unwrap();
    let said = |volts: &str| {
        let (list, out) = (path("line.csv"), path("out"));
        let args = ["write", &list, "--out", &out, "--write", "csv,cv"];
        let output = leadpipe(&[&args[..], &["--volts-full-scale", volts]].concat());
        assert!(output.status.success(), "{output:?}");
        let errors = String::from_utf8(output.stderr).unwrap();
        let warnings = errors.lines().filter(|line| !line.starts_with("wrote"));
        warnings.collect::<Vec<_>>().join("\n")
    };
    for volts in ["10", "5", "4.9", "-5"] {
        assert_eq!(said(volts), "", "{volts}");
    }
    let gate = said("2");
    assert!(
        gate.ends_with("line.cv.wav: the interface's full scale of 2 V cuts off the 5 V of gate, trigger and loudness; check --volts-full-scale"),
        "{gate}"
    );
    for volts in ["1", "-1"] {
        let both = said(volts);
        assert_eq!(both.lines().count(), 1, "{both}");
        assert!(
            both.contains("1 V cuts off the pitch of 2 of 3 notes") && both.contains("the 5 V of"),
            "{both}"
        );
    }
}
