//! Where the horn's samples come from: a device, or a take played as if it were
//! one.

use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use super::reopen::Reopening;
use super::streams::{self, Input};
use crate::audio::{Selection, Take};
use crate::error::Result;

/// What to listen to.
#[derive(Debug, Clone)]
pub enum Wish {
    /// A device, a channel of it from 0 or the mix, frames in a block.
    Device {
        device: Option<String>,
        channel: Option<usize>,
        block: Option<u32>,
    },
    /// A file in real time.
    Take {
        path: std::path::PathBuf,
        selection: Selection,
        block: Option<u32>,
    },
}

/// What the input has to say.
#[derive(Debug, Clone, PartialEq)]
pub enum News {
    /// Samples were appended (or none).
    Samples,
    /// The device has gone.
    Lost,
    /// It is back, at this rate in hertz.
    Back(f64),
    /// The take is over.
    Over,
}

/// Block of a take that is played: as a good interface has it.
const TAKE_BLOCK: u32 = 128;
/// A device that delivers nothing for so long is lost, whatever it says.
const SILENT: Duration = Duration::from_secs(3);

/// An open input.
pub struct Intake {
    wish: Wish,
    source: Source,
    rate_hz: f64,
    /// Frames lost to a full ring, and times that the system was late.
    pub missed: u64,
    pub xruns: u64,
    /// What is wrong, if anything.
    pub trouble: Option<String>,
    /// Name of what it was opened on.
    name: String,
}

enum Source {
    Device(Input, Instant),
    Lost(Reopening<Source>),
    Take(Box<Playing>),
}

struct Playing {
    take: Take,
    /// Read but not yet due.
    waiting: Vec<f32>,
    over: bool,
    begun: Instant,
    sent: u64,
    block: usize,
}

impl Intake {
    /// Opens an input.
    ///
    /// # Errors
    /// Where device or take cannot be opened.
    pub fn open(wish: Wish) -> Result<Self> {
        let source = open(&wish)?;
        Ok(Intake {
            rate_hz: source.rate_hz(),
            name: source.name(&wish),
            source,
            wish,
            missed: 0,
            xruns: 0,
            trouble: None,
        })
    }

    /// Sample rate in hertz.
    pub fn rate_hz(&self) -> f64 {
        self.rate_hz
    }

    /// Frames in a block.
    pub fn block(&self) -> u64 {
        match &self.source {
            Source::Device(input, _) => input.counts.block.load(Ordering::Relaxed),
            Source::Lost(_) => 0,
            Source::Take(playing) => playing.block as u64,
        }
    }

    /// Name for the screen; that of the last device while there is none.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Whether its device stands, or stood, on a JACK server.
    pub fn on_jack(&self) -> bool {
        super::devices::is_jack(&self.name)
    }

    /// Appends the samples that have come since.
    ///
    /// # Errors
    /// Where a take cannot be read on.
    pub fn pull(&mut self, to: &mut Vec<f32>) -> Result<News> {
        match &mut self.source {
            Source::Device(input, last) => {
                let counts = &input.counts;
                self.missed += counts.missed.swap(0, Ordering::Relaxed);
                self.xruns += counts.xruns.swap(0, Ordering::Relaxed);
                let waiting = input.ring.slots();
                if waiting > 0 {
                    *last = Instant::now();
                    if let Ok(chunk) = input.ring.read_chunk(waiting) {
                        let (first, second) = chunk.as_slices();
                        to.extend_from_slice(first);
                        to.extend_from_slice(second);
                        chunk.commit_all();
                    }
                    return Ok(News::Samples);
                }
                let silent = || {
                    let silent = last.elapsed() > SILENT;
                    silent.then(|| "the device has gone: it delivers nothing".to_owned())
                };
                if let Some(why) = counts.lost().or_else(silent) {
                    self.trouble = Some(format!("{why}; waiting for it"));
                    self.source = Source::Lost(Reopening::new());
                    return Ok(News::Lost);
                }
                Ok(News::Samples)
            }
            Source::Lost(reopening) => match reopening.poll(&self.wish, open) {
                None => Ok(News::Samples),
                Some(Ok(source)) => {
                    self.rate_hz = source.rate_hz();
                    self.name = source.name(&self.wish);
                    self.source = source;
                    self.trouble = None;
                    Ok(News::Back(self.rate_hz))
                }
                Some(Err(error)) => {
                    self.trouble = Some(error.to_string());
                    Ok(News::Samples)
                }
            },
            Source::Take(playing) => playing.pull(self.rate_hz, to),
        }
    }
}

impl Source {
    fn rate_hz(&self) -> f64 {
        match self {
            Source::Device(input, _) => input.rate_hz,
            Source::Take(playing) => playing.take.sample_rate_hz(),
            Source::Lost(_) => 48_000.0,
        }
    }

    fn name(&self, wish: &Wish) -> String {
        match (self, wish) {
            (Source::Device(input, _), _) => input.device.clone(),
            (_, Wish::Take { path, .. }) => path.display().to_string(),
            (_, Wish::Device { device, .. }) => device.clone().unwrap_or_default(),
        }
    }
}

fn open(wish: &Wish) -> Result<Source> {
    match wish {
        Wish::Device {
            device,
            channel,
            block,
        } => {
            let input = streams::open_input(device.as_deref(), *channel, *block)?;
            Ok(Source::Device(input, Instant::now()))
        }
        Wish::Take {
            path,
            selection,
            block,
        } => Ok(Source::Take(Box::new(Playing {
            take: Take::open(path, selection)?,
            waiting: Vec::new(),
            over: false,
            begun: Instant::now(),
            sent: 0,
            block: block.unwrap_or(TAKE_BLOCK).max(1) as usize,
        }))),
    }
}

impl Playing {
    /// Whole blocks, none before its time.
    fn pull(&mut self, rate_hz: f64, to: &mut Vec<f32>) -> Result<News> {
        let due = (self.begun.elapsed().as_secs_f64() * rate_hz) as u64;
        while self.sent + self.block as u64 <= due {
            while self.waiting.len() < self.block && !self.over {
                let mut more = Vec::new();
                self.over = !self.take.next_block(&mut more)?;
                self.waiting.append(&mut more);
            }
            let count = self.block.min(self.waiting.len());
            if count == 0 {
                return Ok(News::Over);
            }
            to.extend(self.waiting.drain(..count));
            self.sent += self.block as u64;
        }
        Ok(News::Samples)
    }
}
