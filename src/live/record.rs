//! Records the take while it is played, so that a crash loses at most its last
//! second, and transcribes it when it ends. Where the sound can be written no further (a
//! full disk, a folder that is gone) that is said at once, and the notes go on.

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;

use hound::{SampleFormat, WavSpec, WavWriter};

use super::clock::input::ClockBlock;
use super::clock::log::ClockLog;
use super::clock::tempo_file;
use super::setup::Setup;
use super::ui_snapshot::PortStatus;
use crate::error::{Error, Result};
use crate::line::{ContextChange, Line, LineContext};
use crate::notation::{Metre, QUARTER};
use crate::notes::{Attack, Note, STRAY};
use crate::output::{
    self, Output, Sink, StagedFile, csv::Csv, cue_points, json::Json, midi::MidiFile,
    staged_file::unwritable,
};
use crate::sending::DynamicRange;
use crate::sending::note_source::NoteSource;
use crate::transcriber::{Mode, Transcriber};

/// Blocks queued for the disk: some seconds.
const QUEUE: usize = 4_096;
/// The header is brought up to date this often, in seconds of sound.
const FLUSH_S: f64 = 1.0;
/// A WAV file holds less than 4 GB; a new one is started before that, in bytes.
const MAX_BYTES: u64 = 3_900_000_000;
/// Bits per sample: the noise of the best converters is above 24-bit steps.
const BITS: u16 = 24;
const FULL_SCALE: f32 = 8_388_607.0;

/// Samples and what they were played with: a block that is lost takes no change
/// of the setup with it.
struct Block {
    samples: Vec<f32>,
    setup: Arc<Setup>,
    /// Whether its first sample is marked.
    marked: bool,
    /// What the rig's clock said.
    clock: ClockBlock,
}

/// How the notes and the beat of a take are kept.
#[derive(Debug, Clone, Copy, Default)]
pub struct RecordOptions {
    /// Velocities are those of a session with this dynamic range.
    pub dynamic_range: DynamicRange,
    /// Metre of the rig's clock, where the player gives it; a MIDI clock tells none.
    pub metre: Option<Metre>,
}

/// A running recording.
pub struct Recorder {
    queue: SyncSender<Block>,
    /// Samples that have been written, for their memory: the engine's thread allocates none for a
    /// block, once as many have come back as are on their way.
    written: Receiver<Vec<f32>>,
    setup: Arc<Setup>,
    thread: JoinHandle<Recorded>,
    state: Arc<RecorderState>,
    /// The first file.
    path: PathBuf,
}

/// What the thread says of itself.
#[derive(Debug, Default)]
struct RecorderState {
    /// Blocks lost because the disk was too slow.
    lost: AtomicU64,
    /// Samples queued so far.
    queued: AtomicU64,
    error: Mutex<Option<String>>,
}

/// What came of a recording.
#[derive(Debug, Default)]
pub struct Recorded {
    /// Files written: takes and their note lists.
    pub files: Vec<PathBuf>,
    /// What could not be written, if anything.
    pub failed: Option<Error>,
}

impl Recorder {
    /// Starts a take in `folder`, which is created where it is missing.
    ///
    /// # Errors
    /// [`Error::Output`] where it cannot be written.
    pub fn start(folder: &Path, setup: Arc<Setup>, options: RecordOptions) -> Result<Self> {
        let state = Arc::<RecorderState>::default();
        let mut writing = TakeWriter::begin(folder, setup.clone(), options, state.clone())?;
        let path = writing.path.clone();
        let (queue, messages) = sync_channel(QUEUE);
        let (give_back, written) = sync_channel(QUEUE);
        let thread = std::thread::Builder::new()
            .name("leadpipe recorder".into())
            .spawn(move || writing.run(&messages, &give_back))
            .map_err(|e| Error::output(folder, e, "close some programs"))?;
        Ok(Recorder {
            queue,
            written,
            setup,
            thread,
            state,
            path,
        })
    }

    /// Queues samples, and what the rig's clock said meanwhile; never blocks.
    pub fn push(&self, samples: &[f32], clock: ClockBlock) {
        if self.queue(samples, clock, false) {
            let count = samples.len() as u64;
            self.state.queued.fetch_add(count, Ordering::Relaxed);
        } else {
            self.state.lost.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// Marks this moment of the take with a cue point; says whether it could. Never blocks.
    pub fn mark(&self) -> bool {
        self.queue(&[], ClockBlock::default(), true)
            && self.state.error.lock().is_ok_and(|error| error.is_none())
    }

    fn queue(&self, samples: &[f32], clock: ClockBlock, marked: bool) -> bool {
        // NaN and infinity are recorded as silence.
        let finite = |&sample: &f32| if sample.is_finite() { sample } else { 0.0 };
        let mut own = self.written.try_recv().unwrap_or_default();
        own.clear();
        own.extend(samples.iter().map(finite));
        let block = Block {
            samples: own,
            setup: self.setup.clone(),
            marked,
            clock,
        };
        self.queue.try_send(block).is_ok()
    }

    /// Length of the take so far, in seconds.
    pub fn length_s(&self) -> f64 {
        self.state.queued.load(Ordering::Relaxed) as f64 / self.setup.rate_hz()
    }

    /// What the next samples are played with.
    pub fn set_setup(&mut self, setup: Arc<Setup>) {
        self.setup = setup;
    }

    /// Name, error and losses for the screen.
    pub fn status(&self) -> PortStatus {
        let died = self.thread.is_finished().then(|| STOPPED.to_owned());
        let error = self.state.error.lock().map_or(None, |error| error.clone());
        let lost = [(self.state.lost.load(Ordering::Relaxed), "blocks lost")];
        let name = format!("recording {}", self.path.display());
        PortStatus::new(name, died.or(error), &lost)
    }

    /// Ends the take.
    pub fn finish(self) -> Recorded {
        drop(self.queue);
        self.thread.join().unwrap_or_else(|_| Recorded {
            files: Vec::new(),
            failed: Some(Error::output(
                &self.path,
                STOPPED,
                "the take is complete up to its last second; transcribe it with `leadpipe transcribe`",
            )),
        })
    }
}

const STOPPED: &str = "the recorder stopped because of an internal error";

struct TakeWriter {
    folder: PathBuf,
    stem: String,
    part: usize,
    path: PathBuf,
    writer: Option<WavWriter<BufWriter<File>>>,
    samples: u64,
    since_flush: u64,
    /// What is in use, and what its notes are read with at the start of the file.
    setup: Arc<Setup>,
    first: LineContext,
    changes: Vec<ContextChange>,
    /// Marked samples of the file.
    marks: Vec<u32>,
    transcriber: Transcriber,
    /// Where in the file the transcriber began, in seconds.
    transcriber_start_s: f64,
    /// Notes of the transcribers before it.
    notes: Vec<Note>,
    options: RecordOptions,
    /// The rig's clock; times count from the start of the file.
    clock: ClockLog,
    /// Its metre: as the player gave it, or else as the clock first told it.
    metre: Option<Metre>,
    state: Arc<RecorderState>,
    recorded: Recorded,
}

impl TakeWriter {
    fn begin(
        folder: &Path,
        setup: Arc<Setup>,
        options: RecordOptions,
        state: Arc<RecorderState>,
    ) -> Result<Self> {
        std::fs::create_dir_all(folder).map_err(|e| match folder.is_file() {
            true => Error::output(
                folder,
                "this is a file, and takes are recorded into a folder",
                "give a folder with --record",
            ),
            false => unwritable(folder, e),
        })?;
        let stem = free_stem(folder);
        let path = folder.join(format!("{stem}.wav"));
        Ok(TakeWriter {
            folder: folder.to_owned(),
            writer: Some(open(&path, setup.rate_hz())?),
            stem,
            part: 1,
            path,
            samples: 0,
            since_flush: 0,
            transcriber: transcriber(&setup),
            transcriber_start_s: 0.0,
            first: (*setup.context).clone(),
            setup,
            changes: Vec::new(),
            marks: Vec::new(),
            notes: Vec::new(),
            clock: ClockLog::default(),
            metre: options.metre,
            options,
            state,
            recorded: Recorded::default(),
        })
    }

    fn run(&mut self, blocks: &Receiver<Block>, give_back: &SyncSender<Vec<f32>>) -> Recorded {
        while let Ok(block) = blocks.recv() {
            if !Arc::ptr_eq(&block.setup, &self.setup) {
                self.change_setup(block.setup);
            }
            if block.marked {
                // No file is long enough for it not to fit.
                self.marks.extend(u32::try_from(self.samples));
            }
            if self.samples == 0 && self.part == 1 {
                self.clock = ClockLog::starting(block.clock.song);
            }
            self.metre = self.metre.or(block.clock.metre);
            self.take(&block.samples);
            for (before_s, message) in block.clock.messages {
                self.clock
                    .push((self.length_s() - before_s).max(0.0), message);
            }
            // What does not fit is freed here.
            let _ = give_back.try_send(block.samples);
            if self.samples * u64::from(BITS / 8) > MAX_BYTES {
                self.split();
            }
        }
        self.finish();
        std::mem::take(&mut self.recorded)
    }

    /// The sound is recorded no further; the first reason counts.
    fn fail(&mut self, error: Error) {
        // What there is of it may have a header that says less.
        if let Some(writer) = self.writer.take() {
            let _ = writer.finalize();
        }
        if let Ok(mut told) = self.state.error.lock() {
            told.get_or_insert(format!("the sound is recorded no further: {error}"));
        }
        self.recorded.failed.get_or_insert(error);
    }

    /// Another sample rate is another file; another horn, another transcriber.
    fn change_setup(&mut self, setup: Arc<Setup>) {
        if setup.rate_hz() != self.setup.rate_hz() {
            self.next_part(setup);
            return;
        }
        let at_s = self.length_s();
        let (old, new) = (&self.setup.context, &setup.context);
        let other_horn = old.horn != new.horn;
        let source_begins = self.setup.sources_begun != setup.sources_begun;
        if other_horn || source_begins || old.tuning != new.tuning || old.shift != new.shift {
            self.changes.push(ContextChange {
                at_s,
                context: (**new).clone(),
                source_begins,
            });
        }
        self.setup = setup;
        if other_horn {
            self.end_transcriber();
            self.transcriber_start_s = at_s;
        }
    }

    /// Takes the transcriber's notes and begins a new one for the setup in use.
    fn end_transcriber(&mut self) {
        let fresh = transcriber(&self.setup);
        let moment_s = fresh.moment_s();
        let mut heard = std::mem::replace(&mut self.transcriber, fresh).finish();
        heard.shift(self.transcriber_start_s);
        if let (Some(before), Some(note)) = (self.notes.last_mut(), heard.notes.first_mut()) {
            join_halves(before, note, self.transcriber_start_s, moment_s);
        }
        self.notes.append(&mut heard.notes);
    }

    fn length_s(&self) -> f64 {
        self.samples as f64 / self.setup.rate_hz()
    }

    fn take(&mut self, block: &[f32]) {
        self.transcriber.push(block);
        self.samples += block.len() as u64;
        if let Err(error) = self.write(block) {
            self.fail(error);
        }
    }

    fn write(&mut self, block: &[f32]) -> Result<()> {
        let Some(writer) = &mut self.writer else {
            return Ok(());
        };
        let failed = |e| write_error(&self.path, e);
        for sample in block {
            // NaN is recorded as silence.
            let value = (sample.clamp(-1.0, 1.0) * FULL_SCALE).round() as i32;
            writer.write_sample(value).map_err(failed)?;
        }
        self.since_flush += block.len() as u64;
        if self.since_flush as f64 >= FLUSH_S * self.setup.rate_hz() {
            self.since_flush = 0;
            writer.flush().map_err(failed)?;
            check_there(&self.path)?;
        }
        Ok(())
    }

    /// Goes on in another file, the note source from where it stands.
    fn split(&mut self) {
        let source = self.next_part(self.setup.clone());
        self.first.source = source;
    }

    /// Begins another file; gives the note source as the one before leaves it.
    fn next_part(&mut self, setup: Arc<Setup>) -> NoteSource {
        let source = self.finish();
        self.part += 1;
        self.path = self.folder.join(format!("{}-{}.wav", self.stem, self.part));
        self.transcriber = transcriber(&setup);
        (self.first, self.setup) = ((*setup.context).clone(), setup);
        self.transcriber_start_s = 0.0;
        (self.samples, self.since_flush) = (0, 0);
        self.clock = self.clock.continued();
        match open(&self.path, self.setup.rate_hz()) {
            Ok(writer) => self.writer = Some(writer),
            Err(error) => self.fail(error),
        }
        source
    }

    fn write_marks(&mut self) -> Result<()> {
        let marks = std::mem::take(&mut self.marks);
        if marks.is_empty() {
            return Ok(());
        }
        cue_points::append(&self.path, &marks)
            .map_err(|e| write_error(&self.path, hound::Error::IoError(e)))
    }

    /// Closes the file and writes its notes; gives the note source as they leave it.
    fn finish(&mut self) -> NoteSource {
        if let Some(writer) = self.writer.take() {
            let closed = writer.finalize().map_err(|e| write_error(&self.path, e));
            let marked = closed.and_then(|()| self.write_marks());
            match marked.and_then(|()| check_there(&self.path)) {
                Ok(()) => self.recorded.files.push(self.path.clone()),
                Err(error) => self.fail(error),
            }
        }
        self.end_transcriber();
        let stem = self.path.file_stem().unwrap_or_default().to_string_lossy();
        let line = Line::with_changes(
            &stem,
            self.length_s(),
            std::mem::take(&mut self.notes),
            self.first.clone(),
            std::mem::take(&mut self.changes),
        );
        let midi = MidiFile {
            dynamic_range: Some(self.options.dynamic_range),
            ..MidiFile::default()
        };
        let kinds: [Box<dyn Output>; 3] = [
            Box::new(Csv::default()),
            Box::new(Json::default()),
            Box::new(midi),
        ];
        let bar = self.metre.map(|m| f64::from(m.bar()) / f64::from(QUARTER));
        let places = self.clock.places(bar);
        let save = |folder: &Path| {
            let mut files = output::save_all(&line, folder, &stem, &kinds)?;
            if let Some(places) = &places {
                let path = folder.join(format!("{stem}.tempo.mid"));
                let write = |to: &mut dyn Sink| tempo_file::write(places, self.metre, to);
                files.push(StagedFile::write(path, write)?.commit()?);
            }
            Ok(files)
        };
        match save(&self.folder) {
            Ok(files) => self.recorded.files.extend(files),
            Err(error) => {
                // The notes of a whole evening are worth another place.
                self.recorded
                    .files
                    .extend(save(&std::env::temp_dir()).unwrap_or_default());
                self.fail(error);
            }
        }
        line.source_after
    }
}

/// Two notes that meet where the horn was changed do so exactly there. The halves of one are
/// slurred: no tongue parts them.
fn join_halves(before: &mut Note, note: &mut Note, changed_s: f64, moment_s: f64) {
    let near = |time_s: f64| (time_s - changed_s).abs() < moment_s;
    if !near(before.offset_s) || !near(note.onset_s) {
        return;
    }
    before.offset_s = changed_s;
    note.onset_s = changed_s;
    if (note.pitch - before.pitch).abs() < f64::from(STRAY) {
        note.attack = Attack::Slurred;
    }
}

/// Whether a file that is open still has its name.
fn check_there(path: &Path) -> Result<()> {
    match path.try_exists() {
        Ok(false) => Err(Error::output(
            path,
            "it was removed while it was recorded",
            "leave the folder as it is until the session ends",
        )),
        _ => Ok(()),
    }
}

fn transcriber(setup: &Setup) -> Transcriber {
    Transcriber::new(setup.settings(), Mode::Full).without_continuity()
}

fn open(path: &Path, rate_hz: f64) -> Result<WavWriter<BufWriter<File>>> {
    let spec = WavSpec {
        channels: 1,
        sample_rate: rate_hz.round() as u32,
        bits_per_sample: BITS,
        sample_format: SampleFormat::Int,
    };
    let mut writer = WavWriter::create(path, spec).map_err(|e| write_error(path, e))?;
    writer.flush().map_err(|e| write_error(path, e))?;
    Ok(writer)
}

fn write_error(path: &Path, error: hound::Error) -> Error {
    match error {
        hound::Error::IoError(error) => unwritable(path, error),
        other => Error::output(path, other, "choose another folder with --record"),
    }
}

/// Unused file name for a take: the time at which it started.
fn free_stem(folder: &Path) -> String {
    let stem = jiff::Zoned::now()
        .strftime("take-%Y%m%d-%H%M%S")
        .to_string();
    let taken = |stem: &str| folder.join(format!("{stem}.wav")).exists();
    if !taken(&stem) {
        return stem;
    }
    (2..)
        .map(|n| format!("{stem}.{n}"))
        .find(|stem| !taken(stem))
        .unwrap_or(stem)
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;
    use crate::demo::brass::{Played, Room, play};
    use crate::horn::Horn;
    use crate::live::command::Command;
    use crate::live::setup::Choices;
    use crate::tuning::{Reference, Tuning};

    fn setup(rate_hz: f64) -> Setup {
        let tuning = Arc::new(Tuning::find("equal-12", None, Reference::default()).unwrap());
        let horns = ["trumpet", "tuba-bb"].map(|name| Arc::new(Horn::find(name).unwrap()));
        let mut context = LineContext::new((*tuning).clone());
        context.horn = Some((*horns[0]).clone());
        let choices = Choices {
            horns: horns.into(),
            tunings: vec![tuning],
            sources: vec![
                NoteSource::Follow,
                NoteSource::of_keys(&[48, 55], Reference::default()),
            ],
        };
        Setup::new(choices, context, -65.0, rate_hz).unwrap()
    }

    fn recorder(folder: &Path) -> Recorder {
        Recorder::start(folder, Arc::new(setup(48_000.0)), RecordOptions::default()).unwrap()
    }

    #[test]
    fn a_take_is_readable_while_it_is_recorded() {
        let folder = tempfile::tempdir().unwrap();
        let recorder = recorder(folder.path());
        for _ in 0..200 {
            recorder.push(&[0.25; 480], ClockBlock::default());
        }
        let deadline = std::time::Instant::now() + Duration::from_secs(5);
        let readable = loop {
            let length = hound::WavReader::open(&recorder.path).map_or(0, |r| r.duration());
            if length >= 48_000 || std::time::Instant::now() > deadline {
                break length;
            }
            std::thread::sleep(Duration::from_millis(10));
        };
        assert!(readable >= 48_000, "{readable}");
        assert!(recorder.finish().failed.is_none());
    }

    #[test]
    fn the_memory_of_a_written_block_comes_back() {
        let folder = tempfile::tempdir().unwrap();
        let recorder = recorder(folder.path());
        recorder.push(&[0.25; 480], ClockBlock::default());
        let written = recorder.written.recv_timeout(Duration::from_secs(20));
        assert!(written.unwrap().capacity() >= 480);
        assert!(recorder.finish().failed.is_none());
    }

    /// Text of the file of some kind that was written.
    fn text_of(recorded: &Recorded, ending: &str) -> String {
        let mut files = recorded.files.iter();
        let path = files.find(|p| p.extension().is_some_and(|e| e == ending));
        std::fs::read_to_string(path.unwrap()).unwrap()
    }

    /// MIDI keys that were sent for the notes of a JSON list.
    fn sent(list: &serde_json::Value) -> Vec<i64> {
        let notes = list["notes"].as_array().unwrap().iter();
        notes
            .map(|n| (60.0 + 12.0 * n["volts"].as_f64().unwrap()).round() as i64)
            .collect()
    }

    /// The JSON list of a take that ends here.
    fn list_of(recorder: Recorder) -> serde_json::Value {
        serde_json::from_str(&text_of(&recorder.finish(), "json")).unwrap()
    }

    /// Waits for what the screen shows.
    fn error_of(recorder: &Recorder) -> String {
        let deadline = std::time::Instant::now() + Duration::from_secs(60);
        loop {
            if let Some(error) = recorder.status().error {
                return error;
            }
            assert!(std::time::Instant::now() < deadline, "nothing is told");
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    #[test]
    #[cfg(target_os = "linux")]
    fn a_full_disk_is_told_at_once_and_the_notes_are_kept() {
        let folder = tempfile::tempdir().unwrap();
        let first = Arc::new(setup(48_000.0));
        let state = Arc::<RecorderState>::default();
        let mut writer = TakeWriter::begin(
            folder.path(),
            first.clone(),
            RecordOptions::default(),
            state.clone(),
        )
        .unwrap();
        let full = File::options().write(true).open("/dev/full").unwrap();
        let spec = writer.writer.as_ref().unwrap().spec();
        writer.writer = Some(WavWriter::new(BufWriter::new(full), spec).unwrap());
        let note = Played::new(0.3, 1.5, 70.0, 0.6);
        writer.take(&play(&[note], 2.0, &Room::default(), 1));
        let told = state.error.lock().unwrap().clone();
        assert!(told.unwrap().contains("no further"));
        writer.finish();
        let recorded = writer.recorded;
        let rows = text_of(&recorded, "csv");
        assert_eq!(recorded.failed.unwrap().exit_code(), 5);
        assert_eq!(rows.lines().count(), 2, "{rows}");
    }

    #[test]
    fn a_folder_that_is_removed_is_told() {
        let folder = tempfile::tempdir().unwrap();
        let takes = folder.path().join("takes");
        let recorder = recorder(&takes);
        std::fs::remove_dir_all(&takes).unwrap();
        recorder.push(&[0.25; 96_000], ClockBlock::default());
        assert!(error_of(&recorder).contains("removed"));
        let recorded = recorder.finish();
        assert_eq!(recorded.failed.unwrap().exit_code(), 5);
        assert!(recorded.files.iter().all(|path| path.exists()));
    }

    #[test]
    fn another_rate_is_another_file() {
        let folder = tempfile::tempdir().unwrap();
        let mut recorder = recorder(folder.path());
        recorder.push(&[0.0; 480], ClockBlock::default());
        recorder.set_setup(Arc::new(setup(44_100.0)));
        recorder.push(&[f32::NAN; 441], ClockBlock::default());
        let files = recorder.finish().files;
        let rates: Vec<u32> = files
            .iter()
            .filter_map(|p| hound::WavReader::open(p).ok())
            .map(|r| r.spec().sample_rate)
            .collect();
        assert_eq!(rates, [48_000, 44_100]);
    }

    /// The halves of a note through which the horn was changed meet where it was.
    #[test]
    fn a_note_that_the_horn_changes_in_is_divided_without_a_gap() {
        let note = Played::new(0.3, 2.4, 58.0, 0.6);
        let take = play(&[note], 3.0, &Room::default(), 1);
        // Places within a moment.
        for changed in [48_000, 48_123, 48_259, 48_400] {
            let folder = tempfile::tempdir().unwrap();
            let mut recorder = recorder(folder.path());
            recorder.push(&take[..changed], ClockBlock::default());
            let mut setup = setup(48_000.0);
            setup.select(&Command::NextHorn).unwrap();
            recorder.set_setup(Arc::new(setup));
            recorder.push(&take[changed..], ClockBlock::default());
            let list = list_of(recorder);
            let [first, second] = &list["notes"].as_array().unwrap()[..] else {
                panic!("not two notes: {list}");
            };
            assert_eq!(first["offset_s"], second["onset_s"]);
            let met_s = second["onset_s"].as_f64().unwrap();
            assert!((met_s - changed as f64 / 48_000.0).abs() < 1e-4, "{met_s}");
            assert_eq!(second["attack"], "slurred");
            assert_eq!(list["take"]["changes"][0]["horn"], "tuba-bb");
            // The first is the trumpet's, the second the tuba's.
            assert_eq!(first["written"], "C4");
            assert_eq!(second["written"], "Bb3");
        }
    }

    /// Shift and note source count for the notes that begin after they were changed.
    #[test]
    fn each_note_is_kept_as_it_was_sent() {
        let folder = tempfile::tempdir().unwrap();
        let mut recorder = recorder(folder.path());
        let note = play(
            &[Played::new(0.3, 1.0, 70.0, 0.6)],
            1.5,
            &Room::default(),
            1,
        );
        let mut setup = setup(48_000.0);
        // The third selects the sequence that is in use, which begins again.
        let sequence = Command::Source("sequence".into());
        for command in [
            Command::Shift(5),
            sequence.clone(),
            sequence,
            Command::ShiftBy(-8),
            Command::NextSource,
        ] {
            recorder.push(&note, ClockBlock::default());
            setup.select(&command).unwrap();
            recorder.set_setup(Arc::new(setup.clone()));
        }
        recorder.push(&note, ClockBlock::default());
        let list = list_of(recorder);
        assert_eq!(sent(&list), [70, 75, 53, 53, 52, 67]);
        let changes = &list["take"]["changes"];
        assert_eq!(changes[0]["shift"], 5);
        assert!(changes[0].get("sequence").is_none(), "{changes}");
        assert_eq!(changes[1]["sequence"], serde_json::json!([48, 55]));
        assert_eq!(changes[4]["sequence"], serde_json::json!([]));
    }

    /// A sequence goes on in the second file of a take that is too long for one, with the notes
    /// that it has not come to.
    #[test]
    fn a_sequence_goes_on_in_the_next_file() {
        let folder = tempfile::tempdir().unwrap();
        let note = play(
            &[Played::new(0.3, 1.0, 70.0, 0.6)],
            1.5,
            &Room::default(),
            1,
        );
        let mut setup = setup(48_000.0);
        setup.select(&Command::Source("sequence".into())).unwrap();
        let mut writer = TakeWriter::begin(
            folder.path(),
            Arc::new(setup),
            RecordOptions::default(),
            Arc::default(),
        )
        .unwrap();
        writer.take(&note);
        writer.split();
        writer.take(&note);
        writer.take(&note);
        writer.finish();
        let lists = writer.recorded.files.iter();
        let lists = lists.filter(|path| path.extension().is_some_and(|e| e == "json"));
        let sent: Vec<Vec<i64>> = lists
            .map(|path| {
                sent(&serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap())
            })
            .collect();
        assert_eq!(sent, [vec![48], vec![55, 48]]);
    }

    #[test]
    fn each_note_is_kept_under_the_horn_it_was_played_on() {
        let folder = tempfile::tempdir().unwrap();
        let mut recorder = recorder(folder.path());
        let note = |pitch| {
            play(
                &[Played::new(0.3, 1.0, pitch, 0.6)],
                1.5,
                &Room::default(),
                1,
            )
        };
        let mut setup = setup(48_000.0);
        recorder.push(&note(70.0), ClockBlock::default());
        setup.select(&Command::NextHorn).unwrap();
        recorder.set_setup(Arc::new(setup));
        recorder.push(&note(41.0), ClockBlock::default());
        let list = list_of(recorder);
        let notes = list["notes"].as_array().unwrap();
        let names: Vec<_> = notes.iter().map(|n| (&n["midi"], &n["written"])).collect();
        // A trumpet part sounds a tone lower than it is written; a tuba's as it is.
        assert_eq!(
            names,
            [(&70.into(), &"C5".into()), (&41.into(), &"F2".into())]
        );
        assert_eq!(list["take"]["horn"], "trumpet");
        assert_eq!(list["take"]["changes"][0]["horn"], "tuba-bb");
        assert_eq!(list["take"]["changes"][0]["time_s"], 1.5);
    }
}
