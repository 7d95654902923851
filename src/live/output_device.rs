//! An open output device: renders the doubling voice and control voltages into its
//! ring, just ahead of the device.

use std::collections::VecDeque;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use super::clock::beat_clock::ClockEvent;
use super::clock::generator::Pulse;
use super::clock::message::TICKS_PER_QUARTER;
use super::clock::stream_time::StreamTime;
use super::control_event::ControlEvent;
use super::midi_system::Patch;
use super::reconnect::Reconnect;
use super::routes::{Action, Routes};
use super::streams::{self, OutputRequest, OutputStream};
use super::ui_snapshot::PortStatus;
use crate::error::Result;
use crate::output::cv_renderer::{CvRenderer, CvScale, VOLTAGES};
use crate::sending::brightness::BrightnessRange;
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
    /// Control voltages and their channels: pitch, gate, trigger, loudness, brightness, then
    /// route triggers; `None` for an unused one.
    pub cv: Option<(CvScale, Vec<Option<usize>>)>,
    /// Range of the brightness voltage.
    pub brightness: BrightnessRange,
    /// Trigger that is the clock's, counted from 0, and pulses in a quarter.
    pub clock: Option<(usize, u32)>,
    /// What its ports are connected to.
    pub patch: Patch,
}

impl OutputConfig {
    fn open(&self) -> Result<OutputStream> {
        let cv = self.cv.iter().flat_map(|(_, c)| c.iter().flatten());
        let cv: Vec<usize> = cv.copied().collect();
        let voice = self.voice.iter().flat_map(|(_, c)| c);
        let max_channel = voice.chain(&cv).max();
        let min_channels = max_channel.map_or(0, |at| at + 1);
        streams::open_output(&OutputRequest {
            device: self.device.as_deref(),
            min_channels,
            cv: &cv,
            block: self.block,
            patch: self.patch.clone(),
        })
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
    /// When its frames are played.
    time: StreamTime,
    opened: Instant,
    reconnect: Reconnect<OutputStream>,
    voice: Option<Voice>,
    cv: Option<CvStream>,
    /// Time buffered, in seconds.
    buffered_s: f64,
    underruns: u64,
    /// Name of the device; while it is lost, its last name.
    device: String,
    /// Current error, if any.
    error: Option<String>,
    frame: Vec<f32>,
}

/// The renderer on the clock of an output stream.
struct CvStream {
    renderer: CvRenderer,
    rate_hz: f64,
    samples: u64,
    /// The clock's trigger, counted from 0, and the samples at which it will be fired.
    pulses: (usize, VecDeque<u64>),
}

/// Time constant for pitch bends and loudness, in seconds: a little more than a
/// hop, so that no steps remain.
const SMOOTH_S: f64 = 0.002;

impl CvStream {
    fn new(
        rate_hz: f64,
        scale: CvScale,
        brightness: BrightnessRange,
        route_triggers: usize,
        clock: usize,
    ) -> Self {
        let share = 1.0 / (SMOOTH_S * rate_hz).max(1.0);
        CvStream {
            renderer: CvRenderer::new(scale, brightness, share, route_triggers),
            rate_hz,
            samples: 0,
            pulses: (clock, VecDeque::new()),
        }
    }

    /// Time of the next sample's beginning, in seconds.
    fn now_s(&self) -> f64 {
        self.samples as f64 / self.rate_hz
    }

    fn next(&mut self, out: impl FnMut(usize, f32)) {
        let (clock, pulses) = &mut self.pulses;
        while pulses.front().is_some_and(|at| *at <= self.samples) {
            pulses.pop_front();
            let now_s = self.samples as f64 / self.rate_hz;
            self.renderer.fire_trigger(now_s, *clock);
        }
        // By its middle, so that no rounding says on which side of a time it lies.
        let time_s = (self.samples as f64 + 0.5) / self.rate_hz;
        self.samples += 1;
        self.renderer.next(time_s, out);
    }
}

impl OutputDevice {
    /// Opens the device.
    ///
    /// # Errors
    /// [`crate::error::Error::Device`] where it cannot be opened.
    pub fn open(mut config: OutputConfig, routes: Routes) -> Result<Self> {
        let stream = config.open()?;
        // What was the default device is waited for, if it is lost; no other will do.
        config.device = Some(stream.device.clone());
        Ok(OutputDevice::on(stream, config, routes))
    }

    fn on(stream: OutputStream, config: OutputConfig, routes: Routes) -> Self {
        let mut output_device = OutputDevice {
            config,
            routes,
            time: StreamTime::new(stream.rate_hz),
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
        output_device
    }

    fn attach(&mut self, stream: OutputStream) {
        let rate_hz = stream.rate_hz;
        self.time = StreamTime::new(rate_hz);
        let settings = self.config.voice.as_ref().map(|(settings, _)| *settings);
        self.voice = settings.map(|s| Voice::new(rate_hz, s));
        let cv = self.config.cv.as_ref();
        let brightness = self.config.brightness;
        let clock = self.config.clock.map_or(0, |(trigger, _)| trigger);
        self.cv = cv.map(|(scale, to)| {
            CvStream::new(
                rate_hz,
                *scale,
                brightness,
                to.len().saturating_sub(VOLTAGES),
                clock,
            )
        });
        self.frame = vec![0.0; stream.channels];
        self.device.clone_from(&stream.device);
        self.opened = Instant::now();
        self.error = None;
        self.stream = Some(stream);
    }

    /// Name, error and losses for the screen.
    pub fn status(&self) -> PortStatus {
        let lost = [(self.underruns, "frames missing")];
        PortStatus::new(self.name(), self.error.clone(), &lost)
    }

    fn name(&self) -> String {
        let what = match (&self.config.voice, &self.config.cv) {
            (Some(_), Some(_)) => "voice and voltages",
            (None, Some(_)) => "voltages",
            _ => "voice",
        };
        format!("{what} on {}", self.device)
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
        if let Some(sent) = event.sent() {
            if let Some(voice) = &mut self.voice {
                voice.handle(&sent);
            }
            if let Some(cv) = &mut self.cv {
                let now_s = cv.now_s();
                cv.renderer.handle(&sent, now_s);
            }
        }
        if let ControlEvent::Clock(clock) = event {
            self.clock(*clock);
        }
        if let (ControlEvent::Gesture(gesture_event), Some(cv)) = (event, &mut self.cv) {
            for action in self.routes.actions(gesture_event.gesture) {
                if let Action::Trigger(at) = action {
                    let now_s = cv.now_s();
                    cv.renderer.fire_trigger(now_s, *at);
                }
            }
        }
    }

    /// Sends a pulse of the clock when it is due.
    fn clock(&mut self, clock: ClockEvent) {
        if let (Some(cv), Some((_, pulses)), Pulse::Tick(number)) =
            (&mut self.cv, self.config.clock, clock.pulse)
            && number.is_multiple_of(u64::from(TICKS_PER_QUARTER / pulses))
            && let Some(frame) = self.time.frame_at(clock.moment)
        {
            cv.pulses.1.push_back(frame.round().max(0.0) as u64);
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
        while let Ok(block) = stream.times.pop() {
            self.time.block(block);
        }
        self.count_underruns(&stream);
        let free = stream.ring.slots() / stream.channels;
        let capacity = stream.ring.buffer().capacity() / stream.channels;
        let count = self
            .target_frames(&stream)
            .saturating_sub(capacity - free)
            .min(free);
        for _ in 0..count {
            self.render(&mut stream);
        }
        self.stream = Some(stream);
        count
    }

    /// Closes the device until it can be reopened.
    fn disconnect(&mut self, reason: &str) {
        self.stream = None;
        self.error = Some(reason.to_owned());
        self.reconnect = Reconnect::new();
    }

    fn reconnect(&mut self) {
        match self.reconnect.poll(&self.config, OutputConfig::open) {
            Some(Ok(stream)) => self.attach(stream),
            Some(Err(error)) => self.error = Some(error.beside_its_name()),
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::live::callbacks::{PlaybackCallback, playback_callback};
    use crate::live::control_event::{NoteName, NoteOn};
    use crate::notes::Attack;
    use crate::units::{Concert, Pitch, Written};

    const RATE_HZ: f64 = 48_000.0;
    /// Frames in a block of the device.
    const BLOCK: usize = 240;
    /// Channels: the voice, then pitch and gate.
    const CHANNELS: usize = 3;
    const VOICE: usize = 0;
    const PITCH: usize = 1;
    const GATE: usize = 2;

    fn device() -> (OutputDevice, PlaybackCallback) {
        let is_cv = vec![false, true, true];
        let (mut callback, ring, status) = playback_callback(is_cv, RATE_HZ, RATE_HZ as usize);
        let stream = OutputStream {
            ring,
            times: callback.report_times(),
            status,
            rate_hz: RATE_HZ,
            channels: CHANNELS,
            device: "a test".into(),
            _stream: None,
        };
        let scale = CvScale {
            full_scale_v: 10.0,
            offset_v: 0.0,
            zero_volt_note: 60.0,
        };
        let config = OutputConfig {
            voice: Some((voice::Settings::default(), vec![VOICE])),
            cv: Some((scale, vec![Some(PITCH), Some(GATE)])),
            ..OutputConfig::default()
        };
        (
            OutputDevice::on(stream, config, Routes::default()),
            callback,
        )
    }

    fn note_on() -> ControlEvent {
        ControlEvent::NoteOn(NoteOn {
            at_s: 0.0,
            onset_s: 0.0,
            name: NoteName {
                concert: Concert(72),
                written: Written(72),
                played: 72.0,
                cents: 0.0,
                key: 72,
                pitch: Pitch(72.0),
            },
            velocity: 1.0,
            strength: 1.0,
            level_db: -12.0,
            attack: Attack::Tongued,
        })
    }

    /// The device takes a block; the engine renders what it needs next, if it runs.
    fn block(device: &mut OutputDevice, callback: &mut PlaybackCallback, runs: bool) -> Vec<f32> {
        if runs {
            device.render_ahead();
        }
        let mut data = vec![9.0; BLOCK * CHANNELS];
        callback.process(&mut data);
        data
    }

    fn channel(data: &[f32], at: usize) -> Vec<f32> {
        data.iter().skip(at).step_by(CHANNELS).copied().collect()
    }

    #[test]
    fn two_blocks_are_kept_ahead_and_no_more() {
        let (mut device, mut callback) = device();
        callback.process(&mut vec![0f32; BLOCK * CHANNELS]);
        assert_eq!(device.render_ahead(), BUFFERED_BLOCKS * BLOCK);
        assert_eq!(device.render_ahead(), 0);
        callback.process(&mut vec![0f32; BLOCK * CHANNELS]);
        assert_eq!(device.render_ahead(), BLOCK);
        assert!((device.latency_s() - (BUFFERED_BLOCKS * BLOCK) as f64 / RATE_HZ).abs() < 1e-9);
    }

    #[test]
    fn a_note_sounds_on_its_channels_and_silence_ends_it() {
        let (mut device, mut callback) = device();
        device.handle(&note_on());
        let on: Vec<f32> = (0..20)
            .flat_map(|_| block(&mut device, &mut callback, true))
            .collect();
        let gate = channel(&on, GATE);
        assert!(gate.iter().all(|v| *v == 0.5), "5 V of 10");
        assert!(
            channel(&on, PITCH).iter().all(|v| (v - 0.1).abs() < 1e-6),
            "1 V of 10"
        );
        assert!(channel(&on, VOICE).iter().any(|s| s.abs() > 0.01));
        device.handle(&ControlEvent::Silence);
        // What was rendered before is played out first.
        let off: Vec<f32> = (0..60)
            .flat_map(|_| block(&mut device, &mut callback, true))
            .collect();
        let gate = channel(&off, GATE);
        let high = gate.iter().take_while(|v| **v == 0.5).count();
        assert!(high <= BUFFERED_BLOCKS * BLOCK && gate[high..].iter().all(|v| *v == 0.0));
        let voice = channel(&off, VOICE);
        assert!(voice[voice.len() - BLOCK..].iter().all(|s| s.abs() < 1e-4));
    }

    /// An engine that stops: sound fades, the gate is held and then falls.
    #[test]
    fn an_engine_that_stops_leaves_no_gate_high() {
        let (mut device, mut callback) = device();
        device.handle(&note_on());
        (0..20).for_each(|_| drop(block(&mut device, &mut callback, true)));
        let gap: Vec<f32> = (0..60)
            .flat_map(|_| block(&mut device, &mut callback, false))
            .collect();
        let gate = channel(&gap, GATE);
        let high = gate.iter().take_while(|v| **v == 0.5).count();
        let held_s = high as f64 / RATE_HZ;
        assert!((0.2..0.22).contains(&held_s), "{held_s}");
        assert!(gate[high..].iter().all(|v| *v == 0.0));
        assert!(
            channel(&gap, VOICE)[5 * BLOCK..]
                .iter()
                .all(|s| s.abs() < 1e-3)
        );
    }

    /// Each gap makes it keep a little more ahead, up to a limit; the device's first
    /// moments do not count.
    #[test]
    fn gaps_are_counted_and_more_is_kept_ahead() {
        let (mut device, mut callback) = device();
        block(&mut device, &mut callback, false);
        block(&mut device, &mut callback, true);
        assert_eq!(device.underruns, 0);
        device.opened = Instant::now() - SETTLE - Duration::from_millis(1);
        let before_s = device.latency_s();
        block(&mut device, &mut callback, false);
        block(&mut device, &mut callback, false);
        device.render_ahead();
        assert!(device.underruns > 0);
        assert!(device.latency_s() > before_s);
        for _ in 0..100 {
            (0..20).for_each(|_| drop(block(&mut device, &mut callback, false)));
            device.render_ahead();
        }
        assert!(
            device.latency_s() <= MAX_BUFFERED_S + 1e-9,
            "{}",
            device.latency_s()
        );
    }

    #[test]
    fn a_lost_device_is_told_and_let_go() {
        let (mut device, _callback) = device();
        device.config.device = Some("no such device".into());
        device
            .stream
            .as_ref()
            .unwrap()
            .status
            .set_lost("it was unplugged".into());
        assert_eq!(device.render_ahead(), 0);
        let error = device.error.as_deref();
        assert_eq!(error, Some("it was unplugged; waiting for it"));
        assert_eq!(device.latency_s(), 0.0);
        assert!(device.name().contains("a test"));
    }
}
