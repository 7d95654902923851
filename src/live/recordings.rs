//! The session's recordings: takes begin and end while the horn plays. Files are opened and
//! closed on threads of their own, because a disk may take its time.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, TryRecvError, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

use super::clock::input::ClockBlock;
use super::record::{RecordOptions, Recorded, Recorder};
use super::setup::Setup;
use super::{priority, ui_snapshot::PortStatus};
use crate::error::{Error, Result};

/// How long a file may take to be opened, at the end.
const OPEN: Duration = Duration::from_secs(1);
/// Where takes go that are recorded although no folder was named.
pub const FOLDER: &str = "takes";

/// What is recorded now, and what has been.
pub struct Recordings {
    folder: PathBuf,
    options: RecordOptions,
    state: State,
    /// Takes that have ended, while their notes are written.
    closing: Vec<JoinHandle<Recorded>>,
    recorded: Recorded,
    /// Why the last take could not be begun or ended.
    error: Option<String>,
}

enum State {
    Off,
    /// The file is being opened; `wanted` is false once the take is to end again.
    Opening {
        opening: Receiver<Result<Recorder>>,
        wanted: bool,
    },
    On(Recorder),
}

impl Recordings {
    /// Nothing is recorded yet; `folder` is where takes go, [`FOLDER`] where there is none.
    pub fn new(folder: Option<PathBuf>, options: RecordOptions) -> Self {
        Recordings {
            folder: folder.unwrap_or_else(|| FOLDER.into()),
            options,
            state: State::Off,
            closing: Vec::new(),
            recorded: Recorded::default(),
            error: None,
        }
    }

    /// The same with a take begun, before the session starts.
    ///
    /// # Errors
    /// [`Error::Output`] where it cannot be written.
    pub fn begun(folder: PathBuf, setup: Arc<Setup>, options: RecordOptions) -> Result<Self> {
        let recorder = Recorder::start(&folder, setup, options)?;
        let mut recordings = Recordings::new(Some(folder), options);
        recordings.state = State::On(recorder);
        Ok(recordings)
    }

    /// Whether a take is recorded or about to be.
    pub fn is_on(&self) -> bool {
        matches!(
            self.state,
            State::On(_) | State::Opening { wanted: true, .. }
        )
    }

    /// Length of the take so far in seconds, if one is recorded.
    pub fn length_s(&self) -> Option<f64> {
        match &self.state {
            State::Off => None,
            State::Opening { .. } => Some(0.0),
            State::On(recorder) => Some(recorder.length_s()),
        }
    }

    /// Begins a take, or ends it; never blocks.
    pub fn set(&mut self, on: bool, setup: &Arc<Setup>) {
        match (on, &mut self.state) {
            (true, State::Off) => self.begin(setup.clone()),
            (false, State::On(_)) => self.end(),
            (on, State::Opening { wanted, .. }) => *wanted = on,
            (true, State::On(_)) | (false, State::Off) => {}
        }
    }

    fn begin(&mut self, setup: Arc<Setup>) {
        self.error = None;
        let (opened, opening) = sync_channel(1);
        let (folder, options) = (self.folder.clone(), self.options);
        let open = move || {
            priority::lower();
            let _ = opened.send(Recorder::start(&folder, setup, options));
        };
        let thread = std::thread::Builder::new().name("leadpipe take".into());
        match thread.spawn(open) {
            Ok(_) => {
                self.state = State::Opening {
                    opening,
                    wanted: true,
                }
            }
            Err(e) => self.error = Some(format!("no take was begun: {e}")),
        }
    }

    fn end(&mut self) {
        let State::On(recorder) = std::mem::replace(&mut self.state, State::Off) else {
            return;
        };
        let thread = std::thread::Builder::new().name("leadpipe take".into());
        match thread.spawn(move || recorder.finish()) {
            Ok(thread) => self.closing.push(thread),
            // Its own thread ends the take; what it wrote is not told.
            Err(e) => self.error = Some(format!("the take ends untold: {e}")),
        }
    }

    /// Takes over what has been opened or closed since; call it often.
    pub fn poll(&mut self, setup: &Arc<Setup>) {
        if let State::Opening { opening, wanted } = &self.state {
            match opening.try_recv() {
                Ok(Ok(mut recorder)) => {
                    let wanted = *wanted;
                    recorder.set_setup(setup.clone());
                    self.state = State::On(recorder);
                    if !wanted {
                        self.end();
                    }
                }
                Ok(Err(error)) => self.fail(error.to_string()),
                Err(TryRecvError::Disconnected) => self.fail("no take was begun".into()),
                Err(TryRecvError::Empty) => {}
            }
        }
        while let Some(at) = self.closing.iter().position(JoinHandle::is_finished) {
            let thread = self.closing.swap_remove(at);
            self.take_over(thread);
        }
    }

    fn fail(&mut self, why: String) {
        self.state = State::Off;
        self.error = Some(why);
    }

    fn take_over(&mut self, thread: JoinHandle<Recorded>) {
        let recorded = thread.join().unwrap_or_else(|_| Recorded {
            files: Vec::new(),
            failed: Some(Error::output(
                &self.folder,
                "a take was not closed because of an internal error",
                "transcribe it with `leadpipe transcribe`",
            )),
        });
        self.recorded.files.extend(recorded.files);
        if let Some(error) = recorded.failed {
            self.error = Some(error.to_string());
            self.recorded.failed.get_or_insert(error);
        }
    }

    /// Queues samples; never blocks.
    pub fn push(&self, samples: &[f32], clock: ClockBlock) {
        if let State::On(recorder) = &self.state {
            recorder.push(samples, clock);
        }
    }

    /// What the next samples are played with.
    pub fn set_setup(&mut self, setup: Arc<Setup>) {
        if let State::On(recorder) = &mut self.state {
            recorder.set_setup(setup);
        }
    }

    /// Marks this moment in the take; says whether it is kept, that is whether a take is
    /// recorded.
    pub fn mark(&self) -> bool {
        match &self.state {
            State::On(recorder) => recorder.mark(),
            State::Off | State::Opening { .. } => false,
        }
    }

    /// The take's name, error and losses for the screen, if there is one or one failed.
    pub fn status(&self) -> Option<PortStatus> {
        match &self.state {
            State::On(recorder) => Some(recorder.status()),
            State::Off | State::Opening { .. } => {
                let error = self.error.clone()?;
                let name = format!("recording to {}", self.folder.display());
                Some(PortStatus::new(name, Some(error), &[]))
            }
        }
    }

    /// Ends the take, and waits until all notes are written.
    pub fn finish(mut self) -> Recorded {
        let last = match std::mem::replace(&mut self.state, State::Off) {
            State::Off => None,
            State::On(recorder) => Some(recorder),
            State::Opening { opening, .. } => match opening.recv_timeout(OPEN) {
                Ok(Ok(recorder)) => Some(recorder),
                _ => None,
            },
        };
        if let Some(recorder) = last {
            let last = recorder.finish();
            self.recorded.files.extend(last.files);
            if let Some(error) = last.failed {
                self.recorded.failed.get_or_insert(error);
            }
        }
        for thread in std::mem::take(&mut self.closing) {
            self.take_over(thread);
        }
        self.recorded
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::line::LineContext;
    use crate::live::setup::Choices;
    use crate::tuning::{Reference, Tuning};
    use std::time::Instant;

    fn setup() -> Arc<Setup> {
        let tuning = Tuning::find("equal-12", None, Reference::default()).unwrap();
        let choices = Choices {
            horns: Vec::new(),
            tunings: Vec::new(),
            sources: Vec::new(),
        };
        let setup = Setup::new(choices, LineContext::new(tuning), -65.0, 48_000.0);
        Arc::new(setup.unwrap())
    }

    fn wait_for(recordings: &mut Recordings, so: impl Fn(&Recordings) -> bool) {
        let deadline = Instant::now() + Duration::from_secs(20);
        while !so(recordings) {
            assert!(Instant::now() < deadline, "it never came true");
            recordings.poll(&setup());
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    #[test]
    fn takes_begin_and_end_as_asked() {
        let folder = tempfile::tempdir().unwrap();
        let mut recordings =
            Recordings::new(Some(folder.path().join("takes")), RecordOptions::default());
        assert!(!recordings.mark(), "there is nothing to mark");
        for _ in 0..2 {
            recordings.set(true, &setup());
            wait_for(&mut recordings, |r| matches!(r.state, State::On(_)));
            recordings.push(&[0.1; 4_800], ClockBlock::default());
            assert!(recordings.mark());
            recordings.set(false, &setup());
            assert!(!recordings.is_on());
        }
        let recorded = recordings.finish();
        assert!(recorded.failed.is_none());
        let takes = recorded.files.iter();
        let takes = takes.filter(|p| p.extension().is_some_and(|e| e == "wav"));
        assert_eq!(takes.count(), 2, "{:?}", recorded.files);
    }

    #[test]
    fn a_take_that_cannot_be_begun_says_why() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("takes");
        std::fs::write(&file, b"in the way").unwrap();
        let mut recordings = Recordings::new(Some(file), RecordOptions::default());
        recordings.set(true, &setup());
        wait_for(&mut recordings, |r| !r.is_on());
        let status = recordings.status().unwrap();
        assert!(status.error.unwrap().contains("--record"));
    }
}
