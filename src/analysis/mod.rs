//! From samples to frames: level, pitch candidates and the best path through them,
//! every 1.4 ms.
//!
//! ```text
//! samples -> dropouts -> resampler -> correlator -> candidate_finder -> decoder -> Frame
//!                                 \                 octave_errors      ^  fine_pitch
//!                                  \-> level (gate) ------------------/
//! ```
//!
//! Everything here is causal but [`offline_decoder`], which decodes the same frames a
//! second time with later sound taken into account.

#[cfg(feature = "pitch-detection")]
pub mod baseline;
pub mod candidate_finder;
pub mod candidates;
pub mod correlator;
pub mod decoder;
pub mod dropouts;
#[cfg(test)]
mod exhaustive;
pub mod fine_pitch;
pub mod level;
pub mod octave_errors;
pub mod offline_decoder;
pub mod peaks;
pub mod pitch_model;
pub mod resampler;
mod settings;
pub mod tone;
mod vector_math;

use crate::brightness::BrightnessMeter;
use crate::units::Pitch;
use candidate_finder::CandidateFinder;
use candidates::Candidates;
use correlator::{Correlator, Window};
use decoder::{BestPath, Decoder};
use dropouts::DropoutConcealer;
use level::{Gate, Level};
use pitch_model::PitchModel;
use resampler::{ANALYSIS_RATE_HZ, Resampler};

pub use settings::{DEFAULT_GATE_DB, FULL_RANGE_HZ, GATES_DB, Settings, SettingsBuilder};

/// Samples between frames, at the analysis rate: 1.36 ms.
pub const HOP: usize = 15;

/// Time between frames, in seconds.
pub const HOP_S: f64 = HOP as f64 / ANALYSIS_RATE_HZ;

/// Fewest hops between two measurements of brightness: 10.9 ms. Low notes, whose windows are
/// long, are measured every half window.
pub(crate) const BRIGHTNESS_HOPS: usize = 8;

/// Pitches within this many semitones are measurements of the same one.
pub(crate) const SAME_PITCH: f32 = 0.35;

/// High-pass cutoff in hertz: removes a DC offset and its drift before anything
/// else. No higher, because the burst of air at an attack must show in the level.
const RUMBLE_HZ: f64 = 8.0;

/// Precise pitch of the best candidate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FinePitch {
    /// Pitch in MIDI semitones.
    pub pitch: f32,
    /// Time from the middle of the sound that it was measured in to the frame's time,
    /// in seconds.
    pub age_s: f32,
}

/// What the analysis knows after one hop, from the sound so far.
#[derive(Debug, Clone, Copy)]
pub struct Frame {
    /// Stream time of the newest sample, less the filter delay, in seconds.
    pub time_s: f64,
    /// Level and gate.
    pub level: Level,
    /// All pitch candidates.
    pub candidates: Candidates,
    /// The live decision.
    pub best_path: BestPath,
    /// Precise pitch of the best path, where it can be measured.
    pub fine_pitch: Option<FinePitch>,
    /// Harmonic spectral centroid of the best path's pitch, in hertz (see
    /// `brightness.rs`), as last measured; none without a pitch.
    pub centroid_hz: Option<f32>,
    /// The samples of the hop at the analysis rate.
    pub samples: [f32; HOP],
}

impl Frame {
    /// Pitch of the best path in MIDI semitones, measured precisely where that speaks of the
    /// same peak.
    pub(crate) fn leading_pitch(&self) -> Option<f32> {
        let best = self.best_path.hypothesis?.pitch;
        Some(precise(best, self.fine_pitch.map(|fine| fine.pitch)))
    }
}

/// A pitch in MIDI semitones as it is measured precisely, where that speaks of the same peak.
fn precise(pitch: f32, fine: Option<f32>) -> f32 {
    fine.filter(|fine| (fine - pitch).abs() < SAME_PITCH)
        .unwrap_or(pitch)
}

/// The streaming analysis of one channel.
///
/// ```
/// use leadpipe::Settings;
/// use leadpipe::internals::analysis::Analyser;
///
/// let mut analyser = Analyser::new(Settings::builder(48_000.0).build()?);
/// let tone: Vec<f32> = (0..48_000)
///     .map(|i| 0.1 * (i as f32 * 233.08 * std::f32::consts::TAU / 48_000.0).sin())
///     .collect();
/// let mut last = None;
/// analyser.push(&tone, &mut |frame| last = frame.best_path.hypothesis);
/// assert!((last.unwrap().pitch - 58.0).abs() < 0.02);
/// # Ok::<(), leadpipe::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Analyser {
    sample_rate_hz: f64,
    dropouts: DropoutConcealer,
    resampler: Resampler,
    rumble: HighPass,
    smoother: Smoother,
    correlator: Correlator,
    finder: CandidateFinder,
    decoder: Decoder,
    gate: Gate,
    brightness: BrightnessMeter,
    centroid_hz: Option<f32>,
    /// Hops until brightness is measured again.
    until_measured: usize,
    /// Resampled sound, and that of the hop so far, with capacity that is never exceeded: the
    /// live engine allocates nothing while it plays (`tests/engine_memory.rs`).
    low: Vec<f32>,
    block: Vec<f32>,
    /// Samples at the analysis rate so far.
    samples: u64,
    /// Input samples received, without zeros that are held back.
    received: u64,
    candidates: Candidates,
    pitch_model: PitchModel,
    /// Lowest and highest pitch that is looked for, MIDI semitones.
    range: (f32, f32),
}

impl Analyser {
    /// Analyser of one channel.
    pub fn new(settings: Settings) -> Self {
        Self::with_pitch_model(settings, PitchModel::DEFAULT)
    }

    /// Analyser that believes something else of pitches beforehand.
    pub fn with_pitch_model(settings: Settings, pitch_model: PitchModel) -> Self {
        let sample_rate_hz = settings.sample_rate_hz();
        let dropouts = DropoutConcealer::new(sample_rate_hz);
        let resampler = Resampler::new(sample_rate_hz);
        let (lowest_hz, highest_hz) = settings.range_hz();
        let pitch = |hz: f64| Pitch::from_hz(hz).0 as f32;
        // A few lags beyond the lowest pitch: a peak needs its far side.
        let longest = (ANALYSIS_RATE_HZ / lowest_hz).ceil() as usize + 4;
        // `fine_pitch` needs 12 ms and its kernel, however narrow the range.
        let longest = longest.max((0.02 * ANALYSIS_RATE_HZ) as usize);
        Analyser {
            sample_rate_hz,
            rumble: HighPass::new(RUMBLE_HZ, ANALYSIS_RATE_HZ),
            smoother: Smoother::default(),
            correlator: Correlator::new(ANALYSIS_RATE_HZ, HOP, longest),
            finder: CandidateFinder::new(ANALYSIS_RATE_HZ, lowest_hz, highest_hz, pitch_model),
            decoder: Decoder::new(pitch_model),
            gate: Gate::new(settings.gate_db(), HOP_S),
            brightness: BrightnessMeter::new(
                sample_rate_hz,
                lowest_hz,
                BRIGHTNESS_HOPS as f64 * HOP_S,
                dropouts.most(),
            ),
            centroid_hz: None,
            until_measured: 0,
            low: Vec::with_capacity(resampler.most(dropouts.most())),
            block: Vec::with_capacity(HOP),
            samples: 0,
            received: 0,
            candidates: Candidates::default(),
            pitch_model,
            range: (pitch(lowest_hz), pitch(highest_hz)),
            dropouts,
            resampler,
        }
    }

    /// Time between frames in seconds.
    pub fn hop_s(&self) -> f64 {
        HOP_S
    }

    /// Lowest and highest pitch that is looked for, MIDI semitones.
    pub fn range(&self) -> (f32, f32) {
        self.range
    }

    /// What is believed of pitches beforehand.
    pub fn pitch_model(&self) -> PitchModel {
        self.pitch_model
    }

    /// Takes samples (full scale 1.0) and calls `on_frame` with each finished frame.
    /// NaN and infinite samples count as lost.
    pub fn push(&mut self, samples: &[f32], on_frame: &mut dyn FnMut(&Frame)) {
        let mut dropouts = std::mem::take(&mut self.dropouts);
        dropouts.push(samples, |block| self.analyse(block, on_frame));
        self.dropouts = dropouts;
    }

    /// Takes what is held back at the end of the stream.
    pub fn finish(&mut self, on_frame: &mut dyn FnMut(&Frame)) {
        let mut dropouts = std::mem::take(&mut self.dropouts);
        dropouts.finish(|block| self.analyse(block, on_frame));
        self.dropouts = dropouts;
    }

    fn analyse(&mut self, block: &[f32], on_frame: &mut dyn FnMut(&Frame)) {
        let mut low = std::mem::take(&mut self.low);
        low.clear();
        self.resampler.push(block, &mut low);
        self.brightness.push(block);
        self.received += block.len() as u64;
        for &sample in &low {
            self.samples += 1;
            self.block.push(self.rumble.push(sample));
            if self.block.len() == HOP {
                let frame = self.finish_hop();
                on_frame(&frame);
            }
        }
        self.low = low;
    }

    /// Number of dropouts that were filled.
    pub(crate) fn dropouts(&self) -> u64 {
        self.dropouts.concealed()
    }

    /// Length of all samples that were taken, in seconds.
    pub(crate) fn received_s(&self) -> f64 {
        self.received as f64 / self.sample_rate_hz
    }

    fn finish_hop(&mut self) -> Frame {
        let power: f32 = self.block.iter().map(|x| x * x).sum();
        let mut samples = [0.0; HOP];
        samples.copy_from_slice(&self.block);
        self.smoother.smooth(&mut self.block);
        let level = self.gate.push(power / HOP as f32);
        self.correlator.push(&self.block, !level.closed);
        self.block.clear();
        if level.closed {
            self.candidates.clear();
        } else {
            self.finder.find(&self.correlator, &mut self.candidates);
        }
        let best_path = self.decoder.push(&self.candidates, level.closed);
        let fine_pitch = best_path
            .hypothesis
            .and_then(|best| self.fine_pitch(best.pitch));
        let best = best_path.hypothesis.map(|best| best.pitch);
        let fine = fine_pitch.map(|fine| fine.pitch);
        self.measure_brightness(best.map(|best| precise(best, fine)));
        Frame {
            time_s: self.resampler.time_s(self.samples),
            level,
            candidates: self.candidates,
            best_path,
            fine_pitch,
            centroid_hz: self.centroid_hz,
            samples,
        }
    }

    /// Measures the brightness of a pitch now and then, and first of all when it begins.
    fn measure_brightness(&mut self, pitch: Option<f32>) {
        let Some(pitch) = pitch.map(|pitch| Pitch(f64::from(pitch))) else {
            self.centroid_hz = None;
            self.until_measured = 0;
            return;
        };
        if self.until_measured == 0 {
            let half = (0.5 * self.brightness.window_s(pitch) / HOP_S) as usize;
            self.until_measured = half.max(BRIGHTNESS_HOPS);
            let heard = self.resampler.inputs_due(self.samples);
            let behind = self.received.saturating_sub(heard) as usize;
            let measured = self.brightness.measure(pitch, behind);
            self.centroid_hz = measured.map(|times| (times * pitch.hz()) as f32);
        }
        self.until_measured -= 1;
    }

    fn fine_pitch(&self, pitch: f32) -> Option<FinePitch> {
        let hz = Pitch(f64::from(pitch)).hz();
        let (lag, span) =
            fine_pitch::refine(&self.correlator, ANALYSIS_RATE_HZ, ANALYSIS_RATE_HZ / hz)?;
        Some(FinePitch {
            pitch: Pitch::from_hz(ANALYSIS_RATE_HZ / lag).0 as f32,
            age_s: (0.5 * span / ANALYSIS_RATE_HZ) as f32,
        })
    }

    /// Span of sound that a window takes in for a pitch, in seconds.
    pub fn span_s(&self, set: Window, pitch: f32) -> f64 {
        let lag = ANALYSIS_RATE_HZ / Pitch(f64::from(pitch)).hz();
        let window = self.correlator.window(set, lag.round() as usize);
        (window as f64 + lag) / ANALYSIS_RATE_HZ
    }
}

/// Low-pass `(1 + z^-1)^2 / 4`: attenuates by 6 dB at a quarter of the rate and
/// completely at half of it.
///
/// A correlation peak is as narrow as its highest partial. With a high, bright note
/// the true maximum would be missed between two lags, and a multiple of the period
/// that happens to fall on a whole lag would look better.
#[derive(Debug, Clone, Default)]
struct Smoother([f32; 2]);

impl Smoother {
    fn smooth(&mut self, block: &mut [f32]) {
        for sample in block {
            let now = *sample;
            *sample = 0.25 * self.0[1] + 0.5 * self.0[0] + 0.25 * now;
            self.0 = [now, self.0[0]];
        }
    }
}

/// Second-order Butterworth high-pass (bilinear transform of the analogue
/// prototype; any filter handbook).
#[derive(Debug, Clone)]
struct HighPass {
    gain: f32,
    feedback: (f32, f32),
    state: (f32, f32),
    /// The first sample is taken as the DC offset, so that a take with one does not
    /// start with a thump.
    offset: Option<f32>,
}

impl HighPass {
    fn new(cutoff_hz: f64, rate_hz: f64) -> Self {
        let k = (std::f64::consts::PI * cutoff_hz / rate_hz).tan();
        let gain = 1.0 / (1.0 + std::f64::consts::SQRT_2 * k + k * k);
        let a1 = 2.0 * (k * k - 1.0) * gain;
        let a2 = (1.0 - std::f64::consts::SQRT_2 * k + k * k) * gain;
        HighPass {
            gain: gain as f32,
            feedback: (a1 as f32, a2 as f32),
            state: (0.0, 0.0),
            offset: None,
        }
    }

    #[inline]
    fn push(&mut self, sample: f32) -> f32 {
        let x = sample - *self.offset.get_or_insert(sample);
        let y = self.gain * x + self.state.0;
        self.state.0 = -2.0 * self.gain * x - self.feedback.0 * y + self.state.1;
        self.state.1 = self.gain * x - self.feedback.1 * y;
        y
    }
}
