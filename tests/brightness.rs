//! The promise: a tone's brightness is measured note by note, the same in every output, and
//! is sent as a control that files and sessions agree on, where it is asked for.
#![cfg(all(feature = "cli", feature = "live"))]

mod common;
#[path = "common/stage.rs"]
mod stage;

use std::f64::consts::TAU;
use std::path::{Path, PathBuf};

use common::{fail, succeed};
use midly::{MetaMessage, MidiMessage, Smf, Timing, TrackEventKind};
use rosc::OscType;
use stage::{Live, OscReceiver};

const RATE_HZ: f64 = 48_000.0;
const HZ: f64 = 233.08;
const HARMONICS: u32 = 12;

/// Harmonic spectral centroid of harmonics that fall off by a factor.
fn centroid(factor: f64) -> f64 {
    let sum = |power: i32| -> f64 {
        (1..=HARMONICS)
            .map(|n| f64::from(n).powi(power) * factor.powi(n as i32 - 1))
            .sum()
    };
    sum(1) / sum(0)
}

/// Harmonics fall off by a factor within a note: a dark one, a bright one, and one that
/// brightens all the way. Seconds of beginning and end, factors there.
const NOTES: [(f64, f64, f64, f64); 3] = [
    (0.3, 1.3, 0.3, 0.3),
    (1.8, 2.8, 0.75, 0.75),
    (3.3, 5.3, 0.3, 0.75),
];

fn take(folder: &Path) -> PathBuf {
    let sample = |i: usize| {
        let time_s = i as f64 / RATE_HZ;
        let sounds = NOTES.iter().find(|n| (n.0..n.1).contains(&time_s));
        let Some((from_s, to_s, first, last)) = sounds else {
            return 0.0;
        };
        let edge = ((time_s - from_s).min(to_s - time_s) / 0.03).min(1.0);
        let factor = first + (last - first) * (time_s - from_s) / (to_s - from_s);
        let harmonic =
            |n: u32| factor.powi(n as i32 - 1) * (TAU * f64::from(n) * HZ * time_s).sin();
        (0.1 * edge * (1..=HARMONICS).map(harmonic).sum::<f64>()) as f32
    };
    let samples: Vec<f32> = (0..(6.0 * RATE_HZ) as usize).map(sample).collect();
    let path = folder.join("tones.wav");
    common::write_wav(&path, RATE_HZ as u32, &[&samples]);
    path
}

fn column(csv: &str, name: &str) -> Vec<String> {
    let mut rows = csv::Reader::from_reader(csv.as_bytes());
    let at = rows.headers().unwrap().iter().position(|n| n == name);
    let at = at.unwrap_or_else(|| panic!("no column {name}"));
    rows.records().map(|row| row.unwrap()[at].into()).collect()
}

fn numbers(json: &str) -> Vec<f64> {
    let list: serde_json::Value = serde_json::from_str(json).unwrap();
    let notes = list["notes"].as_array().unwrap();
    let value = |note: &serde_json::Value| note["brightness"].as_f64().unwrap();
    notes.iter().map(value).collect()
}

/// Values of controller 74 in a MIDI file.
fn controls(midi: &Path) -> Vec<u8> {
    timed_controls(midi).into_iter().map(|(_, v)| v).collect()
}

/// The same with their times in seconds.
fn timed_controls(midi: &Path) -> Vec<(f64, u8)> {
    let bytes = std::fs::read(midi).unwrap();
    let smf = Smf::parse(&bytes).unwrap();
    let Timing::Metrical(ticks_per_quarter) = smf.header.timing else {
        panic!("{:?}", smf.header.timing)
    };
    let (mut time_s, mut tick_s) = (0.0, 0.0);
    let mut values = Vec::new();
    for event in &smf.tracks[0] {
        time_s += f64::from(event.delta.as_int()) * tick_s;
        match event.kind {
            TrackEventKind::Meta(MetaMessage::Tempo(us)) => {
                tick_s = f64::from(us.as_int()) * 1e-6 / f64::from(ticks_per_quarter.as_int());
            }
            TrackEventKind::Midi {
                message: MidiMessage::Controller { controller, value },
                ..
            } if controller == 74 => values.push((time_s, value.as_int())),
            _ => {}
        }
    }
    values
}

#[test]
fn every_list_has_the_same_number_and_it_is_right() {
    let folder = tempfile::tempdir().unwrap();
    let take = take(folder.path());
    let take = take.to_str().unwrap();
    for more in [&[][..], &["--causal"]] {
        let run = |command: &str, format: &str| {
            succeed(&[&[command, take, "--format", format], more].concat())
        };
        let csv: Vec<f64> = column(&run("transcribe", "csv"), "brightness")
            .iter()
            .map(|text| text.parse().unwrap())
            .collect();
        assert_eq!(csv.len(), 3, "{csv:?}");
        for (found, true_one) in csv.iter().zip([centroid(0.3), centroid(0.75)]) {
            assert!((found / true_one - 1.0).abs() < 0.03, "{found}, {true_one}");
        }
        assert!((csv[0]..csv[1]).contains(&csv[2]), "{csv:?}");
        assert_eq!(numbers(&run("transcribe", "json")), csv);
        assert_eq!(numbers(&run("intonation", "json")), csv);
        let page = folder.path().join("report.html");
        let page_text = page.to_str().unwrap();
        let _ = std::fs::remove_file(&page);
        succeed(&[&["intonation", take, "--report", page_text], more].concat());
        let html = std::fs::read_to_string(&page).unwrap();
        for value in &csv {
            assert!(html.contains(&format!("<td class=\"n\">{value:.2}</td>")));
        }
    }
}

#[test]
fn files_have_it_as_a_control_where_it_is_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let take = take(folder.path());
    let take = take.to_str().unwrap();
    let written = |name: &str, more: &[&str]| {
        let out = folder.path().join(name);
        let out = out.to_str().unwrap();
        succeed(
            &[
                &["transcribe", take, "--out", out, "--write", "midi,cv"],
                more,
            ]
            .concat(),
        );
        let cv = hound::WavReader::open(format!("{out}/tones.cv.wav")).unwrap();
        let channels = usize::from(cv.spec().channels);
        let volts: Vec<f32> = cv.into_samples::<f32>().map(|v| v.unwrap()).collect();
        let midi = controls(Path::new(&format!("{out}/tones.mid")));
        (midi, channels, volts)
    };
    let (midi, channels, plain) = written("plain", &[]);
    assert!(midi.is_empty() && channels == 4);
    let (midi, channels, volts) = written("bright", &["--brightness=1:4"]);
    assert_eq!(channels, 5);
    // The other four are what they were.
    let others = volts.chunks(5).flat_map(|frame| &frame[..4]);
    assert!(others.eq(&plain));
    // Octaves above the fundamental, of two.
    let share = |factor: f64| centroid(factor).log2() / 2.0;
    let near = |value: f64, share: f64| (value - share).abs() < 0.02;
    let steady = midi.iter().any(|v| near(f64::from(*v) / 127.0, share(0.3)));
    assert!(steady, "{midi:?}");
    let last = f64::from(*midi.last().unwrap()) / 127.0;
    assert!((last - share(0.75)).abs() < 0.05, "{last}");
    // No step of the long crescendo of harmonics is heard, in MIDI or in volts.
    let long = &midi[midi.len() - 30..];
    assert!(
        long.windows(2).all(|v| v[1].abs_diff(v[0]) <= 2),
        "{long:?}"
    );
    let at = |time_s: f64| 10.0 * f64::from(volts[5 * (time_s * RATE_HZ) as usize + 4]);
    assert!(near(at(1.0) / 5.0, share(0.3)) && near(at(2.5) / 5.0, share(0.75)));
    // Held in the rest, as it was in the note and not in its last moments.
    assert_eq!(at(1.5), at(1.7));
    for (time_s, factor) in [(1.5, 0.3), (3.1, 0.75), (5.8, 0.75)] {
        assert!(
            near(at(time_s) / 5.0, share(factor)),
            "{time_s}: {}",
            at(time_s)
        );
    }
}

#[test]
fn a_session_sends_it_and_records_what_a_file_has() {
    let folder = tempfile::tempdir().unwrap();
    let take = take(folder.path());
    let (take, takes) = (take.to_str().unwrap(), folder.path().join("takes"));
    let osc = OscReceiver::start();
    let to = format!("127.0.0.1:{}", osc.port);
    let options = ["--from", take, "--osc", &to, "--brightness=1:4"];
    let record = ["--record", takes.to_str().unwrap()];
    let mut live = Live::start(None, &[&options[..], &record].concat());
    assert_eq!(live.ends_within(20.0), Some(0), "{}", live.errors());
    let messages = osc.messages();
    let bright: Vec<(f32, f32)> = messages
        .iter()
        .filter(|m| m.addr == "/leadpipe/brightness")
        .map(|m| match m.args[..] {
            [OscType::Float(share), OscType::Float(times)] => (share, times),
            _ => panic!("{m:?}"),
        })
        .collect();
    assert!(bright.len() > 300, "{}", bright.len());
    let most = bright
        .iter()
        .fold(0f32, |most, (_, times)| most.max(*times));
    let off = f64::from(most) / centroid(0.75) - 1.0;
    assert!(off.abs() < 0.05, "{most}");
    for (share, times) in bright {
        assert!(
            (times.log2() / 2.0 - share).abs() < 1e-3,
            "{share}, {times}"
        );
    }
    let out = folder.path().join("out");
    let out = out.to_str().unwrap();
    let write = ["transcribe", take, "--causal", "--out", out, "--write"];
    succeed(&[&write[..], &["midi", "--brightness=1:4"]].concat());
    let recorded = std::fs::read_dir(&takes)
        .unwrap()
        .map(|e| e.unwrap().path());
    let recorded: Vec<_> = recorded
        .filter(|p| p.extension().is_some_and(|e| e == "mid"))
        .collect();
    let (live, file) = (
        timed_controls(&recorded[0]),
        timed_controls(&Path::new(out).join("tones.mid")),
    );
    // Where it moves fast, which values are sent depends on where the 5 ms between them fall;
    // from a tenth of a second after a note begins until it ends they are the same but for rounding.
    let at = |values: &[(f64, u8)], time_s: f64| {
        values[..values.partition_point(|v| v.0 <= time_s)]
            .last()
            .unwrap()
            .1
    };
    for (from_s, to_s, ..) in NOTES {
        let times =
            (10..(100.0 * (to_s - from_s - 0.03)) as u32).map(|i| from_s + 0.01 * f64::from(i));
        for time_s in times {
            let (live, file) = (at(&live, time_s), at(&file, time_s));
            assert!(live.abs_diff(file) <= 1, "{live} and {file} at {time_s} s");
        }
    }
    // The long crescendo of harmonics has each value. A session ends it where the end is decided,
    // which is a little later.
    let values = |timed: &[(f64, u8)]| timed.iter().map(|v| v.1).collect::<Vec<_>>();
    let last = live.last().unwrap().1.min(file.last().unwrap().1);
    let long = |values: Vec<u8>| {
        let end = 1 + values.iter().rposition(|value| *value == last).unwrap();
        values[end - 70..end].to_vec()
    };
    assert_eq!(long(values(&live)), long(values(&file)));
    let most = |values: &[(f64, u8)]| values.iter().map(|v| v.1).max();
    assert_eq!((live[0].1, most(&live)), (file[0].1, most(&file)));
}

#[test]
fn a_range_that_makes_no_sense_is_refused_in_one_line() {
    for (range, says) in [
        ("--brightness=bright", "two multiples of the fundamental"),
        ("--brightness=4:2", "the bright one above the dark one"),
        ("--brightness=0:200", "1 to 20"),
    ] {
        for command in ["transcribe", "live"] {
            let (code, errors) =
                fail(&[command, range, "take.wav"][..if command == "live" { 2 } else { 3 }]);
            assert_eq!(code, 2, "{errors}");
            assert!(
                errors.contains(says) && errors.lines().count() == 1,
                "{errors}"
            );
        }
    }
}
