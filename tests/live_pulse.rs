//! The promise: a live session works through ALSA's default devices too, here
//! PulseAudio with a virtual room to play into and a virtual stage to play on.
#![cfg(all(feature = "cli", feature = "live", target_os = "linux"))]

mod common;
#[path = "common/stage.rs"]
mod stage;

use std::path::PathBuf;
use std::process::{Child, Command, Stdio};

use common::wait;
use leadpipe::internals::demo::line;
use leadpipe::{Mode, Settings, Transcriber};
use stage::{Live, alone};

/// A sound server of its own; ended when dropped.
struct Pulse {
    child: Child,
    folder: tempfile::TempDir,
}

impl Pulse {
    fn start() -> Pulse {
        let folder = tempfile::tempdir().unwrap();
        let socket = folder.path().join("native");
        let protocol = format!(
            "--load=module-native-protocol-unix socket={} auth-anonymous=1",
            socket.display()
        );
        let sink = |name: &str| format!("--load=module-null-sink sink_name={name} rate=48000");
        let child = Command::new("pulseaudio")
            .args(["-n", "--daemonize=no", "--exit-idle-time=-1"])
            .args([&protocol, &sink("stage"), &sink("room")])
            .env("PULSE_RUNTIME_PATH", folder.path())
            .env("HOME", folder.path())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("pulseaudio is installed: apt-get install pulseaudio pulseaudio-utils");
        let pulse = Pulse { child, folder };
        assert!(wait(10.0, || pulse
            .tool("pactl")
            .arg("info")
            .status()
            .is_ok_and(|s| s.success())));
        for (what, name) in [
            ("set-default-sink", "stage"),
            ("set-default-source", "room.monitor"),
        ] {
            assert!(
                pulse
                    .tool("pactl")
                    .args([what, name])
                    .status()
                    .unwrap()
                    .success()
            );
        }
        pulse
    }

    fn server(&self) -> String {
        format!("unix:{}", self.folder.path().join("native").display())
    }

    /// How many streams of a kind there are: `source-outputs` that listen,
    /// `sink-inputs` that play.
    fn streams(&self, kind: &str) -> usize {
        let output = self
            .tool("pactl")
            .args(["list", "short", kind])
            .stdout(Stdio::piped())
            .output();
        output.map_or(0, |o| String::from_utf8_lossy(&o.stdout).lines().count())
    }

    fn tool(&self, name: &str) -> Command {
        let mut command = Command::new(name);
        command
            .env("PULSE_SERVER", self.server())
            .stdout(Stdio::null())
            .stderr(Stdio::null());
        command
    }
}

/// A sound server that dies while a note sounds, or while none does, keeps nobody
/// waiting: the program says so and still ends when it is asked to, with its notes.
#[test]
fn a_server_that_dies_holds_nothing_up() {
    let _stage = alone();
    for sounding in [false, true] {
        let folder = tempfile::tempdir().unwrap();
        let take = folder.path().join("take.wav");
        common::write_wav(&take, 48_000, &[&line::render(48_000.0)]);
        let takes = folder.path().join("takes");
        let mut pulse = Pulse::start();
        let mut live = Live::start_with(
            &[("PULSE_SERVER", &pulse.server())],
            &[
                "--input",
                "alsa:pulse",
                "--jsonl",
                "--double",
                "--output",
                "alsa:pulse",
                "--record",
                takes.to_str().unwrap(),
            ],
        );
        let ready = || pulse.streams("source-outputs") == 1 && pulse.streams("sink-inputs") == 1;
        assert!(wait(10.0, ready), "{}", live.errors());
        let mut player = pulse.tool("paplay");
        let mut player = player.arg("--device=room").arg(&take).spawn().unwrap();
        let wanted = || {
            let lines = live.lines();
            let kind = |line: &&String| line.contains("\"start\"") || line.contains("\"stop\"");
            let last = lines.iter().rfind(kind);
            last.is_some_and(|line| line.contains("\"start\"") == sounding)
        };
        assert!(wait(10.0, wanted), "{}", live.errors());
        pulse.child.kill().unwrap();
        pulse.child.wait().unwrap();
        player.wait().unwrap();
        let told = || live.errors().contains("waiting for it");
        assert!(wait(10.0, told), "{}", live.errors());
        assert!(live.running());
        let lines = live.out.clone();
        live.signal("TERM");
        assert_eq!(live.ends_within(10.0), Some(0), "{}", live.errors());
        let last = lines.lock().unwrap().last().cloned();
        assert!(last.unwrap().contains("silence"));
        let csv = std::fs::read_dir(&takes).unwrap().flatten().any(|file| {
            let path = file.path();
            path.extension().is_some_and(|e| e == "csv")
        });
        assert!(csv, "{}", live.errors());
    }
}

impl Drop for Pulse {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn a_take_in_the_room_is_heard_and_doubled_on_the_stage() {
    let _stage = alone();
    let folder = tempfile::tempdir().unwrap();
    let take: PathBuf = folder.path().join("take.wav");
    common::write_wav(&take, 48_000, &[&line::render(48_000.0)[..8 * 48_000]]);
    let pulse = Pulse::start();
    let capture = folder.path().join("stage.raw");
    let mut recorder = pulse
        .tool("parec")
        .args([
            "--device=stage.monitor",
            "--format=float32le",
            "--rate=48000",
            "--channels=1",
        ])
        .stdout(std::fs::File::create(&capture).unwrap())
        .spawn()
        .expect("parec is installed: apt-get install pulseaudio-utils");
    // ALSA finds the server by the same variable.
    let live = Live::start_with(
        &[("PULSE_SERVER", &pulse.server())],
        &[
            "--input",
            "alsa:pulse",
            "--horn",
            "flugelhorn",
            "--jsonl",
            "--double",
            "--output",
            "alsa:pulse",
        ],
    );
    // The recorder and the program listen, and the program plays.
    let ready = || pulse.streams("source-outputs") == 2 && pulse.streams("sink-inputs") == 1;
    assert!(wait(10.0, ready), "{}", live.errors());
    let played = pulse
        .tool("paplay")
        .arg("--device=room")
        .arg(&take)
        .status()
        .unwrap();
    assert!(played.success());
    let wanted: Vec<i32> = common::causal(&take).iter().map(|r| r.midi).collect();
    let ended = |lines: &[String]| {
        let note = |l: &&String| l.contains("\"event\":\"note\"");
        lines.iter().filter(note).count()
    };
    wait(5.0, || ended(&live.lines()) >= wanted.len());
    let (lines, errors, code) = (live.out.clone(), live.err.clone(), live.end("TERM"));
    assert_eq!(code, Some(0), "{:?}", errors.lock().unwrap());
    recorder.kill().unwrap();
    recorder.wait().unwrap();

    let lines = lines.lock().unwrap();
    let notes = lines.iter().filter(|l| l.contains("\"event\":\"note\""));
    let heard: Vec<i32> = notes
        .map(|l| {
            serde_json::from_str::<serde_json::Value>(l).unwrap()["midi"]
                .as_i64()
                .unwrap() as i32
        })
        .collect();
    assert_eq!(heard, wanted, "{:?}", errors.lock().unwrap());

    let bytes = std::fs::read(&capture).unwrap();
    let voice: Vec<f32> = bytes
        .chunks_exact(4)
        .map(|b| f32::from_le_bytes(b.try_into().unwrap()))
        .collect();
    let mut transcriber =
        Transcriber::new(Settings::builder(48_000.0).build().unwrap(), Mode::Full);
    transcriber.push(&voice);
    let doubled: Vec<i32> = transcriber
        .finish()
        .notes
        .iter()
        .map(|n| n.pitch.round() as i32)
        .collect();
    // What is slurred may run together where the voice glides; what sounds is what was played.
    // The voice follows the scoop too, from 130 cents under its note: heard by itself, that may
    // be a note.
    let scooped_from = 66;
    let played = |k: &i32| wanted.contains(k) || *k == scooped_from;
    assert!(
        doubled.len() >= wanted.len() / 2 && doubled.iter().all(played),
        "{doubled:?}"
    );
}
