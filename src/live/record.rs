//! Records the take while it is played, so that a crash loses at most its last
//! second, and transcribes it when it ends.

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;

use hound::{SampleFormat, WavSpec, WavWriter};

use super::setup::Setup;
use crate::error::{Error, Result};
use crate::line::{ContextChange, Line};
use crate::notes::Note;
use crate::output::{self, Output, csv::Csv, json::Json, midi::MidiFile};
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
}

/// A running recording.
pub struct Recorder {
    queue: SyncSender<Block>,
    setup: Arc<Setup>,
    thread: JoinHandle<Result<Vec<PathBuf>>>,
    /// Blocks lost because the disk was too slow.
    pub lost: Arc<AtomicU64>,
    /// The first file.
    pub path: PathBuf,
}

impl Recorder {
    /// Starts a take in `folder`, which is created where it is missing.
    ///
    /// # Errors
    /// [`Error::Output`] where it cannot be written.
    pub fn start(folder: &Path, setup: Arc<Setup>) -> Result<Self> {
        let mut writing = TakeWriter::begin(folder, setup.clone())?;
        let path = writing.path.clone();
        let (queue, messages) = sync_channel(QUEUE);
        let thread = std::thread::Builder::new()
            .name("leadpipe recorder".into())
            .spawn(move || writing.run(&messages))
            .map_err(|e| Error::output(folder, e, "close some programs"))?;
        Ok(Recorder {
            queue,
            setup,
            thread,
            lost: Arc::default(),
            path,
        })
    }

    /// Queues samples; never blocks.
    pub fn push(&self, samples: &[f32]) {
        let block = Block {
            samples: samples.to_vec(),
            setup: self.setup.clone(),
        };
        if self.queue.try_send(block).is_err() {
            self.lost.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// What the next samples are played with.
    pub fn set_setup(&mut self, setup: Arc<Setup>) {
        self.setup = setup;
    }

    /// Ends the take; returns the files written: takes and their note lists.
    ///
    /// # Errors
    /// [`Error::Output`] where something could not be written.
    pub fn finish(self) -> Result<Vec<PathBuf>> {
        drop(self.queue);
        self.thread.join().unwrap_or_else(|_| {
            Err(Error::output(
                &self.path,
                "the recorder stopped",
                "the take is complete up to its last second; transcribe it with `leadpipe transcribe`",
            ))
        })
    }
}

struct TakeWriter {
    folder: PathBuf,
    stem: String,
    part: usize,
    path: PathBuf,
    writer: Option<WavWriter<BufWriter<File>>>,
    samples: u64,
    since_flush: u64,
    /// What is in use, and what was at the start of the file.
    setup: Arc<Setup>,
    first: Arc<Setup>,
    changes: Vec<ContextChange>,
    transcriber: Transcriber,
    /// Where in the file the transcriber began, in seconds.
    transcriber_start_s: f64,
    /// Notes of the transcribers before it.
    notes: Vec<Note>,
    written: Vec<PathBuf>,
}

impl TakeWriter {
    fn begin(folder: &Path, setup: Arc<Setup>) -> Result<Self> {
        std::fs::create_dir_all(folder)
            .map_err(|e| Error::output(folder, e, "choose another folder with --record"))?;
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
            first: setup.clone(),
            setup,
            changes: Vec::new(),
            notes: Vec::new(),
            written: Vec::new(),
        })
    }

    fn run(&mut self, blocks: &Receiver<Block>) -> Result<Vec<PathBuf>> {
        while let Ok(block) = blocks.recv() {
            if !Arc::ptr_eq(&block.setup, &self.setup) {
                self.change_setup(block.setup)?;
            }
            self.write(&block.samples)?;
            if self.samples * u64::from(BITS / 8) > MAX_BYTES {
                self.next_part(self.setup.clone())?;
            }
        }
        self.finish()?;
        Ok(std::mem::take(&mut self.written))
    }

    /// Another sample rate is another file; another horn, another transcriber.
    fn change_setup(&mut self, setup: Arc<Setup>) -> Result<()> {
        if setup.rate_hz() != self.setup.rate_hz() {
            return self.next_part(setup);
        }
        let at_s = self.length_s();
        let (old, new) = (&self.setup.context, &setup.context);
        let other_horn = old.horn != new.horn;
        if other_horn || old.tuning != new.tuning {
            let context = (**new).clone();
            self.changes.push(ContextChange { at_s, context });
        }
        self.setup = setup;
        if other_horn {
            self.end_transcriber();
            self.transcriber_start_s = at_s;
        }
        Ok(())
    }

    /// Takes the transcriber's notes and begins a new one for the setup in use.
    fn end_transcriber(&mut self) {
        let fresh = transcriber(&self.setup);
        let mut heard = std::mem::replace(&mut self.transcriber, fresh).finish();
        heard.shift(self.transcriber_start_s);
        self.notes.append(&mut heard.notes);
    }

    fn length_s(&self) -> f64 {
        self.samples as f64 / self.setup.rate_hz()
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
        self.transcriber.push(block);
        self.samples += block.len() as u64;
        self.since_flush += block.len() as u64;
        if self.since_flush as f64 >= FLUSH_S * self.setup.rate_hz() {
            self.since_flush = 0;
            writer.flush().map_err(failed)?;
        }
        Ok(())
    }

    fn next_part(&mut self, setup: Arc<Setup>) -> Result<()> {
        self.finish()?;
        self.part += 1;
        self.path = self.folder.join(format!("{}-{}.wav", self.stem, self.part));
        self.writer = Some(open(&self.path, setup.rate_hz())?);
        self.transcriber = transcriber(&setup);
        (self.first, self.setup) = (setup.clone(), setup);
        self.transcriber_start_s = 0.0;
        (self.samples, self.since_flush) = (0, 0);
        Ok(())
    }

    /// Closes the file and writes its notes.
    fn finish(&mut self) -> Result<()> {
        if let Some(writer) = self.writer.take() {
            writer.finalize().map_err(|e| write_error(&self.path, e))?;
            self.written.push(self.path.clone());
        }
        self.end_transcriber();
        let stem = self.path.file_stem().unwrap_or_default().to_string_lossy();
        let line = Line::with_changes(
            &stem,
            self.length_s(),
            std::mem::take(&mut self.notes),
            (*self.first.context).clone(),
            std::mem::take(&mut self.changes),
        );
        let kinds: [Box<dyn Output>; 3] =
            [Box::new(Csv), Box::new(Json), Box::new(MidiFile::default())];
        self.written
            .extend(output::save_all(&line, &self.folder, &stem, &kinds)?);
        Ok(())
    }
}

fn transcriber(setup: &Setup) -> Transcriber {
    Transcriber::new(setup.settings(), Mode::Full)
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
    Error::output(
        path,
        error,
        "free some space, or choose another folder with --record",
    )
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
    use crate::line::LineContext;
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
            sources: Vec::new(),
        };
        Setup::new(choices, context, -65.0, rate_hz).unwrap()
    }

    fn recorder(folder: &Path) -> Recorder {
        Recorder::start(folder, Arc::new(setup(48_000.0))).unwrap()
    }

    #[test]
    fn a_take_is_readable_while_it_is_recorded() {
        let folder = tempfile::tempdir().unwrap();
        let recorder = recorder(folder.path());
        for _ in 0..200 {
            recorder.push(&[0.25; 480]);
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
        recorder.finish().unwrap();
    }

    #[test]
    fn another_rate_is_another_file() {
        let folder = tempfile::tempdir().unwrap();
        let mut recorder = recorder(folder.path());
        recorder.push(&[0.0; 480]);
        recorder.set_setup(Arc::new(setup(44_100.0)));
        recorder.push(&[f32::NAN; 441]);
        let files = recorder.finish().unwrap();
        let rates: Vec<u32> = files
            .iter()
            .filter_map(|p| hound::WavReader::open(p).ok())
            .map(|r| r.spec().sample_rate)
            .collect();
        assert_eq!(rates, [48_000, 44_100]);
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
        recorder.push(&note(70.0));
        setup.select(&Command::NextHorn).unwrap();
        recorder.set_setup(Arc::new(setup));
        recorder.push(&note(41.0));
        let files = recorder.finish().unwrap();
        let json = files
            .iter()
            .find(|p| p.extension().is_some_and(|e| e == "json"));
        let text = std::fs::read_to_string(json.unwrap()).unwrap();
        let list: serde_json::Value = serde_json::from_str(&text).unwrap();
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
