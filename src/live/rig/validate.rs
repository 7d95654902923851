//! Turns a rig file into note sources, routes, switches and calibration, or says
//! what is wrong with it.

use std::ops::RangeInclusive;

use super::{Rig, SwitchEntry};
use crate::analysis::{DEFAULT_GATE_DB, GATES_DB};
use crate::error::{Error, Result};
use crate::line::ZERO_VOLT_NOTE;
use crate::live::clock::message::TICKS_PER_QUARTER;
use crate::live::command::{Command, LEVEL_STEP_DB};
use crate::live::routes::{Action, Routes};
use crate::notation::Metre;
use crate::output::cv::{FULL_SCALE_V, check_full_scale};
use crate::output::cv_renderer::CvScale;
use crate::sending::brightness::BrightnessRange;
use crate::sending::note_source::{Draw, NoteSource, Sequence};
use crate::sending::{DynamicRange, SHIFTS};
use crate::tuning::Tuning;
use crate::units::{A4_HZ, Pitch, parse_key};
use crate::voice;

/// A validated switch.
#[derive(Debug, Clone, PartialEq)]
pub struct Switch {
    /// The MIDI message that triggers it.
    pub on: Trigger,
    /// What it does.
    pub command: Command,
}

/// A MIDI message that triggers a switch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trigger {
    /// Program change, 0 to 127.
    Program(u8),
    /// A controller that rises to 64 or above.
    Controller(u8),
}

/// Levels of the doubling voice, dBFS.
pub const VOICE_LEVELS_DB: RangeInclusive<f64> = -120.0..=0.0;
/// How far it may be from the horn, in semitones.
pub const INTERVALS: RangeInclusive<f64> = -48.0..=48.0;
/// How long it may glide from note to note, in seconds.
pub const GLIDES_S: RangeInclusive<f64> = 0.0..=5.0;

/// Default range of random notes.
const DRAW_RANGE: (&str, &str) = ("C3", "C5");

/// Pulses of a clock voltage in a quarter: sixteenths, as most sequencers count.
const CLOCK_PULSES: u32 = 4;

impl Rig {
    /// The player's dynamic range.
    pub fn dynamic_range(&self) -> DynamicRange {
        let default = DynamicRange::default();
        DynamicRange {
            soft_db: self.levels.soft_db.unwrap_or(default.soft_db),
            loud_db: self.levels.loud_db.unwrap_or(default.loud_db),
        }
    }

    /// What the ends of the brightness control stand for.
    ///
    /// # Errors
    /// [`Error::Setting`] where they make no sense.
    pub fn brightness_range(&self) -> Result<BrightnessRange> {
        let default = BrightnessRange::default();
        BrightnessRange::new(
            self.brightness.dark.unwrap_or(default.dark),
            self.brightness.bright.unwrap_or(default.bright),
        )
    }

    /// Noise gate, dBFS.
    pub fn gate_db(&self) -> f64 {
        self.levels.gate_db.unwrap_or(DEFAULT_GATE_DB)
    }

    /// Frequency of A4 in hertz.
    pub fn a4_hz(&self) -> f64 {
        self.reference_hz.unwrap_or(A4_HZ)
    }

    /// Checks every number on which loudness, pitch or a voltage depends. One that makes no
    /// sense is refused: on headphones or in a module it can hurt.
    ///
    /// # Errors
    /// [`Error::Setting`] naming the setting, its option and what it takes.
    pub fn check_values(&self) -> Result<()> {
        let levels = &self.levels;
        let level = |db: Option<f32>| db.map(f64::from);
        let values = [
            ("levels.gate_db (--gate)", levels.gate_db, GATES_DB, "dBFS"),
            (
                "levels.soft_db",
                level(levels.soft_db),
                -120.0..=0.0,
                "dBFS",
            ),
            (
                "levels.loud_db",
                level(levels.loud_db),
                -120.0..=0.0,
                "dBFS",
            ),
            (
                "double.level_db (--level)",
                self.double.level_db,
                VOICE_LEVELS_DB,
                "dBFS",
            ),
            (
                "double.interval (--interval)",
                Some(self.double.interval),
                INTERVALS,
                "semitones",
            ),
            (
                "double.glide_s (--glide)",
                Some(self.double.glide_s),
                GLIDES_S,
                "seconds",
            ),
            (
                "shift (--shift)",
                Some(f64::from(self.shift)),
                f64::from(*SHIFTS.start())..=f64::from(*SHIFTS.end()),
                "semitones",
            ),
            ("cv.offset_v", self.cv.offset_v, -20.0..=20.0, "volts"),
        ];
        for (name, value, range, unit) in values {
            if let Some(value) = value.filter(|value| !range.contains(value)) {
                return Err(Error::setting(
                    format!("{name} = {value}"),
                    format!("give {unit}, {} to {}", range.start(), range.end()),
                ));
            }
        }
        let range = self.dynamic_range();
        if range.loud_db <= range.soft_db {
            return Err(Error::setting(
                format!(
                    "levels: loud_db = {} is not above soft_db = {}",
                    range.loud_db, range.soft_db
                ),
                "run `leadpipe soundcheck` again",
            ));
        }
        if let Some(channel) = self.midi.channel.filter(|c| !(1..=16).contains(c)) {
            return Err(Error::setting(
                format!("midi.channel (--midi-channel) = {channel}"),
                "give 1 to 16",
            ));
        }
        if self
            .draw
            .weights
            .iter()
            .any(|weight| !(0.0..=1e6).contains(weight))
        {
            return Err(Error::setting(
                "draw.weights: a weight is negative or no number",
                "give numbers from 0 on, one for each degree of the tuning",
            ));
        }
        Ok(())
    }

    /// Calibration of the CV interface.
    ///
    /// # Errors
    /// [`Error::Setting`] where a value is out of range.
    pub fn cv_scale(&self) -> Result<CvScale> {
        let zero = match &self.cv.zero_volt_note {
            None => ZERO_VOLT_NOTE,
            Some(text) => f64::from(key("cv.zero_volt_note", text)?),
        };
        let full_scale_v = self.cv.full_scale_v.unwrap_or(FULL_SCALE_V);
        if let Err(hint) = check_full_scale(full_scale_v) {
            return Err(Error::setting(
                format!("cv.full_scale_v (--volts-full-scale) = {full_scale_v}"),
                hint,
            ));
        }
        Ok(CvScale {
            full_scale_v,
            offset_v: self.cv.offset_v.unwrap_or(0.0),
            zero_volt_note: zero,
        })
    }

    /// Settings of the doubling voice.
    pub fn voice(&self) -> voice::Settings {
        voice::Settings {
            timbre: self.double.timbre,
            interval: self.double.interval,
            glide_s: self.double.glide_s.clamp(0.0, 5.0),
            level_db: self.double.level_db.unwrap_or(voice::LEVEL_DB),
        }
    }

    /// Output channels of the voice, from 0: the first two where none are named.
    ///
    /// # Errors
    /// [`Error::Setting`] where a channel is 0.
    pub fn voice_channels(&self) -> Result<Vec<usize>> {
        match self.double.channels[..] {
            [] => Ok(vec![0, 1]),
            _ => channel_indices("double.channels", &self.double.channels),
        }
    }

    /// All note sources of the set, the initial one first.
    ///
    /// # Errors
    /// [`Error::Setting`] where a note name is not valid.
    pub fn sources(&self, tuning: &Tuning) -> Result<Vec<NoteSource>> {
        let mut sources = vec![NoteSource::Follow];
        let notes: Vec<Pitch> = self
            .sequence
            .notes
            .iter()
            .map(|text| key("sequence.notes", text).map(|k| tuning.reference().equal(k)))
            .collect::<Result<_>>()?;
        sources.extend(Sequence::new(notes).map(NoteSource::Sequence));
        let end = |field, text: &Option<String>, default: &str| {
            key(field, text.as_deref().unwrap_or(default)).map(|k| tuning.reference().equal(k))
        };
        let low = end("draw.low", &self.draw.low, DRAW_RANGE.0)?;
        let high = end("draw.high", &self.draw.high, DRAW_RANGE.1)?;
        if low.0 > high.0 {
            let named = |end: &Option<String>, default| {
                end.as_deref().map_or(default, |text| text).to_owned()
            };
            return Err(Error::setting(
                format!(
                    "draw.low = \"{}\" is above draw.high = \"{}\"",
                    named(&self.draw.low, DRAW_RANGE.0),
                    named(&self.draw.high, DRAW_RANGE.1)
                ),
                format!(
                    "give a lower draw.low or a higher draw.high; left out they are {} and {}",
                    DRAW_RANGE.0, DRAW_RANGE.1
                ),
            ));
        }
        // Pitches of the tuning may be half a semitone off the equal-tempered ends.
        let (low, high) = (Pitch(low.0 - 0.5), Pitch(high.0 + 0.5));
        let weights = &self.draw.weights;
        match Draw::new(tuning, low, high, weights, self.draw.seed) {
            Some(draw) => sources.push(NoteSource::Draw(draw)),
            None if self.source.as_deref() == Some("draw") => {
                return Err(Error::setting(
                    "draw: no note of the tuning in that range has a weight above zero",
                    "widen draw.low and draw.high, or give positive draw.weights",
                ));
            }
            None => {}
        }
        if let Some(wanted) = &self.source {
            let at = sources.iter().position(|s| s.name() == wanted);
            let at = at.ok_or_else(|| {
                let mend = match wanted.as_str() {
                    "sequence" => {
                        "give them with --sequence C3,Eb3, or in the rig: [sequence] notes = \
                         [\"C3\", \"Eb3\"]"
                    }
                    _ => "give follow, sequence or draw",
                };
                let problem = match wanted.as_str() {
                    "sequence" => "the note source \"sequence\" has no notes".to_owned(),
                    _ => format!("no note source \"{wanted}\""),
                };
                Error::setting(problem, mend)
            })?;
            sources.rotate_left(at);
        }
        Ok(sources)
    }

    /// Metre of the rig's clock.
    ///
    /// # Errors
    /// [`Error::Setting`] where it is none, or no clock comes in that it is the metre of.
    pub fn clock_metre(&self) -> Result<Option<Metre>> {
        let Some(text) = &self.clock.metre else {
            return Ok(None);
        };
        if self.clock.listen.is_none() {
            return Err(Error::setting(
                format!("clock.metre (--clock-meter) = \"{text}\", but no clock comes in"),
                "add --clock in, --clock transport or clock.listen; the metre of a take is \
                 given when it is transcribed, by --meter",
            ));
        }
        Metre::parse(text).map(Some).ok_or_else(|| {
            Error::setting(
                format!("clock.metre (--clock-meter) = \"{text}\""),
                "give a time signature such as 4/4, 3/4 or 6/8",
            )
        })
    }

    /// Trigger channel (from 0) of the clock voltage, and its pulses in a quarter.
    ///
    /// # Errors
    /// [`Error::Setting`] for a channel 0, or pulses that no clock has.
    pub fn clock_voltage(&self) -> Result<Option<(usize, u32)>> {
        let Some(channel) = self.clock.channel else {
            return Ok(None);
        };
        let pulses = self.clock.pulses.unwrap_or(CLOCK_PULSES);
        if pulses == 0 || !TICKS_PER_QUARTER.is_multiple_of(pulses) {
            return Err(Error::setting(
                format!("clock.pulses = {pulses}"),
                "give 1, 2, 3, 4, 6, 8, 12 or 24 in a quarter",
            ));
        }
        Ok(Some((channel_index("clock.channel", channel)?, pulses)))
    }

    /// The routes, and the CV channels (from 0) of their triggers.
    ///
    /// # Errors
    /// [`Error::Setting`] where a route sends nothing or something invalid.
    pub fn routes(&self) -> Result<(Routes, Vec<usize>)> {
        let mut triggers: Vec<usize> = Vec::new();
        let mut routes = Vec::new();
        for entry in &self.route {
            let when = entry.when;
            let before = routes.len();
            if let Some(controller) = entry.controller {
                let value = entry.value;
                if controller > 127 || value > 127 {
                    return Err(Error::setting(
                        format!("route {}: controller {controller} = {value}", when.name()),
                        "give numbers from 0 to 127",
                    ));
                }
                routes.push((when, Action::Controller { controller, value }));
            }
            if let Some(address) = &entry.osc {
                check_address(address)?;
                routes.push((when, Action::Osc(address.clone())));
            }
            if let Some(channel) = entry.trigger {
                let channel = channel_index("route trigger", channel)?;
                let at = triggers.iter().position(|c| *c == channel);
                let at = at.unwrap_or_else(|| {
                    triggers.push(channel);
                    triggers.len() - 1
                });
                routes.push((when, Action::Trigger(at)));
            }
            if routes.len() == before {
                return Err(Error::setting(
                    format!("route {}: it sends nothing", when.name()),
                    "give it a controller, an osc address or a trigger",
                ));
            }
        }
        Ok((Routes::new(routes), triggers))
    }

    /// The switches.
    ///
    /// # Errors
    /// [`Error::Setting`] where one is not valid.
    pub fn switches(&self) -> Result<Vec<Switch>> {
        self.switch.iter().map(SwitchEntry::read).collect()
    }
}

impl SwitchEntry {
    fn read(&self) -> Result<Switch> {
        let on = match (self.program, self.controller) {
            (Some(program @ 1..=128), None) => Trigger::Program(program - 1),
            (None, Some(controller @ 0..=127)) => Trigger::Controller(controller),
            _ => {
                return Err(Error::setting(
                    format!("switch \"{}\": nothing valid sets it off", self.action),
                    "give either program = 1 to 128 or controller = 0 to 127",
                ));
            }
        };
        let command = parse_action(&self.action).ok_or_else(|| {
            Error::setting(
                format!("switch: \"{}\" is not understood", self.action),
                "write for example next-horn, horn NAME, tuning NAME, shift -12, mute or panic",
            )
        })?;
        Ok(Switch { on, command })
    }
}

/// Parses a command as a rig's switches and the stage page write it.
pub fn parse_action(text: &str) -> Option<Command> {
    let (word, rest) = text.trim().split_once(' ').unwrap_or((text.trim(), ""));
    let rest = rest.trim();
    let name = || (!rest.is_empty()).then(|| rest.to_owned());
    Some(match word {
        "next-horn" => Command::NextHorn,
        "horn" => Command::Horn(name()?),
        "next-tuning" => Command::NextTuning,
        "tuning" => Command::Tuning(name()?),
        "next-source" => Command::NextSource,
        "source" => Command::Source(name()?),
        "shift" => Command::Shift(rest.parse().ok().filter(|by| SHIFTS.contains(by))?),
        "up" => Command::ShiftBy(1),
        "down" => Command::ShiftBy(-1),
        "mute" => match rest {
            "" => Command::ToggleMute,
            _ => Command::Mute(on_or_off(rest)?),
        },
        "panic" => Command::Panic,
        "next-timbre" => Command::NextTimbre,
        "voice-level" => {
            let level_db = rest.parse().ok();
            Command::VoiceLevel(level_db.filter(|db| voice::LEVELS_DB.contains(db))?)
        }
        "louder" => Command::VoiceLevelBy(LEVEL_STEP_DB),
        "softer" => Command::VoiceLevelBy(-LEVEL_STEP_DB),
        "record" => match rest {
            "" => Command::ToggleRecord,
            _ => Command::Record(on_or_off(rest)?),
        },
        "mark" => Command::Mark,
        _ => return None,
    })
}

fn on_or_off(text: &str) -> Option<bool> {
    match text {
        "on" => Some(true),
        "off" => Some(false),
        _ => None,
    }
}

/// A channel number from 1 as an index from 0.
pub fn channel_index(what: &str, channel: usize) -> Result<usize> {
    channel
        .checked_sub(1)
        .filter(|at| *at < 256)
        .ok_or_else(|| {
            Error::setting(
                format!("{what}: channel {channel}"),
                "give a number from 1 to 256",
            )
        })
}

/// Channel numbers from 1 as indices from 0.
pub fn channel_indices(what: &str, channels: &[usize]) -> Result<Vec<usize>> {
    channels.iter().map(|c| channel_index(what, *c)).collect()
}

fn key(field: &str, text: &str) -> Result<i32> {
    parse_key(text).ok_or_else(|| {
        Error::setting(
            format!("{field}: \"{text}\" is not a note name"),
            "give one such as C4 or Bb3",
        )
    })
}

/// OSC addresses start with a slash and hold no space or pattern (OSC 1.0).
fn check_address(address: &str) -> Result<()> {
    let odd = |c: char| c.is_whitespace() || !c.is_ascii() || "#*,?[]{}".contains(c);
    if address.starts_with('/') && address.len() > 1 && !address.contains(odd) {
        return Ok(());
    }
    Err(Error::setting(
        format!("\"{address}\" is not an OSC address"),
        "write it like /lamp/accent",
    ))
}
