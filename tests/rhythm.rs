//! The promise: the part follows a player who does not keep time like a machine, in the
//! metre that is played, and the MIDI file has the same bars. `scripts/rhythm.py` says how
//! often on some hundred melodies.

mod common;

use std::collections::HashMap;
use std::path::Path;

use common::succeed;

/// A tune as (value in quarters, negative for a rest), from the first bar line less
/// `pickup` quarters on, played by `time_s` of quarters. Bars are `bar` quarters long.
fn list(path: &Path, tune: &[f64], pickup: f64, bar: f64, time_s: impl Fn(f64) -> f64) {
    let mut rows = String::from("onset_s,offset_s,midi,level_db\n");
    let mut at = -pickup;
    for (i, value) in tune.iter().enumerate() {
        let until = at + value.abs();
        if *value > 0.0 {
            // A player strays by some 12 ms.
            let stray_s = 0.012 * (2.4 * i as f64).sin();
            let (start_s, end_s) = (time_s(at) + stray_s, time_s(until));
            let level_db = if (at / bar).fract().abs() < 1e-9 {
                -18.0
            } else {
                -20.0
            };
            let end_s = start_s + 0.85 * (end_s - start_s);
            let key = 60 + [0, 2, 4, 5, 7, 4, 2][i % 7];
            rows += &format!("{start_s:.4},{end_s:.4},{key},{level_db}\n");
        }
        at = until;
    }
    std::fs::write(path, rows).unwrap();
}

/// The part's texts by element, the last of each, and its notes: (place in the bar,
/// value) in quarters, ties joined.
fn part(folder: &Path, options: &[&str]) -> (HashMap<String, String>, Vec<(f64, f64)>) {
    let list = folder.join("list.csv");
    let mut args = vec![
        "write",
        list.to_str().unwrap(),
        "--out",
        folder.to_str().unwrap(),
    ];
    args.extend(["--write", "musicxml,midi"]);
    args.extend(options);
    succeed(&args);
    common::part::read(&folder.join("list.musicxml"))
}

/// What the tune's notes should be.
fn expected(tune: &[f64], pickup: f64, bar: f64) -> Vec<(f64, f64)> {
    let mut at = -pickup;
    let mut notes = Vec::new();
    for value in tune {
        if *value > 0.0 {
            notes.push((at.rem_euclid(bar), *value));
        }
        at += value.abs();
    }
    notes
}

const WALTZ: [f64; 32] = [
    1.0, 1.0, 1.0, 1.0, 2.0, 1.0, 1.5, 0.5, 1.0, 2.0, 1.0, 1.0, 0.5, 0.5, 1.0, 2.0, 1.0, 1.0, 1.0,
    1.0, 2.0, 1.0, 1.5, 0.5, 1.0, 1.0, 1.0, 1.0, 2.0, -1.0, 2.0, -1.0,
];

#[test]
fn a_waltz_that_breathes_has_its_bars_and_its_pickup() {
    let folder = tempfile::tempdir().unwrap();
    let time_s = |quarters: f64| 1.9 + 0.5 * (quarters + 0.5 * (quarters / 4.0).sin());
    list(&folder.path().join("list.csv"), &WALTZ, 1.0, 3.0, time_s);
    let (texts, notes) = part(folder.path(), &[]);
    assert_eq!(
        (texts["beats"].as_str(), texts["beat-type"].as_str()),
        ("3", "4")
    );
    assert_eq!(notes, expected(&WALTZ, 1.0, 3.0));
    let tempo: f64 = texts["per-minute"].parse().unwrap();
    assert!((tempo / 120.0 - 1.0).abs() < 0.03, "{tempo}");
}

#[test]
fn swung_eighths_are_straight_with_a_mark() {
    let folder = tempfile::tempdir().unwrap();
    let bars = [0.5, 0.5, 0.5, 0.5, 1.0, 0.5, 0.5, 1.5, 0.5, 0.5, 0.5, 1.0];
    let tune: Vec<f64> = bars.iter().copied().cycle().take(48).chain([4.0]).collect();
    let time_s = |quarters: f64| {
        let swung = if quarters.fract() == 0.5 { 0.15 } else { 0.0 };
        0.8 + (quarters + swung) * 60.0 / 150.0
    };
    list(&folder.path().join("list.csv"), &tune, 0.0, 4.0, time_s);
    let (texts, notes) = part(folder.path(), &["--meter", "4/4"]);
    assert_eq!(notes, expected(&tune, 0.0, 4.0));
    let ratio: f64 =
        texts["first"].parse::<f64>().unwrap() / texts["second"].parse::<f64>().unwrap();
    assert!((ratio - 0.65 / 0.35).abs() < 0.25, "{ratio}");
    let (texts, _) = part(folder.path(), &["--swing", "off"]);
    assert!(!texts.contains_key("first"));
}

/// A line that is straight, then swung, then straight again says so where it changes.
#[test]
fn a_passage_that_swings_is_marked_where_it_begins_and_ends() {
    let folder = tempfile::tempdir().unwrap();
    let bars = [0.5, 0.5, 0.5, 0.5, 1.0, 0.5, 0.5, 1.5, 0.5, 0.5, 0.5, 1.0];
    let tune: Vec<f64> = bars
        .iter()
        .copied()
        .cycle()
        .take(144)
        .chain([4.0])
        .collect();
    let time_s = |quarters: f64| {
        let swings = (32.0..64.0).contains(&quarters) && quarters.fract() == 0.5;
        0.8 + (quarters + if swings { 0.15 } else { 0.0 }) * 60.0 / 132.0
    };
    list(&folder.path().join("list.csv"), &tune, 0.0, 4.0, time_s);
    let (_, notes) = part(folder.path(), &[]);
    assert_eq!(notes, expected(&tune, 0.0, 4.0));
    let text = std::fs::read_to_string(folder.path().join("list.musicxml")).unwrap();
    let bar_of = |sign: &str| {
        let before = &text[..text.find(sign).unwrap_or_else(|| panic!("no {sign}"))];
        before.matches("<measure ").count()
    };
    assert_eq!(text.matches("<swing>").count(), 2);
    assert_eq!((bar_of("<first>"), bar_of("<straight/>")), (9, 17));
    assert!(text.contains("in bars 9 to 16"));
}

#[test]
fn one_option_mends_a_wrong_guess() {
    let folder = tempfile::tempdir().unwrap();
    let tune = [1.0; 12];
    list(&folder.path().join("list.csv"), &tune, 0.0, 99.0, |q| {
        1.0 + 0.5 * q
    });
    let places = |options: &[&str]| -> Vec<f64> {
        let (_, notes) = part(folder.path(), options);
        notes.iter().map(|n| n.0).collect()
    };
    let common = ["--meter", "4/4", "--tempo", "120"];
    assert_eq!(
        places(&[&common[..], &["--pickup", "1"]].concat())[..3],
        [3.0, 0.0, 1.0]
    );
    assert_eq!(
        places(&[&common[..], &["--downbeat", "2.0"]].concat())[..3],
        [2.0, 3.0, 0.0]
    );
    let (texts, _) = part(folder.path(), &["--key", "E flat minor"]);
    assert_eq!(texts["fifths"], "-6");
    // Half the tempo in the smallest values that are allowed.
    let (_, notes) = part(folder.path(), &["--tempo", "60", "--smallest-note", "8"]);
    assert!(notes[..11].iter().all(|n| n.1 == 0.5), "{notes:?}");
}

/// Notes shorter than any value are small notes before the next one, and shift nothing.
#[test]
fn ornaments_are_grace_notes() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("list.csv");
    let time_s = |quarters: f64| 1.0 + 0.6 * quarters;
    list(&path, &WALTZ, 1.0, 3.0, time_s);
    let rows = std::fs::read_to_string(&path).unwrap();
    let plain = part(folder.path(), &[]).1;
    // One before the sixth note, two before the twelfth, each 60 ms long.
    let mut ornamented: Vec<String> = Vec::new();
    for (at, row) in rows.lines().enumerate() {
        let onset_s = row.split(',').next().unwrap().parse::<f64>();
        let before = match at {
            6 => 1,
            12 => 2,
            _ => 0,
        };
        if before > 0 {
            let onset_s = onset_s.unwrap();
            let last = ornamented.last_mut().unwrap();
            let cells: Vec<&str> = last.split(',').collect();
            let end_s = cells[1]
                .parse::<f64>()
                .unwrap()
                .min(onset_s - 0.06 * f64::from(before));
            *last = format!("{},{end_s:.4},{},{}", cells[0], cells[2], cells[3]);
            for grace in (1..=before).rev() {
                let from_s = onset_s - 0.06 * f64::from(grace);
                ornamented.push(format!(
                    "{from_s:.4},{:.4},{},-22",
                    from_s + 0.055,
                    70 + grace
                ));
            }
        }
        ornamented.push(row.to_owned());
    }
    std::fs::write(&path, ornamented.join("\n")).unwrap();
    let (_, notes) = part(folder.path(), &[]);
    assert_eq!(notes, plain);
    let text = std::fs::read_to_string(folder.path().join("list.musicxml")).unwrap();
    assert_eq!(text.matches("<grace slash=\"yes\"/>").count(), 3);
}

/// Another tempo is written where it begins; a tempo that swings has one mark.
#[test]
fn tempo_is_marked_where_it_changes() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("list.csv");
    let tune: Vec<f64> = [1.0, 1.0, 0.5, 0.5, 1.0]
        .iter()
        .copied()
        .cycle()
        .take(80)
        .collect();
    let marks = |text: &str| -> Vec<f64> {
        let marks = text.split("<per-minute>").skip(1);
        marks
            .map(|m| m.split('<').next().unwrap().parse().unwrap())
            .collect()
    };
    let written = || {
        part(folder.path(), &["--meter", "4/4"]);
        std::fs::read_to_string(folder.path().join("list.musicxml")).unwrap()
    };
    list(&path, &tune, 0.0, 4.0, |q| {
        1.0 + 0.6 * (q + 0.4 * (q / 5.0).sin())
    });
    assert_eq!(marks(&written()).len(), 1);
    // From 100 to 125 over the eighth bar line.
    list(&path, &tune, 0.0, 4.0, |q| {
        1.0 + 0.6 * q.min(32.0) + 0.48 * (q - 32.0).max(0.0)
    });
    let marks = marks(&written());
    assert_eq!(marks.len(), 2, "{marks:?}");
    assert!(
        (marks[0] - 100.0).abs() < 2.0 && (marks[1] - 125.0).abs() < 2.0,
        "{marks:?}"
    );
}

/// Bars, beats and seconds of the MIDI file: bars as in the part, notes when they were
/// played.
#[test]
fn the_midi_file_has_the_bars_of_the_part() {
    let folder = tempfile::tempdir().unwrap();
    let time_s = |quarters: f64| 1.9 + 0.5 * (quarters + 0.5 * (quarters / 4.0).sin());
    list(&folder.path().join("list.csv"), &WALTZ, 1.0, 3.0, time_s);
    let (_, notes) = part(folder.path(), &["--horn", "trumpet"]);
    let bytes = std::fs::read(folder.path().join("list.mid")).unwrap();
    let smf = midly::Smf::parse(&bytes).unwrap();
    let midly::Timing::Metrical(quarter) = smf.header.timing else {
        panic!("frames");
    };
    let quarter = f64::from(quarter.as_int());
    let list = std::fs::read_to_string(folder.path().join("list.csv")).unwrap();
    let onsets: Vec<f64> = list
        .lines()
        .skip(1)
        .map(|l| l.split(',').next().unwrap().parse().unwrap())
        .collect();
    let (mut tick, mut now_s, mut micros, mut bar_line) = (0.0, 0.0, 0.0, 0.0);
    let mut said = Vec::new();
    let mut found = Vec::new();
    for event in &smf.tracks[0] {
        let delta = f64::from(event.delta.as_int());
        tick += delta;
        now_s += delta / quarter * micros / 1e6;
        match event.kind {
            midly::TrackEventKind::Meta(midly::MetaMessage::Tempo(m)) => {
                micros = f64::from(m.as_int())
            }
            midly::TrackEventKind::Meta(midly::MetaMessage::TimeSignature(n, d, ..)) => {
                said.push(format!("{n}/{}", 1 << d));
                bar_line = tick / quarter;
            }
            midly::TrackEventKind::Meta(midly::MetaMessage::KeySignature(fifths, _)) => {
                // C major as it sounds, whatever the horn.
                said.push(format!("{fifths}"));
            }
            midly::TrackEventKind::Midi {
                message: midly::MidiMessage::ProgramChange { program },
                ..
            } => {
                said.push(format!("program {program}"));
            }
            midly::TrackEventKind::Midi {
                message: midly::MidiMessage::NoteOn { .. },
                ..
            } => {
                found.push((tick / quarter, now_s));
            }
            _ => {}
        }
    }
    // What is before the upbeat is counted in: a bar of two rests, and half a beat.
    assert_eq!(said, ["1/8", "0", "program 56", "3/4"]);
    assert_eq!(bar_line, 0.5);
    assert_eq!(found.len(), notes.len());
    for ((quarters, heard_s), (onset_s, (place, _))) in found.iter().zip(onsets.iter().zip(&notes))
    {
        assert!((heard_s - onset_s).abs() < 0.001, "{heard_s} {onset_s}");
        let off = (quarters - bar_line - place + 1.5).rem_euclid(3.0) - 1.5;
        assert!(off.abs() < 0.06, "{quarters} {place}");
    }
}
