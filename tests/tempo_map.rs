//! The promise: where the beat of a take is known from a click track or a clock, the part
//! has it, bars and all, however the player is early or late.
#![cfg(feature = "cli")]

mod common;

use std::path::Path;

use common::{fail, succeed};
use midly::num::{u15, u24, u28};
use midly::{Format, Header, MetaMessage, Smf, Timing, TrackEvent, TrackEventKind};

/// A file with a time signature at 1.5 quarters and tempi in beats a minute from places
/// in quarters on; 480 ticks to the quarter.
fn click(path: &Path, signature: Option<(u8, u8)>, tempi: &[(f64, f64)]) {
    let ticks = |quarters: f64| (480.0 * quarters).round() as u32;
    let mut events: Vec<(u32, MetaMessage)> = tempi
        .iter()
        .map(|(at, tempo)| {
            (
                ticks(*at),
                MetaMessage::Tempo(u24::from((60e6 / tempo) as u32)),
            )
        })
        .collect();
    if let Some((beats, power)) = signature {
        events.push((ticks(1.5), MetaMessage::TimeSignature(beats, power, 24, 8)));
    }
    events.push((ticks(64.0), MetaMessage::EndOfTrack));
    events.sort_by_key(|e| e.0);
    let mut last = 0;
    let event = |(tick, message): (u32, MetaMessage<'static>)| {
        let delta = u28::from(tick - std::mem::replace(&mut last, tick));
        TrackEvent {
            delta,
            kind: TrackEventKind::Meta(message),
        }
    };
    let header = Header::new(Format::SingleTrack, Timing::Metrical(u15::from(480)));
    let tracks = vec![events.into_iter().map(event).collect()];
    Smf { header, tracks }.save(path).unwrap();
}

/// Eighths, quarters and halves of three bars of 3/4 after an upbeat, at 100 a minute and
/// then at 75 from the tenth quarter on, late by 25 ms and astray by 15.
fn list(path: &Path) -> Vec<(f64, f64)> {
    let values = [
        0.5, 1.0, 0.5, 0.5, 1.0, 2.0, 1.0, 0.5, 0.5, 0.5, 0.5, 1.0, 3.0,
    ];
    let seconds = |q: f64| 0.6 * q.min(10.0) + 0.8 * (q - 10.0).max(0.0);
    let mut rows = String::from("onset_s,offset_s,midi\n");
    // The bar line stands at 1.5 quarters, and the upbeat half a quarter before it.
    let mut at = 1.0;
    let mut expected = Vec::new();
    for (i, value) in values.iter().enumerate() {
        let stray_s = 0.025 + 0.015 * (2.0 * i as f64).sin();
        let (from_s, to_s) = (seconds(at) + stray_s, seconds(at + 0.85 * value) + stray_s);
        rows += &format!("{from_s:.4},{to_s:.4},{}\n", 60 + [0, 2, 4, 5][i % 4]);
        expected.push(((at - 1.5f64).rem_euclid(3.0), *value));
        at += value;
    }
    std::fs::write(path, rows).unwrap();
    expected
}

#[test]
fn the_click_says_where_the_bars_are() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let expected = list(&path("take.csv"));
    click(
        &path("click.mid"),
        Some((3, 2)),
        &[(0.0, 100.0), (10.0, 75.0)],
    );
    let write = |more: &[&str]| {
        let mut args = vec!["write".to_owned(), path("take.csv").display().to_string()];
        args.extend(["--out".into(), path("out").display().to_string()]);
        args.extend(["--write".into(), "musicxml,midi".into()]);
        args.extend(more.iter().map(|s| (*s).to_owned()));
        let args: Vec<&str> = args.iter().map(String::as_str).collect();
        let table = succeed(&args);
        let (texts, notes) = common::part::read(&path("out/take.musicxml"));
        (table, texts, notes)
    };
    let click = path("click.mid").display().to_string();
    let (table, texts, notes) = write(&["--tempo-map", &click]);
    assert_eq!(
        (texts["beats"].as_str(), texts["beat-type"].as_str()),
        ("3", "4")
    );
    assert_eq!(notes, expected);
    // Nothing was estimated.
    assert!(!table.contains("estimated"), "{table}");
    // A file beside the take is found.
    std::fs::copy(path("click.mid"), path("take.tempo.mid")).unwrap();
    assert_eq!(write(&[]).2, expected);
    // The MIDI file has the same tempi.
    let bytes = std::fs::read(path("out/take.mid")).unwrap();
    let smf = Smf::parse(&bytes).unwrap();
    let tempi: Vec<u32> = smf.tracks[0]
        .iter()
        .filter_map(|e| match e.kind {
            TrackEventKind::Meta(MetaMessage::Tempo(micros)) => Some(micros.as_int()),
            _ => None,
        })
        .collect();
    assert!(
        tempi.contains(&600_000) && tempi.contains(&800_000),
        "{tempi:?}"
    );
}

#[test]
fn what_is_no_tempo_map_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    list(&folder.path().join("take.csv"));
    click(&folder.path().join("empty.mid"), Some((3, 2)), &[]);
    let write = |map: &str| fail(&["write", &path("take.csv"), "--tempo-map", &path(map)]);
    let (code, errors) = write("empty.mid");
    assert_eq!(code, 3);
    assert!(errors.contains("no tempo in this file"), "{errors}");
    let (code, _) = write("missing.mid");
    assert_eq!(code, 3);
    let (code, _) = fail(&["write", "x.csv", "--tempo-map", "x.mid", "--tempo", "90"]);
    assert_eq!(code, 2);
}
