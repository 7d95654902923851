//! The horn's input: a device, or a take played in real time as if it were one.

use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use super::reconnect::Reconnect;
use super::streams::{self, InputStream};
use crate::audio::{Selection, Take};
use crate::error::Result;

/// What to capture.
#[derive(Debug, Clone)]
pub enum CaptureConfig {
    /// A device, one of its channels (from 0) or the mix, frames in a block.
    Device {
        device: Option<String>,
        channel: Option<usize>,
        block: Option<u32>,
    },
    /// A file, played in real time.
    Take {
        path: std::path::PathBuf,
        selection: Selection,
        block: Option<u32>,
    },
}

/// Result of a read.
#[derive(Debug, Clone, PartialEq)]
pub enum CaptureEvent {
    /// Samples were appended, possibly none.
    Samples,
    /// The device was lost.
    Lost,
    /// The device is back, at this sample rate in hertz.
    Reconnected(f64),
    /// The take has ended.
    Finished,
}

/// Block size when a take is played: that of a good interface.
const FILE_BLOCK: u32 = 128;
/// A device that delivers nothing for this long counts as lost, whatever it
/// reports.
const DEVICE_TIMEOUT: Duration = Duration::from_secs(3);

/// An open input.
pub struct Capture {
    config: CaptureConfig,
    state: CaptureState,
    rate_hz: f64,
    /// Frames lost to a full ring, and xruns.
    pub missed: u64,
    pub xruns: u64,
    /// Current error, if any.
    pub error: Option<String>,
    /// Name of the device or take.
    name: String,
}

enum CaptureState {
    Device(InputStream, Instant),
    Lost(Reconnect<CaptureState>),
    Take(Box<FilePlayback>),
}

struct FilePlayback {
    take: Take,
    /// Decoded but not yet due.
    waiting: Vec<f32>,
    finished: bool,
    started: Instant,
    sent: u64,
    block: usize,
}

impl Capture {
    /// Opens an input.
    ///
    /// # Errors
    /// Where the device or take cannot be opened.
    pub fn open(config: CaptureConfig) -> Result<Self> {
        let state = open(&config)?;
        Ok(Capture {
            rate_hz: state.rate_hz(),
            name: state.name(&config),
            state,
            config,
            missed: 0,
            xruns: 0,
            error: None,
        })
    }

    /// Sample rate in hertz.
    pub fn rate_hz(&self) -> f64 {
        self.rate_hz
    }

    /// Frames in a block.
    pub fn block(&self) -> u64 {
        match &self.state {
            CaptureState::Device(input, _) => input.status.block.load(Ordering::Relaxed),
            CaptureState::Lost(_) => 0,
            CaptureState::Take(playback) => playback.block as u64,
        }
    }

    /// Name for the screen; while the device is lost, its last name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Whether the device belongs, or belonged, to a JACK server.
    pub fn on_jack(&self) -> bool {
        super::devices::is_jack(&self.name)
    }

    /// Appends the samples that have arrived since the last call; never blocks.
    ///
    /// # Errors
    /// Where a take cannot be read further.
    pub fn read(&mut self, to: &mut Vec<f32>) -> Result<CaptureEvent> {
        match &mut self.state {
            CaptureState::Device(input, last) => {
                let status = &input.status;
                self.missed += status.missed_frames.swap(0, Ordering::Relaxed);
                self.xruns += status.xruns.swap(0, Ordering::Relaxed);
                let waiting = input.ring.slots();
                if waiting > 0 {
                    *last = Instant::now();
                    if let Ok(chunk) = input.ring.read_chunk(waiting) {
                        let (first, second) = chunk.as_slices();
                        to.extend_from_slice(first);
                        to.extend_from_slice(second);
                        chunk.commit_all();
                    }
                    return Ok(CaptureEvent::Samples);
                }
                let silent = || {
                    let silent = last.elapsed() > DEVICE_TIMEOUT;
                    silent.then(|| "the device has gone: it no longer delivers sound".to_owned())
                };
                if let Some(reason) = status.lost_reason().or_else(silent) {
                    self.error = Some(format!("{reason}; waiting for it"));
                    self.state = CaptureState::Lost(Reconnect::new());
                    return Ok(CaptureEvent::Lost);
                }
                Ok(CaptureEvent::Samples)
            }
            CaptureState::Lost(reconnect) => match reconnect.poll(&self.config, open) {
                None => Ok(CaptureEvent::Samples),
                Some(Ok(state)) => {
                    self.rate_hz = state.rate_hz();
                    self.name = state.name(&self.config);
                    self.state = state;
                    self.error = None;
                    Ok(CaptureEvent::Reconnected(self.rate_hz))
                }
                Some(Err(error)) => {
                    self.error = Some(error.to_string());
                    Ok(CaptureEvent::Samples)
                }
            },
            CaptureState::Take(playback) => playback.read(self.rate_hz, to),
        }
    }
}

impl CaptureState {
    fn rate_hz(&self) -> f64 {
        match self {
            CaptureState::Device(input, _) => input.rate_hz,
            CaptureState::Take(playback) => playback.take.sample_rate_hz(),
            CaptureState::Lost(_) => 48_000.0,
        }
    }

    fn name(&self, config: &CaptureConfig) -> String {
        match (self, config) {
            (CaptureState::Device(input, _), _) => input.device.clone(),
            (_, CaptureConfig::Take { path, .. }) => path.display().to_string(),
            (_, CaptureConfig::Device { device, .. }) => device.clone().unwrap_or_default(),
        }
    }
}

fn open(config: &CaptureConfig) -> Result<CaptureState> {
    match config {
        CaptureConfig::Device {
            device,
            channel,
            block,
        } => {
            let input = streams::open_input(device.as_deref(), *channel, *block)?;
            Ok(CaptureState::Device(input, Instant::now()))
        }
        CaptureConfig::Take {
            path,
            selection,
            block,
        } => Ok(CaptureState::Take(Box::new(FilePlayback {
            take: Take::open(path, selection)?,
            waiting: Vec::new(),
            finished: false,
            started: Instant::now(),
            sent: 0,
            block: block.unwrap_or(FILE_BLOCK).max(1) as usize,
        }))),
    }
}

impl FilePlayback {
    /// Whole blocks, none before it is due.
    fn read(&mut self, rate_hz: f64, to: &mut Vec<f32>) -> Result<CaptureEvent> {
        let due = (self.started.elapsed().as_secs_f64() * rate_hz) as u64;
        while self.sent + self.block as u64 <= due {
            while self.waiting.len() < self.block && !self.finished {
                let mut more = Vec::new();
                self.finished = !self.take.next_block(&mut more)?;
                self.waiting.append(&mut more);
            }
            let count = self.block.min(self.waiting.len());
            if count == 0 {
                return Ok(CaptureEvent::Finished);
            }
            to.extend(self.waiting.drain(..count));
            self.sent += self.block as u64;
        }
        Ok(CaptureEvent::Samples)
    }
}
