//! A stage without hardware: a JACK server of its own on its dummy driver, the
//! program live on it, and a room that plays takes in and takes down what comes
//! back (`examples/room`).
#![allow(dead_code)]

use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::net::UdpSocket;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, LazyLock, Mutex, MutexGuard};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crate::common::{poll, wait};

/// One stage at a time: two would be late for each other on a small machine.
static STAGE: Mutex<()> = Mutex::new(());

/// Waits for the stage to be free.
pub fn alone() -> MutexGuard<'static, ()> {
    STAGE.lock().unwrap_or_else(|held| held.into_inner())
}

/// [`wait`] for what is asked of a JACK server. Each question is a client that
/// comes and goes; many of them while others open their ports make the server
/// stop its graph for seconds. So the first one is kept back, too.
fn wait_for_server(seconds: f64, mut so: impl FnMut() -> bool) -> bool {
    let mut asked = Instant::now();
    poll(seconds, Duration::from_millis(20), || {
        if asked.elapsed() < BETWEEN_QUESTIONS {
            return false;
        }
        let is = so();
        asked = Instant::now();
        is
    })
}

/// Least time between two questions to a JACK server.
const BETWEEN_QUESTIONS: Duration = Duration::from_millis(500);

/// A JACK server; ended when dropped.
pub struct Server {
    child: Child,
    /// What it says, to be shown if it does not start.
    log: tempfile::NamedTempFile,
    pub name: String,
    pub block: u32,
}

/// It waits for whoever is late. Otherwise what a late client should have
/// received is lost to it, note-offs too.
const SYNCHRONOUS: &[&str] = &["-S"];

/// Name of this process's servers, and the lock that keeps it from other processes.
///
/// JACK remembers eight servers on a machine by their names, and those that were killed
/// stay in its memory until one starts that is called the same: with a new name for each,
/// a few killed servers are enough that none starts any more.
static NAME: LazyLock<(String, File)> = LazyLock::new(|| {
    let free = (0..64).find_map(|count| {
        let name = format!("leadpipe-test-{count}");
        let lock = File::create(std::env::temp_dir().join(&name)).ok()?;
        lock.try_lock().ok().map(|()| (name, lock))
    });
    free.expect("a name that no other test uses")
});

impl Server {
    /// Starts one at 48 kHz with blocks of so many frames.
    pub fn start(block: u32) -> Server {
        Server::launch(&NAME.0, block, SYNCHRONOUS)
    }

    /// Starts one that waits for nobody: neither for who is late nor who is dead.
    pub fn restless(block: u32) -> Server {
        Server::launch(&NAME.0, block, &[])
    }

    /// Starts one that waits for whoever is late, however long. Another that goes on after
    /// it was stopped drops its clients or not, by chance: whether they seem late to it.
    pub fn patient(block: u32) -> Server {
        let options = [SYNCHRONOUS, &["--timeout", "60000"]].concat();
        Server::launch(&NAME.0, block, &options)
    }

    /// Starts one without asking whether it is there yet: each question is a
    /// client that comes and goes, and would meet those that wait to come back.
    pub fn unasked(name: &str, block: u32) -> Server {
        Server::unasked_at(name, block, 48_000)
    }

    /// The same at a sample rate of one's own.
    pub fn unasked_at(name: &str, block: u32, rate_hz: u32) -> Server {
        Server::spawn(name, block, rate_hz, SYNCHRONOUS)
    }

    fn launch(name: &str, block: u32, options: &[&str]) -> Server {
        let mut server = Server::spawn(name, block, 48_000, options);
        assert!(
            wait_for_server(30.0, || !server.ports().is_empty()),
            "the JACK server never answered: {}",
            server.said()
        );
        // One of this name that another run has left would answer in its place.
        let ended = server.child.try_wait().expect("its status");
        assert!(ended.is_none(), "the JACK server ended: {}", server.said());
        server
    }

    fn spawn(name: &str, block: u32, rate_hz: u32, options: &[&str]) -> Server {
        forget_properties();
        let log = tempfile::NamedTempFile::new().expect("a temporary file");
        let errors = log.reopen().expect("a second handle on it");
        let child = Command::new("jackd")
            .args(options)
            .args(["--no-realtime", "-n", name, "-d", "dummy"])
            .args(["-r", &rate_hz.to_string(), "-p", &block.to_string()])
            .env("JACK_NO_AUDIO_RESERVATION", "1")
            .stdout(Stdio::null())
            .stderr(errors)
            .spawn()
            .expect("jackd is installed: apt-get install jackd2");
        Server {
            child,
            log,
            name: name.to_owned(),
            block,
        }
    }

    /// What it has said so far.
    fn said(&self) -> String {
        std::fs::read_to_string(self.log.path()).unwrap_or_default()
    }

    /// What one of JACK's tools prints. One that asks a server that is just starting may wait for
    /// its answer for ever: it is ended, so that whoever needs the answer can ask again.
    fn tool(&self, tool: &str, args: &[&str]) -> String {
        let mut child = Command::new(tool)
            .args(args)
            .env("JACK_DEFAULT_SERVER", &self.name)
            .env("JACK_NO_START_SERVER", "1")
            .stderr(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .expect("JACK's tools are installed: apt-get install jackd2");
        if !ends(&mut child, 10.0) {
            end(&mut child, 1.0);
        }
        let output = child.wait_with_output().expect("its output");
        String::from_utf8_lossy(&output.stdout).into_owned()
    }

    /// Names of all ports.
    pub fn ports(&self) -> Vec<String> {
        self.tool("jack_lsp", &[])
            .lines()
            .map(str::to_owned)
            .collect()
    }

    /// Names of the ports that one is connected to.
    pub fn connections(&self, port: &str) -> Vec<String> {
        let listed = self.tool("jack_lsp", &["-c", port]);
        let others = listed.lines().filter(|line| line.starts_with(' '));
        others.map(|line| line.trim().to_owned()).collect()
    }

    /// Its process id.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// The port whose name ends so, waited for.
    pub fn port(&self, ending: &str) -> String {
        let find = || self.ports().into_iter().find(|p| p.ends_with(ending));
        let mut found = None;
        wait_for_server(30.0, || {
            found = find();
            found.is_some()
        });
        found.unwrap_or_else(|| panic!("no port {ending}: {:?}", self.ports()))
    }

    /// Connects two ports.
    pub fn connect(&self, from: &str, to: &str) {
        let connected = || {
            self.tool("jack_connect", &[from, to]);
            let ports = self.tool("jack_lsp", &["-c", from]);
            ports.lines().any(|l| l.trim() == to)
        };
        assert!(
            wait_for_server(30.0, connected),
            "{from} does not connect to {to}"
        );
    }

    /// Ends the server at once, without a goodbye.
    pub fn kill(mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Servers of one user share a database of their clients' properties. A client that is killed
/// while it writes there leaves it locked, and the next server waits for ever. Where no server runs
/// it is nobody's.
fn forget_properties() {
    let Ok(processes) = std::fs::read_dir("/proc") else {
        return;
    };
    let is_server = |process: std::fs::DirEntry| {
        let name = std::fs::read_to_string(process.path().join("comm"));
        name.is_ok_and(|name| name.starts_with("jackd"))
    };
    if processes.flatten().any(is_server) {
        return;
    }
    let shared = std::fs::read_dir("/dev/shm").into_iter().flatten();
    for entry in shared.flatten() {
        if entry.file_name().to_string_lossy().starts_with("jack_db-") {
            let _ = std::fs::remove_dir_all(entry.path());
        }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        end(&mut self.child, 10.0);
        let _ = self.child.wait();
    }
}

/// Whether a process ends by itself within so many seconds.
fn ends(child: &mut Child, seconds: f64) -> bool {
    wait(seconds, || child.try_wait().is_ok_and(|s| s.is_some()))
}

/// Asks a process to end, and ends it if it has not after so many seconds.
fn end(child: &mut Child, seconds: f64) {
    signal(child.id(), "TERM");
    if !ends(child, seconds) {
        let _ = child.kill();
    }
}

/// A program of others, ended when dropped.
pub struct Tool(pub Child);

impl Drop for Tool {
    fn drop(&mut self) {
        end(&mut self.0, 1.0);
        let _ = self.0.wait();
    }
}

/// Sends a process a signal: `STOP`, `CONT`, `TERM`, ...
pub fn signal(process: u32, name: &str) {
    let _ = Command::new("kill")
        .args(["-s", name, &process.to_string()])
        .status();
}

/// The program, live; ended when dropped.
pub struct Live {
    child: Child,
    /// Lines on standard output so far.
    pub out: Arc<Mutex<Vec<String>>>,
    /// Lines on standard error so far.
    pub err: Arc<Mutex<Vec<String>>>,
    /// Threads that read both until they are closed.
    readers: Vec<JoinHandle<()>>,
}

impl Live {
    /// Starts `leadpipe live --plain` with options, on a server if one is given.
    pub fn start(server: Option<&Server>, options: &[&str]) -> Live {
        let name = server.map(|s| ("JACK_DEFAULT_SERVER", s.name.as_str()));
        Live::start_with(name.as_slice(), options)
    }

    /// The same with variables of its environment.
    pub fn start_with(variables: &[(&str, &str)], options: &[&str]) -> Live {
        let mut live = Live::spawn(variables, options);
        let reader = gather(live.child.stdout.take().expect("a pipe"), &live.out);
        live.readers.push(reader);
        live
    }

    /// The same with a standard output that nobody reads.
    pub fn unread(server: &Server, options: &[&str]) -> Live {
        Live::spawn(&[("JACK_DEFAULT_SERVER", &server.name)], options)
    }

    fn spawn(variables: &[(&str, &str)], options: &[&str]) -> Live {
        let mut command = Command::new(crate::common::program());
        command
            .args(["live", "--plain"])
            .args(options)
            .env("JACK_NO_START_SERVER", "1")
            // No rig of whoever runs the tests.
            .env("XDG_CONFIG_HOME", "/nonexistent")
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        command.envs(variables.iter().copied());
        let mut child = command.spawn().expect("the program starts");
        let err = Arc::default();
        let reader = gather(child.stderr.take().expect("a pipe"), &err);
        Live {
            child,
            out: Arc::default(),
            err,
            readers: vec![reader],
        }
    }

    /// Waits for a port of it to appear on a server.
    pub fn wait_for_port(&self, server: &Server, part: &str) {
        let there = || server.ports().iter().any(|p| p.contains(part));
        assert!(
            wait_for_server(30.0, there),
            "no port {part}: {:?} {:?}",
            server.ports(),
            self.errors()
        );
    }

    /// Standard output so far.
    pub fn lines(&self) -> Vec<String> {
        self.out.lock().expect("lines").clone()
    }

    /// Standard error so far.
    pub fn errors(&self) -> String {
        self.err.lock().expect("lines").join("\n")
    }

    /// Whether it still runs.
    pub fn running(&mut self) -> bool {
        self.child.try_wait().is_ok_and(|status| status.is_none())
    }

    /// Its process id.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Processor time used so far, user and system, in seconds.
    pub fn cpu_s(&self) -> f64 {
        let stat = std::fs::read_to_string(format!("/proc/{}/stat", self.id())).unwrap_or_default();
        let after_name = stat.rsplit(") ").next().unwrap_or_default();
        let fields: Vec<&str> = after_name.split(' ').collect();
        let ticks = |i: usize| {
            fields
                .get(i)
                .and_then(|f| f.parse::<f64>().ok())
                .unwrap_or(0.0)
        };
        // Fields 14 and 15 of proc(5), in hundredths of a second.
        (ticks(11) + ticks(12)) / 100.0
    }

    /// Resident memory in kilobytes.
    pub fn memory_kb(&self) -> u64 {
        let status =
            std::fs::read_to_string(format!("/proc/{}/status", self.id())).unwrap_or_default();
        let line = status
            .lines()
            .find(|l| l.starts_with("VmRSS:"))
            .unwrap_or_default();
        line.split_whitespace()
            .nth(1)
            .and_then(|kb| kb.parse().ok())
            .unwrap_or(0)
    }

    /// Sends a signal: `TERM`, `INT`, ...
    pub fn signal(&self, name: &str) {
        signal(self.id(), name);
    }

    /// Ends it with a signal; gives its exit code. All that it wrote has been read
    /// then.
    pub fn end(mut self, signal: &str) -> Option<i32> {
        self.signal(signal);
        self.ends_within(6.0)
    }

    /// Waits for it to end by itself; gives its exit code. All that it wrote has
    /// been read then.
    pub fn ends_within(&mut self, seconds: f64) -> Option<i32> {
        let ended = wait(seconds, || !self.running());
        assert!(ended, "it does not end: {}", self.errors());
        for reader in self.readers.drain(..) {
            reader.join().expect("a reader");
        }
        self.child.wait().ok().and_then(|status| status.code())
    }
}

impl Drop for Live {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn gather(pipe: impl Read + Send + 'static, into: &Arc<Mutex<Vec<String>>>) -> JoinHandle<()> {
    let into = into.clone();
    std::thread::spawn(move || {
        for line in BufReader::new(pipe).lines().map_while(Result::ok) {
            into.lock().expect("lines").push(line);
        }
    })
}

/// What came back from the program while a take was played.
pub struct Back {
    /// Sound of each of its output ports; times count from the take's start.
    pub audio: Vec<Vec<f32>>,
    /// MIDI with times in seconds.
    pub midi: Vec<(f64, [u8; 3])>,
}

/// A note that came back as MIDI.
#[derive(Debug, Clone)]
pub struct MidiNote {
    pub on_s: f64,
    pub off_s: f64,
    pub key: u8,
    /// Bends while it sounds, with their times in seconds; semitones.
    pub bends: Vec<(f64, f64)>,
}

impl MidiNote {
    /// Pitch at a moment, bend included, MIDI semitones.
    pub fn pitch_at(&self, time_s: f64) -> f64 {
        let bend = self.bends.iter().rev().find(|(t, _)| *t <= time_s);
        f64::from(self.key) + bend.or(self.bends.first()).map_or(0.0, |(_, bend)| *bend)
    }

    /// Pitch halfway through.
    pub fn pitch(&self) -> f64 {
        self.pitch_at(0.5 * (self.on_s + self.off_s))
    }
}

impl Back {
    /// Notes, bends included. The bend range is the one that was set by RPN 0,0.
    pub fn notes(&self) -> Vec<MidiNote> {
        let (mut notes, mut bend, mut range): (Vec<MidiNote>, f64, f64) = (Vec::new(), 0.0, 2.0);
        let mut rpn = (127, 127);
        for (time_s, [status, one, two]) in &self.midi {
            match (status & 0xf0, *one) {
                (0xb0, 101) => rpn.0 = *two,
                (0xb0, 100) => rpn.1 = *two,
                (0xb0, 6) if rpn == (0, 0) => range = f64::from(*two),
                (0xe0, _) => {
                    let value = i32::from(*one) + 128 * i32::from(*two) - 8192;
                    bend = f64::from(value) / 8192.0 * range;
                    if let Some(note) = notes.last_mut().filter(|n| n.off_s.is_infinite()) {
                        note.bends.push((*time_s, bend));
                    }
                }
                (0x90, key) => notes.push(MidiNote {
                    on_s: *time_s,
                    off_s: f64::INFINITY,
                    key,
                    bends: vec![(*time_s, bend)],
                }),
                (0x80, key) => {
                    let held = notes
                        .iter_mut()
                        .rev()
                        .find(|n| n.key == key && n.off_s.is_infinite());
                    if let Some(note) = held {
                        note.off_s = *time_s;
                    }
                }
                _ => {}
            }
        }
        notes
    }
}

/// Plays a take (one channel, 48 kHz) through the room; gives what came back.
pub fn play(server: &Server, take: &Path, folder: &Path) -> Back {
    play_to_a_clock(server, take, folder, None)
}

/// The same with MIDI clock from the take's start on, in quarters a minute.
pub fn play_to_a_clock(server: &Server, take: &Path, folder: &Path, tempo: Option<f64>) -> Back {
    let capture = folder.join("capture.wav");
    let midi = run_room(server, take, &capture, folder, tempo);
    let mut reader = hound::WavReader::open(&capture).expect("a capture");
    let channels = usize::from(reader.spec().channels);
    let samples: Vec<f32> = reader
        .samples::<f32>()
        .map(|s| s.expect("a sample"))
        .collect();
    let audio = (0..channels)
        .map(|c| samples.iter().skip(c).step_by(channels).copied().collect())
        .collect();
    Back { audio, midi }
}

/// The same without the sound, for takes that are too long to be held.
pub fn play_for_midi(server: &Server, take: &Path, folder: &Path) -> Back {
    Back {
        audio: Vec::new(),
        midi: run_room(server, take, Path::new("-"), folder, None),
    }
}

fn run_room(
    server: &Server,
    take: &Path,
    capture: &Path,
    folder: &Path,
    tempo: Option<f64>,
) -> Vec<(f64, [u8; 3])> {
    let midi = folder.join("midi.csv");
    let output = Command::new(room())
        .args([take, capture, &midi])
        .args(tempo.map(|tempo| tempo.to_string()))
        .env("JACK_DEFAULT_SERVER", &server.name)
        .env("JACK_NO_START_SERVER", "1")
        .output()
        .expect("the room starts");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let rows = std::fs::read_to_string(&midi).expect("MIDI");
    let row = |line: &str| {
        let fields: Vec<&str> = line.split(',').collect();
        let byte = |i: usize| fields[i].parse::<u8>().expect("a byte");
        (
            fields[0].parse().expect("a time"),
            [byte(1), byte(2), byte(3)],
        )
    };
    rows.lines().skip(1).map(row).collect()
}

/// How a long session went.
#[derive(Debug)]
pub struct Soak {
    /// Notes of the take as the causal pass hears them, and that came back.
    pub notes: (usize, usize),
    /// Notes that never ended.
    pub hanging: usize,
    /// Share of one core, engine, voice and outputs together.
    pub cpu: f64,
    /// Resident memory after a tenth of the time, and at the end, in kilobytes.
    pub memory_kb: (u64, u64),
    /// What the program said.
    pub said: String,
}

/// Plays the built-in line over and over for so many seconds, into voice,
/// voltages, MIDI, OSC and lines at once, with further options. `before` is called when it
/// runs; what it gives is kept until the end.
pub fn soak<T>(seconds: f64, options: &[&str], before: impl FnOnce(&Live) -> T) -> Soak {
    let folder = tempfile::tempdir().expect("a folder");
    let take = folder.path().join("take.wav");
    let line = leadpipe::internals::demo::line::render(48_000.0);
    let rounds = (seconds * 48_000.0 / line.len() as f64).ceil() as usize;
    crate::common::write_wav(&take, 48_000, &[&line.repeat(rounds)]);
    let server = Server::start(128);
    let receiver = OscReceiver::deaf();
    let osc = format!("127.0.0.1:{}", receiver.port);
    let mut all = vec![
        "--horn",
        "flugelhorn",
        "--jsonl",
        "--midi",
        "virtual",
        "--osc",
        &osc,
    ];
    all.extend(["--double", "--cv", "jack:3-6"]);
    all.extend(options);
    let live = Live::start(Some(&server), &all);
    live.wait_for_port(&server, "leadpipe:notes");
    let _kept = before(&live);
    let begun = (Instant::now(), live.cpu_s());
    let length_s = (rounds * line.len()) as f64 / 48_000.0;
    let (mut early_kb, mut back) = (0, None);
    std::thread::scope(|scope| {
        let playing = scope.spawn(|| play_for_midi(&server, &take, folder.path()));
        let early_s = 3.0 + 0.1 * length_s;
        let early = || playing.is_finished() || begun.0.elapsed().as_secs_f64() > early_s;
        if wait(early_s + 1.0, early) {
            early_kb = live.memory_kb();
        }
        back = playing.join().ok();
    });
    let notes = back.expect("what came back").notes();
    let cpu = (live.cpu_s() - begun.1) / begun.0.elapsed().as_secs_f64();
    let memory_kb = (early_kb, live.memory_kb());
    let errors = live.err.clone();
    live.end("TERM");
    let said = errors.lock().expect("lines").join("\n");
    Soak {
        // The causal pass hears 18 notes in the line, as tests/live_jack.rs has it.
        notes: (18 * rounds, notes.len()),
        hanging: notes.iter().filter(|n| n.off_s.is_infinite()).count(),
        cpu,
        memory_kb,
        said,
    }
}

/// The room's program: cargo builds examples along with the tests.
fn room() -> PathBuf {
    let here = std::env::current_exe().expect("a path");
    let found = here
        .ancestors()
        .map(|folder| folder.join("examples").join("room"))
        .find(|path| path.is_file());
    found.expect("build the room: cargo build --features jack --example room")
}

/// Receives OSC until dropped.
pub struct OscReceiver {
    pub port: u16,
    packets: Arc<Mutex<Vec<Vec<u8>>>>,
    end: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl OscReceiver {
    pub fn start() -> OscReceiver {
        OscReceiver::with(true)
    }

    /// One that receives but keeps nothing.
    pub fn deaf() -> OscReceiver {
        OscReceiver::with(false)
    }

    fn with(keeps: bool) -> OscReceiver {
        let socket = UdpSocket::bind("127.0.0.1:0").expect("a socket");
        socket
            .set_read_timeout(Some(Duration::from_millis(50)))
            .expect("a timeout");
        let port = socket.local_addr().expect("an address").port();
        let (packets, end) = (
            Arc::new(Mutex::new(Vec::new())),
            Arc::new(AtomicBool::new(false)),
        );
        let (into, over) = (packets.clone(), end.clone());
        let thread = std::thread::spawn(move || {
            let mut packet = [0; 4096];
            while !over.load(Ordering::Acquire) {
                if let Ok(length) = socket.recv(&mut packet)
                    && keeps
                {
                    let bytes = packet[..length].to_vec();
                    into.lock().expect("packets").push(bytes);
                }
            }
        });
        OscReceiver {
            port,
            packets,
            end,
            thread: Some(thread),
        }
    }

    /// Messages so far, bundles taken apart.
    pub fn messages(&self) -> Vec<rosc::OscMessage> {
        fn unpack(packet: rosc::OscPacket, into: &mut Vec<rosc::OscMessage>) {
            match packet {
                rosc::OscPacket::Message(message) => into.push(message),
                rosc::OscPacket::Bundle(bundle) => {
                    bundle.content.into_iter().for_each(|p| unpack(p, into));
                }
            }
        }
        let mut messages = Vec::new();
        for bytes in self.packets.lock().expect("packets").iter() {
            let (rest, packet) = rosc::decoder::decode_udp(bytes).expect("OSC 1.0");
            assert!(rest.is_empty());
            unpack(packet, &mut messages);
        }
        messages
    }
}

impl Drop for OscReceiver {
    fn drop(&mut self) {
        self.end.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// Sends one OSC message without arguments, or with a string.
pub fn send_osc(port: u16, address: &str, argument: Option<&str>) {
    let message = rosc::OscMessage {
        addr: address.to_owned(),
        args: argument
            .map(|a| rosc::OscType::String(a.into()))
            .into_iter()
            .collect(),
    };
    let bytes = rosc::encoder::encode(&rosc::OscPacket::Message(message)).expect("OSC");
    let socket = UdpSocket::bind("127.0.0.1:0").expect("a socket");
    socket.send_to(&bytes, ("127.0.0.1", port)).expect("sent");
}

/// A port that is free now.
pub fn free_port() -> u16 {
    let socket = UdpSocket::bind("127.0.0.1:0").expect("a socket");
    socket.local_addr().expect("an address").port()
}
