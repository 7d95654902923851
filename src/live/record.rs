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

use crate::analysis::Settings;
use crate::error::{Error, Result};
use crate::line::{Line, LineContext};
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

enum Message {
    Block(Vec<f32>),
    /// The sample rate has changed: the take continues in a new file.
    Rate(f64),
}

/// A running recording.
pub struct Recorder {
    queue: SyncSender<Message>,
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
    pub fn start(
        folder: &Path,
        rate_hz: f64,
        settings: Settings,
        context: LineContext,
    ) -> Result<Self> {
        let mut writing = TakeWriter::begin(folder, rate_hz, settings, context)?;
        let path = writing.path.clone();
        let (queue, messages) = sync_channel(QUEUE);
        let thread = std::thread::Builder::new()
            .name("leadpipe recorder".into())
            .spawn(move || writing.run(&messages))
            .map_err(|e| Error::output(folder, e, "close some programs"))?;
        Ok(Recorder {
            queue,
            thread,
            lost: Arc::default(),
            path,
        })
    }

    /// Queues samples; never blocks.
    pub fn push(&self, samples: &[f32]) {
        self.enqueue(Message::Block(samples.to_vec()));
    }

    /// The stream continues at another sample rate.
    pub fn rate(&self, rate_hz: f64) {
        self.enqueue(Message::Rate(rate_hz));
    }

    fn enqueue(&self, message: Message) {
        if self.queue.try_send(message).is_err() {
            self.lost.fetch_add(1, Ordering::Relaxed);
        }
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
    rate_hz: f64,
    samples: u64,
    since_flush: u64,
    settings: Settings,
    context: LineContext,
    transcriber: Transcriber,
    written: Vec<PathBuf>,
}

impl TakeWriter {
    fn begin(
        folder: &Path,
        rate_hz: f64,
        settings: Settings,
        context: LineContext,
    ) -> Result<Self> {
        std::fs::create_dir_all(folder)
            .map_err(|e| Error::output(folder, e, "choose another folder with --record"))?;
        let stem = free_stem(folder);
        let path = folder.join(format!("{stem}.wav"));
        Ok(TakeWriter {
            folder: folder.to_owned(),
            writer: Some(open(&path, rate_hz)?),
            stem,
            part: 1,
            path,
            rate_hz,
            samples: 0,
            since_flush: 0,
            transcriber: Transcriber::new(rate_hz, settings, Mode::Full),
            settings,
            context,
            written: Vec::new(),
        })
    }

    fn run(&mut self, messages: &Receiver<Message>) -> Result<Vec<PathBuf>> {
        while let Ok(message) = messages.recv() {
            match message {
                Message::Block(block) => self.write(&block)?,
                Message::Rate(rate_hz) if rate_hz != self.rate_hz => self.next_part(rate_hz)?,
                Message::Rate(_) => {}
            }
            if self.samples * u64::from(BITS / 8) > MAX_BYTES {
                self.next_part(self.rate_hz)?;
            }
        }
        self.finish()?;
        Ok(std::mem::take(&mut self.written))
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
        if self.since_flush as f64 >= FLUSH_S * self.rate_hz {
            self.since_flush = 0;
            writer.flush().map_err(failed)?;
        }
        Ok(())
    }

    fn next_part(&mut self, rate_hz: f64) -> Result<()> {
        self.finish()?;
        self.part += 1;
        self.path = self.folder.join(format!("{}-{}.wav", self.stem, self.part));
        self.rate_hz = rate_hz;
        self.writer = Some(open(&self.path, rate_hz)?);
        (self.samples, self.since_flush) = (0, 0);
        Ok(())
    }

    /// Closes the file and writes its notes.
    fn finish(&mut self) -> Result<()> {
        if let Some(writer) = self.writer.take() {
            writer.finalize().map_err(|e| write_error(&self.path, e))?;
            self.written.push(self.path.clone());
        }
        let fresh = Transcriber::new(self.rate_hz, self.settings, Mode::Full);
        let transcription = std::mem::replace(&mut self.transcriber, fresh).finish();
        let stem = self.path.file_stem().unwrap_or_default().to_string_lossy();
        let length_s = self.samples as f64 / self.rate_hz;
        let line = Line::new(&stem, length_s, transcription.notes, self.context.clone());
        let kinds: [Box<dyn Output>; 3] =
            [Box::new(Csv), Box::new(Json), Box::new(MidiFile::default())];
        self.written
            .extend(output::save_all(&line, &self.folder, &stem, &kinds)?);
        Ok(())
    }
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
    use crate::tuning::{Reference, find};

    fn recorder(folder: &Path) -> Recorder {
        let table = find("equal-12", None, Reference::default()).unwrap();
        Recorder::start(
            folder,
            48_000.0,
            Settings::default(),
            LineContext::plain(table),
        )
        .unwrap()
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
        let recorder = recorder(folder.path());
        recorder.push(&[0.0; 480]);
        recorder.rate(44_100.0);
        recorder.push(&[f32::NAN; 441]);
        let files = recorder.finish().unwrap();
        let rates: Vec<u32> = files
            .iter()
            .filter_map(|p| hound::WavReader::open(p).ok())
            .map(|r| r.spec().sample_rate)
            .collect();
        assert_eq!(rates, [48_000, 44_100]);
    }
}
