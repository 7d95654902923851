//! An open output device: renders the doubling voice and control voltages into its
//! ring, just ahead of the device.

use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use super::control_event::ControlEvent;
use super::cv_renderer::{CvRenderer, CvScale};
use super::reconnect::Reconnect;
use super::routes::{Action, Routes};
use super::streams::{self, OutputStream};
use crate::error::Result;
use crate::voice::{self, Voice};

/// What to play on an output device. Channels count from 0.
#[derive(Debug, Clone, Default)]
pub struct OutputConfig {
    /// The device; the default one if left out.
    pub device: Option<String>,
    /// Frames in a block, if the device supports it.
    pub block: Option<u32>,
    /// The doubling voice and its channels.
    pub voice: Option<(voice::Settings, Vec<usize>)>,
    /// Control voltages and their channels: pitch, gate, trigger, loudness, then
    /// route triggers; `None` for an unused one.
    pub cv: Option<(CvScale, Vec<Option<usize>>)>,
}

impl OutputConfig {
    fn open(&self) -> Result<OutputStream> {
        let cv = self.cv.iter().flat_map(|(_, c)| c.iter().flatten());
        let cv: Vec<usize> = cv.copied().collect();
        let voice = self.voice.iter().flat_map(|(_, c)| c);
        let max_channel = voice.chain(&cv).max();
        let min_channels = max_channel.map_or(0, |at| at + 1);
        streams::open_output(self.device.as_deref(), min_channels, &cv, self.block)
    }
}

/// Blocks buffered in the ring ahead of the device: one being played, one ready.
const BUFFERED_BLOCKS: usize = 2;
/// Least time buffered, in seconds: an ordinary scheduler delays a thread by this
/// much now and then.
const MIN_BUFFERED_S: f64 = 0.003;
/// Most time buffered, in seconds, however many underruns there were.
const MAX_BUFFERED_S: f64 = 0.06;
/// Underruns in the first moments of a stream do not count.
const SETTLE: Duration = Duration::from_millis(700);

/// A device and what it plays.
pub struct OutputDevice {
    config: OutputConfig,
    routes: Routes,
    stream: Option<OutputStream>,
    opened: Instant,
    reconnect: Reconnect<OutputStream>,
    voice: Option<Voice>,
    cv: Option<CvRenderer>,
    /// Time buffered, in seconds.
    buffered_s: f64,
    underruns: u64,
    /// Name of the device; while it is lost, its last name.
    device: String,
    /// Current error, if any.
    pub error: Option<String>,
    frame: Vec<f32>,
}

impl OutputDevice {
    /// Opens the device.
    ///
    /// # Errors
    /// [`crate::error::Error::Device`] where it cannot be.
    pub fn open(config: OutputConfig, routes: Routes) -> Result<Self> {
        let stream = config.open()?;
        let mut output_device = OutputDevice {
            config,
            routes,
            stream: None,
            opened: Instant::now(),
            reconnect: Reconnect::new(),
            voice: None,
            cv: None,
            buffered_s: MIN_BUFFERED_S,
            underruns: 0,
            device: String::new(),
            error: None,
            frame: Vec::new(),
        };
        output_device.attach(stream);
        Ok(output_device)
    }

    fn attach(&mut self, stream: OutputStream) {
        let rate_hz = stream.rate_hz;
        let settings = self.config.voice.as_ref().map(|(settings, _)| *settings);
        self.voice = settings.map(|s| Voice::new(rate_hz, s));
        let cv = self.config.cv.as_ref();
        self.cv =
            cv.map(|(scale, to)| CvRenderer::new(rate_hz, *scale, to.len().saturating_sub(4)));
        self.frame = vec![0.0; stream.channels];
        self.device.clone_from(&stream.device);
        self.opened = Instant::now();
        self.error = None;
        self.stream = Some(stream);
    }

    /// Name for the screen.
    pub fn name(&self) -> String {
        let what = match (&self.config.voice, &self.config.cv) {
            (Some(_), Some(_)) => "voice and voltages",
            (None, Some(_)) => "voltages",
            _ => "voice",
        };
        format!("{what} on {}", self.device)
    }

    /// Whether the device belongs, or belonged, to a JACK server.
    pub fn on_jack(&self) -> bool {
        super::devices::is_jack(&self.device)
    }

    /// Frames missing so far.
    pub fn underruns(&self) -> u64 {
        self.underruns
    }

    /// Time from an event to the device in seconds, as far as this program causes
    /// it.
    pub fn latency_s(&self) -> f64 {
        self.stream
            .as_ref()
            .map_or(0.0, |s| self.target_frames(s) as f64 / s.rate_hz)
    }

    /// Frames to keep buffered in the ring.
    fn target_frames(&self, stream: &OutputStream) -> usize {
        let block = stream.status.block.load(Ordering::Relaxed) as usize;
        (BUFFERED_BLOCKS * block).max((self.buffered_s * stream.rate_hz) as usize)
    }

    /// Applies a control event to voice and voltages.
    pub fn handle(&mut self, event: &ControlEvent) {
        match event {
            ControlEvent::NoteOn(start) => {
                if let Some(voice) = &mut self.voice {
                    voice.start(start.pitch, start.strength, start.slurred());
                }
                if let Some(cv) = &mut self.cv {
                    cv.start(start);
                }
            }
            ControlEvent::NoteUpdate(update) => {
                if let Some(voice) = &mut self.voice {
                    voice.follow(update.pitch, update.strength);
                }
                if let Some(cv) = &mut self.cv {
                    cv.follow(update);
                }
            }
            ControlEvent::NoteOff { .. } | ControlEvent::Silence => {
                if let Some(voice) = &mut self.voice {
                    voice.stop();
                }
                if let Some(cv) = &mut self.cv {
                    match event {
                        ControlEvent::Silence => cv.silence(),
                        _ => cv.stop(),
                    }
                }
            }
            ControlEvent::Gesture(gesture_event) => {
                if let Some(cv) = &mut self.cv {
                    for action in self.routes.actions(gesture_event.gesture) {
                        if let Action::Trigger(at) = action {
                            cv.fire_trigger(*at);
                        }
                    }
                }
            }
            ControlEvent::NoteFinished(_) => {}
        }
    }

    /// Changes the settings of the voice.
    pub fn set_voice(&mut self, settings: voice::Settings) {
        if let Some((now, _)) = &mut self.config.voice {
            *now = settings;
        }
        if let Some(voice) = &mut self.voice {
            voice.set(settings);
        }
    }

    /// Settings of the voice, if it plays on this device.
    pub fn voice(&self) -> Option<voice::Settings> {
        self.config.voice.as_ref().map(|(settings, _)| *settings)
    }

    /// Renders what the device will need next and reconnects a lost device. Returns
    /// the number of frames rendered.
    pub fn render_ahead(&mut self) -> usize {
        if let Some(reason) = self.stream.as_ref().and_then(|s| s.status.lost_reason()) {
            self.disconnect(&format!("{reason}; waiting for it"));
        }
        if self.stream.is_none() {
            self.reconnect();
        }
        let Some(mut stream) = self.stream.take() else {
            return 0;
        };
        self.count_underruns(&stream);
        let room = stream.ring.slots() / stream.channels;
        let capacity = stream.ring.buffer().capacity() / stream.channels;
        let wanted = self
            .target_frames(&stream)
            .saturating_sub(capacity - room)
            .min(room);
        for _ in 0..wanted {
            self.render(&mut stream);
        }
        self.stream = Some(stream);
        wanted
    }

    /// Closes the device until it can be reopened.
    pub fn disconnect(&mut self, reason: &str) {
        self.stream = None;
        self.error = Some(reason.to_owned());
        self.reconnect = Reconnect::new();
    }

    fn reconnect(&mut self) {
        match self.reconnect.poll(&self.config, OutputConfig::open) {
            Some(Ok(stream)) => self.attach(stream),
            Some(Err(error)) => self.error = Some(error.to_string()),
            None => {}
        }
    }

    /// After each underrun one block more is buffered.
    fn count_underruns(&mut self, stream: &OutputStream) {
        let missed = &stream.status.missed_frames;
        if self.opened.elapsed() < SETTLE {
            missed.store(0, Ordering::Relaxed);
            return;
        }
        let new = missed.swap(0, Ordering::Relaxed);
        if new > 0 {
            self.underruns += new;
            let block = stream.status.block.load(Ordering::Relaxed) as f64;
            let more_s =
                self.target_frames(stream) as f64 / stream.rate_hz + block / stream.rate_hz;
            self.buffered_s = more_s.min(MAX_BUFFERED_S);
        }
    }

    fn render(&mut self, stream: &mut OutputStream) {
        let frame = &mut self.frame;
        frame.fill(0.0);
        if let (Some(voice), Some((_, channels))) = (&mut self.voice, &self.config.voice) {
            let sample = voice.sample();
            for &channel in channels {
                frame[channel] = sample;
            }
        }
        if let (Some(cv), Some((_, channels))) = (&mut self.cv, &self.config.cv) {
            cv.next(|at, sample| {
                if let Some(&Some(channel)) = channels.get(at) {
                    frame[channel] = sample;
                }
            });
        }
        for &sample in frame.iter() {
            // Cannot fail: free space was checked before.
            let _ = stream.ring.push(sample);
        }
    }

    /// Plays the last notes out, so that no sound is cut off and no gate stays
    /// high.
    pub fn close(mut self) {
        self.handle(&ControlEvent::Silence);
        let deadline = Instant::now() + Duration::from_millis(400);
        let mut left = self
            .stream
            .as_ref()
            .map_or(0, |s| (0.2 * s.rate_hz) as usize);
        while left > 0 && Instant::now() < deadline {
            left = left.saturating_sub(self.render_ahead());
            std::thread::sleep(Duration::from_millis(1));
        }
    }
}
