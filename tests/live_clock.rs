//! The promise: a take that is recorded to the rig's MIDI clock keeps its beat, and is read
//! with it; and the clock that follows the player is steady.
#![cfg(all(feature = "cli", feature = "jack"))]

mod common;
#[path = "common/stage.rs"]
mod stage;

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Stdio;

use leadpipe::internals::demo::brass::{Played, Room, play as render};
use midly::{MetaMessage, Smf, TrackEventKind};
use stage::{Live, Server, Tool, alone, play, play_to_a_clock};

/// Quarters a minute.
const TEMPO: f64 = 104.0;
/// How near beats must be to those that were sent, in seconds.
const NEAR_S: f64 = 0.003;

/// The only file in a folder with this ending.
fn file(folder: &Path, ending: &str) -> PathBuf {
    let files = std::fs::read_dir(folder).unwrap().flatten();
    let mut found = files
        .map(|file| file.path())
        .filter(|path| path.to_string_lossy().ends_with(ending));
    let path = found.next().unwrap_or_else(|| panic!("no {ending}"));
    assert!(found.next().is_none());
    path
}

/// Time of each whole quarter of a tempo map up to `until_s`, in seconds.
fn beats(path: &Path, until_s: f64) -> Vec<f64> {
    let bytes = std::fs::read(path).unwrap();
    let smf = Smf::parse(&bytes).unwrap();
    let (mut tick, mut now_s, mut quarter_s) = (0u32, 0.0, 0.5);
    let mut tempi = Vec::new();
    for event in &smf.tracks[0] {
        let delta = event.delta.as_int();
        tick += delta;
        now_s += f64::from(delta) / 960.0 * quarter_s;
        if let TrackEventKind::Meta(MetaMessage::Tempo(micros)) = event.kind {
            quarter_s = f64::from(micros.as_int()) / 1e6;
            tempi.push((f64::from(tick) / 960.0, now_s, quarter_s));
        }
    }
    let time_s = |quarter: f64| {
        let (at, at_s, quarter_s) = tempi.iter().rev().find(|t| t.0 <= quarter).unwrap();
        at_s + (quarter - at) * quarter_s
    };
    (0..)
        .map(|i| time_s(f64::from(i)))
        .take_while(|s| *s < until_s)
        .collect()
}

#[test]
fn a_recorded_take_keeps_the_clock() {
    let _stage = alone();
    let folder = tempfile::tempdir().unwrap();
    let quarter_s = 60.0 / TEMPO;
    // On the beat, in the take's own time: quarters and eighths.
    let places = [1.0, 2.0, 3.0, 3.5, 4.0, 5.0, 6.0, 6.5, 7.0, 8.0, 9.0, 10.0];
    let notes: Vec<Played> = places
        .iter()
        .enumerate()
        .map(|(i, at)| {
            let onset_s = at * quarter_s;
            Played::new(onset_s, onset_s + 0.2, 58.0 + f64::from(i as u32 % 5), 0.6)
        })
        .collect();
    let take = folder.path().join("take.wav");
    let samples = render(&notes, 11.0 * quarter_s, &Room::default(), 1);
    common::write_wav(&take, 48_000, &[&samples]);
    let takes = folder.path().join("takes");
    let server = Server::start(128);
    let options = [
        "--clock",
        "in",
        "--record",
        takes.to_str().unwrap(),
        "--jsonl",
    ];
    let live = Live::start(Some(&server), &options);
    live.wait_for_port(&server, "leadpipe-clock:clock");
    play_to_a_clock(&server, &take, folder.path(), Some(TEMPO));
    let errors = live.err.clone();
    assert_eq!(live.end("TERM"), Some(0), "{:?}", errors.lock().unwrap());
    let rows = common::rows(&std::fs::read_to_string(file(&takes, ".csv")).unwrap());
    assert_eq!(rows.len(), notes.len());
    // The room's clock starts with the take, which is in the recording.
    let begins_s = found_at(&samples, &recorded(&file(&takes, ".wav")));
    let beats = beats(&file(&takes, ".tempo.mid"), begins_s + 10.5 * quarter_s);
    let offs: Vec<f64> = (0..=10)
        .map(|at| {
            let sent_s = begins_s + f64::from(at) * quarter_s;
            let offs = beats.iter().map(|beat_s| beat_s - sent_s);
            offs.min_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap()
        })
        .collect();
    println!("beats are off by (s): {offs:.6?}");
    assert!(offs.iter().all(|off| off.abs() < NEAR_S), "{offs:?}");
    let during: Vec<f64> = beats.into_iter().filter(|s| *s > begins_s - 0.1).collect();
    for pair in during.windows(2) {
        let tempo = 60.0 / (pair[1] - pair[0]);
        assert!((tempo / TEMPO - 1.0).abs() < 2e-3, "{tempo}: {during:?}");
    }
    // And the take is written with it, unasked.
    let written = folder.path().join("written");
    let part = std::process::Command::new(common::program())
        .arg("transcribe")
        .arg(file(&takes, ".wav"))
        .args(["--write", "musicxml", "--out"])
        .arg(&written)
        .output()
        .unwrap();
    assert!(part.status.success(), "{part:?}");
    let part = std::fs::read_to_string(file(&written, ".musicxml")).unwrap();
    assert!(part.contains("<per-minute>104</per-minute>"), "{part}");
}

/// JACK's transport, whose bars and beats some program tells, is kept as a clock is.
#[test]
fn a_recorded_take_keeps_the_transport() {
    let _stage = alone();
    let folder = tempfile::tempdir().unwrap();
    let take = folder.path().join("take.wav");
    let samples = render(
        &[Played::new(1.0, 2.0, 58.0, 0.6)],
        6.0,
        &Room::default(),
        1,
    );
    common::write_wav(&take, 48_000, &[&samples]);
    let takes = folder.path().join("takes");
    let server = Server::start(128);
    let options = ["--clock", "transport", "--record", takes.to_str().unwrap()];
    let live = Live::start(Some(&server), &options);
    live.wait_for_port(&server, "leadpipe-in:in_1");
    let mut transport = transport(&server);
    // Its own beats come to a whole number of its ticks a block at this tempo.
    let commands = b"tempo 93.75\nmaster\nlocate 0\nplay\n";
    let to = transport.0.stdin.as_mut().unwrap();
    to.write_all(commands).unwrap();
    play(&server, &take, folder.path());
    let errors = live.err.clone();
    assert_eq!(live.end("TERM"), Some(0), "{:?}", errors.lock().unwrap());
    let map = file(&takes, ".tempo.mid");
    let bytes = std::fs::read(&map).unwrap();
    let signature = Smf::parse(&bytes).unwrap().tracks[0]
        .iter()
        .find_map(|event| {
            let TrackEventKind::Meta(MetaMessage::TimeSignature(beats, power, ..)) = event.kind
            else {
                return None;
            };
            Some((beats, power))
        });
    assert_eq!(signature, Some((4, 2)), "the transport's 4/4");
    let beats = beats(&map, 6.0);
    assert!(beats.len() > 6, "{beats:?}");
    for pair in beats[beats.len() - 5..].windows(2) {
        let tempo = 60.0 / (pair[1] - pair[0]);
        assert!((tempo - 93.75).abs() < 0.05, "{tempo}: {beats:?}");
    }
}

/// Where a beat is wanted that does not come, the session says so, and takes go on.
#[test]
fn a_clock_that_does_not_come_is_missed() {
    let _stage = alone();
    let server = Server::start(128);
    let missed = |live: &Live, words: &str| {
        let said = || live.errors().contains(words);
        assert!(common::wait(20.0, said), "{}", live.errors());
    };
    let live = Live::start(Some(&server), &["--clock", "in"]);
    missed(&live, "no clock has come yet");
    assert_eq!(live.end("TERM"), Some(0));
    // A transport that rolls without anybody telling tempo and bars.
    let live = Live::start(Some(&server), &["--clock", "transport"]);
    missed(&live, "no beat has come yet");
    let mut transport = transport(&server);
    let to = transport.0.stdin.as_mut().unwrap();
    to.write_all(b"play\n").unwrap();
    missed(&live, "timebase master");
    to.write_all(b"master\n").unwrap();
    missed(&live, "back again");
    assert_eq!(live.end("TERM"), Some(0));
}

/// A program that commands the server's transport.
fn transport(server: &Server) -> Tool {
    std::process::Command::new("jack_transport")
        .env("JACK_DEFAULT_SERVER", &server.name)
        .env("JACK_NO_START_SERVER", "1")
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .map(Tool)
        .expect("jack_transport is installed: apt-get install jackd2")
}

/// Samples of a recording.
fn recorded(path: &Path) -> Vec<f32> {
    let mut reader = hound::WavReader::open(path).unwrap();
    let full_scale = f64::from(1u32 << (reader.spec().bits_per_sample - 1)) as f32;
    let samples = reader.samples::<i32>();
    samples.map(|s| s.unwrap() as f32 / full_scale).collect()
}

/// Where in a recording a take begins, in seconds: where its first note correlates best.
fn found_at(take: &[f32], recording: &[f32]) -> f64 {
    let loud = take.iter().position(|s| s.abs() > 0.02).unwrap();
    let part = &take[loud..loud + 4_096];
    let alike = |at: &usize| -> f64 {
        let there = &recording[*at..at + part.len()];
        let product = part.iter().zip(there).map(|(a, b)| f64::from(a * b));
        let power: f64 = there.iter().map(|s| f64::from(s * s)).sum();
        product.sum::<f64>() / power.sqrt().max(1e-3)
    };
    let last = recording.len() - part.len();
    let scores: Vec<f64> = (0..last).map(|at| alike(&at)).collect();
    let best = (0..last).max_by(|a, b| scores[*a].total_cmp(&scores[*b]));
    (best.unwrap() as f64 - loud as f64) / 48_000.0
}

/// A tune with 10 ms of human timing: the clock's ticks come at its tempo, steadily and on its
/// beats, and so do the pulses of the voltage.
#[test]
fn the_clock_follows_the_player() {
    let _stage = alone();
    let folder = tempfile::tempdir().unwrap();
    let quarter_s = 60.0 / TEMPO;
    let values = [1.0, 1.0, 0.5, 0.5, 1.0, 1.5, 0.5, 1.0, 1.0, 2.0];
    let mut random = fastrand::Rng::with_seed(5);
    let (mut notes, mut beats, mut at) = (Vec::new(), Vec::new(), 1.0);
    for (i, value) in values.iter().cycle().take(40).enumerate() {
        let stray_s = 0.01 * (0..12).map(|_| random.f64() - 0.5).sum::<f64>();
        let (from_s, to_s) = (at * quarter_s, (at + 0.8 * value) * quarter_s);
        let pitch = 58.0 + f64::from(i as u32 % 5);
        notes.push(Played::new(from_s + stray_s, to_s, pitch, 0.6));
        if at.fract() == 0.0 {
            beats.push(from_s);
        }
        at += value;
    }
    let take = folder.path().join("take.wav");
    let samples = render(&notes, at * quarter_s, &Room::default(), 1);
    common::write_wav(&take, 48_000, &[&samples]);
    let rig = folder.path().join("stage.toml");
    let text = "[clock]\nport = \"virtual\"\nchannel = 2\npulses = 24\n";
    std::fs::write(&rig, text).unwrap();
    let server = Server::start(128);
    let options = ["--rig", rig.to_str().unwrap(), "--cv", "jack:1", "--jsonl"];
    let live = Live::start(Some(&server), &options);
    live.wait_for_port(&server, "leadpipe-beat:beat");
    let back = play(&server, &take, folder.path());
    let errors = live.err.clone();
    assert_eq!(live.end("TERM"), Some(0), "{:?}", errors.lock().unwrap());
    let of = |status: u8| {
        let midi = back.midi.iter().filter(move |(_, m)| m[0] == status);
        midi.map(|(time_s, _)| *time_s).collect::<Vec<f64>>()
    };
    assert_eq!(of(0xfa).len(), 1);
    let ticks = of(0xf8);
    let settled = ticks.partition_point(|s| *s < 8.0);
    let on_beat = ticks.iter().enumerate().skip(settled);
    let on_beat: Vec<f64> = on_beat
        .filter(|(number, _)| number % 24 == 0)
        .map(|(_, s)| *s)
        .collect();
    let (tempo, jitter_s) = steadiness(&ticks[settled..], 24);
    let offs = beats.iter().filter(|s| **s > 8.0).map(|beat_s| {
        let offs = on_beat.iter().map(|tick_s| (tick_s - beat_s).abs());
        offs.fold(f64::INFINITY, f64::min)
    });
    let mut offs: Vec<f64> = offs.collect();
    offs.sort_by(f64::total_cmp);
    let (median_s, most_s) = (offs[offs.len() / 2], offs[offs.len() - 1]);
    println!("tempo {tempo:.2}, jitter {jitter_s:.6} s, off the beat {median_s:.4} {most_s:.4} s");
    assert!((tempo / TEMPO - 1.0).abs() < 0.01, "{tempo}");
    assert!(jitter_s < 0.001, "{jitter_s}");
    assert!(median_s < 0.015 && most_s < 0.04, "{median_s} {most_s}");
    // The voltage rises with each of the ticks.
    let voltage = &back.audio[1];
    let rises = (1..voltage.len()).filter(|i| voltage[*i] > 0.1 && voltage[i - 1] < 0.1);
    let rises: Vec<f64> = rises.map(|i| i as f64 / 48_000.0).collect();
    let late = rises.partition_point(|s| *s < 8.0);
    let (tempo, jitter_s) = steadiness(&rises[late..], 24);
    println!("voltage: tempo {tempo:.2}, jitter {jitter_s:.6} s");
    assert!((tempo / TEMPO - 1.0).abs() < 0.01, "{tempo}");
    assert!(jitter_s < 0.001, "{jitter_s}");
    let offs = rises[late..].iter().map(|rise_s| {
        let offs = ticks.iter().map(|tick_s| (tick_s - rise_s).abs());
        offs.fold(f64::INFINITY, f64::min)
    });
    let mut offs: Vec<f64> = offs.collect();
    offs.sort_by(f64::total_cmp);
    // Of a hundred, one may be a period late where the machine is too busy for its server.
    let off_s = offs[offs.len() * 99 / 100];
    assert!(off_s < 0.0002, "{off_s}");
}

/// Tempo of pulses, so many in a quarter, and the 99th percentile of what their intervals
/// differ from the mean interval of the half note around them, in seconds.
fn steadiness(pulses: &[f64], in_quarter: usize) -> (f64, f64) {
    assert!(pulses.len() > 10 * in_quarter, "{}", pulses.len());
    let around = 2 * in_quarter;
    let stray = |w: &[f64]| {
        let middle = in_quarter;
        let even_s = (w[around] - w[0]) / around as f64;
        (w[middle + 1] - w[middle] - even_s).abs()
    };
    let mut strays: Vec<f64> = pulses.windows(around + 1).map(stray).collect();
    strays.sort_by(f64::total_cmp);
    let length_s = pulses[pulses.len() - 1] - pulses[0];
    let quarters = (pulses.len() - 1) as f64 / in_quarter as f64;
    (60.0 * quarters / length_s, strays[strays.len() * 99 / 100])
}
