//! The promise: whatever happens to terminal, disk and folder, the note ends first and
//! the notes of the take are kept. No device is needed: a file plays.
#![cfg(all(feature = "cli", feature = "live", target_os = "linux"))]

mod common;
#[path = "common/stage.rs"]
mod stage;

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use common::wait;
use leadpipe::internals::demo::brass::{Played, Room, play as render};
use stage::OscReceiver;

/// A take of one note that lasts for `length_s` seconds.
fn take(folder: &Path, length_s: f64) -> PathBuf {
    let path = folder.join("long.wav");
    let note = Played::new(0.3, length_s, 58.0, 0.6);
    let samples = render(&[note], length_s + 0.5, &Room::default(), 1);
    common::write_wav(&path, 48_000, &[&samples]);
    path
}

/// A session that records a take that is played to it, started by a shell's command, in
/// which `$PLAY` stands for the program and its options.
struct Recording {
    child: Child,
    ear: OscReceiver,
    folder: tempfile::TempDir,
}

impl Recording {
    fn start(length_s: f64, shell: &[&str], options: &str) -> Recording {
        let folder = tempfile::tempdir().unwrap();
        let take = take(folder.path(), length_s);
        let ear = OscReceiver::start();
        let play = format!(
            "{} live --from {} --record {} --osc {} {options}",
            common::program().display(),
            take.display(),
            folder.path().join("takes").display(),
            ear.port
        );
        let child = Command::new(shell[0])
            .args(shell[1..].iter().map(|part| part.replace("$PLAY", &play)))
            .current_dir(folder.path())
            .env("XDG_CONFIG_HOME", "/nonexistent")
            .env("TERM", "xterm")
            .env("SHELL", "/bin/sh")
            // Open, so that the terminal has a keyboard.
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(std::fs::File::create(folder.path().join("errors")).unwrap())
            .spawn()
            .expect("the shell starts");
        let recording = Recording { child, ear, folder };
        // The take holds a note once that has sounded for a while. In its first moments the
        // session knows it already, but a take that is cut off there does not show it yet.
        assert!(
            wait(20.0, || recording.times_heard("/leadpipe/pitch") >= 50),
            "no note: {}",
            recording.errors()
        );
        recording
    }

    fn heard(&self, address: &str) -> bool {
        self.times_heard(address) > 0
    }

    fn times_heard(&self, address: &str) -> usize {
        let messages = self.ear.messages();
        messages.iter().filter(|m| m.addr == address).count()
    }

    fn errors(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("errors")).unwrap_or_default()
    }

    fn code(&self) -> Option<i32> {
        let code = std::fs::read_to_string(self.folder.path().join("code")).ok()?;
        code.trim().parse().ok()
    }

    fn takes(&self) -> PathBuf {
        self.folder.path().join("takes")
    }

    /// Rows of the take's note list.
    fn notes(&self) -> usize {
        let files = std::fs::read_dir(self.takes()).unwrap().flatten();
        let list = files
            .map(|file| file.path())
            .find(|path| path.extension().is_some_and(|e| e == "csv"));
        let list = list.unwrap_or_else(|| panic!("no note list: {}", self.errors()));
        common::rows(&std::fs::read_to_string(list).unwrap()).len()
    }
}

impl Drop for Recording {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// `script` is a terminal; killed, it is one that has been closed. Who is in a session of
/// its own gets no signal then, only errors.
#[test]
fn a_closed_terminal_ends_the_session() {
    for hears_of_it in [true, false] {
        let start = if hears_of_it { "" } else { "setsid --wait " };
        let command =
            format!("trap '' HUP; stty rows 30 columns 90; {start}$PLAY 2>>errors; echo $? > code");
        let shell = ["script", "-qec", &command, "/dev/null"];
        let mut recording = Recording::start(30.0, &shell, "");
        recording.child.kill().unwrap();
        assert!(
            wait(10.0, || recording.code().is_some()),
            "it goes on: {}",
            recording.errors()
        );
        assert_eq!(recording.code(), Some(0), "{}", recording.errors());
        assert!(recording.heard("/leadpipe/silence"));
        assert_eq!(recording.notes(), 1);
    }
}

/// Lines of text, as with `--plain`, on a terminal that understands no escape codes or that
/// nobody has named.
#[test]
fn a_terminal_that_cannot_draw_gets_lines() {
    let folder = tempfile::tempdir().unwrap();
    let take = take(folder.path(), 0.8);
    for term in ["TERM=dumb", "-u TERM"] {
        let command = format!(
            "env {term} {} live --from {}",
            common::program().display(),
            take.display()
        );
        let output = Command::new("script")
            .args(["-qec", &command, "/dev/null"])
            .env("XDG_CONFIG_HOME", "/nonexistent")
            .env("SHELL", "/bin/sh")
            .stdin(Stdio::null())
            .output()
            .expect("script starts");
        let shown = String::from_utf8(output.stdout).unwrap();
        assert!(
            shown.contains("Bb3") && !shown.contains('\x1b'),
            "{shown:?}"
        );
    }
}

/// A limit on a file's size stands for a full disk; the notes are short enough.
#[test]
fn a_full_disk_is_told_at_once_and_the_notes_are_kept() {
    let command = "trap '' XFSZ; ulimit -f 600; exec $PLAY";
    let mut recording = Recording::start(7.0, &["sh", "-c", command], "--plain");
    let told = || recording.errors().contains("recorded no further");
    assert!(wait(6.0, told), "{}", recording.errors());
    assert!(!recording.heard("/leadpipe/note"), "only when it was over");
    let status = recording.child.wait().unwrap();
    assert_eq!(status.code(), Some(5), "{}", recording.errors());
    assert_eq!(recording.notes(), 1);
}

#[test]
fn a_removed_folder_is_told() {
    let mut recording = Recording::start(7.0, &["sh", "-c", "exec $PLAY"], "--plain");
    assert!(wait(6.0, || std::fs::remove_dir_all(recording.takes()).is_ok()));
    let told = || recording.errors().contains("it was removed");
    assert!(wait(6.0, told), "{}", recording.errors());
    let status = recording.child.wait().unwrap();
    assert_eq!(status.code(), Some(5), "{}", recording.errors());
    // What it says that it wrote is there.
    for line in recording.errors().lines() {
        if let Some(path) = line.strip_prefix("wrote ") {
            assert!(Path::new(path).exists(), "{path}");
        }
    }
    assert_eq!(recording.notes(), 1);
}

/// Nobody would get the events of the rest of the session.
#[test]
fn events_that_cannot_be_written_end_the_session() {
    let folder = tempfile::tempdir().unwrap();
    for length_s in [1.0, 20.0] {
        let take = take(folder.path(), length_s);
        let begun = std::time::Instant::now();
        let done = common::command()
            .args(["live", "--jsonl", "--from", take.to_str().unwrap()])
            .stdout(std::fs::File::create("/dev/full").unwrap())
            .output()
            .unwrap();
        let errors = String::from_utf8(done.stderr).unwrap();
        assert_eq!(done.status.code(), Some(5), "{errors}");
        let of_it = errors.lines().filter(|l| l.starts_with("leadpipe: "));
        let of_it: Vec<&str> = of_it.collect();
        assert!(
            of_it.len() == 1 && of_it[0].contains("No space left on device"),
            "{errors}"
        );
        assert!(begun.elapsed().as_secs_f64() < 15.0);
    }
}

/// Ctrl-\ too, which leaves a core file by itself.
#[test]
fn a_quit_signal_ends_the_session_and_keeps_the_take() {
    let mut recording = Recording::start(30.0, &["sh", "-c", "exec $PLAY"], "--plain");
    stage::signal(recording.child.id(), "QUIT");
    let status = recording.child.wait().unwrap();
    assert_eq!(status.code(), Some(0), "{}", recording.errors());
    assert!(wait(5.0, || recording.heard("/leadpipe/silence")));
    assert_eq!(recording.notes(), 1);
}
