//! The promise: nothing that goes wrong on stage leaves a note hanging or ends
//! the session. Faults are injected on a JACK server with its dummy driver.
#![cfg(all(feature = "cli", feature = "jack"))]

mod common;
#[path = "common/stage.rs"]
mod stage;

use std::path::{Path, PathBuf};
use std::time::Duration;

use common::wait;
use leadpipe::internals::demo::brass::{Noise, Played, Room, play as render};
use leadpipe::internals::demo::line;
use stage::{Live, Server, Tool, alone, free_port, play, send_osc, signal};

fn write(folder: &Path, samples: &[f32]) -> PathBuf {
    let path = folder.join("take.wav");
    common::write_wav(&path, 48_000, &[samples]);
    path
}

/// Note starts among the lines of `--jsonl`.
fn starts(lines: &[String]) -> usize {
    lines
        .iter()
        .filter(|l| l.contains("\"event\":\"start\""))
        .count()
}

#[test]
fn a_server_that_dies_and_comes_back_is_played_on() {
    let _stage = alone();
    let folder = tempfile::tempdir().unwrap();
    let samples = line::render(48_000.0);
    let take = write(folder.path(), &samples[..4 * 48_000]);
    let server = Server::start(128);
    let name = server.name.clone();
    let mut live = Live::start(
        Some(&server),
        &[
            "--horn",
            "flugelhorn",
            "--jsonl",
            "--midi",
            "virtual",
            "--double",
        ],
    );
    live.wait_for_port(&server, "leadpipe:notes");
    let before = play(&server, &take, folder.path());
    assert!(before.notes().len() >= 5, "{:?}", before.midi.len());
    server.kill();
    assert!(
        wait(8.0, || live.errors().contains("gone")),
        "the loss is not told: {}",
        live.errors()
    );
    // It goes on without a server for a while.
    assert!(!wait(2.0, || !live.running()), "{}", live.errors());
    let server = Server::unasked(&name, 128);
    // Input, voice and MIDI. Each of them may find the server's graph at rest,
    // which it waits for up to ten seconds.
    let back = || live.errors().matches("back again").count() == 3;
    assert!(wait(40.0, back), "{}", live.errors());
    let played = starts(&live.lines());
    let after = play(&server, &take, folder.path());
    assert_eq!(
        after.notes().len(),
        before.notes().len(),
        "{}",
        live.errors()
    );
    assert!(after.notes().iter().all(|n| n.off_s.is_finite()));
    assert!(
        after.audio.iter().flatten().any(|s| s.abs() > 0.001),
        "no voice"
    );
    assert!(starts(&live.lines()) > played);
    let errors = live.err.clone();
    assert_eq!(live.end("TERM"), Some(0), "{:?}", errors.lock().unwrap());
}

/// A server that comes back at another sample rate: pitches are right, live and in the
/// take, which goes on in another file.
#[test]
fn another_sample_rate_is_heard_right() {
    let _stage = alone();
    let folder = tempfile::tempdir().unwrap();
    let note = Played::new(0.5, 1.5, 58.0, 0.6);
    let room = |sample_rate_hz| Room {
        sample_rate_hz,
        ..Room::default()
    };
    let first = write(folder.path(), &render(&[note], 2.0, &room(48_000.0), 1));
    let takes = folder.path().join("takes");
    let server = Server::start(128);
    let name = server.name.clone();
    let options = ["--midi", "virtual", "--record", takes.to_str().unwrap()];
    let live = Live::start(Some(&server), &options);
    live.wait_for_port(&server, "leadpipe:notes");
    let before = play(&server, &first, folder.path());
    server.kill();
    assert!(
        wait(8.0, || live.errors().contains("gone")),
        "{}",
        live.errors()
    );
    let server = Server::unasked_at(&name, 128, 44_100);
    let back = || live.errors().matches("back again").count() == 2;
    assert!(wait(40.0, back), "{}", live.errors());
    let second = folder.path().join("second.wav");
    common::write_wav(
        &second,
        44_100,
        &[&render(&[note], 2.0, &room(44_100.0), 1)],
    );
    let after = play(&server, &second, folder.path());
    let errors = live.err.clone();
    assert_eq!(live.end("TERM"), Some(0), "{:?}", errors.lock().unwrap());
    for back in [before, after] {
        let pitches: Vec<f64> = back.notes().iter().map(|n| n.pitch()).collect();
        assert!(
            matches!(pitches[..], [pitch] if (pitch - 58.0).abs() < 0.1),
            "{pitches:?}"
        );
    }
    let lists = std::fs::read_dir(&takes)
        .unwrap()
        .flatten()
        .map(|f| f.path());
    let lists: Vec<PathBuf> = lists
        .filter(|p| p.extension().is_some_and(|e| e == "csv"))
        .collect();
    assert_eq!(lists.len(), 2);
    for list in lists {
        let rows = common::rows(&std::fs::read_to_string(list).unwrap());
        assert_eq!(rows.len(), 1);
        assert!((common::semitones(rows[0].frequency_hz) - 58.0).abs() < 0.1);
    }
}

#[test]
fn a_port_that_vanishes_is_waited_for() {
    let _stage = alone();
    let server = Server::restless(128);
    let first = dump(&server, "synth");
    server.port("synth:input");
    let mut live = Live::start(Some(&server), &["--midi", "synth:input"]);
    live.wait_for_port(&server, "leadpipe:notes");
    drop(first);
    assert!(
        wait(6.0, || live.errors().contains("gone")),
        "{}",
        live.errors()
    );
    let second = dump(&server, "synth");
    assert!(
        wait(6.0, || live.errors().contains("back")),
        "{}",
        live.errors()
    );
    assert!(live.running());
    drop(second);
    assert_eq!(live.end("INT"), Some(0));
}

/// `jack_midi_dump` under a name of its own.
fn dump(server: &Server, name: &str) -> Tool {
    let child = std::process::Command::new("jack_midi_dump")
        .arg(name)
        .env("JACK_DEFAULT_SERVER", &server.name)
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .spawn();
    Tool(child.expect("jack_midi_dump is installed: apt-get install jackd2"))
}

/// A session that is stopped in the middle of a long note or in silence, or whose server
/// or neighbour is: the note ends, ports and connections stay, and it is played on.
fn stands_still(in_note: bool, server: Server, stop: impl FnOnce(&Server, &Live, u32)) {
    let folder = tempfile::tempdir().unwrap();
    let long = Played::new(0.3, 12.0, 58.0, 0.6);
    let take = write(folder.path(), &render(&[long], 13.0, &Room::default(), 1));
    let mut live = Live::start(Some(&server), &["--jsonl", "--midi", "virtual"]);
    live.wait_for_port(&server, "leadpipe:notes");
    let synth = dump(&server, "synth");
    server.connect("leadpipe:notes", &server.port("synth:input"));
    if in_note {
        let back = std::thread::scope(|scope| {
            let playing = scope.spawn(|| play(&server, &take, folder.path()));
            assert!(
                wait(15.0, || starts(&live.lines()) > 0),
                "{}",
                live.errors()
            );
            stop(&server, &live, synth.0.id());
            playing.join().expect("the room")
        });
        let notes = back.notes();
        assert!(
            !notes.is_empty() && notes.iter().all(|n| n.off_s.is_finite()),
            "{notes:?}"
        );
    } else {
        stop(&server, &live, synth.0.id());
    }
    assert!(live.running());
    assert_eq!(server.connections("leadpipe:notes"), ["synth:input"]);
    // Blocks that a busy machine drops cut a note in two; each part must be the note's own
    // and end.
    let again = play(&server, &take, folder.path()).notes();
    let own = again.iter().all(|n| n.key == 58 && n.off_s.is_finite());
    assert!(!again.is_empty() && own, "{again:?} {}", live.errors());
    drop(synth);
    assert_eq!(live.end("TERM"), Some(0));
}

/// Stops a process until the session says so, and waits until it says that it goes on.
fn stopped_until_told(live: &Live, process: u32) {
    signal(process, "STOP");
    let told = wait(10.0, || live.errors().contains("delivers no sound"));
    signal(process, "CONT");
    assert!(told, "{}", live.errors());
    let goes_on = || live.errors().contains("back again");
    assert!(wait(10.0, goes_on), "{}", live.errors());
}

#[test]
fn a_server_that_is_stopped_and_goes_on_keeps_its_connections() {
    let _stage = alone();
    for in_note in [true, false] {
        stands_still(in_note, Server::patient(128), |server, live, _| {
            stopped_until_told(live, server.id());
        });
    }
}

/// The server waits for a client that does not return from its cycle, and everyone with it.
#[test]
fn a_graph_that_another_client_blocks_is_waited_for() {
    let _stage = alone();
    for in_note in [true, false] {
        stands_still(in_note, Server::patient(128), |_, live, synth| {
            stopped_until_told(live, synth);
        });
    }
}

#[test]
fn a_process_that_is_stopped_and_goes_on_keeps_its_connections() {
    let _stage = alone();
    for in_note in [true, false] {
        // What it does not wait for is lost, note-offs and sound alike: its blocks are long
        // enough for a busy machine.
        stands_still(in_note, Server::restless(1_024), |_, live, _| {
            live.signal("STOP");
            // Longer than a device may be silent.
            wait(4.0, || false);
            live.signal("CONT");
        });
    }
}

/// A server that was stopped before the program started: it says what it waits for, and an
/// interrupt ends it.
#[test]
fn a_server_that_never_answers_can_be_left() {
    let _stage = alone();
    let server = Server::start(128);
    signal(server.id(), "STOP");
    let mut live = Live::start(Some(&server), &["--midi", "virtual"]);
    let told = wait(10.0, || {
        live.errors().contains("waiting for the sound server")
    });
    live.signal("INT");
    let ended = wait(6.0, || !live.running());
    signal(server.id(), "CONT");
    assert!(told && ended, "{told} {ended} {}", live.errors());
    assert_eq!(live.ends_within(1.0), Some(130));
    assert_eq!(live.errors().lines().count(), 1, "{}", live.errors());
}

/// More panics and switches than a port's buffer holds, with and without a note.
#[test]
fn a_flood_of_commands_is_survived() {
    let _stage = alone();
    let folder = tempfile::tempdir().unwrap();
    let samples = line::render(48_000.0);
    let take = write(folder.path(), &samples[..4 * 48_000]);
    let server = Server::start(64);
    let port = free_port();
    let listen = port.to_string();
    let options = [
        "--horn",
        "flugelhorn,trumpet",
        "--jsonl",
        "--midi",
        "virtual",
        "--listen",
        &listen,
    ];
    let mut live = Live::start(Some(&server), &options);
    live.wait_for_port(&server, "leadpipe:notes");
    let before = play(&server, &take, folder.path());
    let flooding = std::thread::spawn(move || {
        for round in 0..20_000 {
            let what = ["panic", "panic", "panic", "horn", "mute"][round % 5];
            send_osc(port, &format!("/leadpipe/{what}"), None);
        }
    });
    let during = play(&server, &take, folder.path());
    flooding.join().unwrap();
    assert!(during.notes().iter().all(|n| n.off_s.is_finite()));
    assert!(live.running());
    // Wait for the queue of commands to empty, then put everything as it was.
    let silences = || {
        live.lines()
            .iter()
            .filter(|l| l.contains("silence"))
            .count()
    };
    let mut last = silences();
    assert!(wait(20.0, || std::mem::replace(&mut last, silences()) == last));
    let unmute = rosc::OscMessage {
        addr: "/leadpipe/mute".into(),
        args: vec![rosc::OscType::Int(0)],
    };
    let bytes = rosc::encoder::encode(&rosc::OscPacket::Message(unmute)).unwrap();
    let socket = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
    socket.send_to(&bytes, ("127.0.0.1", port)).unwrap();
    send_osc(port, "/leadpipe/horn", Some("flugelhorn"));
    let after = play(&server, &take, folder.path());
    assert_eq!(
        after.notes().len(),
        before.notes().len(),
        "{}",
        live.errors()
    );
    assert_eq!(live.end("TERM"), Some(0));
}

#[test]
fn a_reader_that_never_reads_holds_nothing_up() {
    let _stage = alone();
    let folder = tempfile::tempdir().unwrap();
    // So many notes that no pipe holds their events: 10 a second.
    let notes: Vec<Played> = (0..200)
        .map(|i| {
            let at_s = 0.5 + 0.1 * f64::from(i);
            Played::new(at_s, at_s + 0.07, 58.0 + f64::from(i % 7), 0.6)
        })
        .collect();
    let take = write(folder.path(), &render(&notes, 21.0, &Room::default(), 1));
    let server = Server::start(128);
    let mut live = Live::unread(&server, &["--jsonl", "--midi", "virtual"]);
    live.wait_for_port(&server, "leadpipe:notes");
    let back = play(&server, &take, folder.path());
    assert!(
        back.notes().len() >= 190,
        "{} of {}: {}",
        back.notes().len(),
        back.midi.len(),
        live.errors()
    );
    assert!(back.notes().iter().all(|n| n.off_s.is_finite()));
    assert!(live.running());
    assert_eq!(live.end("TERM"), Some(0));
}

#[test]
fn nonsense_at_the_input_is_survived() {
    let _stage = alone();
    let folder = tempfile::tempdir().unwrap();
    let mut noise = Noise::new(3);
    let mut samples = vec![f32::NAN; 24_000];
    samples.extend((0..48_000).map(|_| noise.value() as f32));
    samples.extend([f32::INFINITY, f32::NEG_INFINITY, 1e30, -1e30].repeat(2_000));
    samples.extend(vec![0.0; 24_000]);
    let nonsense = samples.len();
    samples.extend(line::render(48_000.0));
    let take = write(folder.path(), &samples);
    let server = Server::start(128);
    let mut live = Live::start(
        Some(&server),
        &[
            "--horn",
            "flugelhorn",
            "--midi",
            "virtual",
            "--double",
            "--cv",
            "jack:3-6",
        ],
    );
    live.wait_for_port(&server, "leadpipe:notes");
    let back = play(&server, &take, folder.path());
    assert!(live.running());
    let after_s = nonsense as f64 / 48_000.0;
    let after = back
        .notes()
        .into_iter()
        .filter(|n| n.on_s > after_s)
        .count();
    assert_eq!(after, 18);
    for (channel, samples) in back.audio.iter().enumerate() {
        assert!(
            samples.iter().all(|s| s.is_finite() && s.abs() <= 1.0),
            "channel {channel}"
        );
    }
    assert_eq!(live.end("TERM"), Some(0));
}

#[test]
fn a_thousand_horn_switches_leave_nothing_hanging() {
    let _stage = alone();
    let folder = tempfile::tempdir().unwrap();
    let long = Played::new(0.5, 8.0, 58.0, 0.6);
    let take = write(folder.path(), &render(&[long], 9.0, &Room::default(), 1));
    let server = Server::start(128);
    let port = free_port();
    let listen = port.to_string();
    let mut live = Live::start(
        Some(&server),
        &[
            "--horn",
            "flugelhorn,trumpet,trombone",
            "--jsonl",
            "--midi",
            "virtual",
            "--listen",
            &listen,
        ],
    );
    live.wait_for_port(&server, "leadpipe:notes");
    let lines = live.out.clone();
    let switching = std::thread::spawn(move || {
        assert!(wait(15.0, || starts(&lines.lock().unwrap()) > 0));
        for _ in 0..1_000 {
            send_osc(port, "/leadpipe/horn", None);
            // Faster than any foot, and no burst that fills the network's buffer.
            std::thread::sleep(Duration::from_millis(4));
        }
        send_osc(port, "/leadpipe/horn", Some("flugelhorn"));
    });
    let back = play(&server, &take, folder.path());
    switching.join().unwrap();
    let notes = back.notes();
    assert!(!notes.is_empty() && notes.iter().all(|n| n.off_s.is_finite()));
    assert!(
        notes.iter().all(|n| (n.pitch() - 58.0).abs() < 0.5),
        "{:?}",
        notes.len()
    );
    assert!(live.running());
    // And it still plays.
    let again = play(&server, &take, folder.path());
    assert_eq!(again.notes().len(), 1);
    assert_eq!(live.end("TERM"), Some(0));
}

#[test]
fn whichever_way_it_ends_the_note_ends_first() {
    let _stage = alone();
    let folder = tempfile::tempdir().unwrap();
    let long = Played::new(0.3, 6.0, 58.0, 0.6);
    let take = write(folder.path(), &render(&[long], 6.0, &Room::default(), 1));
    for signal in ["INT", "TERM", "HUP", "QUIT"] {
        let server = Server::start(128);
        let live = Live::start(
            Some(&server),
            &[
                "--jsonl", "--midi", "virtual", "--double", "--cv", "jack:3-6",
            ],
        );
        live.wait_for_port(&server, "leadpipe:notes");
        let ending = std::thread::spawn(move || {
            assert!(wait(15.0, || starts(&live.lines()) > 0), "{signal}");
            live.end(signal)
        });
        let back = play(&server, &take, folder.path());
        assert_eq!(ending.join().unwrap(), Some(0), "{signal}");
        let notes = back.notes();
        assert_eq!(notes.len(), 1, "{signal}");
        assert!(notes[0].off_s < 5.5, "{signal}: {}", notes[0].off_s);
        let last_bend = back.midi.iter().rev().find(|(_, m)| m[0] == 0xe0).unwrap();
        assert_eq!(
            last_bend.1[1..],
            [0, 64],
            "{signal}: the bend is not centred"
        );
        assert!(
            back.audio[3].contains(&0.5) && back.audio[3].ends_with(&[0.0]),
            "{signal}"
        );
    }
}

/// The program's own breath controller, connected back to its pedal port, steps
/// to the next horn: MIDI in works on a real port.
#[test]
fn a_pedal_switches_the_horn() {
    let _stage = alone();
    let folder = tempfile::tempdir().unwrap();
    let rig = folder.path().join("stage.toml");
    let text = "horns = [\"trumpet\", \"trombone\"]\n[levels]\nsoft_db = -60.0\nloud_db = -30.0\n\
                [midi]\nport = \"virtual\"\nlisten = \"virtual\"\n\
                [[switch]]\ncontroller = 2\ndo = \"horn trombone\"\n";
    std::fs::write(&rig, text).unwrap();
    let take = write(folder.path(), &line::render(48_000.0)[..3 * 48_000]);
    let server = Server::start(128);
    let live = Live::start(Some(&server), &["--rig", rig.to_str().unwrap(), "--jsonl"]);
    server.connect(&server.port(":notes"), &server.port(":pedals"));
    play(&server, &take, folder.path());
    let lines = live.lines();
    let written: Vec<String> = lines
        .iter()
        .filter(|l| l.contains("\"event\":\"start\""))
        .map(|l| serde_json::from_str::<serde_json::Value>(l).unwrap()["written"].to_string())
        .collect();
    assert_eq!(
        written.first().map(String::as_str),
        Some("\"C4\""),
        "{written:?}"
    );
    assert!(written.contains(&"\"Bb3\"".to_owned()), "{written:?}");
    assert_eq!(live.end("TERM"), Some(0));
}
