//! What several test files need: running the program, writing takes, finding
//! the recordings that the registries carry.
#![allow(dead_code)]

pub mod part;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::{Duration, Instant};

/// The program: what cargo built for the tests, or, for an example that uses
/// this, what lies beside it.
pub fn program() -> PathBuf {
    if let Some(path) = option_env!("CARGO_BIN_EXE_leadpipe") {
        return path.into();
    }
    let here = std::env::current_exe().expect("a path");
    let found = here
        .ancestors()
        .map(|folder| folder.join("leadpipe"))
        .find(|path| path.is_file());
    found.expect("build the program first: cargo build --release --features jack")
}

/// The program, to be run without anybody's own settings and rigs.
pub fn command() -> Command {
    let mut command = Command::new(program());
    command.env("XDG_CONFIG_HOME", "/nonexistent");
    command
}

/// Runs the program.
pub fn leadpipe(args: &[&str]) -> Output {
    command().args(args).output().expect("the program starts")
}

/// Runs the program and expects success; gives standard output.
pub fn succeed(args: &[&str]) -> String {
    let output = leadpipe(args);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "leadpipe {args:?}: {errors}");
    String::from_utf8(output.stdout).expect("UTF-8")
}

/// Runs the program and expects failure; gives exit code and standard error.
pub fn fail(args: &[&str]) -> (i32, String) {
    let output = leadpipe(args);
    assert!(!output.status.success(), "leadpipe {args:?} succeeded");
    let errors = String::from_utf8(output.stderr).expect("UTF-8");
    (output.status.code().expect("an exit code"), errors)
}

/// A program that keeps what it is to engrave and gives a page, as the engraver does.
#[cfg(unix)]
pub fn engraver(folder: &Path) -> String {
    use std::os::unix::fs::PermissionsExt;
    let path = folder.join("engraver");
    let kept = folder.join("kept.ly");
    let script = format!(
        "#!/bin/sh\n[ \"$1\" = --version ] && exit 0\ncp part.ly {}\necho %PDF-1.4 > part.pdf\n",
        kept.display()
    );
    std::fs::write(&path, script).unwrap();
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o755)).unwrap();
    path.display().to_string()
}

/// Waits until something is so, for at most so many seconds; says whether it came
/// to be so.
pub fn wait(seconds: f64, so: impl FnMut() -> bool) -> bool {
    poll(seconds, Duration::from_millis(20), so)
}

/// The same with a rest of one's own between two questions.
pub fn poll(seconds: f64, rest: Duration, mut so: impl FnMut() -> bool) -> bool {
    let deadline = Instant::now() + Duration::from_secs_f64(seconds);
    while Instant::now() < deadline {
        if so() {
            return true;
        }
        std::thread::sleep(rest);
    }
    so()
}

/// Writes a 32-bit float WAV.
pub fn write_wav(path: &Path, sample_rate: u32, channels: &[&[f32]]) {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec).expect("a file");
    for i in 0..channels[0].len() {
        for channel in channels {
            writer.write_sample(channel[i]).expect("a sample");
        }
    }
    writer.finalize().expect("a whole file");
}

/// One note of a CSV note list.
#[derive(Debug, Clone)]
pub struct Row {
    pub onset_s: f64,
    pub offset_s: f64,
    pub decided_s: f64,
    pub midi: i32,
    pub frequency_hz: f64,
    pub cents: f64,
    pub attack: String,
    pub length: String,
    pub technique: String,
}

/// Reads a CSV note list. The fields here hold no quoted commas.
pub fn rows(csv: &str) -> Vec<Row> {
    let mut lines = csv.lines();
    let header = lines.next().expect("a header");
    assert!(
        header.starts_with(
            "onset_s,offset_s,decided_s,midi,frequency_hz,cents,concert,written,volts,\
             attack,length,technique,level_db,confidence"
        ),
        "{header}"
    );
    lines
        .map(|line| {
            let fields: Vec<&str> = line.split(',').collect();
            let number = |i: usize| fields[i].parse::<f64>().expect("a number");
            Row {
                onset_s: number(0),
                offset_s: number(1),
                decided_s: number(2),
                midi: fields[3].parse().expect("a key"),
                frequency_hz: number(4),
                cents: number(5),
                attack: fields[9].into(),
                length: fields[10].into(),
                technique: fields[11].into(),
            }
        })
        .collect()
}

/// A take of the flugelhorn as the causal pass hears it.
pub fn causal(take: &Path) -> Vec<Row> {
    let take = take.to_str().expect("a plain path");
    rows(&succeed(&[
        "transcribe",
        take,
        "--horn",
        "flugelhorn",
        "--causal",
        "--format",
        "csv",
    ]))
}

/// Pitch in MIDI semitones of a frequency.
pub fn semitones(frequency_hz: f64) -> f64 {
    69.0 + 12.0 * (frequency_hz / 440.0).log2()
}

/// A file in `fixtures/`.
pub fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures")
        .join(name)
}

/// Debian's General MIDI sound font (package `fluid-soundfont-gm`).
const SOUND_FONT: &str = "/usr/share/sounds/sf2/FluidR3_GM.sf2";

/// Renders a MIDI file to a WAV at 44.1 kHz with Debian's fluidsynth, without
/// reverb and chorus.
pub fn render_midi(midi: &Path, wav: &Path) {
    let output = Command::new("fluidsynth")
        .args([
            "-q", "-n", "-i", "-R", "0", "-C", "0", "-g", "0.6", "-r", "44100", "-F",
        ])
        .arg(wav)
        .arg(SOUND_FONT)
        .arg(midi)
        .output()
        .expect("fluidsynth is installed: apt-get install fluidsynth fluid-soundfont-gm");
    assert!(
        output.status.success() && wav.exists(),
        "fluidsynth: {}",
        String::from_utf8_lossy(&output.stderr)
    );
}
