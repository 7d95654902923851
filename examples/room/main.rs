//! A room on a JACK server: plays a take into the program and takes down what
//! comes back, all by the server's own clock.
//!
//! ```sh
//! cargo run --features jack --example room -- TAKE.wav CAPTURE.wav MIDI.csv [TEMPO]
//! ```
//!
//! Waits until leadpipe's ports are there, connects them, plays the take and
//! writes one channel of CAPTURE (none if that is "-") for each of leadpipe's
//! output ports (times count from the take's first sample) and a row of MIDI for
//! each message:
//! `time_s,status,data1,data2`. With TEMPO, in quarters a minute, the room's MIDI clock
//! starts with the take; its messages are up to a millisecond early or late, as clocks are.
//! `tests/live_jack.rs` and the measurements use it.

use std::error::Error;
use std::io::Write;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use jack::{
    AudioIn, AudioOut, Client, ClientOptions, Control, MidiIn, MidiOut, Port, PortFlags,
    ProcessScope, RawMidi,
};

/// Most output ports that are captured.
const CHANNELS: usize = 10;
/// Messages of the clock are that early or late at most, in seconds.
const JITTER_S: f64 = 0.001;
/// Sound after the take that is still captured, in seconds.
const TAIL_S: f64 = 1.0;

/// What came back.
#[derive(Default)]
struct Caught {
    audio: Vec<Vec<f32>>,
    midi: Vec<(f64, Vec<u8>)>,
}

/// The process callback's own. It allocates and locks: this is a measuring tool,
/// and a late block would show.
struct Room {
    take: Vec<f32>,
    at: usize,
    length: usize,
    go: Arc<AtomicBool>,
    done: Arc<AtomicBool>,
    caught: Arc<Mutex<Caught>>,
    horn: Port<AudioOut>,
    back: Vec<Port<AudioIn>>,
    notes: Port<MidiIn>,
    clock: Port<MidiOut>,
    /// Frames between two messages of the clock, and how many have been sent.
    tick_frames: Option<f64>,
    ticks: usize,
}

impl jack::ProcessHandler for Room {
    fn process(&mut self, client: &Client, scope: &ProcessScope) -> Control {
        let frames = scope.n_frames() as usize;
        let rate_hz = f64::from(client.sample_rate());
        let sound = self.horn.as_mut_slice(scope);
        sound.fill(0.0);
        let started = self.go.load(Ordering::Acquire);
        let mut clock = self.clock.writer(scope);
        if let (true, Some(tick_frames)) = (started, self.tick_frames) {
            let due = |ticks: usize| {
                // Evenly distributed: the fractions of the golden ratio's multiples.
                let jitter = (ticks as f64 * 0.618_034).fract() - 0.5;
                (ticks as f64 * tick_frames + 2.0 * JITTER_S * rate_hz * jitter) as usize
            };
            while due(self.ticks) < self.at + frames {
                let time = (due(self.ticks) - self.at) as u32;
                let start = (self.ticks == 0).then_some(&[0xfa][..]);
                for bytes in start.into_iter().chain([&[0xf8][..]]) {
                    clock
                        .write(&RawMidi { time, bytes })
                        .expect("room for a tick");
                }
                self.ticks += 1;
            }
        }
        let mut caught = self.caught.lock().expect("caught");
        for message in self.notes.iter(scope) {
            // Before the take there is the set-up: at negative times.
            let frame = if started { self.at as f64 } else { -1.0 };
            let time_s = (frame + f64::from(message.time)) / rate_hz;
            caught.midi.push((time_s, message.bytes.to_vec()));
        }
        if !started {
            return Control::Continue;
        }
        let left = self.take.len().saturating_sub(self.at).min(frames);
        sound[..left].copy_from_slice(&self.take[self.at.min(self.take.len())..][..left]);
        for (port, channel) in self.back.iter().zip(&mut caught.audio) {
            channel.extend_from_slice(port.as_slice(scope));
        }
        self.at += frames;
        if self.at >= self.length {
            self.done.store(true, Ordering::Release);
        }
        Control::Continue
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let ([take, capture, midi], tempo) = (match &args[..] {
        [files @ .., tempo] if files.len() == 3 => (files, Some(tempo.parse::<f64>()?)),
        files => (files, None),
    }) else {
        return Err("usage: room TAKE.wav CAPTURE.wav MIDI.csv [TEMPO]".into());
    };
    let (client, _) = Client::new("room", ClientOptions::NO_START_SERVER)?;
    let rate_hz = f64::from(client.sample_rate());
    let take = read(take, client.sample_rate())?;
    let (go, done) = (
        Arc::new(AtomicBool::new(false)),
        Arc::new(AtomicBool::new(false)),
    );
    let caught = Arc::new(Mutex::new(Caught {
        audio: vec![Vec::new(); CHANNELS],
        midi: Vec::new(),
    }));
    let channels = if capture == "-" { 0 } else { CHANNELS };
    let back =
        (0..channels).map(|i| client.register_port(&format!("back_{i}"), AudioIn::default()));
    let room = Room {
        length: take.len() + (TAIL_S * rate_hz) as usize,
        take,
        at: 0,
        go: go.clone(),
        done: done.clone(),
        caught: caught.clone(),
        horn: client.register_port("horn", AudioOut::default())?,
        back: back.collect::<Result<_, _>>()?,
        notes: client.register_port("notes", MidiIn::default())?,
        clock: client.register_port("clock", MidiOut::default())?,
        tick_frames: tempo.map(|tempo| 60.0 * rate_hz / tempo / 24.0),
        ticks: 0,
    };
    let active = client.activate_async((), room)?;
    let client = active.as_client();
    let ins = wait_for(client, "^leadpipe-in.*:in_1$", PortFlags::IS_INPUT);
    if ins.is_empty() {
        return Err("leadpipe's input never came".into());
    }
    for port in &ins {
        client.connect_ports_by_name("room:horn", port)?;
    }
    wait_until_settled(client);
    let outs = connect_back(client, channels)?;
    let midi_ports = client.ports(Some("^leadpipe:notes"), None, PortFlags::IS_OUTPUT);
    for port in &midi_ports {
        client.connect_ports_by_name(port, "room:notes")?;
    }
    for port in &client.ports(Some("^leadpipe-beat:beat"), None, PortFlags::IS_OUTPUT) {
        client.connect_ports_by_name(port, "room:notes")?;
    }
    if tempo.is_some() {
        client.connect_ports_by_name("room:clock", "leadpipe-clock:clock")?;
    }
    if !midi_ports.is_empty() {
        wait_for_bend_range(&caught)?;
    }
    go.store(true, Ordering::Release);
    while !done.load(Ordering::Acquire) {
        std::thread::sleep(Duration::from_millis(20));
    }
    drop(active.deactivate()?);
    let caught = caught.lock().expect("caught");
    if channels > 0 {
        write_wav(capture, rate_hz as u32, &caught.audio[..outs])?;
    }
    let mut rows = std::io::BufWriter::new(std::fs::File::create(midi)?);
    writeln!(rows, "time_s,status,data1,data2")?;
    for (time_s, bytes) in &caught.midi {
        let byte = |i: usize| bytes.get(i).copied().unwrap_or(0);
        writeln!(rows, "{time_s:.6},{},{},{}", byte(0), byte(1), byte(2))?;
    }
    rows.flush()?;
    Ok(())
}

/// Connects leadpipe's outputs to ours; says how many. A port may be gone again
/// when it comes to it, where the program is just opening its devices.
fn connect_back(client: &Client, channels: usize) -> Result<usize, jack::Error> {
    let deadline = Instant::now() + Duration::from_secs(3);
    loop {
        let outs = client.ports(Some("^leadpipe-out.*:out_"), None, PortFlags::IS_OUTPUT);
        let mut pairs = outs.iter().take(channels).enumerate();
        let connected = pairs.try_for_each(|(i, port)| {
            match client.connect_ports_by_name(port, &format!("room:back_{i}")) {
                Err(jack::Error::PortAlreadyConnected(..)) => Ok(()),
                other => other,
            }
        });
        match connected {
            Ok(()) => return Ok(outs.len().min(channels)),
            Err(error) if Instant::now() > deadline => return Err(error),
            Err(_) => std::thread::sleep(Duration::from_millis(100)),
        }
    }
}

/// Lets the program open the rest of its ports: waits until none has come or gone
/// for a while.
fn wait_until_settled(client: &Client) {
    let all = || client.ports(None, None, PortFlags::empty());
    let deadline = Instant::now() + Duration::from_secs(5);
    let (mut ports, mut since) = (all(), Instant::now());
    while since.elapsed() < Duration::from_millis(400) && Instant::now() < deadline {
        std::thread::sleep(Duration::from_millis(20));
        let now = all();
        if now != ports {
            (ports, since) = (now, Instant::now());
        }
    }
}

/// The program tells a virtual port's bend range again about once a second, for
/// those who connected later.
fn wait_for_bend_range(caught: &Mutex<Caught>) -> Result<(), Box<dyn Error>> {
    let deadline = Instant::now() + Duration::from_secs(10);
    // Data entry (controller 6) is the last but one of its messages.
    let told = |(_, bytes): &(f64, Vec<u8>)| matches!(bytes[..], [0xb0..=0xbf, 6, _]);
    while !caught.lock().expect("caught").midi.iter().any(told) {
        if Instant::now() > deadline {
            return Err("the bend range was never told".into());
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    Ok(())
}

fn wait_for(client: &Client, pattern: &str, flags: PortFlags) -> Vec<String> {
    let deadline = Instant::now() + Duration::from_secs(10);
    loop {
        let ports = client.ports(Some(pattern), None, flags);
        if !ports.is_empty() || Instant::now() > deadline {
            return ports;
        }
        std::thread::sleep(Duration::from_millis(20));
    }
}

fn read(path: &str, rate: u32) -> Result<Vec<f32>, Box<dyn Error>> {
    let mut reader = hound::WavReader::open(path)?;
    let spec = reader.spec();
    if spec.sample_rate != rate || spec.channels != 1 {
        return Err(format!("{path}: give one channel at {rate} Hz").into());
    }
    Ok(match spec.sample_format {
        hound::SampleFormat::Float => reader.samples::<f32>().collect::<Result<_, _>>()?,
        hound::SampleFormat::Int => {
            let full = (1i64 << (spec.bits_per_sample - 1)) as f32;
            let scaled = reader.samples::<i32>().map(|s| s.map(|s| s as f32 / full));
            scaled.collect::<Result<_, _>>()?
        }
    })
}

fn write_wav(path: &str, rate: u32, channels: &[Vec<f32>]) -> Result<(), Box<dyn Error>> {
    let spec = hound::WavSpec {
        channels: channels.len().max(1) as u16,
        sample_rate: rate,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec)?;
    for i in 0..channels.first().map_or(0, Vec::len) {
        for channel in channels {
            writer.write_sample(channel.get(i).copied().unwrap_or(0.0))?;
        }
    }
    writer.finalize()?;
    Ok(())
}
