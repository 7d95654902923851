//! The promise: what is played into a live session comes out at once as MIDI,
//! voltages, OSC and a doubling voice. On a JACK server with its dummy driver,
//! in real time.
#![cfg(all(feature = "cli", feature = "jack"))]

mod common;
#[path = "common/stage.rs"]
mod stage;

use std::path::{Path, PathBuf};

use leadpipe::internals::demo::brass::{Played as Tone, Room, play as render};
use leadpipe::internals::demo::line;
use leadpipe::{Mode, Settings, Transcriber};
use stage::{Back, Live, OscReceiver, Server, alone, free_port, play, send_osc};

const RATE_HZ: f64 = 48_000.0;
/// Samples in a hop, at least.
const HOP: usize = 65;

/// The built-in take as a file.
fn take(folder: &Path) -> PathBuf {
    let path = folder.join("take.wav");
    common::write_wav(&path, 48_000, &[&line::render(RATE_HZ)]);
    path
}

struct Played {
    back: Back,
    events: Vec<serde_json::Value>,
    osc: Vec<rosc::OscMessage>,
    causal: Vec<common::Row>,
    block: u32,
}

fn perform(block: u32, options: &[&str]) -> Played {
    let _stage = alone();
    let folder = tempfile::tempdir().unwrap();
    let take = take(folder.path());
    let server = Server::start(block);
    let receiver = OscReceiver::start();
    let osc = format!("127.0.0.1:{}", receiver.port);
    let all = [
        &[
            "--horn",
            "flugelhorn",
            "--jsonl",
            "--midi",
            "virtual",
            "--osc",
            &osc,
            "--double",
            "--interval",
            "-12",
            "--cv",
            "jack:3-6",
        ],
        options,
    ];
    let live = Live::start(Some(&server), &all.concat());
    live.wait_for_port(&server, "leadpipe:notes");
    let back = play(&server, &take, folder.path());
    let (out, errors) = (live.out.clone(), live.err.clone());
    assert_eq!(live.end("TERM"), Some(0), "{:?}", errors.lock().unwrap());
    let lines = out.lock().unwrap().clone();
    let events = lines.iter().map(|l| serde_json::from_str(l).expect("JSON"));
    let events: Vec<serde_json::Value> = events.collect();
    Played {
        back,
        causal: causal_where_heard(folder.path(), &events),
        events,
        osc: receiver.messages(),
        block,
    }
}

/// The causal pass over the take with its hops where the session's fell. The server's stream began
/// at another instant than the file, at any place within a hop, and an attack that the room nearly
/// joins to the note before may be heard otherwise there. It is the pass, of those that begin at
/// places within a hop, whose attacks are the session's; if none has them, the file's own.
fn causal_where_heard(folder: &Path, events: &[serde_json::Value]) -> Vec<common::Row> {
    let starts = events.iter().filter(|e| e["event"] == "start");
    let heard: Vec<&str> = starts.map(|e| e["attack"].as_str().unwrap()).collect();
    let (sound, led) = (line::render(RATE_HZ), folder.join("led.wav"));
    let mut passes = (0..HOP).step_by(8).map(|lead| {
        let sound = [&vec![0.0; lead], &sound[..]].concat();
        common::write_wav(&led, 48_000, &[&sound]);
        let mut rows = common::causal(&led);
        for row in &mut rows {
            let lead_s = lead as f64 / RATE_HZ;
            row.onset_s -= lead_s;
            row.offset_s -= lead_s;
            row.decided_s -= lead_s;
        }
        rows
    });
    let own = passes.next().expect("a pass");
    let is_heard = |rows: &Vec<common::Row>| {
        // Breath is known only when the level has risen.
        let alike =
            |(row, heard): (&common::Row, &&str)| row.attack == **heard || row.attack == "breath";
        rows.len() == heard.len() && rows.iter().zip(&heard).all(alike)
    };
    match is_heard(&own) {
        true => own,
        false => passes.find(is_heard).unwrap_or(own),
    }
}

#[test]
fn a_take_comes_back_by_every_way_out() {
    let played = perform(128, &[]);
    midi_agrees_with_the_causal_pass(&played);
    midi_is_in_time(&played);
    voltages_agree(&played);
    osc_agrees(&played);
    the_voice_follows(&played);
    events_agree(&played);
}

/// A scoop begins on another key: its MIDI note moves to its own, slurred, and so do its names.
#[test]
fn keys_are_corrected_once_the_pitch_has_settled() {
    let played = perform(128, &["--correct-keys"]);
    let notes = played.back.notes();
    let mut moved = 0;
    for row in &played.causal {
        let own = notes
            .iter()
            .filter(|n| (row.decided_s - 0.05..row.offset_s).contains(&n.on_s));
        let own: Vec<_> = own.collect();
        let last = own.last().unwrap_or_else(|| panic!("no note for {row:?}"));
        assert_eq!(i64::from(last.key), i64::from(row.midi), "{row:?}");
        for pair in own.windows(2) {
            assert!(pair[0].off_s >= pair[1].on_s, "slurred: {row:?}");
        }
        moved += own.len() - 1;
    }
    assert!(moved > 0, "no note began on another key");
    let is_name = |m: &&rosc::OscMessage| m.addr == "/leadpipe/name";
    assert_eq!(played.osc.iter().filter(is_name).count(), moved);
    assert!(notes.iter().all(|n| n.off_s.is_finite()), "a note hangs");
}

fn midi_agrees_with_the_causal_pass(played: &Played) {
    let notes = played.back.notes();
    let matched = played.causal.iter().filter(|row| {
        notes.iter().any(|note| {
            // A scoop begins on the key below and is bent up.
            let wanted = common::semitones(row.frequency_hz);
            (note.on_s - row.decided_s).abs() < 0.05 && (note.pitch() - wanted).abs() < 0.5
        })
    });
    let matched = matched.count();
    let share = matched as f64 / played.causal.len() as f64;
    let heard: Vec<_> = notes.iter().map(|n| (n.on_s, n.key, n.pitch())).collect();
    assert!(
        share >= 0.98,
        "{matched} of {}: {heard:?}",
        played.causal.len()
    );
    assert_eq!(notes.len(), played.causal.len(), "{heard:?}");
    assert!(notes.iter().all(|n| n.off_s.is_finite()), "a note hangs");
}

/// By the server's own clock. The median, since this machine has no real-time
/// scheduling; `examples/latency` prints the distribution.
fn midi_is_in_time(played: &Played) {
    let mut late: Vec<f64> = played
        .causal
        .iter()
        .filter_map(|row| {
            let near = played
                .back
                .notes()
                .into_iter()
                .map(|n| n.on_s - row.decided_s);
            near.min_by(|a, b| a.abs().total_cmp(&b.abs()))
        })
        .collect();
    late.sort_by(f64::total_cmp);
    let median = late[late.len() / 2];
    let two_blocks_s = 2.0 * f64::from(played.block) / RATE_HZ;
    assert!(median <= two_blocks_s, "{late:?}");
}

fn voltages_agree(played: &Played) {
    let [pitch, gate, trigger, loudness] = [2, 3, 4, 5].map(|c| &played.back.audio[c]);
    // Ten volts at full scale, 0 V at C4, 5 V gates.
    for row in &played.causal {
        let at =
            ((0.7 * row.offset_s.min(row.onset_s + 0.3) + 0.3 * row.decided_s) * RATE_HZ) as usize;
        assert!((gate[at] - 0.5).abs() < 1e-3, "gate of {row:?}");
        assert!(loudness[at] > 0.02, "loudness of {row:?}");
        let volts = 10.0 * f64::from(pitch[at]);
        let wanted = (common::semitones(row.frequency_hz) - 60.0) / 12.0;
        // Within a semitone: some of these are scooped into or bent.
        assert!((volts - wanted).abs() < 1.0 / 12.0, "{volts} V of {row:?}");
    }
    let rises = trigger
        .windows(2)
        .filter(|w| w[0] < 0.25 && w[1] > 0.25)
        .count();
    let struck = played
        .causal
        .iter()
        .filter(|r| r.attack != "slurred")
        .count();
    assert_eq!(rises, struck);
    let last = played.causal.last().unwrap();
    let after = ((last.offset_s + 0.3) * RATE_HZ) as usize;
    assert!(gate[after..].iter().all(|v| *v == 0.0), "the gate stays up");
}

fn osc_agrees(played: &Played) {
    let count = |address: &str| played.osc.iter().filter(|m| m.addr == address).count();
    assert_eq!(count("/leadpipe/start"), played.causal.len());
    assert_eq!(count("/leadpipe/note"), played.causal.len());
    assert!(count("/leadpipe/pitch") > 500 && count("/leadpipe/level") > 500);
    assert!(count("/leadpipe/cue") >= played.causal.len());
    let starts = played.osc.iter().filter(|m| m.addr == "/leadpipe/start");
    for (message, row) in starts.zip(&played.causal) {
        let [
            rosc::OscType::Int(key),
            rosc::OscType::Float(pitch),
            _,
            rosc::OscType::String(attack),
            ..,
        ] = &message.args[..]
        else {
            panic!("{message:?}");
        };
        assert!(
            (f64::from(*pitch) - common::semitones(row.frequency_hz)).abs() < 1.6,
            "{message:?}"
        );
        assert!(
            (i64::from(*key) - i64::from(row.midi)).abs() <= 1,
            "{message:?}"
        );
        // Breath is known only when the level has risen.
        assert!(
            attack == &row.attack || row.attack == "breath",
            "{message:?} {row:?}"
        );
    }
}

fn the_voice_follows(played: &Played) {
    let voice = &played.back.audio[0];
    assert_eq!(voice, &played.back.audio[1]);
    let mut transcriber = Transcriber::new(Settings::builder(RATE_HZ).build().unwrap(), Mode::Full);
    transcriber.push(voice);
    let track = transcriber.finish().track;
    let steady = played
        .causal
        .iter()
        .filter(|row| row.technique.is_empty() && row.offset_s - row.onset_s > 0.25);
    let line = line::notes();
    let mut compared = 0;
    for row in steady {
        let wanted = common::semitones(row.frequency_hz) - 12.0;
        // Only while the horn is blown at one level: as it swells or rings out, the voice's
        // filter opens or closes, which turns the phase of what it lets through.
        let blown = line.iter().find(|note| note.end_s > row.decided_s + 0.1);
        let blown = blown.expect("a played note");
        let swollen_s = blown.onset_s + 3.0 * blown.start.rise_s();
        let from_s = swollen_s.max(row.decided_s + 0.1);
        let to_s = blown.end_s.min(row.offset_s) - 0.05;
        let heard = track
            .frames()
            .filter(|m| (from_s..to_s).contains(&m.time_s));
        for moment in heard {
            let Some(pitch) = moment.pitch else { continue };
            let cents = 100.0 * (f64::from(pitch) - wanted);
            assert!(
                cents.abs() < 10.0,
                "{cents} cents at {} s, {row:?}",
                moment.time_s
            );
            compared += 1;
        }
    }
    assert!(compared > 500, "{compared}");
}

fn events_agree(played: &Played) {
    let of = |kind: &str| {
        let is = move |e: &&serde_json::Value| e["event"] == kind;
        played.events.iter().filter(is).collect::<Vec<_>>()
    };
    assert_eq!(of("start").len(), played.causal.len());
    let notes = of("note");
    for (event, row) in notes.iter().zip(&played.causal) {
        assert_eq!(event["midi"], row.midi, "{event}");
        let techniques: Vec<&str> = event["techniques"]
            .as_array()
            .unwrap()
            .iter()
            .map(|t| t["kind"].as_str().unwrap())
            .collect();
        assert_eq!(techniques.join(" "), row.technique, "{event}");
    }
    let cues: Vec<_> = of("cue").iter().map(|c| c["gesture"].clone()).collect();
    for gesture in ["scoop", "vibrato", "fall"] {
        assert!(cues.iter().any(|c| c == gesture), "no {gesture}: {cues:?}");
    }
    // Short notes are those of the list, also where the next one follows at once.
    for length in ["staccato", "staccatissimo"] {
        let told = cues.iter().filter(|cue| **cue == length).count();
        let listed = played.causal.iter().filter(|row| row.length == length);
        assert_eq!(told, listed.count(), "{length}: {cues:?}");
    }
    assert!(
        played
            .causal
            .iter()
            .any(|row| row.length == "staccatissimo")
    );
}

/// Horn, tuning and source are switched between the notes of a take that is recorded:
/// what is sent follows at once, and each note is kept as it was played.
#[test]
fn switches_while_recording_leave_each_note_right() {
    const PLAYED: [f64; 5] = [58.0, 60.0, 41.0, 43.0, 62.0];
    const SENT: [f64; 5] = [58.0, 60.0, 41.0, 48.0, 55.0];
    /// What is switched when so many notes have ended.
    const SWITCHES: [(&str, &str); 4] = [
        ("/leadpipe/tuning", "just"),
        ("/leadpipe/horn", "tuba-bb"),
        ("/leadpipe/source", "sequence"),
        ("/leadpipe/horn", "trumpet"),
    ];
    let _stage = alone();
    let folder = tempfile::tempdir().unwrap();
    let note = |(i, pitch): (usize, &f64)| {
        let onset_s = 0.5 + 2.0 * i as f64;
        Tone::new(onset_s, onset_s + 1.2, *pitch, 0.6)
    };
    let notes: Vec<Tone> = PLAYED.iter().enumerate().map(note).collect();
    let take = folder.path().join("take.wav");
    common::write_wav(&take, 48_000, &[&render(&notes, 10.5, &Room::default(), 1)]);
    let takes = folder.path().join("takes");
    let server = Server::start(128);
    let port = free_port();
    let options = [
        "--horn",
        "trumpet,tuba-bb",
        "--tuning",
        "equal-12,just",
        "--tonic",
        "C",
        "--source",
        "follow",
        "--sequence",
        "C3,G3",
        "--midi",
        "virtual",
        "--listen",
        &port.to_string(),
        "--jsonl",
        "--record",
        takes.to_str().unwrap(),
    ];
    let live = Live::start(Some(&server), &options);
    live.wait_for_port(&server, "leadpipe:notes");
    let lines = live.out.clone();
    let switching = std::thread::spawn(move || {
        for (i, (address, name)) in SWITCHES.into_iter().enumerate() {
            let ended = || {
                let lines = lines.lock().unwrap();
                lines.iter().filter(|l| l.contains("\"stop\"")).count()
            };
            assert!(common::wait(30.0, || ended() > i), "note {i} never ends");
            send_osc(port, address, Some(name));
        }
    });
    let back = play(&server, &take, folder.path());
    switching.join().unwrap();
    assert_eq!(live.end("TERM"), Some(0));
    let sent: Vec<f64> = back.notes().iter().map(|n| n.pitch()).collect();
    assert_eq!(sent.len(), SENT.len(), "{sent:?}");
    for (sent, wanted) in sent.iter().zip(SENT) {
        assert!((sent - wanted).abs() < 0.1, "{sent} {wanted}");
    }
    let files = std::fs::read_dir(&takes)
        .unwrap()
        .flatten()
        .map(|f| f.path());
    let json = files.filter(|p| p.extension().is_some_and(|e| e == "json"));
    let text = std::fs::read_to_string(json.last().expect("a note list")).unwrap();
    let list: serde_json::Value = serde_json::from_str(&text).unwrap();
    let kept: Vec<(f64, String)> = list["notes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|n| {
            let frequency_hz = n["frequency_hz"].as_f64().unwrap();
            let written = n["written"].as_str().unwrap();
            (common::semitones(frequency_hz), written.to_owned())
        })
        .collect();
    let written: Vec<&str> = kept.iter().map(|(_, name)| name.as_str()).collect();
    assert_eq!(written, ["C4", "D4", "F2", "G2", "E4"]);
    for ((pitch, _), played) in kept.iter().zip(PLAYED) {
        assert!((pitch - played).abs() < 0.1, "{pitch} {played}");
    }
}

/// What the meter says ends up in the rig: here an interface of 8.2 V at full
/// scale and 13 mV at zero.
#[test]
fn an_interface_is_calibrated() {
    use std::io::Write;
    let _stage = alone();
    let folder = tempfile::tempdir().unwrap();
    let rig = folder.path().join("stage.toml");
    let server = Server::start(128);
    let mut child = common::command()
        .args(["calibrate", "jack:3", "--rig", rig.to_str().unwrap()])
        .env("JACK_DEFAULT_SERVER", &server.name)
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    for step in leadpipe::internals::live::calibration::STEPS {
        writeln!(stdin, "{:.4} V", 8.2 * step + 0.013).unwrap();
    }
    drop(stdin);
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        output.status.success() && said.contains("8.2000 V"),
        "{said} {output:?}"
    );
    let table: toml::Table = std::fs::read_to_string(&rig).unwrap().parse().unwrap();
    assert_eq!(table["cv"]["full_scale_v"].as_float(), Some(8.2));
    assert_eq!(table["cv"]["offset_v"].as_float(), Some(0.013));
}
