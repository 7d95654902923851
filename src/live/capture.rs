//! The horn's input: a device, or a take played in real time as if it were one.

use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use super::clock::stream_time::{BlockTime, Moment, StreamTime};
use super::devices;
use super::reconnect::Reconnect;
use super::streams::{self, InputRequest, InputStream};
use super::ui_snapshot::PortStatus;
use crate::audio::decode::of_whole_take;
use crate::audio::{Selection, Take};
use crate::error::Result;

/// What to capture.
#[derive(Debug, Clone)]
pub enum CaptureConfig {
    /// A device.
    Device(InputRequest),
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
    /// The device is there but delivers nothing: a JACK server whose graph stands still,
    /// or that was stopped. Its ports and their connections stay.
    Stalled,
    /// The device is back, at this sample rate in hertz.
    Reconnected(f64),
    /// The take has ended.
    Finished,
}

impl CaptureEvent {
    /// Whether stream time no longer runs on evenly.
    pub fn begins_anew(&self) -> bool {
        !matches!(self, CaptureEvent::Samples | CaptureEvent::Finished)
    }
}

/// Block size when a take is played: that of a good interface.
const FILE_BLOCK: u32 = 128;
/// A device that delivers nothing for this long counts as lost, whatever it
/// reports; a JACK server says itself when it goes.
const DEVICE_TIMEOUT: Duration = Duration::from_secs(3);

/// An open input.
pub struct Capture {
    config: CaptureConfig,
    state: CaptureState,
    rate_hz: f64,
    /// When its frames were captured, and how many have been read.
    time: StreamTime,
    frames: u64,
    /// When it was last read.
    read: Instant,
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
    pub fn open(mut config: CaptureConfig) -> Result<Self> {
        let state = open(&config)?;
        // What was the default device is waited for, if it is lost; no other will do.
        if let (CaptureConfig::Device(request), CaptureState::Device(input, _)) =
            (&mut config, &state)
        {
            request.device = Some(input.device.clone());
        }
        let mut time = StreamTime::new(state.rate_hz());
        if let CaptureState::Take(playback) = &state {
            time.block(BlockTime {
                moment: Moment::system(playback.started),
                frame: 0,
            });
        }
        Ok(Capture {
            rate_hz: state.rate_hz(),
            time,
            frames: 0,
            name: state.name(&config),
            state,
            config,
            read: Instant::now(),
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

    /// Name, error and losses for the screen.
    pub fn status(&self) -> PortStatus {
        let lost = [(self.missed, "frames lost"), (self.xruns, "late blocks")];
        PortStatus::new(self.name.clone(), self.error.clone(), &lost)
    }

    /// How long before the end of what has been read a moment was, in seconds, negative
    /// after it; none before anything was captured.
    pub fn before_end_s(&self, moment: Moment) -> Option<f64> {
        let frame = self.time.frame_at(moment)?;
        Some((self.frames as f64 - frame) / self.rate_hz)
    }

    /// The moment so many seconds after the end of what has been read.
    pub fn moment_after(&self, after_s: f64) -> Option<Moment> {
        self.time
            .moment_of(self.frames as f64 + after_s * self.rate_hz)
    }

    /// Appends the samples that have arrived since the last call; never blocks.
    ///
    /// # Errors
    /// Where a take cannot be read further.
    pub fn read(&mut self, to: &mut Vec<f32>) -> Result<CaptureEvent> {
        let before = to.len();
        let event = self.read_state(to)?;
        self.frames += (to.len() - before) as u64;
        match &mut self.state {
            CaptureState::Device(input, _) => {
                while let Ok(block) = input.times.pop() {
                    self.time.block(block);
                }
            }
            CaptureState::Take(_) | CaptureState::Lost(_) => {}
        }
        Ok(event)
    }

    fn read_state(&mut self, to: &mut Vec<f32>) -> Result<CaptureEvent> {
        let unread = std::mem::replace(&mut self.read, Instant::now()).elapsed();
        match &mut self.state {
            // The whole process was stopped: what sounded then is long over.
            CaptureState::Device(_, last) if unread > DEVICE_TIMEOUT => {
                *last = Instant::now();
                Ok(CaptureEvent::Stalled)
            }
            CaptureState::Device(input, last) => {
                let status = &input.status;
                self.missed += status.missed_frames.swap(0, Ordering::Relaxed);
                self.xruns += status.xruns.swap(0, Ordering::Relaxed);
                let waiting = input.ring.slots();
                if waiting > 0 {
                    *last = Instant::now();
                    self.error = None;
                    if let Ok(chunk) = input.ring.read_chunk(waiting) {
                        let (first, second) = chunk.as_slices();
                        to.extend_from_slice(first);
                        to.extend_from_slice(second);
                        chunk.commit_all();
                    }
                    return Ok(CaptureEvent::Samples);
                }
                let silent = last.elapsed() > DEVICE_TIMEOUT;
                let says_when_it_goes = devices::is_jack(&input.device);
                if silent && says_when_it_goes && !status.lost.load(Ordering::Acquire) {
                    let is_new = self.error.is_none();
                    self.error = Some("the JACK server delivers no sound; waiting for it".into());
                    return Ok(match is_new {
                        true => CaptureEvent::Stalled,
                        false => CaptureEvent::Samples,
                    });
                }
                let gone =
                    || silent.then(|| "the device has gone: it no longer delivers sound".into());
                if let Some(reason) = status.lost_reason().or_else(gone) {
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
                    (self.time, self.frames) = (StreamTime::new(self.rate_hz), 0);
                    self.name = state.name(&self.config);
                    self.state = state;
                    self.error = None;
                    Ok(CaptureEvent::Reconnected(self.rate_hz))
                }
                Some(Err(error)) => {
                    self.error = Some(error.beside_its_name());
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
            (_, CaptureConfig::Device(request)) => request.device.clone().unwrap_or_default(),
        }
    }
}

fn open(config: &CaptureConfig) -> Result<CaptureState> {
    match config {
        CaptureConfig::Device(request) => {
            let input = streams::open_input(request)?;
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
                let read = self.take.next_block(&mut more);
                self.finished = !read.map_err(of_whole_take)?;
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::live::callbacks::{CaptureCallback, capture_callback};

    const RATE_HZ: f64 = 44_100.0;

    /// A device of two channels of which one is taken, whose ring holds so many frames.
    fn device(channel: Option<usize>, room: usize) -> (Capture, CaptureCallback) {
        let (mut callback, ring, status) = capture_callback(2, channel, room);
        let stream = InputStream {
            ring,
            times: callback.report_times(),
            status,
            rate_hz: RATE_HZ,
            device: "a test".into(),
            _stream: None,
        };
        let capture = Capture {
            config: CaptureConfig::Device(InputRequest {
                device: Some("no such device".into()),
                channel,
                ..InputRequest::default()
            }),
            state: CaptureState::Device(stream, Instant::now()),
            rate_hz: RATE_HZ,
            time: StreamTime::new(RATE_HZ),
            frames: 0,
            read: Instant::now(),
            missed: 0,
            xruns: 0,
            error: None,
            name: "a test".into(),
        };
        (capture, callback)
    }

    fn interleaved(frames: std::ops::Range<usize>) -> Vec<f32> {
        frames.flat_map(|i| [i as f32, -(i as f32)]).collect()
    }

    #[test]
    fn a_channel_arrives_in_order_and_what_is_lost_is_counted() {
        let (mut capture, mut callback) = device(Some(1), 100);
        let mut got = Vec::new();
        // Blocks of changing sizes, read now and then.
        for frames in [0..64, 64..96, 96..97, 97..190] {
            callback.process(&interleaved(frames.clone()));
            assert_eq!(capture.block(), frames.len() as u64);
            if frames.end != 64 {
                assert_eq!(capture.read(&mut got).unwrap(), CaptureEvent::Samples);
            }
        }
        let all: Vec<f32> = (0..190).map(|i| -(i as f32)).collect();
        assert_eq!(got, all);
        assert_eq!(capture.missed, 0);
        callback.process(&interleaved(0..130));
        got.clear();
        capture.read(&mut got).unwrap();
        assert_eq!((got.len(), capture.missed), (100, 30));
        callback.process(&interleaved(130..140));
        capture.read(&mut got).unwrap();
        assert_eq!((got.len(), got[100], capture.missed), (110, -130.0, 30));
    }

    #[test]
    fn a_device_that_goes_is_told_after_its_last_samples() {
        let (mut capture, mut callback) = device(None, 100);
        let CaptureState::Device(stream, _) = &capture.state else {
            panic!("no device");
        };
        let status = stream.status.clone();
        callback.process(&[1.0f32, 0.5]);
        status.set_lost("it was unplugged".into());
        let mut got = Vec::new();
        assert_eq!(capture.read(&mut got).unwrap(), CaptureEvent::Samples);
        assert_eq!(got, [0.75]);
        assert_eq!(capture.read(&mut got).unwrap(), CaptureEvent::Lost);
        let error = capture.error.as_deref();
        assert_eq!(error, Some("it was unplugged; waiting for it"));
        assert_eq!(capture.name(), "a test");
    }

    #[test]
    fn a_device_that_delivers_nothing_has_gone() {
        let (mut capture, _callback) = device(None, 100);
        assert_eq!(
            capture.read(&mut Vec::new()).unwrap(),
            CaptureEvent::Samples
        );
        let CaptureState::Device(_, last) = &mut capture.state else {
            panic!("no device");
        };
        *last = Instant::now() - DEVICE_TIMEOUT - Duration::from_millis(1);
        assert_eq!(capture.read(&mut Vec::new()).unwrap(), CaptureEvent::Lost);
        assert!(capture.error.unwrap().contains("the device has gone"));
    }

    /// Nobody knows what was played while the process was stopped.
    #[test]
    fn a_process_that_was_stopped_begins_with_silence() {
        let (mut capture, mut callback) = device(None, 100);
        callback.process(&[1.0f32, 0.5]);
        capture.read = Instant::now() - DEVICE_TIMEOUT - Duration::from_millis(1);
        let mut got = Vec::new();
        assert_eq!(capture.read(&mut got).unwrap(), CaptureEvent::Stalled);
        assert_eq!(capture.read(&mut got).unwrap(), CaptureEvent::Samples);
        assert_eq!((got, capture.status().error), (vec![0.75], None));
    }

    /// A server that stands still keeps its ports: it goes on where it was.
    #[test]
    fn a_jack_server_that_delivers_nothing_is_waited_for() {
        let (mut capture, mut callback) = device(None, 100);
        let CaptureState::Device(stream, last) = &mut capture.state else {
            panic!("no device");
        };
        stream.device = "jack:input".into();
        *last = Instant::now() - DEVICE_TIMEOUT - Duration::from_millis(1);
        let mut got = Vec::new();
        assert_eq!(capture.read(&mut got).unwrap(), CaptureEvent::Stalled);
        assert_eq!(capture.read(&mut got).unwrap(), CaptureEvent::Samples);
        assert!(capture.status().error.unwrap().contains("no sound"));
        callback.process(&[1.0f32, 0.5]);
        assert_eq!(capture.read(&mut got).unwrap(), CaptureEvent::Samples);
        assert_eq!((got, capture.status().error), (vec![0.75], None));
    }

    /// A file stands in for a device: whole blocks of one channel, none before its time.
    #[test]
    fn a_file_plays_a_channel_in_real_time() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("take.wav");
        let spec = hound::WavSpec {
            channels: 2,
            sample_rate: 44_100,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float,
        };
        let mut writer = hound::WavWriter::create(&path, spec).unwrap();
        let samples: Vec<f32> = (0..4_000).map(|i| i as f32 / 4_000.0).collect();
        for sample in &samples {
            writer.write_sample(0.0f32).unwrap();
            writer.write_sample(*sample).unwrap();
        }
        writer.finalize().unwrap();
        let selection = Selection {
            channel: Some(2),
            ..Selection::default()
        };
        let opened = Instant::now();
        let mut capture = Capture::open(CaptureConfig::Take {
            path,
            selection,
            block: Some(64),
        })
        .unwrap();
        assert_eq!((capture.rate_hz(), capture.block()), (RATE_HZ, 64));
        let mut got = Vec::new();
        while capture.read(&mut got).unwrap() == CaptureEvent::Samples {
            assert!(got.len().is_multiple_of(64) || got.len() == samples.len());
            assert!(got.len() as f64 / RATE_HZ <= opened.elapsed().as_secs_f64());
            assert!(opened.elapsed() < Duration::from_secs(20), "it never ends");
            std::thread::yield_now();
        }
        assert_eq!(got, samples);
    }
}
