//! The promise: however a calibration ends, its output goes back to zero without a jump,
//! and what is stored is a whole calibration or none.
#![cfg(all(feature = "cli", feature = "jack"))]

mod common;
#[path = "common/stage.rs"]
mod stage;

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use common::wait;
use stage::{Server, Tool, alone};

/// A calibration on a terminal (`script` is one).
struct Calibration {
    child: Child,
    folder: tempfile::TempDir,
}

const RIG: &str = "horns = [\"trumpet\"]\n";

impl Calibration {
    /// `start` comes before the command.
    fn start(server: &Server, start: &str) -> Calibration {
        let folder = tempfile::tempdir().unwrap();
        let rig = folder.path().join("stage.toml");
        std::fs::write(&rig, RIG).unwrap();
        let command = format!(
            "trap '' HUP INT; {start}{} calibrate jack:3 --rig {} 2> said; echo $? > code",
            common::program().display(),
            rig.display()
        );
        let child = Command::new("script")
            .args(["-qec", &command, "/dev/null"])
            .current_dir(folder.path())
            .env("JACK_DEFAULT_SERVER", &server.name)
            .env("JACK_NO_START_SERVER", "1")
            .env("SHELL", "/bin/sh")
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .spawn()
            .expect("script is installed: apt-get install bsdutils");
        let calibration = Calibration { child, folder };
        calibration.asks_at("+0.0");
        calibration
    }

    fn said(&self) -> String {
        self.read("said")
    }

    fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.folder.path().join(name)).unwrap_or_default()
    }

    fn asks_at(&self, step: &str) {
        let asked = || self.said().contains(&format!("output at {step}"));
        assert!(wait(20.0, asked), "{step}: {}", self.said());
    }

    fn types(&mut self, text: &str) {
        let keyboard = self.child.stdin.as_mut().expect("a keyboard");
        keyboard.write_all(text.as_bytes()).unwrap();
        keyboard.flush().unwrap();
    }

    fn code(&self) -> Option<i32> {
        self.read("code").trim().parse().ok()
    }

    fn capture(&self) -> PathBuf {
        self.folder.path().join("capture.wav")
    }
}

impl Drop for Calibration {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Records a port for so many seconds.
fn record(server: &Server, port: &str, seconds: u32, to: &Path) -> Tool {
    let child = Command::new("jack_rec")
        .args(["-f", to.to_str().unwrap(), "-d", &seconds.to_string()])
        .args(["-b", "24", port])
        .env("JACK_DEFAULT_SERVER", &server.name)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn();
    Tool(child.expect("jack_rec is installed: apt-get install jackd2"))
}

#[test]
fn an_interrupted_calibration_ramps_to_zero_and_stores_nothing() {
    let _stage = alone();
    for (what, start) in [
        ("interrupt", ""),
        ("end of input", ""),
        ("closed", ""),
        // In a session of its own it gets no signal, only errors.
        ("closed", "setsid --wait "),
    ] {
        let server = Server::start(128);
        let mut calibration = Calibration::start(&server, start);
        let mut recorder = record(&server, "leadpipe-out:out_3", 6, &calibration.capture());
        assert!(wait(10.0, || !server
            .connections("leadpipe-out:out_3")
            .is_empty()));
        calibration.types("0.001\n");
        calibration.asks_at("+0.2");
        calibration.types("2.001\n");
        calibration.asks_at("+0.4");
        // Time for the voltage to get there.
        wait(0.6, || false);
        match what {
            "interrupt" => calibration.types("\x03"),
            "end of input" => calibration.types("\x04"),
            _ => calibration.child.kill().unwrap(),
        }
        let ended = wait(10.0, || calibration.code().is_some());
        assert!(ended, "{what} {start}: {}", calibration.said());
        assert_ne!(calibration.code(), Some(0), "{what}");
        assert_eq!(calibration.read("stage.toml"), RIG, "{what}");
        assert!(recorder.0.wait().unwrap().success());
        let reader = hound::WavReader::open(calibration.capture()).unwrap();
        let samples = reader.into_samples::<i32>();
        let samples: Vec<f64> = samples
            .map(|s| f64::from(s.unwrap()) / 8_388_608.0)
            .collect();
        let most = samples.iter().fold(0f64, |most, s| most.max(s.abs()));
        assert!(most > 0.19, "{what} {start}: {most}");
        // Full scale in a fifth of a second, and the recorder's rounding.
        let step = samples.windows(2).map(|two| (two[1] - two[0]).abs());
        let step = step.fold(0f64, f64::max);
        assert!(step < 5.0 / 48_000.0 + 1e-6, "{what} {start}: {step}");
        assert_eq!(samples.last(), Some(&0.0), "{what} {start}");
    }
}
