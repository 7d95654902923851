//! A session: the engine thread and the devices, senders and recorder around it.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime};

use super::capture::{Capture, CaptureEvent};
use super::clock::beat_clock::BeatClock;
use super::clock::input::{ClockBlock, ClockInput};
use super::closing;
use super::command::Command;
use super::control_event::{ControlEvent, Mark};
use super::controls::Pedals;
use super::describer::Describer;
use super::devices;
use super::engine::Engine;
use super::output_device::OutputDevice;
use super::priority;
use super::record::Recorded;
use super::recordings::Recordings;
use super::send::SenderThread;
use super::setup::Setup;
use super::ui_snapshot::{Display, MAX_TRACE, PortStatus, TracePoint, UiSnapshot};
use crate::error::{Error, Result};
use crate::voice::{self, Timbre};

/// Everything that a session runs, already opened.
pub struct SessionParts {
    /// The engine.
    pub engine: Engine,
    /// The horn's input.
    pub capture: Capture,
    /// MIDI, OSC and JSON senders.
    pub senders: Vec<SenderThread>,
    /// Devices that play the doubling voice and control voltages.
    pub output_devices: Vec<OutputDevice>,
    /// Records takes, from the start or when asked to.
    pub recordings: Recordings,
    /// MIDI input for foot controllers.
    pub pedals: Option<Pedals>,
    /// MIDI input for the rig's clock.
    pub clock: Option<ClockInput>,
    /// The clock that follows the player, if one is sent.
    pub beat: Option<BeatClock>,
    /// What else shows the session.
    pub displays: Vec<Box<dyn Display>>,
}

/// Figures of a finished session.
#[derive(Debug, Default)]
pub struct Summary {
    /// Length of the stream in seconds.
    pub length_s: f64,
    /// Notes transcribed.
    pub notes: u64,
    /// Input frames lost, and xruns reported by the sound system.
    pub missed: u64,
    pub xruns: u64,
    /// Dropouts of the input, of up to 12 ms, that were filled.
    pub dropouts: u64,
    /// What was recorded.
    pub recorded: Recorded,
}

/// A running session.
pub struct Session {
    commands: SyncSender<Command>,
    thread: Option<JoinHandle<Result<Summary>>>,
}

/// What a screen has of a session: it may be on a thread of its own, so that a
/// terminal that takes nothing more holds nothing else up.
pub struct Monitor {
    commands: SyncSender<Command>,
    snapshots: Receiver<UiSnapshot>,
}

impl Monitor {
    /// Queues a command; dropped if the queue is full.
    pub fn send(&self, command: Command) {
        let _ = self.commands.try_send(command);
    }

    /// The next snapshot, if one arrives in time.
    ///
    /// # Errors
    /// [`SessionEnded`] where none will ever arrive.
    pub fn snapshot(
        &self,
        within: Duration,
    ) -> std::result::Result<Option<UiSnapshot>, SessionEnded> {
        match self.snapshots.recv_timeout(within) {
            Ok(snapshot) => Ok(Some(snapshot)),
            Err(RecvTimeoutError::Timeout) => Ok(None),
            Err(RecvTimeoutError::Disconnected) => Err(SessionEnded),
        }
    }
}

/// The session is over, and its last snapshot has been read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SessionEnded;

/// Length of the command queue.
const COMMAND_QUEUE: usize = 2_048;
/// Length of the queue of snapshots.
const SNAPSHOT_QUEUE: usize = 4;
/// Time between snapshots, and shortest time to one that has something new to say.
const SNAPSHOT_INTERVAL: Duration = Duration::from_millis(40);
const NEWS_INTERVAL: Duration = Duration::from_millis(5);
/// Shortest time between updates of a note that senders get, in seconds. Voice and
/// voltages get every update.
const UPDATE_INTERVAL_S: f64 = 0.0035;
/// Shortest and longest wait between reads of the input.
const POLL_INTERVAL: (Duration, Duration) = (Duration::from_micros(200), Duration::from_millis(1));

/// Commands carried out between two reads of the input. More than any foot gives: a
/// flood of them waits, and the sound goes on.
const COMMANDS_PER_TURN: usize = 4;
/// Time between panics while nothing sounds.
const PANIC_INTERVAL: Duration = Duration::from_millis(50);

/// How long the last notes may take to describe, at the end.
const DESCRIBE: Duration = Duration::from_secs(2);
/// How long devices and ports may take to close, at the end.
const CLOSE: Duration = Duration::from_secs(1);

impl Session {
    /// The command queue, created before the session because input ports need it.
    pub fn channel() -> (SyncSender<Command>, Receiver<Command>) {
        sync_channel(COMMAND_QUEUE)
    }

    /// Starts the engine thread.
    ///
    /// # Errors
    /// [`Error::Device`] where the thread cannot be started.
    pub fn start(
        parts: SessionParts,
        (commands, command_queue): (SyncSender<Command>, Receiver<Command>),
    ) -> Result<(Self, Monitor)> {
        let (to_monitor, snapshots) = sync_channel(SNAPSHOT_QUEUE);
        let describer = Describer::start()?;
        let thread = std::thread::Builder::new()
            .name("leadpipe engine".into())
            .spawn(move || {
                devices::silence_library_messages();
                let realtime = priority::raise();
                EngineLoop::new(parts, describer, command_queue, to_monitor, realtime).run()
            })
            .map_err(|e| Error::device("engine", e, "close some programs"))?;
        let monitor = Monitor {
            commands: commands.clone(),
            snapshots,
        };
        let session = Session {
            commands,
            thread: Some(thread),
        };
        Ok((session, monitor))
    }

    /// Queues a command; dropped if the queue is full.
    pub fn send(&self, command: Command) {
        let _ = self.commands.try_send(command);
    }

    /// Stops the session: silences all outputs and closes the recording.
    ///
    /// # Errors
    /// What stopped the engine earlier.
    pub fn close(mut self) -> Result<Summary> {
        self.finish()
    }

    fn finish(&mut self) -> Result<Summary> {
        // Blocks while the queue is full: this command must not be lost.
        let _ = self.commands.send(Command::Quit);
        let Some(thread) = self.thread.take() else {
            return Ok(Summary::default());
        };
        thread.join().unwrap_or_else(|_| {
            Err(Error::device(
                "engine",
                "it stopped because of an internal error; all outputs were silenced",
                "start again, and please report what you did",
            ))
        })
    }
}

impl Drop for Session {
    /// However the program exits, outputs are silenced first.
    fn drop(&mut self) {
        let _ = self.finish();
    }
}

/// State of the engine thread.
struct EngineLoop {
    parts: Option<SessionParts>,
    describer: Describer,
    command_queue: Receiver<Command>,
    snapshots: SyncSender<UiSnapshot>,
    next: UiSnapshot,
    /// What the screen could not take yet.
    missed: Option<UiSnapshot>,
    snapshot_taken: Instant,
    /// Whether the next snapshot has something that the player waits for.
    news: bool,
    panicked: Instant,
    traced_s: f64,
    updated_s: f64,
    timbre: usize,
    /// Whether the thread has real-time priority.
    realtime: bool,
    /// What is in use, for the screen.
    setup: Arc<Setup>,
    summary: Summary,
}

impl EngineLoop {
    fn new(
        parts: SessionParts,
        describer: Describer,
        command_queue: Receiver<Command>,
        snapshots: SyncSender<UiSnapshot>,
        realtime: bool,
    ) -> Self {
        let voice = parts.output_devices.iter().find_map(OutputDevice::voice);
        let timbre = voice.and_then(|v| Timbre::ALL.iter().position(|t| *t == v.timbre));
        let setup = Arc::new(parts.engine.setup().clone());
        EngineLoop {
            parts: Some(parts),
            describer,
            command_queue,
            snapshots,
            next: UiSnapshot::default(),
            missed: None,
            news: true,
            snapshot_taken: Instant::now(),
            panicked: Instant::now() - PANIC_INTERVAL,
            traced_s: 0.0,
            updated_s: 0.0,
            timbre: timbre.unwrap_or(0),
            realtime,
            setup,
            summary: Summary::default(),
        }
    }

    fn run(mut self) -> Result<Summary> {
        let result = self.process_until_end();
        self.close();
        let summary = std::mem::take(&mut self.summary);
        result.map(|()| summary)
    }

    fn process_until_end(&mut self) -> Result<()> {
        let (mut samples, mut events) = (Vec::new(), Vec::new());
        loop {
            let Some(parts) = &mut self.parts else {
                return Ok(());
            };
            samples.clear();
            let event = parts.capture.read(&mut samples)?;
            match event {
                CaptureEvent::Samples | CaptureEvent::Finished => {}
                CaptureEvent::Lost | CaptureEvent::Stalled => {
                    // The note cannot outlast its stream.
                    let rate_hz = parts.capture.rate_hz();
                    parts.engine.restart(rate_hz, &mut events)?;
                }
                CaptureEvent::Reconnected(rate_hz) => {
                    parts.engine.restart(rate_hz, &mut events)?;
                }
            }
            parts.recordings.poll(&self.setup);
            if let (true, Some(clock)) = (event.begins_anew(), &mut parts.clock) {
                clock.reset();
            }
            let mut quit = event == CaptureEvent::Finished;
            for _ in 0..COMMANDS_PER_TURN {
                let from_pedals = parts.pedals.as_mut().and_then(Pedals::next_command);
                let queued = || self.command_queue.try_recv().ok();
                let Some(command) = from_pedals.or_else(queued) else {
                    break;
                };
                self.news = true;
                if let Some(why) = self.setup.refusal(&command)
                    && self.next.refused.len() < COMMANDS_PER_TURN
                {
                    self.next.refused.push(why);
                }
                match command {
                    Command::Quit => quit = true,
                    Command::NextTimbre => {
                        self.timbre = (self.timbre + 1) % Timbre::ALL.len();
                        let timbre = Timbre::ALL[self.timbre];
                        change_voices(parts, |voice| voice.timbre = timbre);
                    }
                    Command::VoiceLevel(level_db) => {
                        change_voices(parts, |voice| voice.set_level(level_db));
                    }
                    Command::VoiceLevelBy(by_db) => {
                        change_voices(parts, |voice| voice.set_level(voice.level_db + by_db));
                    }
                    Command::Record(on) => parts.recordings.set(on, &parts.engine.setup_now()),
                    Command::ToggleRecord => {
                        let on = !parts.recordings.is_on();
                        parts.recordings.set(on, &parts.engine.setup_now());
                    }
                    Command::Mark => events.push(ControlEvent::Mark(Mark {
                        at_s: parts.engine.now_s(),
                        kept: parts.recordings.mark(),
                    })),
                    // Where all is silent, a flood of them says no more than one.
                    Command::Panic
                        if self.next.note.is_none() && self.panicked.elapsed() < PANIC_INTERVAL => {
                    }
                    Command::Panic => {
                        self.panicked = Instant::now();
                        parts.engine.apply(&Command::Panic, &mut events);
                    }
                    other => parts.engine.apply(&other, &mut events),
                }
            }
            // A change of the setup comes before the samples that are played with it.
            self.dispatch(&mut events);
            let Some(parts) = &mut self.parts else {
                return Ok(());
            };
            let end_s = parts.engine.now_s() + samples.len() as f64 / parts.capture.rate_hz();
            let clock = parts.clock.as_mut();
            let clock = clock.map_or_else(ClockBlock::default, |clock| {
                clock.read(&parts.capture, end_s)
            });
            if !samples.is_empty() || !clock.messages.is_empty() {
                parts.recordings.push(&samples, clock);
                parts.engine.process(&samples, &mut events);
                if let Some(beat) = &mut parts.beat {
                    beat.run(end_s, |s| parts.capture.moment_after(s), &mut events);
                }
            }
            // What has ended is silenced before it is described.
            self.dispatch(&mut events);
            let Some(parts) = &mut self.parts else {
                return Ok(());
            };
            for note in parts.engine.take_finished() {
                self.describer.push(note);
            }
            self.describer.poll(&mut events);
            self.dispatch(&mut events);
            let Some(parts) = &mut self.parts else {
                return Ok(());
            };
            for output_device in &mut parts.output_devices {
                output_device.render_ahead();
            }
            self.snapshot(false);
            if quit {
                return Ok(());
            }
            if samples.is_empty() {
                self.wait_for_input();
            }
        }
    }

    /// Sleeps a quarter of a block, so that a block waits little. The callback may
    /// not wake this thread, because that takes a system call.
    fn wait_for_input(&self) {
        let block_s = self
            .parts
            .as_ref()
            .map_or(0.0, |p| p.capture.block() as f64 / p.capture.rate_hz());
        let interval = Duration::from_secs_f64(block_s / 4.0);
        std::thread::sleep(interval.clamp(POLL_INTERVAL.0, POLL_INTERVAL.1));
    }

    fn dispatch(&mut self, events: &mut Vec<ControlEvent>) {
        let Some(parts) = &mut self.parts else {
            return;
        };
        for event in events.drain(..) {
            let mut forwarded = true;
            match &event {
                ControlEvent::NoteOn(start) => {
                    self.next.note = Some(*start);
                    (self.next.decided, self.news) = (Some(SystemTime::now()), true);
                    self.next.decision_latency_s = Some(parts.engine.now_s() - start.onset_s);
                    self.updated_s = start.at_s;
                }
                ControlEvent::NoteRenamed { name, .. } => {
                    self.news = true;
                    if let Some(note) = &mut self.next.note {
                        note.name = *name;
                    }
                }
                ControlEvent::NoteUpdate(update) => {
                    forwarded = update.at_s - self.updated_s >= UPDATE_INTERVAL_S;
                    if forwarded {
                        self.updated_s = update.at_s;
                    }
                }
                ControlEvent::NoteOff { .. } | ControlEvent::Silence => {
                    self.next.note = None;
                    (self.next.decided, self.news) = (Some(SystemTime::now()), true);
                }
                ControlEvent::NoteFinished { note, sent } => {
                    forwarded = *sent;
                    self.summary.notes += 1;
                    self.next.notes.push(note.clone());
                }
                ControlEvent::SetupChanged(setup) => {
                    self.setup = setup.clone();
                    parts.recordings.set_setup(setup.clone());
                }
                ControlEvent::Mark(mark) => self.next.marks.push(*mark),
                ControlEvent::Clock(_) => {}
                ControlEvent::Gesture(gesture_event) => {
                    self.next.gestures.push(gesture_event.gesture)
                }
            }
            parts
                .output_devices
                .iter_mut()
                .for_each(|o| o.handle(&event));
            if forwarded {
                parts.senders.iter().for_each(|o| o.send(&event));
            }
        }
    }

    /// Sends a snapshot when one is due. If the queue is full, its contents go into
    /// the next.
    fn snapshot(&mut self, finished: bool) {
        let Some(parts) = &mut self.parts else {
            return;
        };
        if let Some(frame) = parts.engine.last()
            && frame.time_s > self.traced_s
        {
            self.traced_s = frame.time_s;
            // Outside notes the pitch is unreliable.
            let pitch = frame.pitch.filter(|_| self.next.note.is_some());
            let trace = &mut self.next.trace;
            if trace.len() >= MAX_TRACE {
                trace.drain(..MAX_TRACE / 2);
            }
            trace.push(TracePoint {
                time_s: frame.time_s,
                pitch,
                level_db: frame.level_db,
            });
        }
        // By the wall clock: stream time stops while the input is lost.
        let interval = match self.news {
            true => NEWS_INTERVAL,
            false => SNAPSHOT_INTERVAL,
        };
        if self.snapshot_taken.elapsed() < interval && !finished {
            return;
        }
        (self.snapshot_taken, self.news) = (Instant::now(), false);
        let mapper = parts.engine.mapper();
        let mut snapshot = std::mem::take(&mut self.next);
        snapshot.now_s = parts.engine.now_s();
        snapshot.gate_db = self.setup.settings().gate_db();
        snapshot.setup = Some(self.setup.clone());
        snapshot.horn = self.setup.horn_title().to_owned();
        snapshot.tuning = self.setup.context.tuning.title().to_owned();
        snapshot.source = mapper.source.name().to_owned();
        snapshot.shift = mapper.context().shift;
        snapshot.muted = mapper.muted();
        snapshot.held_back = parts.engine.holds_back();
        snapshot.finished = finished;
        snapshot.realtime = self.realtime;
        snapshot.voice = parts.output_devices.iter().find_map(OutputDevice::voice);
        snapshot.recording_s = parts.recordings.length_s();
        let clock = parts.clock.as_ref();
        snapshot.clock_tempo = clock.and_then(|clock| clock.tempo(snapshot.now_s));
        snapshot.beat_tempo = parts.beat.as_ref().and_then(BeatClock::tempo);
        let dropouts = parts.engine.dropouts();
        snapshot.input = (parts.capture.status()).with_count(dropouts, "dropouts filled");
        snapshot.output_latency_s = parts
            .output_devices
            .iter()
            .map(OutputDevice::latency_s)
            .fold(0.0, f64::max);
        snapshot.outputs = ports(parts);
        // State that persists from snapshot to snapshot.
        self.next.note = snapshot.note;
        self.next.decided = snapshot.decided;
        self.next.decision_latency_s = snapshot.decision_latency_s;
        for display in &mut parts.displays {
            display.show(&snapshot);
        }
        if let Some(missed) = self.missed.take() {
            snapshot.prepend(missed);
        }
        if let Err(rejected) = self.snapshots.try_send(snapshot) {
            let (TrySendError::Full(rejected) | TrySendError::Disconnected(rejected)) = rejected;
            self.missed = Some(rejected);
        }
    }

    /// Silences everything and closes the recording. Idempotent.
    fn close(&mut self) {
        let Some(parts) = &mut self.parts else {
            return;
        };
        let mut events = Vec::new();
        if !std::thread::panicking() {
            parts.engine.finish(&mut events);
            let finished: Vec<_> = parts.engine.take_finished().collect();
            self.dispatch(&mut events);
            finished.into_iter().for_each(|n| self.describer.push(n));
            self.describer.finish(DESCRIBE, &mut events);
        }
        events.push(ControlEvent::Silence);
        if let Some(parts) = &mut self.parts
            && let Some(beat) = parts.beat.take()
        {
            beat.stop(|s| parts.capture.moment_after(s), &mut events);
        }
        self.dispatch(&mut events);
        self.snapshot(true);
        let Some(parts) = self.parts.take() else {
            return;
        };
        self.summary.length_s = parts.engine.now_s();
        self.summary.missed = parts.capture.missed;
        self.summary.xruns = parts.capture.xruns;
        self.summary.dropouts = parts.engine.dropouts();
        parts
            .output_devices
            .into_iter()
            .for_each(OutputDevice::close);
        parts.senders.into_iter().for_each(SenderThread::close);
        drop((parts.capture, parts.pedals, parts.clock, parts.displays));
        self.summary.recorded = parts.recordings.finish();
        // What hangs is left to the end of the program.
        closing::wait(CLOSE);
    }
}

impl Drop for EngineLoop {
    /// Also reached when the engine panics.
    fn drop(&mut self) {
        self.close();
    }
}

/// What is shown of everything but the input.
fn ports(parts: &SessionParts) -> Vec<PortStatus> {
    let output_devices = parts.output_devices.iter().map(OutputDevice::status);
    let senders = parts.senders.iter().map(SenderThread::status);
    let recording = parts.recordings.status();
    let pedals = parts.pedals.iter().map(Pedals::status);
    let displays = parts.displays.iter().map(|display| display.status());
    let outputs = output_devices.chain(senders).chain(recording);
    let clock = parts.clock.iter().map(ClockInput::status);
    outputs.chain(pedals).chain(clock).chain(displays).collect()
}

/// Changes the settings of the doubling voice, wherever it plays.
fn change_voices(parts: &mut SessionParts, change: impl Fn(&mut voice::Settings)) {
    for output_device in &mut parts.output_devices {
        if let Some(mut voice) = output_device.voice() {
            change(&mut voice);
            output_device.set_voice(voice);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::Selection;
    use crate::demo::brass::{Played, Room, play};
    use crate::line::LineContext;
    use crate::live::capture::CaptureConfig;
    use crate::live::record::RecordOptions;
    use crate::live::send::Sender;
    use crate::live::setup::Choices;
    use crate::output::{StagedFile, wav};
    use crate::sending::DynamicRange;
    use crate::tuning::{Reference, Tuning};
    use std::sync::Mutex;

    type Log = Arc<Mutex<Vec<&'static str>>>;

    struct EventLog(Log);

    impl Sender for EventLog {
        fn open(&mut self) -> std::result::Result<(), String> {
            Ok(())
        }
        fn send(&mut self, event: &ControlEvent) -> std::result::Result<(), String> {
            self.0.lock().unwrap().push(match event {
                ControlEvent::NoteOn(_) => "start",
                ControlEvent::NoteOff { .. } => "stop",
                ControlEvent::Silence => "silence",
                _ => return Ok(()),
            });
            Ok(())
        }
    }

    /// A session that plays one long note, and what it sends.
    fn session(folder: &std::path::Path) -> (Session, Log) {
        let path = folder.join("take.wav");
        let samples = play(
            &[Played::new(0.2, 5.0, 58.0, 0.6)],
            5.2,
            &Room::default(),
            1,
        );
        let staged = StagedFile::write(path.clone(), |to| wav::write_mono(&samples, 48_000, to));
        staged.unwrap().commit().unwrap();
        let table = Tuning::find("equal-12", None, Reference::default()).unwrap();
        let choices = Choices {
            horns: Vec::new(),
            tunings: Vec::new(),
            sources: Vec::new(),
        };
        let setup = Setup::new(choices, LineContext::new(table), -65.0, 48_000.0).unwrap();
        let log = Log::default();
        let parts = SessionParts {
            engine: Engine::new(setup, DynamicRange::default()),
            capture: Capture::open(CaptureConfig::Take {
                path,
                selection: Selection::default(),
                block: None,
            })
            .unwrap(),
            senders: vec![SenderThread::start("log", Box::new(EventLog(log.clone()))).unwrap()],
            output_devices: Vec::new(),
            recordings: Recordings::new(None, RecordOptions::default()),
            pedals: None,
            displays: Vec::new(),
            clock: None,
            beat: None,
        };
        let (session, _monitor) = Session::start(parts, Session::channel()).unwrap();
        (session, log)
    }

    fn wait_for(log: &Log, what: &str) {
        for _ in 0..300 {
            if log.lock().unwrap().contains(&what) {
                return;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        panic!("no {what}: {:?}", log.lock().unwrap());
    }

    #[test]
    fn a_panic_of_the_engine_silences_the_outputs() {
        let folder = tempfile::tempdir().unwrap();
        let (session, log) = session(folder.path());
        wait_for(&log, "start");
        session.send(Command::Fault);
        wait_for(&log, "silence");
        let error = session.close().unwrap_err().to_string();
        assert!(error.contains("silenced"), "{error}");
    }

    #[test]
    fn a_session_that_is_dropped_ends_its_note() {
        let folder = tempfile::tempdir().unwrap();
        let (session, log) = session(folder.path());
        wait_for(&log, "start");
        drop(session);
        assert_eq!(log.lock().unwrap()[..2], ["start", "stop"]);
    }
}
