//! An output device under way: renders voice and voltages into its ring, just
//! ahead of the device.

use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use super::reopen::Reopening;
use super::routes::{Action, Routes};
use super::signal::Signal;
use super::streams::{self, Output};
use super::volts::{Scale, Volts};
use crate::error::Result;
use crate::voice::{self, Voice};

/// What to play on an output device. Channels count from 0.
#[derive(Debug, Clone, Default)]
pub struct Wish {
    /// The device; the default one if left out.
    pub device: Option<String>,
    /// Frames in a block, if the device can.
    pub block: Option<u32>,
    /// The doubling voice and its channels.
    pub voice: Option<(voice::Settings, Vec<usize>)>,
    /// Voltages and their channels: pitch, gate, trigger, loudness, then route
    /// triggers; `None` for one that is not wanted.
    pub volts: Option<(Scale, Vec<Option<usize>>)>,
}

impl Wish {
    fn open(&self) -> Result<Output> {
        let volts = self.volts.iter().flat_map(|(_, c)| c.iter().flatten());
        let volts: Vec<usize> = volts.copied().collect();
        let voice = self.voice.iter().flat_map(|(_, c)| c);
        let most = voice.chain(&volts).max();
        let least = most.map_or(0, |most| most + 1);
        streams::open_output(self.device.as_deref(), least, &volts, self.block)
    }
}

/// Blocks that wait in the ring ahead of the device: one being played, one
/// ready.
const AHEAD_BLOCKS: usize = 2;
/// And no less than this, in seconds: an ordinary system lets a thread wait so
/// long now and then.
const AHEAD_S: f64 = 0.003;
/// Nor more, however often the ring ran dry.
const MAX_AHEAD_S: f64 = 0.06;
/// The device's first moments do not count as gaps.
const SETTLE: Duration = Duration::from_millis(700);

/// The device and what plays on it.
pub struct Speaker {
    wish: Wish,
    routes: Routes,
    stream: Option<Output>,
    opened: Instant,
    reopening: Reopening<Output>,
    voice: Option<Voice>,
    volts: Option<Volts>,
    /// Seconds kept ahead.
    ahead_s: f64,
    gaps: u64,
    /// Name of the device, the last one while there is none.
    device: String,
    /// What is wrong, if anything.
    pub trouble: Option<String>,
    frame: Vec<f32>,
}

impl Speaker {
    /// Opens the device.
    ///
    /// # Errors
    /// [`crate::error::Error::Device`] where it cannot be.
    pub fn open(wish: Wish, routes: Routes) -> Result<Self> {
        let stream = wish.open()?;
        let mut speaker = Speaker {
            wish,
            routes,
            stream: None,
            opened: Instant::now(),
            reopening: Reopening::new(),
            voice: None,
            volts: None,
            ahead_s: AHEAD_S,
            gaps: 0,
            device: String::new(),
            trouble: None,
            frame: Vec::new(),
        };
        speaker.begin(stream);
        Ok(speaker)
    }

    fn begin(&mut self, stream: Output) {
        let rate_hz = stream.rate_hz;
        let settings = self.wish.voice.as_ref().map(|(settings, _)| *settings);
        self.voice = settings.map(|s| Voice::new(rate_hz, s));
        let volts = self.wish.volts.as_ref();
        self.volts =
            volts.map(|(scale, to)| Volts::new(rate_hz, *scale, to.len().saturating_sub(4)));
        self.frame = vec![0.0; stream.channels];
        self.device.clone_from(&stream.device);
        self.opened = Instant::now();
        self.trouble = None;
        self.stream = Some(stream);
    }

    /// Name for the screen.
    pub fn name(&self) -> String {
        let what = match (&self.wish.voice, &self.wish.volts) {
            (Some(_), Some(_)) => "voice and voltages",
            (None, Some(_)) => "voltages",
            _ => "voice",
        };
        format!("{what} on {}", self.device)
    }

    /// Whether its device stands, or stood, on a JACK server.
    pub fn on_jack(&self) -> bool {
        super::devices::is_jack(&self.device)
    }

    /// Frames that the device missed.
    pub fn gaps(&self) -> u64 {
        self.gaps
    }

    /// Time from a signal to the device's converter as far as it is ours, in
    /// seconds.
    pub fn latency_s(&self) -> f64 {
        self.stream
            .as_ref()
            .map_or(0.0, |s| self.ahead(s) as f64 / s.rate_hz)
    }

    /// Frames kept ahead in the ring.
    fn ahead(&self, stream: &Output) -> usize {
        let block = stream.counts.block.load(Ordering::Relaxed) as usize;
        (AHEAD_BLOCKS * block).max((self.ahead_s * stream.rate_hz) as usize)
    }

    /// Does what a signal says.
    pub fn take(&mut self, signal: &Signal) {
        match signal {
            Signal::Start(start) => {
                if let Some(voice) = &mut self.voice {
                    voice.start(start.pitch, start.strength, start.slurred());
                }
                if let Some(volts) = &mut self.volts {
                    volts.start(start);
                }
            }
            Signal::Move(motion) => {
                if let Some(voice) = &mut self.voice {
                    voice.follow(motion.pitch, motion.strength);
                }
                if let Some(volts) = &mut self.volts {
                    volts.follow(motion);
                }
            }
            Signal::Stop { .. } | Signal::Silence => {
                if let Some(voice) = &mut self.voice {
                    voice.stop();
                }
                if let Some(volts) = &mut self.volts {
                    match signal {
                        Signal::Silence => volts.silence(),
                        _ => volts.stop(),
                    }
                }
            }
            Signal::Cue(cue) => {
                if let Some(volts) = &mut self.volts {
                    for action in self.routes.actions(cue.gesture) {
                        if let Action::Trigger(at) = action {
                            volts.fire(*at);
                        }
                    }
                }
            }
            Signal::Note(_) => {}
        }
    }

    /// Changes the voice.
    pub fn set_voice(&mut self, settings: voice::Settings) {
        if let Some((now, _)) = &mut self.wish.voice {
            *now = settings;
        }
        if let Some(voice) = &mut self.voice {
            voice.set(settings);
        }
    }

    /// How the voice doubles, if it plays here.
    pub fn voice(&self) -> Option<voice::Settings> {
        self.wish.voice.as_ref().map(|(settings, _)| *settings)
    }

    /// Renders what the device will soon need; looks after a lost device. Gives
    /// how many frames were rendered.
    pub fn top_up(&mut self) -> usize {
        if let Some(why) = self.stream.as_ref().and_then(|s| s.counts.lost()) {
            self.lose(&format!("{why}; waiting for it"));
        }
        if self.stream.is_none() {
            self.try_again();
        }
        let Some(mut stream) = self.stream.take() else {
            return 0;
        };
        self.count_gaps(&stream);
        let room = stream.ring.slots() / stream.channels;
        let capacity = stream.ring.buffer().capacity() / stream.channels;
        let wanted = self
            .ahead(&stream)
            .saturating_sub(capacity - room)
            .min(room);
        for _ in 0..wanted {
            self.render(&mut stream);
        }
        self.stream = Some(stream);
        wanted
    }

    /// Lets go of the device until it is back.
    pub fn lose(&mut self, why: &str) {
        self.stream = None;
        self.trouble = Some(why.to_owned());
        self.reopening = Reopening::new();
    }

    fn try_again(&mut self) {
        match self.reopening.poll(&self.wish, Wish::open) {
            Some(Ok(stream)) => self.begin(stream),
            Some(Err(error)) => self.trouble = Some(error.to_string()),
            None => {}
        }
    }

    /// After each gap a little more is kept ahead.
    fn count_gaps(&mut self, stream: &Output) {
        let missed = &stream.counts.missed;
        if self.opened.elapsed() < SETTLE {
            missed.store(0, Ordering::Relaxed);
            return;
        }
        let new = missed.swap(0, Ordering::Relaxed);
        if new > 0 {
            self.gaps += new;
            let block = stream.counts.block.load(Ordering::Relaxed) as f64;
            let more_s = self.ahead(stream) as f64 / stream.rate_hz + block / stream.rate_hz;
            self.ahead_s = more_s.min(MAX_AHEAD_S);
        }
    }

    fn render(&mut self, stream: &mut Output) {
        let frame = &mut self.frame;
        frame.fill(0.0);
        if let (Some(voice), Some((_, channels))) = (&mut self.voice, &self.wish.voice) {
            let sample = voice.sample();
            for &channel in channels {
                frame[channel] = sample;
            }
        }
        if let (Some(volts), Some((_, channels))) = (&mut self.volts, &self.wish.volts) {
            volts.next(|at, sample| {
                if let Some(&Some(channel)) = channels.get(at) {
                    frame[channel] = sample;
                }
            });
        }
        for &sample in frame.iter() {
            // There is room: it was looked at before.
            let _ = stream.ring.push(sample);
        }
    }

    /// Plays out what sounds, so that nothing breaks off or stays high.
    pub fn end(mut self) {
        self.take(&Signal::Silence);
        let deadline = Instant::now() + Duration::from_millis(400);
        let mut left = self
            .stream
            .as_ref()
            .map_or(0, |s| (0.2 * s.rate_hz) as usize);
        while left > 0 && Instant::now() < deadline {
            left = left.saturating_sub(self.top_up());
            std::thread::sleep(Duration::from_millis(1));
        }
    }
}
