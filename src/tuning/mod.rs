//! Tunings: the pitches that a piece uses and that the playing is measured against.
//!
//! A tuning file gives degrees above a tonic within a period. Here they are repeated
//! over the whole range as one sorted list of pitches, so that octaves, other periods,
//! note selections and 128-key dumps are handled alike.

pub mod bulk_dump;
pub mod quantiser;
pub mod tuning_file;

use std::path::Path;

use serde::Serialize;

use crate::error::{Error, Result, name_hint};
use crate::settings_file;
use crate::text::{escaped, shown, shown_path};
use crate::units::{A4_HZ, Pitch, key_name, parse_key};
use tuning_file::{Kind, TuningFile};

/// Lowest and highest pitch of a tuning, MIDI semitones.
const SPAN: (f64, f64) = (-12.0, 140.0);

/// A reference pitch: the frequency of A4.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(transparent)]
pub struct Reference(f64);

impl Reference {
    /// Reference with A4 at `a4_hz`.
    ///
    /// # Errors
    /// [`Error::Setting`] outside 380 to 500 Hz, which includes every known pitch
    /// standard.
    pub fn new(a4_hz: f64) -> Result<Self> {
        if (380.0..=500.0).contains(&a4_hz) {
            Ok(Reference(a4_hz))
        } else {
            Err(Error::setting(
                format!("a reference of {a4_hz} Hz"),
                "give A4 between 380 and 500 Hz",
            ))
        }
    }

    /// A4 in hertz.
    pub fn a4_hz(self) -> f64 {
        self.0
    }

    /// Shift from 440 Hz, in semitones.
    pub(crate) fn shift(self) -> f64 {
        12.0 * (self.0 / A4_HZ).log2()
    }

    /// Pitch in semitones relative to this reference: whole numbers are the
    /// keys of equal temperament on it.
    pub(crate) fn relative(self, pitch: Pitch) -> f64 {
        pitch.0 - self.shift()
    }

    /// Nearest MIDI key at this reference.
    pub(crate) fn nearest_key(self, pitch: Pitch) -> i32 {
        self.relative(pitch).round().clamp(0.0, 127.0) as i32
    }

    /// Pitch of a MIDI key in equal temperament at this reference.
    #[doc(hidden)]
    pub fn equal(self, key: i32) -> Pitch {
        Pitch(f64::from(key) + self.shift())
    }
}

impl Default for Reference {
    fn default() -> Self {
        Reference(A4_HZ)
    }
}

/// A tuning at a reference pitch.
#[derive(Debug, Clone, PartialEq)]
pub struct Tuning {
    name: String,
    title: String,
    about: String,
    kind: Kind,
    /// Key of the tonic, where it is another than the tuning's own.
    tonic: Option<i32>,
    reference: Reference,
    /// All pitches, rising, in MIDI semitones.
    pitches: Vec<f64>,
    /// Degrees in cents above the tonic within a period, for display.
    degrees: Vec<f64>,
    period: f64,
    /// Degree, counted from 0, of the lowest pitch.
    lowest_degree: usize,
}

impl Tuning {
    /// Names of the built-in tunings.
    pub fn names() -> impl Iterator<Item = &'static str> {
        BUNDLED.iter().map(|(name, _)| *name)
    }

    /// The tuning of a name, of a TOML file (`.toml`) or of a MIDI Tuning Standard bulk
    /// dump (`.syx`).
    ///
    /// # Errors
    /// [`Error::Setting`] for an unknown name (with a similar one), an invalid file
    /// (with line and column), or an invalid tonic.
    pub fn find(name: &str, tonic: Option<&str>, reference: Reference) -> Result<Tuning> {
        let tonic = tonic.map(parse_tonic).transpose()?;
        if name.ends_with(".syx") {
            let dump = bulk_dump::read(Path::new(name))?;
            return Ok(Tuning::from_keys(&dump.name, &dump.pitches, reference));
        }
        if name.ends_with(".toml") {
            let file = settings_file::read(Path::new(name), tuning_file::parse)?;
            return Tuning::new(&file, tonic, reference);
        }
        let wanted = name.to_lowercase();
        let Some((_, text)) = BUNDLED.iter().find(|(known, _)| *known == wanted) else {
            let path = Path::new(name);
            if path.extension().is_some() && path.is_file() {
                return Err(Error::setting(
                    format!(
                        "{}: a tuning is not read from this kind of file",
                        shown_path(path)
                    ),
                    "give a TOML file (.toml) or a MIDI tuning dump (.syx)",
                ));
            }
            return Err(Error::setting(
                format!("no tuning is called \"{name}\""),
                name_hint(&wanted, Tuning::names(), "leadpipe tunings"),
            ));
        };
        let file = tuning_file::parse(text).expect("the built-in tables are sound");
        Tuning::new(&file, tonic, reference)
    }

    /// Tuning from a file.
    ///
    /// `tonic` overrides the file's. The anchor (the file's, else the tonic) is in equal
    /// temperament at the reference.
    ///
    /// # Errors
    /// [`Error::Setting`] for degrees, a tonic or an anchor that make no sense.
    #[doc(hidden)]
    pub fn new(file: &TuningFile, tonic: Option<i32>, reference: Reference) -> Result<Self> {
        let degrees = file.cents()?;
        let own_tonic = file.tonic_key()?;
        let tonic_key = tonic.unwrap_or(own_tonic);
        let anchor_key = file.anchor_key()?.unwrap_or(tonic_key);
        let period = file.period;
        // Interval from the tonic to the anchor's degree.
        let above = f64::from(anchor_key - tonic_key) * 100.0;
        let nearest = nearest_cents(&degrees, period, above);
        if (nearest - above).abs() > 50.0 {
            return Err(Error::setting(
                format!(
                    "{}: its anchor {} is not one of its notes on {}",
                    file.name,
                    key_name(anchor_key),
                    key_name(tonic_key)
                ),
                "give one of its notes as anchor, or leave the anchor out",
            ));
        }
        let tonic_pitch = reference.equal(anchor_key).0 - nearest / 100.0;
        let mut pitches: Vec<(f64, usize)> = Vec::new();
        let first = ((SPAN.0 - tonic_pitch) * 100.0 / period).floor() as i32;
        let last = ((SPAN.1 - tonic_pitch) * 100.0 / period).ceil() as i32;
        for repeat in first..=last {
            let base = tonic_pitch + f64::from(repeat) * period / 100.0;
            let degrees = degrees.iter().enumerate();
            pitches.extend(degrees.map(|(degree, cents)| (base + cents / 100.0, degree)));
        }
        pitches.retain(|(p, _)| (SPAN.0..=SPAN.1).contains(p));
        pitches.sort_by(|a, b| a.0.total_cmp(&b.0));
        Ok(Tuning {
            name: shown(&file.name),
            title: shown(&file.title),
            about: escaped(&file.about).into_owned(),
            kind: file.kind,
            tonic: tonic.filter(|key| *key != own_tonic),
            reference,
            lowest_degree: pitches.first().map_or(0, |(_, degree)| *degree),
            pitches: pitches.into_iter().map(|(pitch, _)| pitch).collect(),
            degrees,
            period,
        })
    }

    /// Tuning from the pitches of single keys, as in a bulk dump.
    #[doc(hidden)]
    pub fn from_keys(name: &str, keys: &[Pitch], reference: Reference) -> Self {
        let mut pitches: Vec<f64> = keys.iter().map(|p| p.0).collect();
        pitches.sort_by(f64::total_cmp);
        pitches.dedup();
        Tuning {
            name: shown(name),
            title: shown(name),
            about: "From a MIDI Tuning Standard bulk dump.".into(),
            kind: Kind::Table,
            tonic: None,
            reference,
            degrees: pitches.iter().map(|p| p * 100.0).collect(),
            period: f64::INFINITY,
            lowest_degree: 0,
            pitches,
        }
    }

    /// Name on the command line.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Name in full.
    pub fn title(&self) -> &str {
        &self.title
    }

    /// Name of its tonic, where it is another than its own.
    pub(crate) fn other_tonic(&self) -> Option<String> {
        self.tonic.map(key_name)
    }

    /// Description in a sentence.
    #[doc(hidden)]
    pub fn about(&self) -> &str {
        &self.about
    }

    /// Whether it holds only some notes of a tuning, to play to: cents against it say
    /// nothing of intonation.
    #[doc(hidden)]
    pub fn is_selection(&self) -> bool {
        self.kind == Kind::Selection
    }

    /// Its reference pitch.
    #[doc(hidden)]
    pub fn reference(&self) -> Reference {
        self.reference
    }

    /// Degrees in cents above the tonic.
    #[doc(hidden)]
    pub fn degrees_cents(&self) -> &[f64] {
        &self.degrees
    }

    /// Period in cents, 1200 for the octave.
    #[doc(hidden)]
    pub fn period_cents(&self) -> f64 {
        self.period
    }

    /// All pitches, rising.
    pub fn pitches(&self) -> &[f64] {
        &self.pitches
    }

    /// All pitches, rising, each with its degree counted from 0 at the tonic.
    pub(crate) fn degreed(&self) -> impl Iterator<Item = (Pitch, usize)> {
        let count = self.degrees.len();
        let degree = move |i| (self.lowest_degree + i) % count;
        self.pitches
            .iter()
            .enumerate()
            .map(move |(i, pitch)| (Pitch(*pitch), degree(i)))
    }

    /// Index into [`Tuning::pitches`] of the pitch nearest to `pitch`.
    pub(crate) fn nearest_index(&self, pitch: Pitch) -> usize {
        let after = self.pitches.partition_point(|&p| p < pitch.0);
        let last = self.pitches.len() - 1;
        let (low, high) = (after.saturating_sub(1).min(last), after.min(last));
        if pitch.0 - self.pitches[low] <= self.pitches[high] - pitch.0 {
            low
        } else {
            high
        }
    }

    /// The pitch of the tuning that is nearest to `pitch`.
    ///
    /// ```
    /// use leadpipe::{Pitch, Reference, Tuning};
    /// let just = Tuning::find("just", None, Reference::default()).unwrap();
    /// assert!((just.nearest(Pitch(69.2)).0 - 69.0).abs() < 1e-9);
    /// ```
    pub fn nearest(&self, pitch: Pitch) -> Pitch {
        Pitch(self.pitches[self.nearest_index(pitch)])
    }
}

/// The degree, in cents over all periods, nearest to a number of cents.
fn nearest_cents(degrees: &[f64], period: f64, cents: f64) -> f64 {
    let turn = (cents / period).floor();
    let candidates = [-1.0, 0.0, 1.0]
        .into_iter()
        .flat_map(|around| degrees.iter().map(move |d| d + (turn + around) * period));
    candidates
        .min_by(|a, b| (a - cents).abs().total_cmp(&(b - cents).abs()))
        .unwrap_or(0.0)
}

macro_rules! bundled {
    ($($name:literal),* $(,)?) => {
        /// Names and texts of the files in `tunings/`.
        const BUNDLED: &[(&str, &str)] =
            &[$(($name, include_str!(concat!("../../tunings/", $name, ".toml")))),*];
    };
}

bundled![
    "equal-12",
    "equal-19",
    "equal-24",
    "equal-31",
    "just",
    "pythagorean",
    "meantone-4",
    "meantone-6",
    "werckmeister-3",
    "kirnberger-3",
    "vallotti",
    "partials",
    "major",
    "dorian",
    "minor-pentatonic",
    "blues",
    "whole-tone",
];

/// The built-in tunings.
pub fn catalogue() -> Vec<TuningFile> {
    BUNDLED
        .iter()
        .map(|(_, text)| tuning_file::parse(text).expect("the built-in tables are sound"))
        .collect()
}

/// Reads a tonic: a pitch name with or without octave (`Bb` is `Bb4`).
fn parse_tonic(text: &str) -> Result<i32> {
    parse_key(text)
        .or_else(|| parse_key(&format!("{text}4")))
        .ok_or_else(|| {
            Error::setting(
                format!("\"{text}\" is not a note name"),
                "give a tonic such as C, Bb or F#3",
            )
        })
}
