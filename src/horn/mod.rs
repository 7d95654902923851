//! Horns: transposition, range and construction.

pub mod tube;

use std::path::Path;
use std::sync::LazyLock;

use serde::{Deserialize, Serialize};

use crate::analysis::{FULL_RANGE_HZ, SettingsBuilder};
use crate::error::{Error, Result, name_hint};
use crate::settings_file;
use crate::text::shown;
use crate::units::{Concert, Pitch, Written, class_name, key_name, parse_key};

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
    /// Other names for it on the command line.
    #[doc(hidden)]
    pub also: Vec<String>,
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
    /// Sounding key of the first mode of each tube that a slide's thumb valves switch to.
    pub(crate) attachments: Vec<Concert>,
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

    /// The horn of a name, or the one in a TOML file, `FILE.toml`; of several in a file the
    /// one that is named, `FILE.toml:NAME`.
    /// A plain name is the usual member of its family, and the key may come first:
    /// `tuba`, `Tuba in F` and `F tuba` are found.
    ///
    /// # Errors
    /// [`Error::Setting`] for an unknown name (with a similar one), an invalid file
    /// (with line and column), or a file of several horns of which none is named.
    pub fn find(name: &str) -> Result<Horn> {
        if let Some((file, wanted)) = in_file(name) {
            return one_of(Horn::in_file(file)?, file, wanted);
        }
        let wanted = plain_name(name);
        let found = Horn::called(&wanted)
            .or_else(|| Horn::called(&key_last(&wanted)?))
            .cloned();
        found.ok_or_else(|| {
            let names = Horn::catalogue().iter().flat_map(Horn::names);
            Error::setting(
                format!("no horn is called \"{name}\""),
                name_hint(&wanted, names, "leadpipe horns"),
            )
        })
    }

    /// All horns that a name stands for: those of a TOML file, or the one.
    ///
    /// # Errors
    /// As [`Horn::find`], but for a file of several.
    #[doc(hidden)]
    pub fn find_all(name: &str) -> Result<Vec<Horn>> {
        match in_file(name) {
            Some((file, None)) => Horn::in_file(file),
            _ => Ok(vec![Horn::find(name)?]),
        }
    }

    /// The horns of a TOML file, one at least.
    fn in_file(file: &str) -> Result<Vec<Horn>> {
        let horns = settings_file::read(Path::new(file), parse)?;
        match horns.is_empty() {
            true => Err(Error::setting(
                format!("{file}: holds no horn"),
                "add a [[horn]] table",
            )),
            false => Ok(horns),
        }
    }

    fn called(wanted: &str) -> Option<&'static Horn> {
        Horn::catalogue()
            .iter()
            .find(|horn| horn.names().any(|name| name == wanted))
    }

    /// All its names on the command line.
    fn names(&self) -> impl Iterator<Item = &str> {
        std::iter::once(&self.name)
            .chain(&self.also)
            .map(String::as_str)
    }
}

/// The TOML file of a name, and which of its horns it says, if it is one: `FILE.toml` or
/// `FILE.toml:NAME`.
fn in_file(name: &str) -> Option<(&str, Option<&str>)> {
    const END: &str = ".toml";
    if name.ends_with(END) {
        return Some((name, None));
    }
    let at = name.rfind(".toml:")? + END.len();
    Some((&name[..at], Some(&name[at + 1..])))
}

/// The horn of a file that is named, or the only one.
fn one_of(mut horns: Vec<Horn>, file: &str, wanted: Option<&str>) -> Result<Horn> {
    let found = match wanted.map(plain_name) {
        Some(wanted) => horns
            .iter()
            .position(|horn| horn.names().any(|name| plain_name(name) == wanted)),
        None => (horns.len() == 1).then_some(0),
    };
    if let Some(at) = found {
        return Ok(horns.swap_remove(at));
    }
    let names: Vec<&str> = horns.iter().map(|horn| horn.name.as_str()).collect();
    let (names, first) = (names.join(", "), names[0]);
    Err(match wanted {
        Some(wanted) => Error::setting(
            format!("{file}: no horn is called \"{wanted}\""),
            format!("it holds {names}"),
        ),
        None => Error::setting(
            format!("{file}: holds {} horns", horns.len()),
            format!("name one of {names}, as in {file}:{first}"),
        ),
    })
}

/// A horn's name as the catalogue spells it: `Tuba in F`, `E♭ bass` and `french horn`
/// become `tuba-f`, `eb-bass` and `french-horn`.
fn plain_name(name: &str) -> String {
    let name = name.trim().to_lowercase();
    let name = name.replace('♭', "b").replace('ü', "u");
    let words = name.split([' ', '-', '_']);
    let words: Vec<&str> = words.filter(|w| !w.is_empty() && *w != "in").collect();
    words.join("-").replace("-flat", "b")
}

/// A name that begins with a key, `f-tuba`, with the key at its end.
fn key_last(name: &str) -> Option<String> {
    let (key, rest) = name.split_once('-')?;
    parse_key(&format!("{key}4"))?;
    Some(format!("{rest}-{key}"))
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
    #[serde(default)]
    also: Vec<String>,
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
    attachments: Vec<String>,
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
        let attachment = |text: &String| key("attachments", text).map(Concert);
        let attachments: Vec<Concert> = (entry.attachments.iter().map(attachment))
            .collect::<std::result::Result<_, String>>()?;
        if !attachments.is_empty() && !entry.slide {
            return Err(format!(
                "{}: attachments belong to a slide; give a horn with valves more of them",
                entry.name
            ));
        }
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
            attachments,
            valves_flat_cents,
            side,
            also: entry.also.iter().map(|name| plain_name(name)).collect(),
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
    let keys: Vec<&str> = (horn.attachments.iter())
        .map(|key| class_name(key.0))
        .collect();
    let counted = |count: usize, what: &str| match count {
        1 => what.to_owned(),
        _ => format!("{what}s"),
    };
    let valves = counted(horn.valves.into(), "valve");
    let build = match (horn.slide, horn.side) {
        (true, _) if keys.is_empty() => "slide".into(),
        (true, _) => {
            let attachments = counted(keys.len(), "attachment");
            format!("slide, {attachments} {}", keys.join(", "))
        }
        (false, Some(side)) => format!(
            "{} {valves} and a thumb valve to {}",
            horn.valves,
            class_name(side.fundamental.0)
        ),
        (false, None) => format!("{} {valves}", horn.valves),
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
    fn plain_names_find_the_usual_member() {
        for (said, meant) in [
            ("Trumpet", "trumpet"),
            ("Bb trumpet", "trumpet"),
            ("C trumpet", "trumpet-c"),
            ("bass trumpet", "bass-trumpet"),
            ("trumpet in E flat", "trumpet-eb"),
            ("french horn", "horn"),
            ("Flügelhorn", "flugelhorn"),
            ("tuba", "tuba-bb"),
            ("F tuba", "tuba-f"),
            ("Tuba in E♭", "tuba-eb"),
            ("wagner tuba", "wagner-tuba-bb"),
            ("tenor trombone", "trombone"),
            ("tuba-c", "tuba-c"),
        ] {
            assert_eq!(Horn::find(said).unwrap().name, meant, "{said}");
        }
        assert!(Horn::find("trumpet in H").is_err());
        // No name is anybody else's.
        let mut names: Vec<&str> = Horn::catalogue().iter().flat_map(Horn::names).collect();
        let count = names.len();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), count);
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
