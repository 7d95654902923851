//! The doubling voice: a simple synthesizer voice that plays what the horn plays,
//! without other equipment.
//!
//! One oscillator through one low-pass filter. The filter opens with loudness, as a
//! horn's own spectrum does; the level follows the horn's; pitch follows every
//! bend, with a glide from note to note if wanted.

mod filter;
mod oscillator;

use filter::LowPass;
use oscillator::{Oscillator, Shape};
use serde::{Deserialize, Serialize};

use crate::sending::Sent;
use crate::units::Pitch;

/// Character of the voice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Timbre {
    /// Few partials: sits under the horn.
    #[default]
    Round,
    /// Odd partials only: clarinet-like, stands apart from brass.
    Hollow,
    /// All partials, open filter: cuts through.
    Bright,
}

impl Timbre {
    /// All timbres, in the order in which a key steps through them.
    pub const ALL: [Timbre; 3] = [Timbre::Round, Timbre::Hollow, Timbre::Bright];

    fn shape(self) -> Shape {
        match self {
            Timbre::Hollow => Shape::Square,
            Timbre::Round | Timbre::Bright => Shape::Saw,
        }
    }

    /// Filter cutoff as a multiple of the pitch, soft and loud.
    fn cutoff(self) -> (f32, f32) {
        match self {
            Timbre::Round => (1.2, 3.5),
            Timbre::Hollow => (2.0, 8.0),
            Timbre::Bright => (3.0, 16.0),
        }
    }
}

/// Settings of the voice.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settings {
    /// Timbre.
    pub timbre: Timbre,
    /// Interval above the horn, in semitones.
    pub interval: f64,
    /// Glide time from note to note, in seconds.
    pub glide_s: f64,
    /// Peak level at the horn's loudest, dBFS.
    pub level_db: f64,
}

impl Settings {
    /// Changes the level, within [`LEVELS_DB`].
    pub fn set_level(&mut self, level_db: f64) {
        self.level_db = level_db.clamp(*LEVELS_DB.start(), *LEVELS_DB.end());
    }
}

/// Default level, dBFS: low, because it may be played over a large sound system.
pub const LEVEL_DB: f64 = -24.0;
/// Highest peak level of the voice, dBFS.
pub const MAX_LEVEL_DB: f64 = -3.0;
/// Levels that can be chosen while playing, dBFS.
pub const LEVELS_DB: std::ops::RangeInclusive<f64> = -60.0..=MAX_LEVEL_DB;
/// Dynamic range of the voice, in dB: less than a horn's, so that soft notes are
/// still heard beside it.
const DYNAMIC_DB: f32 = 30.0;
/// Attack and release time constants, in seconds to 63 %.
const ATTACK_S: f32 = 0.003;
const RELEASE_S: f32 = 0.03;
/// Time constants for loudness and for bends, in seconds: longer than the time between two
/// updates, so that steps are not heard.
const LEVEL_S: f32 = 0.006;
const BEND_S: f32 = 0.003;
/// Samples between updates of pitch, cutoff and gain: a third of a millisecond, too
/// short to be heard as steps.
const CONTROL_INTERVAL: u32 = 16;

impl Default for Settings {
    fn default() -> Self {
        Settings {
            timbre: Timbre::default(),
            interval: 0.0,
            glide_s: 0.0,
            level_db: LEVEL_DB,
        }
    }
}

/// The voice at one sample rate.
///
/// ```
/// use leadpipe::Pitch;
/// use leadpipe::internals::voice::{Settings, Voice};
/// let mut voice = Voice::new(48_000.0, Settings::default());
/// voice.start(Pitch(58.0), 0.8, false);
/// let loudest = (0..4_800).map(|_| voice.sample().abs()).fold(0.0, f32::max);
/// assert!(loudest > 0.01 && loudest < 0.1);
/// ```
#[derive(Debug, Clone)]
pub struct Voice {
    rate_hz: f32,
    settings: Settings,
    oscillator: Oscillator,
    filter: LowPass,
    /// Current and target pitch, MIDI semitones.
    pitch: f32,
    target: f32,
    gliding: bool,
    strength: f32,
    strength_target: f32,
    envelope: f32,
    sounding: bool,
    /// Samples since the start.
    age: u32,
    /// Phase increment in periods per sample.
    step: f32,
    gain: f32,
    gain_target: f32,
}

impl Voice {
    /// Silent voice at a sample rate in hertz.
    pub fn new(rate_hz: f64, settings: Settings) -> Self {
        Voice {
            rate_hz: rate_hz as f32,
            oscillator: Oscillator::new(settings.timbre.shape()),
            filter: LowPass::default(),
            pitch: 60.0,
            target: 60.0,
            gliding: false,
            strength: 0.0,
            strength_target: 0.0,
            envelope: 0.0,
            sounding: false,
            age: 0,
            step: 0.0,
            gain: 0.0,
            gain_target: 0.0,
            settings,
        }
    }

    /// Changes the settings at once.
    pub fn set(&mut self, settings: Settings) {
        self.settings = settings;
        self.oscillator.shape = settings.timbre.shape();
    }

    /// Carries out what is sent.
    pub fn handle(&mut self, sent: &Sent) {
        match sent {
            Sent::Start(note) => self.start(note.pitch, note.strength, note.slurred),
            Sent::Update(update) => self.follow(update.pitch, update.strength),
            Sent::Stop | Sent::Silence => self.stop(),
        }
    }

    /// Starts a note of a strength from 0 to 1. A slurred note continues the
    /// envelope of the one before; any other has its own attack.
    pub fn start(&mut self, pitch: Pitch, strength: f32, slurred: bool) {
        let strength = strength.clamp(0.0, 1.0);
        self.target = self.shifted(pitch);
        self.gliding = self.sounding && self.settings.glide_s > 0.0;
        if !self.sounding && self.envelope < 0.01 {
            self.pitch = self.target;
            self.strength = strength;
        }
        if !slurred && self.sounding {
            // The tongue interrupts the tone for a moment.
            self.envelope *= 0.3;
        }
        self.strength_target = strength;
        self.sounding = true;
    }

    /// Updates pitch and strength of the sounding note.
    pub fn follow(&mut self, pitch: Pitch, strength: f32) {
        self.target = self.shifted(pitch);
        self.strength_target = strength.clamp(0.0, 1.0);
    }

    /// Ends the note.
    pub fn stop(&mut self) {
        self.sounding = false;
    }

    fn shifted(&self, pitch: Pitch) -> f32 {
        (pitch.0 + self.settings.interval).clamp(0.0, 135.0) as f32
    }

    /// Next sample, full scale 1.0.
    pub fn sample(&mut self) -> f32 {
        let step_s = 1.0 / self.rate_hz;
        let (target, time_s) = match self.sounding {
            true => (1.0, ATTACK_S),
            false => (0.0, RELEASE_S),
        };
        self.envelope += (target - self.envelope) * step_s / time_s;
        if self.envelope < 1e-5 && !self.sounding {
            return 0.0;
        }
        if self.age.is_multiple_of(CONTROL_INTERVAL) {
            self.control(CONTROL_INTERVAL as f32 * step_s);
        }
        self.age = self.age.wrapping_add(1);
        self.gain += (self.gain_target - self.gain) / CONTROL_INTERVAL as f32;
        let wave = self.oscillator.next(self.step);
        self.filter.next(wave) * self.gain * self.envelope
    }

    /// Updates pitch, cutoff and gain, which need not change with every sample.
    fn control(&mut self, step_s: f32) {
        self.strength += (self.strength_target - self.strength) * (step_s / LEVEL_S).min(1.0);
        let distance = self.target - self.pitch;
        // Three time constants cover all but 5 % of a glide.
        let pitch_s = if self.gliding {
            (self.settings.glide_s as f32 / 3.0).max(BEND_S)
        } else {
            BEND_S
        };
        self.pitch += distance * (step_s / pitch_s).min(1.0);
        if distance.abs() < 0.1 {
            self.gliding = false;
        }
        let hz = 440.0 * ((self.pitch - 69.0) / 12.0).exp2();
        self.step = hz / self.rate_hz;
        let (soft, loud) = self.settings.timbre.cutoff();
        let open = soft + (loud - soft) * self.strength * self.envelope;
        self.filter.set_cutoff(open * self.step);
        let level_db = (self.settings.level_db.min(MAX_LEVEL_DB)) as f32;
        let peak = 10f32.powf((level_db - DYNAMIC_DB * (1.0 - self.strength)) / 20.0);
        self.gain_target = peak / filter::PEAK;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis;
    use crate::statistics::median;
    use crate::transcriber::{Mode, Transcriber};

    fn sound(settings: Settings, pitch: f64) -> Vec<f32> {
        let mut voice = Voice::new(48_000.0, settings);
        voice.start(Pitch(pitch), 0.7, false);
        (0..48_000).map(|_| voice.sample()).collect()
    }

    #[test]
    fn every_timbre_sounds_in_tune() {
        for timbre in Timbre::ALL {
            for pitch in [34.0, 46.3, 58.0, 70.5, 82.0] {
                let settings = Settings {
                    timbre,
                    ..Settings::default()
                };
                let mut transcriber = Transcriber::new(
                    analysis::Settings::builder(48_000.0).build().unwrap(),
                    Mode::Full,
                );
                transcriber.push(&sound(settings, pitch));
                // By the pitch track, for a synthesizer is no horn: its hollow timbre at the
                // bottom of the range is not always taken for a note.
                let track = transcriber.finish().track;
                let off = median(track.frames().map(|f| {
                    f.pitch
                        .map_or(f64::INFINITY, |p| (f64::from(p) - pitch).abs())
                }));
                assert!(
                    off.is_some_and(|off| off < 0.02),
                    "{timbre:?} {pitch}: {off:?}"
                );
            }
        }
    }

    #[test]
    fn never_louder_than_set() {
        for timbre in Timbre::ALL {
            let loud = Settings {
                timbre,
                level_db: 20.0,
                ..Settings::default()
            };
            let mut voice = Voice::new(48_000.0, loud);
            voice.start(Pitch(40.0), 5.0, false);
            let peak = (0..48_000)
                .map(|_| voice.sample().abs())
                .fold(0.0, f32::max);
            let most = 10f32.powf(MAX_LEVEL_DB as f32 / 20.0);
            assert!((0.5 * most..=most).contains(&peak), "{timbre:?} {peak}");
        }
    }

    #[test]
    fn glides_and_shifts() {
        let settings = Settings {
            interval: -12.0,
            glide_s: 0.2,
            ..Settings::default()
        };
        let mut voice = Voice::new(48_000.0, settings);
        voice.start(Pitch(60.0), 0.5, false);
        (0..4_800).for_each(|_| {
            voice.sample();
        });
        assert!((voice.pitch - 48.0).abs() < 0.01);
        voice.start(Pitch(67.0), 0.5, true);
        (0..2_400).for_each(|_| {
            voice.sample();
        });
        assert!(voice.pitch > 49.0 && voice.pitch < 54.5, "{}", voice.pitch);
        // Within 5 % after the glide time.
        (0..7_200).for_each(|_| {
            voice.sample();
        });
        assert!((voice.pitch - 55.0).abs() < 0.05 * 7.0, "{}", voice.pitch);
    }

    #[test]
    fn ends_in_silence() {
        let mut voice = Voice::new(48_000.0, Settings::default());
        voice.start(Pitch(60.0), 1.0, false);
        (0..4_800).for_each(|_| {
            voice.sample();
        });
        voice.stop();
        (0..24_000).for_each(|_| {
            voice.sample();
        });
        assert_eq!(voice.sample(), 0.0);
    }
}
