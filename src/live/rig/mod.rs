//! The rig file: a player's set-up, kept from gig to gig.
//!
//! TOML, in the user's configuration folder under `leadpipe/rigs/NAME.toml`.
//! Command-line options override it.

mod validate;

use std::path::{Path, PathBuf};

use serde::Deserialize;

use super::control_event::Gesture;
use crate::error::{Error, Result};
use crate::settings_file::{self, ParseError};
use crate::tuning::quantiser::Snap;
use crate::voice;

pub use validate::{
    GLIDES_S, INTERVALS, Switch, Trigger, VOICE_LEVELS_DB, channel_index, channel_indices,
    parse_action,
};

/// A rig.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Rig {
    /// Horns of the set; the first is active at the start.
    pub horns: Vec<String>,
    /// Tunings of the set; the first is active at the start.
    pub tunings: Vec<String>,
    /// Tonic of the tunings.
    pub tonic: Option<String>,
    /// Frequency of A4 in hertz.
    pub reference_hz: Option<f64>,
    /// Whether sent pitch is snapped to the tuning.
    pub snap: Option<Snap>,
    /// Transposition of everything sent, in semitones.
    pub shift: i32,
    /// The horn's input.
    pub input: Input,
    /// Levels measured by a soundcheck.
    pub levels: LevelTable,
    /// The doubling voice.
    pub double: Double,
    /// MIDI out and in.
    pub midi: Midi,
    /// Brightness as a control.
    pub brightness: Brightness,
    /// MIDI clock in and out.
    pub clock: Clock,
    /// Control voltages.
    pub cv: Cv,
    /// OSC out and in.
    pub osc: Osc,
    /// Recording of takes.
    pub record: Record,
    /// The stage page.
    pub page: Page,
    /// Notes that attacks step through.
    pub sequence: SequenceTable,
    /// Notes drawn at random.
    pub draw: DrawTable,
    /// Note source at the start: `follow`, `sequence` or `draw`.
    pub source: Option<String>,
    /// What gestures send.
    pub route: Vec<RouteEntry>,
    /// What foot controllers and program changes do.
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
    pub correct_keys: bool,
    pub listen: Option<String>,
}

/// `[brightness]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Brightness {
    pub on: bool,
    pub dark: Option<f32>,
    pub bright: Option<f32>,
}

/// `[clock]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Clock {
    /// Port that the rig's clock comes from.
    pub listen: Option<String>,
    /// Its metre, such as 3/4.
    pub metre: Option<String>,
    /// Port that a clock goes to which follows the player.
    pub port: Option<String>,
    /// Output channel of the CV device, from 1, that carries it, and pulses in a quarter.
    pub channel: Option<usize>,
    pub pulses: Option<u32>,
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

/// `[page]`
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Page {
    pub listen: Option<String>,
    pub read_only: bool,
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

/// `[[route]]`: a gesture and what it sends.
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

/// `[[switch]]`: a MIDI message and its command.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SwitchEntry {
    /// Program number, from 1 as on the front of a pedal board.
    pub program: Option<u8>,
    /// Controller number: acts when its value rises to 64 or above.
    pub controller: Option<u8>,
    /// What it does: `next-horn`, `horn NAME`, `next-tuning`, `tuning NAME`,
    /// `next-source`, `source NAME`, `shift N`, `up`, `down`, `mute`, `mute on`,
    /// `mute off`, `panic`, `next-timbre`, `voice-level DB`, `louder`, `softer`, `record`,
    /// `record on`, `record off`, `mark`.
    #[serde(rename = "do")]
    pub action: String,
}

impl Rig {
    /// Reads a rig by the name of its file in the configuration folder, or from
    /// a path (anything with a separator or `.toml` in it).
    ///
    /// # Errors
    /// [`Error::Setting`] with file, line and column.
    pub fn load(name: &str) -> Result<Rig> {
        let path = path_of(name)?;
        let command = format!("leadpipe rig new {name}");
        settings_file::read_started(&path, "there is no such rig", &command, parse)
    }
}

/// Parses a rig.
pub fn parse(text: &str) -> std::result::Result<Rig, ParseError> {
    settings_file::parse(text)
}

/// Folder of the rig files.
///
/// # Errors
/// [`Error::Setting`] where the system has no configuration folder.
pub fn folder() -> Result<PathBuf> {
    dirs::config_dir()
        .map(|d| d.join("leadpipe").join("rigs"))
        .ok_or_else(|| Error::setting("no configuration folder", "give the rig's file by its path"))
}

/// File of a rig by name, or the path itself.
///
/// # Errors
/// [`Error::Setting`] for no name at all.
pub fn path_of(name: &str) -> Result<PathBuf> {
    if name.trim().is_empty() {
        return Err(Error::setting(
            "a rig without a name",
            "give a name such as stage, or a path ending in .toml",
        ));
    }
    if name.contains(std::path::MAIN_SEPARATOR) || name.ends_with(".toml") {
        return Ok(PathBuf::from(name));
    }
    Ok(folder()?.join(format!("{name}.toml")))
}

/// File of a rig that may be written there. A path ends in `.toml`, so that a name with a
/// separator in it does not land outside the folder by mistake.
///
/// # Errors
/// [`Error::Setting`] for a name or a path that is none.
pub fn path_to_write(name: &str) -> Result<PathBuf> {
    let path = path_of(name)?;
    let is_toml = path.extension().is_some_and(|ending| ending == "toml");
    match is_toml && !name.contains(char::is_control) {
        true => Ok(path),
        false => Err(Error::setting(
            format!("\"{name}\" is neither a rig's name nor a path ending in .toml"),
            "give a name such as stage, or a path such as rigs/stage.toml",
        )),
    }
}

/// Names of the rigs in the folder.
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

/// A rig file to start from, with every setting explained.
pub const STARTING: &str = include_str!("starting_rig.toml");

/// Sets values in a rig file and keeps everything else in it, comments too. The
/// file is created where it is missing.
///
/// # Errors
/// [`Error::Setting`] where the file is not valid TOML; [`Error::Output`] where it
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
                format!("{}: {}", crate::text::shown_path(path), e.message()),
                "correct the file first",
            )
        })?;
    let table = document[section].or_insert(toml_edit::table());
    for (name, value) in values {
        // No measurement is finer than this, which is also what is shown of it.
        table[*name] = toml_edit::value(crate::units::rounded(*value, 4));
    }
    let written = document.to_string();
    crate::output::StagedFile::write(path.to_owned(), |to| to.write_all(written.as_bytes()))?
        .commit()
        .map(drop)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::live::command::Command;
    use crate::tuning::{Reference, Tuning};
    use proptest::prelude::*;

    fn table() -> Tuning {
        Tuning::find("equal-12", None, Reference::default()).unwrap()
    }

    #[test]
    fn the_starting_rig_is_one() {
        let rig = parse(STARTING).unwrap();
        rig.routes().unwrap();
        rig.switches().unwrap();
        rig.sources(&table()).unwrap();
        rig.cv_scale().unwrap();
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
        let error = parse("horns = [\"flugelhorn\"]\n\n[midi]\nprot = \"x\"\n").unwrap_err();
        assert_eq!(error.place.map(|p| p.0), Some(4), "{error:?}");
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
        assert!(
            parse("[brightness]\ndark = 4.0\nbright = 2.0")
                .unwrap()
                .brightness_range()
                .is_err()
        );
        assert!(
            parse("[cv]\nfull_scale_v = 0.0")
                .unwrap()
                .cv_scale()
                .is_err()
        );
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
        /// Whatever is done to a rig file, it is read or refused with a place in it.
        #[test]
        fn a_damaged_rig_is_a_rig_or_a_placed_error(
            at in 0.0f64..1.0,
            length in 0usize..12,
            junk in "\\PC{0,8}",
        ) {
            let mut chars: Vec<char> = STARTING.chars().collect();
            let from = (at * chars.len() as f64) as usize;
            let to = (from + length).min(chars.len());
            chars.splice(from..to, junk.chars());
            let text: String = chars.into_iter().collect();
            if let Err(error) = parse(&text) {
                crate::settings_file::assert_useful(&text, &error);
            }
        }

        /// What is stored is read back to a thousandth, and nothing else has changed.
        #[test]
        fn what_is_stored_is_read_back(
            soft_db in -90.0f64..0.0,
            gate_db in -90.0f64..0.0,
            offset_v in -1.0f64..1.0,
            again in -90.0f64..0.0,
        ) {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("stage.toml");
            std::fs::write(&path, STARTING).unwrap();
            store(&path, "levels", &[("soft_db", soft_db), ("gate_db", gate_db)]).unwrap();
            store(&path, "cv", &[("offset_v", offset_v)]).unwrap();
            store(&path, "levels", &[("soft_db", again)]).unwrap();
            let text = std::fs::read_to_string(&path).unwrap();
            let (rig, before) = (parse(&text).unwrap(), parse(STARTING).unwrap());
            for (read, stored) in [
                (rig.levels.soft_db.map(f64::from), again),
                (rig.levels.gate_db, gate_db),
                (rig.cv.offset_v, offset_v),
            ] {
                prop_assert!((read.unwrap() - stored).abs() < 0.000_6, "{read:?} {stored}");
            }
            prop_assert_eq!(rig.levels.loud_db, before.levels.loud_db);
            prop_assert_eq!(rig.horns, before.horns);
            let kept = |line: &&str| line.starts_with('#');
            let comments = |text: &str| text.lines().filter(kept).map(str::to_owned).collect::<Vec<_>>();
            prop_assert_eq!(comments(&text), comments(STARTING));
        }

        /// A switch does what it says, and any other word is refused.
        #[test]
        fn actions_are_read_as_written(
            name in "[a-z][a-z0-9-]{0,10}( [a-z0-9]{1,4})?",
            by in -48i32..=48,
            too_far in 49i32..,
            space in " {0,3}",
            on in any::<bool>(),
            level_db in -60i32..=-3,
        ) {
            let on_or_off = if on { "on" } else { "off" };
            for (text, command) in [
                (format!("horn {space}{name}{space}"), Command::Horn(name.clone())),
                (format!("{space}tuning {name}"), Command::Tuning(name.clone())),
                (format!("source {name}"), Command::Source(name.clone())),
                (format!("shift {space}{by}"), Command::Shift(by)),
                (format!("voice-level {space}{level_db}"), Command::VoiceLevel(level_db.into())),
                (format!("mute {space}{on_or_off}"), Command::Mute(on)),
                (format!("record {on_or_off}{space}"), Command::Record(on)),
            ] {
                prop_assert_eq!(parse_action(&text), Some(command), "{}", text);
            }
            prop_assert_eq!(parse_action(&format!("un{name}")), None);
            prop_assert_eq!(parse_action(&format!("shift {too_far}")), None);
            prop_assert_eq!(parse_action(&format!("shift -{too_far}")), None);
            prop_assert_eq!(parse_action(&format!("shift {name}")), None);
            prop_assert_eq!(parse_action(&format!("record x{name}")), None);
            prop_assert_eq!(parse_action(&format!("voice-level {}", level_db + 58)), None);
        }
    }
}
