//! A session: the engine's thread and everything it is tied to.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::command::Command;
use super::controls::Pedals;
use super::devices;
use super::engine::Engine;
use super::intake::{Intake, News};
use super::priority;
use super::record::Recorder;
use super::send::Outgoing;
use super::shown::{Port, Shown, TracePoint};
use super::signal::Signal;
use super::speaker::Speaker;
use crate::error::{Error, Result};
use crate::voice::Timbre;

/// Everything that a session needs, open and ready.
pub struct Parts {
    /// The engine.
    pub engine: Engine,
    /// Where the horn comes in.
    pub intake: Intake,
    /// Ways out for signals.
    pub outgoing: Vec<Outgoing>,
    /// Ways out for sound and voltages.
    pub speakers: Vec<Speaker>,
    /// The take that is kept.
    pub recorder: Option<Recorder>,
    /// Where pedals come in.
    pub pedals: Option<Pedals>,
}

impl Parts {
    /// The JACK server has gone. A process that holds on to any of its clients
    /// cannot become a client of the next server, so all are let go.
    fn leave_jack(&mut self) {
        self.outgoing.iter().for_each(Outgoing::leave_jack);
        self.pedals.iter_mut().for_each(Pedals::close);
        for speaker in self.speakers.iter_mut().filter(|s| s.on_jack()) {
            speaker.lose("the JACK server has gone; waiting for it");
        }
    }

    /// A JACK server is there again.
    fn join_jack(&mut self) {
        self.outgoing.iter().for_each(Outgoing::join_jack);
        if let Some(pedals) = &mut self.pedals {
            // Without pedals the rest can still be played.
            let _ = pedals.reopen();
        }
    }
}

/// What is said at the end.
#[derive(Debug, Default)]
pub struct Summary {
    /// Length of the stream in seconds.
    pub length_s: f64,
    /// Notes heard.
    pub notes: u64,
    /// Input frames lost, and times that the sound system was late.
    pub missed: u64,
    pub xruns: u64,
    /// Files written.
    pub files: Vec<std::path::PathBuf>,
}

/// A running session.
pub struct Session {
    commands: SyncSender<Command>,
    shown: Receiver<Shown>,
    thread: Option<JoinHandle<Result<Summary>>>,
}

/// Commands that wait at most.
const COMMANDS: usize = 2_048;
/// Pictures for the screen that wait at most.
const PICTURES: usize = 4;
/// Time between two pictures.
const PICTURE: Duration = Duration::from_millis(40);
/// Time between two moves of a note that are sent on, in seconds. Voice and
/// voltages get every one.
const MOVE_S: f64 = 0.0035;
/// Longest and shortest rest between two looks at the input.
const REST: (Duration, Duration) = (Duration::from_micros(200), Duration::from_millis(1));

impl Session {
    /// Way in for commands, made before the session since ports need it.
    pub fn channel() -> (SyncSender<Command>, Receiver<Command>) {
        sync_channel(COMMANDS)
    }

    /// Starts.
    ///
    /// # Errors
    /// Where the system gives no thread.
    pub fn start(
        parts: Parts,
        (commands, asked): (SyncSender<Command>, Receiver<Command>),
    ) -> Result<Self> {
        let (pictures, shown) = sync_channel(PICTURES);
        let thread = std::thread::Builder::new()
            .name("leadpipe engine".into())
            .spawn(move || {
                devices::hush_libraries();
                let urgent = priority::raise();
                Running::new(parts, asked, pictures, urgent).run()
            })
            .map_err(|e| Error::device("engine", e, "close some programs"))?;
        Ok(Session {
            commands,
            shown,
            thread: Some(thread),
        })
    }

    /// Asks for something.
    pub fn ask(&self, command: Command) {
        let _ = self.commands.try_send(command);
    }

    /// The next picture, if one comes in time.
    pub fn picture(&self, within: Duration) -> Option<Shown> {
        self.shown.recv_timeout(within).ok()
    }

    /// Whether the engine still runs.
    pub fn running(&self) -> bool {
        self.thread.as_ref().is_some_and(|t| !t.is_finished())
    }

    /// Ends it: everything silent, takes closed.
    ///
    /// # Errors
    /// What ended it before, or kept the take from being written.
    pub fn end(mut self) -> Result<Summary> {
        self.finish()
    }

    fn finish(&mut self) -> Result<Summary> {
        // Waits where commands are crowding in: this one must not be lost.
        let _ = self.commands.send(Command::Quit);
        let Some(thread) = self.thread.take() else {
            return Ok(Summary::default());
        };
        thread.join().unwrap_or_else(|_| {
            Err(Error::device(
                "engine",
                "it stopped by a fault of its own; all outputs were silenced",
                "start again, and report what you did",
            ))
        })
    }
}

impl Drop for Session {
    /// Whichever way the program is left, the outputs are silenced first.
    fn drop(&mut self) {
        let _ = self.finish();
    }
}

/// The engine thread's own.
struct Running {
    parts: Option<Parts>,
    asked: Receiver<Command>,
    pictures: SyncSender<Shown>,
    next: Shown,
    pictured: Instant,
    traced_s: f64,
    moved_s: f64,
    timbre: usize,
    /// Whether the thread has real-time priority.
    urgent: bool,
    summary: Summary,
}

impl Running {
    fn new(
        parts: Parts,
        asked: Receiver<Command>,
        pictures: SyncSender<Shown>,
        urgent: bool,
    ) -> Self {
        let voice = parts.speakers.iter().find_map(Speaker::voice);
        let timbre = voice.and_then(|v| Timbre::ALL.iter().position(|t| *t == v.timbre));
        Running {
            parts: Some(parts),
            asked,
            pictures,
            next: Shown::default(),
            pictured: Instant::now(),
            traced_s: 0.0,
            moved_s: 0.0,
            timbre: timbre.unwrap_or(0),
            urgent,
            summary: Summary::default(),
        }
    }

    fn run(mut self) -> Result<Summary> {
        let result = self.play();
        let closed = self.close();
        let summary = std::mem::take(&mut self.summary);
        result.and(closed).map(|()| summary)
    }

    fn play(&mut self) -> Result<()> {
        let (mut samples, mut signals) = (Vec::new(), Vec::new());
        loop {
            let Some(parts) = &mut self.parts else {
                return Ok(());
            };
            samples.clear();
            let news = parts.intake.pull(&mut samples)?;
            match news {
                News::Samples | News::Over => {}
                News::Lost => {
                    // The end of the stream ends its note.
                    let rate_hz = parts.intake.rate_hz();
                    parts.engine.restart(rate_hz, &mut signals);
                    if parts.intake.on_jack() {
                        parts.leave_jack();
                    }
                }
                News::Back(rate_hz) => {
                    parts.engine.restart(rate_hz, &mut signals);
                    if let Some(recorder) = &parts.recorder {
                        recorder.rate(rate_hz);
                    }
                    if parts.intake.on_jack() {
                        parts.join_jack();
                    }
                }
            }
            let mut quit = news == News::Over;
            while let Ok(command) = self.asked.try_recv() {
                match command {
                    Command::Quit => quit = true,
                    Command::NextTimbre => {
                        self.timbre = (self.timbre + 1) % Timbre::ALL.len();
                        for speaker in &mut parts.speakers {
                            if let Some(mut voice) = speaker.voice() {
                                voice.timbre = Timbre::ALL[self.timbre];
                                speaker.set_voice(voice);
                            }
                        }
                    }
                    other => parts.engine.obey(&other, &mut signals),
                }
            }
            if !samples.is_empty() {
                // A recording holds what came in; what is no number is silence.
                samples
                    .iter_mut()
                    .filter(|s| !s.is_finite())
                    .for_each(|s| *s = 0.0);
                if let Some(recorder) = &parts.recorder {
                    recorder.push(&samples);
                }
                parts.engine.hear(&samples, &mut signals);
            }
            self.pass_on(&mut signals);
            let Some(parts) = &mut self.parts else {
                return Ok(());
            };
            for speaker in &mut parts.speakers {
                speaker.top_up();
            }
            self.picture(false);
            if quit {
                return Ok(());
            }
            if samples.is_empty() {
                self.rest();
            }
        }
    }

    /// A quarter of a block, so that a block waits little; a callback may not wake
    /// us, for that takes a system call.
    fn rest(&self) {
        let block_s = self
            .parts
            .as_ref()
            .map_or(0.0, |p| p.intake.block() as f64 / p.intake.rate_hz());
        let rest = Duration::from_secs_f64(block_s / 4.0);
        std::thread::sleep(rest.clamp(REST.0, REST.1));
    }

    fn pass_on(&mut self, signals: &mut Vec<Signal>) {
        let Some(parts) = &mut self.parts else {
            return;
        };
        for signal in signals.drain(..) {
            let mut sent_on = true;
            match &signal {
                Signal::Start(start) => {
                    self.next.note = Some(*start);
                    self.next.decision_s = parts.engine.now_s() - start.onset_s;
                    self.moved_s = start.at_s;
                }
                Signal::Move(motion) => {
                    sent_on = motion.at_s - self.moved_s >= MOVE_S;
                    if sent_on {
                        self.moved_s = motion.at_s;
                    }
                }
                Signal::Stop { .. } | Signal::Silence => self.next.note = None,
                Signal::Note(note) => {
                    self.summary.notes += 1;
                    self.next.notes.push(note.clone());
                }
                Signal::Cue(cue) => self.next.cues.push(cue.gesture),
            }
            parts.speakers.iter_mut().for_each(|s| s.take(&signal));
            if sent_on {
                parts.outgoing.iter().for_each(|o| o.send(&signal));
            }
        }
    }

    /// Makes a picture when one is due; whoever does not look gets the next.
    fn picture(&mut self, over: bool) {
        let Some(parts) = &self.parts else {
            return;
        };
        if let Some(moment) = parts.engine.last()
            && moment.time_s > self.traced_s
        {
            self.traced_s = moment.time_s;
            // Outside notes a pitch is a guess.
            let pitch = moment.pitch.filter(|_| self.next.note.is_some());
            let trace = &mut self.next.trace;
            // A screen that sleeps needs no more than it can show.
            if trace.len() > 2_000 {
                trace.drain(..1_000);
            }
            trace.push(TracePoint {
                time_s: moment.time_s,
                pitch,
                level_db: moment.level_db,
            });
        }
        // By the clock: stream time stands still while the input is lost.
        if self.pictured.elapsed() < PICTURE && !over {
            return;
        }
        self.pictured = Instant::now();
        let player = parts.engine.player();
        let reading = player.reading();
        let mut shown = std::mem::take(&mut self.next);
        shown.now_s = parts.engine.now_s();
        shown.gate_db = parts.engine.gate_db();
        shown.horn = reading
            .horn
            .as_ref()
            .map_or("concert pitch".into(), |h| h.title.clone());
        shown.table = reading.tuning.title().to_owned();
        shown.source = player.source.name().to_owned();
        shown.shift = player.shift;
        shown.muted = player.muted();
        shown.over = over;
        shown.urgent = self.urgent;
        let voice = parts.speakers.iter().find_map(Speaker::voice);
        shown.timbre = voice.map(|v| v.timbre);
        shown.input = Port {
            name: parts.intake.name().to_owned(),
            trouble: parts.intake.trouble.clone(),
            lost: parts.intake.missed + parts.intake.xruns,
        };
        shown.output_s = parts
            .speakers
            .iter()
            .map(Speaker::latency_s)
            .fold(0.0, f64::max);
        shown.outputs = ports(parts);
        // What goes on is kept for the next one.
        self.next.note = shown.note;
        self.next.decision_s = shown.decision_s;
        if let Err(back) = self.pictures.try_send(shown) {
            let (std::sync::mpsc::TrySendError::Full(back)
            | std::sync::mpsc::TrySendError::Disconnected(back)) = back;
            self.next.trace = back.trace;
            self.next.notes = back.notes;
            self.next.cues = back.cues;
            // Nobody has looked for minutes.
            self.next.notes.truncate(200);
            self.next.cues.truncate(200);
        }
    }

    /// Silences everything and closes the take. Does nothing the second time.
    fn close(&mut self) -> Result<()> {
        let Some(parts) = &mut self.parts else {
            return Ok(());
        };
        let mut signals = Vec::new();
        if !std::thread::panicking() {
            parts.engine.finish(&mut signals);
        }
        signals.push(Signal::Silence);
        self.pass_on(&mut signals);
        self.picture(true);
        let Some(parts) = self.parts.take() else {
            return Ok(());
        };
        self.summary.length_s = parts.engine.now_s();
        self.summary.missed = parts.intake.missed;
        self.summary.xruns = parts.intake.xruns;
        parts.speakers.into_iter().for_each(Speaker::end);
        parts.outgoing.into_iter().for_each(Outgoing::end);
        if let Some(recorder) = parts.recorder {
            self.summary.files = recorder.end()?;
        }
        Ok(())
    }
}

impl Drop for Running {
    /// A panic of the engine comes by here too.
    fn drop(&mut self) {
        let _ = self.close();
    }
}

fn ports(parts: &Parts) -> Vec<Port> {
    let speakers = parts.speakers.iter().map(|s| Port {
        name: s.name(),
        trouble: s.trouble.clone(),
        lost: s.gaps(),
    });
    let outgoing = parts.outgoing.iter().map(|o| Port {
        name: o.name.clone(),
        trouble: o.trouble(),
        lost: o.health.dropped.load(std::sync::atomic::Ordering::Relaxed),
    });
    let recorder = parts.recorder.iter().map(|r| Port {
        name: format!("take {}", r.path.display()),
        trouble: None,
        lost: r.lost.load(std::sync::atomic::Ordering::Relaxed),
    });
    speakers.chain(outgoing).chain(recorder).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::Selection;
    use crate::demo::brass::{Played, Room, play};
    use crate::line::LineContext;
    use crate::live::engine::Stand;
    use crate::live::intake::Wish;
    use crate::live::player::{Levels, Player};
    use crate::live::send::Sender;
    use crate::live::source::Source;
    use crate::output::{Draft, wav};
    use crate::tuning::{Reference, find};
    use std::sync::{Arc, Mutex};

    type Log = Arc<Mutex<Vec<&'static str>>>;

    struct Logging(Log);

    impl Sender for Logging {
        fn open(&mut self) -> std::result::Result<(), String> {
            Ok(())
        }
        fn send(&mut self, signal: &Signal) -> std::result::Result<(), String> {
            self.0.lock().unwrap().push(match signal {
                Signal::Start(_) => "start",
                Signal::Stop { .. } => "stop",
                Signal::Silence => "silence",
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
        let draft = Draft::write(path.clone(), |to| wav::write_mono(&samples, 48_000, to));
        draft.unwrap().keep().unwrap();
        let table = find("equal-12", None, Reference::default()).unwrap();
        let player = Player::new(
            LineContext::plain(table),
            Source::Follow,
            Levels::default(),
            0,
        );
        let stand = Stand {
            horns: Vec::new(),
            tables: Vec::new(),
            sources: Vec::new(),
        };
        let log = Log::default();
        let parts = Parts {
            engine: Engine::new(48_000.0, -65.0, player, stand),
            intake: Intake::open(Wish::Take {
                path,
                selection: Selection::default(),
                block: None,
            })
            .unwrap(),
            outgoing: vec![Outgoing::start("log", Box::new(Logging(log.clone()))).unwrap()],
            speakers: Vec::new(),
            recorder: None,
            pedals: None,
        };
        (Session::start(parts, Session::channel()).unwrap(), log)
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
    fn a_fault_of_the_engine_silences_what_sounds() {
        let folder = tempfile::tempdir().unwrap();
        let (session, log) = session(folder.path());
        wait_for(&log, "start");
        session.ask(Command::Fault);
        wait_for(&log, "silence");
        let error = session.end().unwrap_err().to_string();
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
