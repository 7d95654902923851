//! The rig file: everything about a player's set-up that stays from gig to gig.
//!
//! TOML, in the user's configuration folder under `leadpipe/rigs/NAME.toml`. The
//! command line has the last word over it.

use std::path::{Path, PathBuf};

use serde::Deserialize;

use super::command::Command;
use super::player::Levels;
use super::routes::{Action, Routes};
use super::signal::Gesture;
use super::source::{Draw, Sequence, Source};
use super::volts::Scale;
use crate::analysis::level::DEFAULT_GATE_DB;
use crate::error::{Error, Result};
use crate::line::ZERO_VOLT_NOTE;
use crate::output::cv::FULL_SCALE_V;
use crate::settings_file::{self, Fault};
use crate::tuning::Table;
use crate::tuning::quantiser::Snap;
use crate::units::{A4_HZ, Pitch, parse_key};
use crate::voice;

/// A rig.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Rig {
    /// Horns on the stand; the first is in hand at the start.
    pub horns: Vec<String>,
    /// Tables of the set; the first is used at the start.
    pub tunings: Vec<String>,
    /// Tonic of the tables.
    pub tonic: Option<String>,
    /// Frequency of A4 in hertz.
    pub reference_hz: Option<f64>,
    /// How pitch is sent on.
    pub snap: Option<Snap>,
    /// Semitones added to everything sent.
    pub shift: i32,
    /// Where the horn comes in.
    pub input: Input,
    /// What a soundcheck found.
    pub levels: LevelTable,
    /// The doubling voice.
    pub double: Double,
    /// MIDI out and in.
    pub midi: Midi,
    /// Control voltages.
    pub cv: Cv,
    /// OSC out and in.
    pub osc: Osc,
    /// Takes.
    pub record: Record,
    /// Notes of our own for the attacks.
    pub sequence: SequenceTable,
    /// Notes drawn at random.
    pub draw: DrawTable,
    /// Which of `follow`, `sequence` and `draw` the set begins with.
    pub source: Option<String>,
    /// What gestures send.
    pub route: Vec<RouteEntry>,
    /// What pedals and program changes do.
    pub switch: Vec<SwitchEntry>,
}

/// `[input]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Input {
    pub device: Option<String>,
    pub channel: Option<usize>,
    pub block: Option<u32>,
}

/// `[levels]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct LevelTable {
    pub gate_db: Option<f64>,
    pub soft_db: Option<f32>,
    pub loud_db: Option<f32>,
    pub room_db: Option<f32>,
    pub bleed_db: Option<f32>,
}

/// `[double]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Double {
    pub on: bool,
    pub device: Option<String>,
    pub channels: Vec<usize>,
    pub timbre: voice::Timbre,
    pub interval: f64,
    pub glide_s: f64,
    pub level_db: Option<f64>,
}

/// `[midi]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Midi {
    pub port: Option<String>,
    pub channel: Option<u8>,
    pub listen: Option<String>,
}

/// `[cv]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Cv {
    pub device: Option<String>,
    pub channels: Vec<usize>,
    pub full_scale_v: Option<f64>,
    pub offset_v: Option<f64>,
    pub zero_volt_note: Option<String>,
}

/// `[osc]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Osc {
    pub to: Vec<String>,
    pub listen: Option<String>,
}

/// `[record]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Record {
    pub folder: Option<PathBuf>,
}

/// `[sequence]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SequenceTable {
    pub notes: Vec<String>,
}

/// `[draw]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DrawTable {
    pub low: Option<String>,
    pub high: Option<String>,
    pub weights: Vec<f64>,
    pub seed: u64,
}

/// `[[route]]`: one gesture, one thing that it sends.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RouteEntry {
    pub when: Gesture,
    pub controller: Option<u8>,
    #[serde(default = "full")]
    pub value: u8,
    pub osc: Option<String>,
    /// Output channel of the CV device, from 1.
    pub trigger: Option<usize>,
}

fn full() -> u8 {
    127
}

/// `[[switch]]`: one MIDI message, one thing that it does.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SwitchEntry {
    /// Program number, from 1 as on the front of a pedal board.
    pub program: Option<u8>,
    /// Controller: acts when its value goes to 64 or above.
    pub controller: Option<u8>,
    /// What it does: `next-horn`, `horn NAME`, `next-tuning`, `tuning NAME`,
    /// `next-source`, `source NAME`, `shift N`, `up`, `down`, `mute`, `panic`,
    /// `next-timbre`.
    #[serde(rename = "do")]
    pub action: String,
}

/// A switch, understood.
#[derive(Debug, Clone, PartialEq)]
pub struct Switch {
    /// What sets it off.
    pub on: Trigger,
    /// What it does.
    pub command: Command,
}

/// What sets a switch off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trigger {
    /// Program change, 0 to 127.
    Program(u8),
    /// A controller that goes to 64 or above.
    Controller(u8),
}

/// The note that draws range over where nothing is said.
const DRAW_RANGE: (&str, &str) = ("C3", "C5");

impl Rig {
    /// Reads a rig by the name of its file in the configuration folder, or from
    /// a path (anything with a separator or `.toml` in it).
    ///
    /// # Errors
    /// [`Error::Setting`] with file, line and column.
    pub fn load(name: &str) -> Result<Rig> {
        let path = path_of(name)?;
        if !path.exists() {
            return Err(Error::setting(
                format!("{}: there is no such rig", path.display()),
                format!("`leadpipe rig new {name}` writes one to start from"),
            ));
        }
        settings_file::read(&path, parse)
    }

    /// Levels between which the player plays.
    pub fn player_levels(&self) -> Levels {
        let default = Levels::default();
        Levels {
            soft_db: self.levels.soft_db.unwrap_or(default.soft_db),
            loud_db: self.levels.loud_db.unwrap_or(default.loud_db),
        }
    }

    /// Level under which nothing is tone, dBFS.
    pub fn gate_db(&self) -> f64 {
        self.levels.gate_db.unwrap_or(DEFAULT_GATE_DB)
    }

    /// Frequency of A4 in hertz.
    pub fn a4_hz(&self) -> f64 {
        self.reference_hz.unwrap_or(A4_HZ)
    }

    /// What the CV interface makes of a sample.
    ///
    /// # Errors
    /// [`Error::Setting`] where values make no sense.
    pub fn scale(&self) -> Result<Scale> {
        let zero = match &self.cv.zero_volt_note {
            None => ZERO_VOLT_NOTE,
            Some(text) => f64::from(key("cv.zero_volt_note", text)?),
        };
        let full_scale_v = self.cv.full_scale_v.unwrap_or(FULL_SCALE_V);
        if !(0.1..=100.0).contains(&full_scale_v.abs()) {
            return Err(Error::setting(
                format!("cv.full_scale_v = {full_scale_v}"),
                "give volts between 0.1 and 100, negative where the output inverts",
            ));
        }
        Ok(Scale {
            full_scale_v,
            offset_v: self.cv.offset_v.unwrap_or(0.0),
            zero_volt_note: zero,
        })
    }

    /// How the voice doubles.
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
            _ => all_from_one("double.channels", &self.double.channels),
        }
    }

    /// All note sources of the set, the one that it begins with first.
    ///
    /// # Errors
    /// [`Error::Setting`] where notes cannot be read.
    pub fn sources(&self, table: &Table) -> Result<Vec<Source>> {
        let mut sources = vec![Source::Follow];
        let notes: Vec<Pitch> = self
            .sequence
            .notes
            .iter()
            .map(|text| key("sequence.notes", text).map(|k| table.reference().equal(k)))
            .collect::<Result<_>>()?;
        sources.extend(Sequence::new(notes).map(Source::Sequence));
        let end = |field, text: &Option<String>, default: &str| {
            key(field, text.as_deref().unwrap_or(default)).map(|k| table.reference().equal(k))
        };
        let low = end("draw.low", &self.draw.low, DRAW_RANGE.0)?;
        let high = end("draw.high", &self.draw.high, DRAW_RANGE.1)?;
        // Table pitches may lie off the equal-tempered ends by half a step.
        let (low, high) = (Pitch(low.0 - 0.5), Pitch(high.0 + 0.5));
        let weights = &self.draw.weights;
        match Draw::new(table, low, high, weights, self.draw.seed) {
            Some(draw) => sources.push(Source::Draw(draw)),
            None if self.source.as_deref() == Some("draw") => {
                return Err(Error::setting(
                    "draw: no note of the table lies in the range with any weight",
                    "widen draw.low and draw.high, or give positive draw.weights",
                ));
            }
            None => {}
        }
        if let Some(wanted) = &self.source {
            let at = sources.iter().position(|s| s.name() == wanted);
            let at = at.ok_or_else(|| {
                let mend = match wanted.as_str() {
                    "sequence" => "write its notes: [sequence] notes = [\"C3\", \"Eb3\"]",
                    _ => "give follow, sequence or draw",
                };
                Error::setting(format!("no note source \"{wanted}\""), mend)
            })?;
            sources.rotate_left(at);
        }
        Ok(sources)
    }

    /// The routes, and the CV channels (from 0) of their triggers.
    ///
    /// # Errors
    /// [`Error::Setting`] where a route does nothing or cannot.
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
                        "both go from 0 to 127",
                    ));
                }
                routes.push((when, Action::Controller { controller, value }));
            }
            if let Some(address) = &entry.osc {
                check_address(address)?;
                routes.push((when, Action::Osc(address.clone())));
            }
            if let Some(channel) = entry.trigger {
                let channel = from_one("route trigger", channel)?;
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
    /// [`Error::Setting`] where one is not understood.
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
                    format!("switch \"{}\"", self.action),
                    "give either program = 1 to 128 or controller = 0 to 127",
                ));
            }
        };
        let command = read_action(&self.action).ok_or_else(|| {
            Error::setting(
                format!("switch: \"{}\" is not understood", self.action),
                "say for example next-horn, horn NAME, tuning NAME, shift -12, mute or panic",
            )
        })?;
        Ok(Switch { on, command })
    }
}

/// Reads what a switch does.
pub fn read_action(text: &str) -> Option<Command> {
    let (word, rest) = text.trim().split_once(' ').unwrap_or((text.trim(), ""));
    let rest = rest.trim();
    let name = || (!rest.is_empty()).then(|| rest.to_owned());
    Some(match word {
        "next-horn" => Command::NextHorn,
        "horn" => Command::Horn(name()?),
        "next-tuning" => Command::NextTable,
        "tuning" => Command::Table(name()?),
        "next-source" => Command::NextSource,
        "source" => Command::Source(name()?),
        "shift" => Command::Shift(rest.parse().ok()?),
        "up" => Command::ShiftBy(1),
        "down" => Command::ShiftBy(-1),
        "mute" => Command::ToggleMute,
        "panic" => Command::Panic,
        "next-timbre" => Command::NextTimbre,
        _ => return None,
    })
}

/// A channel number from 1 as an index from 0.
pub fn from_one(what: &str, channel: usize) -> Result<usize> {
    channel
        .checked_sub(1)
        .filter(|at| *at < 256)
        .ok_or_else(|| {
            Error::setting(
                format!("{what}: channel {channel}"),
                "channels count from 1",
            )
        })
}

/// Channel numbers from 1 as indices from 0.
pub fn all_from_one(what: &str, channels: &[usize]) -> Result<Vec<usize>> {
    channels.iter().map(|c| from_one(what, *c)).collect()
}

fn key(field: &str, text: &str) -> Result<i32> {
    parse_key(text).ok_or_else(|| {
        Error::setting(
            format!("{field}: \"{text}\" is no pitch"),
            "give a pitch such as C4 or Bb3",
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
        format!("\"{address}\" is no OSC address"),
        "write it like /lamp/accent",
    ))
}

/// Parses a rig.
pub fn parse(text: &str) -> std::result::Result<Rig, Fault> {
    settings_file::parse(text)
}

/// Folder that rigs live in.
///
/// # Errors
/// [`Error::Setting`] where the system has no configuration folder.
pub fn folder() -> Result<PathBuf> {
    dirs::config_dir()
        .map(|d| d.join("leadpipe").join("rigs"))
        .ok_or_else(|| Error::setting("no configuration folder", "give the rig's file by its path"))
}

/// File of a rig by name, or the path itself.
pub fn path_of(name: &str) -> Result<PathBuf> {
    if name.contains(std::path::MAIN_SEPARATOR) || name.ends_with(".toml") {
        return Ok(PathBuf::from(name));
    }
    Ok(folder()?.join(format!("{name}.toml")))
}

/// Names of the rigs there are.
pub fn names() -> Result<Vec<String>> {
    let Ok(entries) = std::fs::read_dir(folder()?) else {
        return Ok(Vec::new());
    };
    let stem = |path: &Path| {
        let toml = path.extension().is_some_and(|e| e == "toml");
        toml.then(|| path.file_stem().map(|s| s.to_string_lossy().into_owned()))?
    };
    let mut names: Vec<String> = entries.flatten().filter_map(|e| stem(&e.path())).collect();
    names.sort();
    Ok(names)
}

/// A rig to start from, every setting explained.
pub const STARTING: &str = include_str!("starting_rig.toml");

/// Sets values in a rig file and leaves everything else in it as it is,
/// comments too. The file is made where it is missing.
///
/// # Errors
/// [`Error::Setting`] where the file is no TOML; [`Error::Output`] where it
/// cannot be written.
pub fn store(path: &Path, section: &str, values: &[(&str, f64)]) -> Result<()> {
    let text = match std::fs::read_to_string(path) {
        Ok(text) => text,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => STARTING.to_owned(),
        Err(e) => return Err(Error::output(path, e, "check the permissions")),
    };
    let mut document: toml_edit::DocumentMut =
        text.parse().map_err(|e: toml_edit::TomlError| {
            Error::setting(
                format!("{}: {}", path.display(), e.message()),
                "mend the file first",
            )
        })?;
    let table = document[section].or_insert(toml_edit::table());
    for (name, value) in values {
        // Tenths and thousandths are all that is measured.
        let value = (value * 1000.0).round() / 1000.0;
        table[*name] = toml_edit::value(value);
    }
    let written = document.to_string();
    crate::output::Draft::write(path.to_owned(), |to| to.write_all(written.as_bytes()))?
        .keep()
        .map(drop)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tuning::{Reference, find};
    use proptest::prelude::*;

    fn table() -> Table {
        find("equal-12", None, Reference::default()).unwrap()
    }

    #[test]
    fn the_starting_rig_is_one() {
        let rig = parse(STARTING).unwrap();
        rig.routes().unwrap();
        rig.switches().unwrap();
        rig.sources(&table()).unwrap();
        rig.scale().unwrap();
        // With every commented setting in force too.
        let on: String = STARTING
            .lines()
            .map(|line| {
                let setting = line
                    .strip_prefix("# ")
                    .filter(|l| l.contains(" = ") || l.starts_with('['));
                format!("{}\n", setting.unwrap_or(line))
            })
            .collect();
        let rig = parse(&on).unwrap_or_else(|f| panic!("{f:?}\n{on}"));
        assert!(rig.routes().unwrap().1.len() == 1 && rig.switches().unwrap().len() > 2);
        assert_eq!(rig.sources(&table()).unwrap().len(), 3);
    }

    #[test]
    fn faults_are_placed() {
        let fault = parse("horns = [\"flugelhorn\"]\n\n[midi]\nprot = \"x\"\n").unwrap_err();
        assert_eq!(fault.place.map(|p| p.0), Some(4), "{fault:?}");
    }

    #[test]
    fn nonsense_is_refused() {
        for text in [
            "[[route]]\nwhen = \"accent\"",
            "[[route]]\nwhen = \"accent\"\nosc = \"no slash\"",
            "[[route]]\nwhen = \"accent\"\ncontroller = 200",
            "[[route]]\nwhen = \"accent\"\ntrigger = 0",
        ] {
            assert!(parse(text).unwrap().routes().is_err(), "{text}");
        }
        for text in [
            "[[switch]]\ndo = \"mute\"",
            "[[switch]]\nprogram = 0\ndo = \"mute\"",
            "[[switch]]\nprogram = 1\ndo = \"dance\"",
            "[[switch]]\nprogram = 1\ndo = \"shift far\"",
        ] {
            assert!(parse(text).unwrap().switches().is_err(), "{text}");
        }
        assert!(
            parse("source = \"sequence\"")
                .unwrap()
                .sources(&table())
                .is_err()
        );
        assert!(
            parse("[sequence]\nnotes = [\"H2\"]")
                .unwrap()
                .sources(&table())
                .is_err()
        );
        assert!(parse("[cv]\nfull_scale_v = 0.0").unwrap().scale().is_err());
    }

    #[test]
    fn stored_values_leave_the_rest_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("stage.toml");
        let before = "# mine\nhorns = [\"tuba-eb\"] # low\n\n[levels]\nsoft_db = -40.0 # guess\n";
        std::fs::write(&path, before).unwrap();
        store(&path, "levels", &[("soft_db", -44.25), ("gate_db", -60.0)]).unwrap();
        let text = std::fs::read_to_string(&path).unwrap();
        assert!(
            text.starts_with("# mine\nhorns = [\"tuba-eb\"] # low\n"),
            "{text}"
        );
        let rig = parse(&text).unwrap();
        assert_eq!(rig.levels.soft_db, Some(-44.25));
        assert_eq!(rig.levels.gate_db, Some(-60.0));
        store(&folder.path().join("new.toml"), "cv", &[("offset_v", 0.01)]).unwrap();
        let text = std::fs::read_to_string(folder.path().join("new.toml")).unwrap();
        assert_eq!(parse(&text).unwrap().cv.offset_v, Some(0.01));
    }

    proptest! {
        #[test]
        fn any_text_is_a_rig_or_a_fault(text in "\\PC{0,200}") {
            let _ = parse(&text).map(|rig| (rig.routes().is_ok(), rig.switches().is_ok()));
        }

        #[test]
        fn any_action_is_read_or_refused(text in "\\PC{0,40}") {
            let _ = read_action(&text);
        }
    }
}
