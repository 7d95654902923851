//! Horns: transposition, range and construction.

pub mod tube;

use std::path::Path;
use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

use crate::analysis::{FULL_RANGE_HZ, SettingsBuilder};
use crate::error::{Error, Result, name_hint};
use crate::settings_file;
use crate::text::shown;
use crate::units::{Concert, Pitch, Written, key_name, parse_key};

/// Clef of a horn's parts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Clef {
    /// G on the second line.
    Treble,
    /// C on the third line.
    Alto,
    /// C on the fourth line.
    Tenor,
    /// F on the fourth line.
    Bass,
}

/// A horn.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Horn {
    /// Name on the command line.
    pub name: String,
    /// Name in full.
    pub title: String,
    /// Semitones from written to sounding, negative where it sounds lower.
    pub sounds: i32,
    /// Clef of its parts.
    #[doc(hidden)]
    pub clef: Clef,
    /// Lowest sounding key.
    pub low: Concert,
    /// Highest sounding key.
    pub high: Concert,
    /// Sounding key of the open tube's first mode.
    pub(crate) fundamental: Concert,
    /// Number of valves, 0 for a slide.
    pub valves: u8,
    /// Whether it has a slide.
    #[doc(hidden)]
    pub slide: bool,
    /// How much flatter than its whole semitones each of the first four valves is, in
    /// cents.
    pub(crate) valves_flat_cents: [f64; 4],
    /// A second tube, if it is a double horn.
    pub(crate) side: Option<tube::Side>,
}

/// Margin around a horn's range that is still tracked, in semitones: a fall from the
/// lowest note, a rip above the top.
const RANGE_MARGIN: f64 = 2.5;

impl Horn {
    /// The written key of a sounding key.
    ///
    /// ```
    /// use leadpipe::{Concert, Horn};
    /// let flugel = Horn::find("flugelhorn").unwrap();
    /// assert_eq!(flugel.written(Concert(58)).to_string(), "C4");
    /// ```
    pub fn written(&self, concert: Concert) -> Written {
        Written(concert.0 - self.sounds)
    }

    /// The sounding key of a written key.
    pub fn concert(&self, written: Written) -> Concert {
        Concert(written.0 + self.sounds)
    }

    /// Lowest and highest frequency to track, in hertz.
    pub(crate) fn range_hz(&self) -> (f64, f64) {
        let hz = |key: i32, margin: f64| Pitch(f64::from(key) + margin).hz();
        let (lowest, highest) = FULL_RANGE_HZ;
        (
            hz(self.low.0, -RANGE_MARGIN).max(lowest),
            hz(self.high.0, RANGE_MARGIN).min(highest),
        )
    }
}

impl Horn {
    /// All built-in horns.
    pub fn catalogue() -> &'static [Horn] {
        &CATALOGUE
    }

    /// The horn of a name, or the first in a TOML file if the name ends in `.toml`.
    ///
    /// # Errors
    /// [`Error::Setting`] for an unknown name (with a similar one) or an invalid file
    /// (with line and column).
    pub fn find(name: &str) -> Result<Horn> {
        if name.ends_with(".toml") {
            let horns = settings_file::read(Path::new(name), parse)?;
            return horns.into_iter().next().ok_or_else(|| {
                Error::setting(format!("{name}: holds no horn"), "add a [[horn]] table")
            });
        }
        let wanted = name.to_lowercase();
        Horn::catalogue()
            .iter()
            .find(|h| h.name == wanted)
            .cloned()
            .ok_or_else(|| {
                let names = Horn::catalogue().iter().map(|h| h.name.as_str());
                Error::setting(
                    format!("no horn is called \"{name}\""),
                    name_hint(&wanted, names, "leadpipe horns"),
                )
            })
    }
}

impl SettingsBuilder {
    /// Looks in a horn's range, or in the full one for `None`.
    pub fn horn<'a>(self, horn: impl Into<Option<&'a Horn>>) -> Self {
        let (lowest_hz, highest_hz) = horn.into().map_or(FULL_RANGE_HZ, Horn::range_hz);
        self.range_hz(lowest_hz, highest_hz)
    }
}

/// A horn as it is in a TOML file.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    name: String,
    title: String,
    sounds: i32,
    clef: Clef,
    low: String,
    high: String,
    fundamental: String,
    #[serde(default)]
    valves: u8,
    #[serde(default)]
    slide: bool,
    #[serde(default)]
    valves_flat_cents: Vec<f64>,
    side: Option<String>,
    side_from: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    horn: Vec<Entry>,
}

impl TryFrom<Entry> for Horn {
    type Error = String;

    fn try_from(entry: Entry) -> std::result::Result<Self, String> {
        let key = |field: &str, text: &str| {
            parse_key(text).ok_or(format!(
                "{}: {field} = \"{text}\" is not a note name",
                entry.name
            ))
        };
        let (low, high) = (key("low", &entry.low)?, key("high", &entry.high)?);
        let fundamental = key("fundamental", &entry.fundamental)?;
        if high <= low {
            return Err(format!("{}: high is not above low", entry.name));
        }
        let sounds_hz = |key: i32| Pitch(f64::from(key)).hz();
        if sounds_hz(low) > FULL_RANGE_HZ.1 || sounds_hz(high) < FULL_RANGE_HZ.0 {
            return Err(format!(
                "{}: low to high lies outside {:.0} to {:.0} Hz",
                entry.name, FULL_RANGE_HZ.0, FULL_RANGE_HZ.1
            ));
        }
        if entry.sounds.unsigned_abs() > 48 {
            return Err(format!(
                "{}: sounds = {} is more than four octaves",
                entry.name, entry.sounds
            ));
        }
        if entry.slide == (entry.valves > 0) {
            return Err(format!(
                "{}: give either valves or slide = true",
                entry.name
            ));
        }
        let side = match (&entry.side, &entry.side_from) {
            (None, None) => None,
            (Some(side), Some(from)) => Some(tube::Side {
                fundamental: Concert(key("side", side)?),
                from: Concert(key("side_from", from)?),
            }),
            _ => {
                return Err(format!(
                    "{}: side and side_from belong together",
                    entry.name
                ));
            }
        };
        let mut valves_flat_cents = tube::VALVES_FLAT_CENTS;
        let own = &entry.valves_flat_cents;
        let sane = |c: &f64| c.is_finite() && c.abs() <= 100.0;
        if own.len() > 4 || !own.iter().all(sane) {
            return Err(format!(
                "{}: valves_flat_cents takes up to four values within 100 cents",
                entry.name
            ));
        }
        valves_flat_cents[..own.len()].copy_from_slice(own);
        Ok(Horn {
            valves_flat_cents,
            side,
            sounds: entry.sounds,
            clef: entry.clef,
            low: Concert(low),
            high: Concert(high),
            fundamental: Concert(fundamental),
            valves: entry.valves,
            slide: entry.slide,
            name: shown(&entry.name),
            title: shown(&entry.title),
        })
    }
}

fn parse(text: &str) -> std::result::Result<Vec<Horn>, settings_file::ParseError> {
    let file: File = settings_file::parse(text)?;
    let horns = file.horn.into_iter().map(Horn::try_from);
    horns
        .collect::<std::result::Result<_, String>>()
        .map_err(settings_file::ParseError::plain)
}

static CATALOGUE: LazyLock<Vec<Horn>> = LazyLock::new(|| {
    parse(include_str!("catalogue.toml")).expect("the built-in catalogue is sound")
});

/// Plain description of a horn's transposition.
pub fn transposition_in_words(sounds: i32) -> String {
    if sounds == 0 {
        return "sounds as written".into();
    }
    const STEPS: [&str; 12] = [
        "octave",
        "minor second",
        "major second",
        "minor third",
        "major third",
        "perfect fourth",
        "tritone",
        "perfect fifth",
        "minor sixth",
        "major sixth",
        "minor seventh",
        "major seventh",
    ];
    let semitones = sounds.unsigned_abs() as usize;
    let (octaves, step) = (semitones / 12, semitones % 12);
    let way = if sounds < 0 { "lower" } else { "higher" };
    let octaves_text = match octaves {
        0 => String::new(),
        1 => "an octave".into(),
        n => format!("{n} octaves"),
    };
    let step_text = if step == 0 {
        String::new()
    } else {
        format!("a {}", STEPS[step])
    };
    let joint = if octaves > 0 && step > 0 { " and " } else { "" };
    format!("sounds {octaves_text}{joint}{step_text} {way} than written")
}

/// One line per horn: range and construction.
pub fn build_in_words(horn: &Horn) -> String {
    let build = if horn.slide {
        "slide".into()
    } else {
        format!("{} valves", horn.valves)
    };
    format!(
        "sounding range {} to {}, open horn {}, {build}",
        key_name(horn.low.0),
        key_name(horn.high.0),
        key_name(horn.fundamental.0)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_horn_round_trips() {
        for horn in Horn::catalogue() {
            for key in 0..128 {
                assert_eq!(horn.concert(horn.written(Concert(key))), Concert(key));
            }
            let (low, high) = horn.range_hz();
            assert!(
                low < high && low >= 28.0 && high <= 1_650.0,
                "{}",
                horn.name
            );
        }
    }

    #[test]
    fn transpositions_in_words() {
        assert_eq!(
            transposition_in_words(-2),
            "sounds a major second lower than written"
        );
        assert_eq!(
            transposition_in_words(-14),
            "sounds an octave and a major second lower than written"
        );
        assert_eq!(
            transposition_in_words(10),
            "sounds a minor seventh higher than written"
        );
        assert_eq!(
            transposition_in_words(-12),
            "sounds an octave lower than written"
        );
    }

    #[test]
    fn unknown_horn_names_the_nearest() {
        let error = Horn::find("flugelhron").unwrap_err().to_string();
        assert!(error.contains("flugelhorn"), "{error}");
    }

    #[test]
    fn invalid_horns_have_places() {
        let error = parse("[[horn]]\nname = \"x\"\nsounds = \"low\"\n").unwrap_err();
        assert_eq!(error.place, Some((3, 10)));
    }
}
