//! `leadpipe live`: its options, and running the session until it ends.

mod build_session;
mod plain;
mod screen;
mod test_voice;

pub use build_session::{
    apply_input_options, capture_config, check_file, device_and_channels, named_rig, store,
};
pub use test_voice::RigVoice;

use std::io::IsTerminal;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use clap::{Args, ValueEnum};
use leadpipe::internals::analysis::GATES_DB;
use leadpipe::internals::live::command::Command;
use leadpipe::internals::live::devices;
use leadpipe::internals::live::midi_listener::TRANSPORT;
use leadpipe::internals::live::rig::{GLIDES_S, INTERVALS, Rig, VOICE_LEVELS_DB};
use leadpipe::internals::live::screen::View;
use leadpipe::internals::live::send::json_lines::Failure;
use leadpipe::internals::live::session::{Session, Summary};
use leadpipe::internals::sending::brightness::BrightnessRange;
use leadpipe::internals::text::counted;
use leadpipe::internals::voice::Timbre;
use leadpipe::{Error, Result};

use super::{SnapArg, say};

/// Play live: turn the horn into MIDI, OSC, control voltages or a doubling voice
#[derive(Args)]
#[command(after_help = "\
Examples:
  leadpipe live --horn flugelhorn --double --level -30
  leadpipe live --rig stage
  leadpipe live --horn trumpet --midi virtual --osc 127.0.0.1:9000
  leadpipe live --cv 'alsa:hw:2:3-6' --volts-full-scale 10
  leadpipe live --source draw --tuning blues --midi virtual
  leadpipe live --clock in --record takes      keeps the beat of the rig's MIDI clock
  leadpipe live --clock out                    MIDI clock that follows your beat
  leadpipe live --from take.wav --jsonl        a file, through the same engine
  leadpipe live --horn trumpet --page          and a page to play from, in a browser
  leadpipe live --page 0.0.0.0:8080            the same for a tablet on your network

Keys: h horn, t tuning, o note source, b timbre, + and - shift, [ and ] voice level,
m mute, p panic, r record, g mark a good moment, w address of the page, q quit, ? help.

OSC in (--listen): /leadpipe/horn, tuning, source, shift, mute, panic, timbre,
voice-level, record, mark, quit. OSC out: /leadpipe/start, pitch, level, brightness,
vibrato, stop, note, cue, silence;
docs/osc.md has their arguments.

Before you play: turn the monitors down, and try headphones before speakers; a
microphone and a speaker in the same room feed back. Leave phantom power off
unless the microphone or pickup needs it. Send voltages only from a DC-coupled
interface, and none above what the module's manual allows: run
`leadpipe calibrate` first.")]
pub struct Options {
    /// Rig file: a name from `leadpipe rig list`, or a path
    #[arg(long, value_name = "NAME")]
    rig: Option<String>,
    /// Horns to switch between; the first is active (`leadpipe horns` lists them)
    #[arg(long, value_name = "NAMES", value_delimiter = ',', value_parser = super::HORN, hide_possible_values = true)]
    horn: Vec<String>,
    /// Tunings to switch between; the first is active (`leadpipe tunings` lists them)
    #[arg(long, value_name = "NAMES", value_delimiter = ',', value_parser = super::TUNING, hide_possible_values = true)]
    tuning: Vec<String>,
    /// Tonic of the tunings, such as Bb
    #[arg(long, value_name = "PITCH")]
    tonic: Option<String>,
    /// Frequency of A4 (440 unless the rig says otherwise)
    #[arg(long, value_name = "HZ", value_parser = super::hertz)]
    reference: Option<f64>,
    /// Send the tuning's pitch, the tuning's pitch with your bends, or what you play
    #[arg(long, value_enum)]
    snap: Option<SnapArg>,
    /// Semitones added to everything sent
    #[arg(long, value_name = "N", value_parser = super::shift())]
    shift: Option<i32>,
    /// Where notes come from: follow, sequence or draw
    #[arg(long, value_name = "SOURCE")]
    source: Option<String>,
    /// Notes to step through, one per attack (implies --source sequence)
    #[arg(long, value_name = "PITCHES", value_delimiter = ',', value_parser = super::named_step)]
    sequence: Vec<String>,
    #[command(flatten)]
    input: InputOptions,
    #[command(flatten)]
    double: DoubleOptions,
    #[command(flatten)]
    outs: OutOptions,
    /// Print lines of text instead of the screen
    #[arg(long)]
    plain: bool,
}

/// Where the horn comes in.
#[derive(Args)]
pub struct InputOptions {
    /// Input device: an id or part of a name from `leadpipe devices`
    #[arg(long, value_name = "DEVICE")]
    pub input: Option<String>,
    /// Channel of the horn, counted from 1; by default all channels are mixed
    #[arg(long, value_name = "N")]
    pub channel: Option<usize>,
    /// Frames per block; smaller means less delay
    #[arg(long, value_name = "FRAMES", value_parser = clap::value_parser!(u32).range(16..=8192))]
    pub block: Option<u32>,
    /// Play a file through the engine in real time instead of a device
    #[arg(long, value_name = "TAKE", conflicts_with = "input")]
    pub from: Option<PathBuf>,
    /// Ignore sound below this level, dBFS
    #[arg(long, value_name = "DB", value_parser = super::number(GATES_DB, "dBFS"))]
    pub gate: Option<f64>,
}

/// [`Timbre`] on the command line.
#[derive(Clone, Copy, ValueEnum)]
pub enum TimbreArg {
    /// Few partials: sits under the horn
    Round,
    /// Odd partials only: clarinet-like, stands apart from brass
    Hollow,
    /// All partials, open filter: cuts through
    Bright,
}

impl From<TimbreArg> for Timbre {
    fn from(timbre: TimbreArg) -> Timbre {
        match timbre {
            TimbreArg::Round => Timbre::Round,
            TimbreArg::Hollow => Timbre::Hollow,
            TimbreArg::Bright => Timbre::Bright,
        }
    }
}

/// The doubling voice.
#[derive(Args)]
pub struct DoubleOptions {
    /// Play the doubling voice
    #[arg(long)]
    pub double: bool,
    /// Output device of the voice
    #[arg(long, value_name = "DEVICE")]
    pub output: Option<String>,
    /// Character of the voice
    #[arg(long, value_enum)]
    pub timbre: Option<TimbreArg>,
    /// Semitones above you: -12 an octave below, 7 a fifth above
    #[arg(long, value_name = "SEMITONES", value_parser = super::number(INTERVALS, "semitones"))]
    pub interval: Option<f64>,
    /// Glide time from note to note, seconds
    #[arg(long, value_name = "SECONDS", value_parser = super::number(GLIDES_S, "seconds"))]
    pub glide: Option<f64>,
    /// Level of the voice at your loudest, dBFS; start low
    #[arg(long, value_name = "DB", value_parser = super::number(VOICE_LEVELS_DB, "dBFS"))]
    pub level: Option<f64>,
}

/// Everything else that goes out.
#[derive(Args)]
pub struct OutOptions {
    /// MIDI port to send to, or "virtual" for a new virtual port
    #[arg(long, value_name = "PORT")]
    pub midi: Option<String>,
    /// MIDI channel, 1 to 16
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(1..=16))]
    pub midi_channel: Option<u8>,
    /// Where an attack was nearer to another key, move the MIDI note to its own once the pitch
    /// has settled, some 50 ms later: for receivers without pitch bend, such as drums or
    /// arpeggiators. Those that start each key anew sound twice
    #[arg(long)]
    pub correct_keys: bool,
    /// MIDI port that your pedals are on, or "virtual" for a new virtual port
    #[arg(long, value_name = "PORT")]
    pub midi_in: Option<String>,
    /// Send your tone's brightness: MIDI controller 74 and OSC. From dark to bright in
    /// multiples of the fundamental, such as --brightness=1.5:6
    #[arg(long, value_name = "DARK:BRIGHT", num_args = 0..=1, require_equals = true, value_parser = super::brightness_range)]
    pub brightness: Option<Option<BrightnessRange>>,
    /// in: recorded takes keep the beat of the rig's MIDI clock; transport: that of JACK's
    /// transport; out: send a MIDI clock that follows your beat. On a new virtual port, or PORT
    #[arg(long, value_name = "in[:PORT]|transport|out[:PORT]", value_parser = clock_arg)]
    pub clock: Vec<ClockArg>,
    /// Time signature of the clock that comes in, such as 3/4, which a MIDI clock does not tell
    #[arg(long, value_name = "BEATS/VALUE")]
    pub clock_meter: Option<String>,
    /// Control-voltage outputs: device and channels, such as `NAME:3-6`; a fifth channel
    /// is brightness
    #[arg(long, value_name = "DEVICE:CHANNELS")]
    pub cv: Option<String>,
    /// Voltage that the interface puts out at digital full scale; negative if it inverts
    #[arg(long, value_name = "VOLTS", value_parser = super::full_scale)]
    pub volts_full_scale: Option<f64>,
    /// Note at 0 V
    #[arg(long, value_name = "PITCH", value_parser = super::named_key)]
    pub zero_volt_note: Option<String>,
    /// Send OSC to this address
    #[arg(long, value_name = "HOST:PORT")]
    pub osc: Vec<String>,
    /// Receive OSC commands on this address; a bare port means this machine only
    #[arg(long, value_name = "HOST:PORT")]
    pub listen: Option<String>,
    /// Print events as lines of JSON on standard output
    #[arg(long)]
    pub jsonl: bool,
    /// Record the take into this folder, and its notes when it ends
    #[arg(long, value_name = "DIR", value_parser = super::output_path())]
    pub record: Option<PathBuf>,
    /// Serve the stage page for a browser. Without an address or with a bare port for this
    /// machine only; 0.0.0.0:PORT for the network, where a token is needed
    #[cfg(feature = "page")]
    #[arg(long, value_name = "HOST:PORT", num_args = 0..=1, default_missing_value = "8080")]
    pub page: Option<String>,
    /// Pages on other machines only show, and change nothing
    #[cfg(feature = "page")]
    #[arg(long)]
    pub page_read_only: bool,
}

/// A clock and its port.
#[derive(Clone)]
pub enum ClockArg {
    /// That of the rig.
    In(String),
    /// One that follows the player.
    Out(String),
}

fn clock_arg(text: &str) -> std::result::Result<ClockArg, String> {
    let (way, port) = text.split_once(':').unwrap_or((text, "virtual"));
    match (way, port.is_empty()) {
        ("in", false) => Ok(ClockArg::In(port.into())),
        ("out", false) => Ok(ClockArg::Out(port.into())),
        (TRANSPORT, _) if text == TRANSPORT => Ok(ClockArg::In(TRANSPORT.into())),
        _ => Err("give in, in:PORT, transport, out or out:PORT".into()),
    }
}

pub fn run(options: &Options) -> Result<()> {
    devices::silence_library_messages();
    let rig = build_session::rig(options)?;
    let quit = quit_flag()?;
    let channel = Session::channel();
    let jsonl = options.outs.jsonl.then(Failure::default);
    let open = {
        let (rig, from, commands) = (rig.clone(), options.input.from.clone(), channel.0.clone());
        let jsonl = jsonl.clone();
        move || build_session::build(&rig, from.as_deref(), jsonl, &commands)
    };
    let (parts, invitation) = opened(open, &quit)?;
    let input = format!(
        "input {}, {} Hz; Ctrl-C ends the session",
        parts.capture.name(),
        parts.capture.rate_hz()
    );
    let (session, monitor) = Session::start(parts, channel)?;
    let draws = std::io::stdout().is_terminal() && !super::is_dumb_terminal();
    let lines = options.plain || jsonl.is_some() || !draws;
    let cautions = cautions(&rig);
    let stop = quit.clone();
    let failure = jsonl.clone();
    let show = move || {
        if lines {
            let lines = cautions.iter().chain(&invitation);
            lines.chain([&input]).for_each(say);
            plain::watch(&monitor, &stop, failure.as_ref())
        } else {
            screen::watch(
                &monitor,
                &stop,
                View::new(screen::colour(), cautions, invitation),
            )
        }
    };
    let shown = in_background(show, || !quit.load(Ordering::Acquire))?;
    // Silence before anything else, even before the terminal is restored.
    session.send(Command::Quit);
    let shown = shown.within(LAST_WORDS);
    let mut summary = session.close()?;
    let failed = summary.recorded.failed.take();
    let shown = match shown {
        Some(Ok(result)) => result,
        // It takes nothing more.
        None => Ok(()),
        Some(Err(_)) => Err(Error::device(
            "screen",
            "it stopped because of an internal error; all outputs were silenced",
            "start again, and please report what you did",
        )),
    };
    // Standard error may be a terminal that takes nothing more.
    in_background(move || print_summary(&summary), || false)?.within(LAST_WORDS);
    failed.map_or(shown, Err)?;
    // The last events may be those that there was no room for.
    jsonl.as_ref().map_or(Ok(()), plain::check)
}

/// How long devices and ports may take to open, and after which time that is said.
const OPEN: Duration = Duration::from_secs(20);
const OPEN_SOON: Duration = Duration::from_secs(3);

/// Opens devices on a thread of its own: a sound server that has stopped never answers,
/// and the library waits for it.
pub fn opened<T: Send + 'static>(
    open: impl FnOnce() -> Result<T> + Send + 'static,
    quit: &AtomicBool,
) -> Result<T> {
    let begun = Instant::now();
    let mut told = false;
    let goes_on = || {
        if !told && begun.elapsed() > OPEN_SOON {
            told = true;
            say("leadpipe: waiting for the sound server to answer; Ctrl-C ends the program");
        }
        !quit.load(Ordering::Acquire) && begun.elapsed() < OPEN
    };
    let open = move || {
        devices::silence_library_messages();
        open()
    };
    match in_background(open, goes_on)?.within(Duration::ZERO) {
        Some(Ok(result)) => result,
        Some(Err(_)) => Err(Error::device(
            "sound",
            "opening it stopped because of an internal error",
            "start again, and please report what you did",
        )),
        None if quit.load(Ordering::Acquire) => Err(Error::Interrupted),
        None => Err(Error::device(
            "sound",
            "the sound server does not answer",
            "start it again; `leadpipe live --from TAKE` works on a file without one",
        )),
    }
}

/// How long a terminal may take for what it is told last.
const LAST_WORDS: Duration = Duration::from_millis(500);

/// Work on a thread of its own.
struct Background<T>(JoinHandle<T>);

/// Does something on a thread of its own; returns when it is done, or when it is waited for
/// no longer. Whoever reads standard output may not read, a sound server not answer, and
/// still the program must end.
fn in_background<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
    mut goes_on: impl FnMut() -> bool,
) -> Result<Background<T>> {
    let thread = std::thread::Builder::new().name("leadpipe background".into());
    let thread = thread
        .spawn(work)
        .map_err(|e| Error::device("screen", e, "close some programs"))?;
    while !thread.is_finished() && goes_on() {
        std::thread::park_timeout(Duration::from_millis(20));
    }
    Ok(Background(thread))
}

impl<T> Background<T> {
    /// Its result, if there is one in time; an error where it panicked.
    fn within(self, time: Duration) -> Option<std::thread::Result<T>> {
        let deadline = Instant::now() + time;
        while !self.0.is_finished() && Instant::now() < deadline {
            std::thread::park_timeout(Duration::from_millis(5));
        }
        self.0.is_finished().then(|| self.0.join())
    }
}

/// Cautions before the first note, where they apply.
fn cautions(rig: &Rig) -> Vec<String> {
    let mut cautions = Vec::new();
    if rig.double.on {
        cautions.push(format!(
            "Voice at {:.0} dBFS: start with the monitor low, and with headphones before speakers; a microphone and a speaker in the same room feed back.",
            rig.voice().level_db
        ));
    }
    if !rig.cv.channels.is_empty() {
        cautions.push("Control voltages need a DC-coupled interface; check the module's input range in its manual.".into());
        // The first channel is pitch, which is not known yet.
        let scale = rig.cv_scale().ok().filter(|_| rig.cv.channels.len() > 1);
        let clipping = scale.and_then(|scale| scale.clipping_in_words(0, 0));
        cautions.extend(clipping.map(|words| format!("Control voltages: {words}.")));
    }
    cautions
}

/// A flag set by ctrl-C, ctrl-\\, `kill -TERM` and a terminal that is closed.
pub fn quit_flag() -> Result<Arc<AtomicBool>> {
    let quit = Arc::new(AtomicBool::new(false));
    let raised = quit.clone();
    let failed = |e: &dyn std::fmt::Display| Error::setting(format!("signals: {e}"), "start again");
    ctrlc::set_handler(move || raised.store(true, Ordering::Release)).map_err(|e| failed(&e))?;
    #[cfg(unix)]
    signal_hook::flag::register(signal_hook::consts::SIGQUIT, quit.clone())
        .map_err(|e| failed(&e))?;
    Ok(quit)
}

fn print_summary(summary: &Summary) {
    say(format_args!(
        "{} in {:.1} s; {} lost, {}, {} filled",
        counted(summary.notes, "note"),
        summary.length_s,
        counted(summary.missed, "input frame"),
        counted(summary.xruns, "late block"),
        counted(summary.dropouts, "dropout")
    ));
    super::print_written(&summary.recorded.files);
}
