//! The TOML form of a tuning.
//!
//! ```toml
//! name = "mine"                # as on the command line
//! title = "My table"
//! kind = "table"               # or "selection": some of a table's notes
//! tonic = "C4"                 # degree 0
//! anchor = "A4"                # one of its notes, which --reference fixes; the tonic if left out
//! period = 1200                # cents; 1200 if left out
//! degrees = ["1/1", "9/8", 386.3, "4/3", "3/2", "5/3", "15/8"]   # ratios as text, cents as numbers
//! ```

use serde::{Deserialize, Serialize};

use crate::error::{Error, Result};
use crate::settings_file::{self, ParseError};
use crate::units::parse_key;

/// Whether a file is a complete tuning table or a selection of notes to quantise to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// All of a tuning.
    Table,
    /// Some of its notes, to quantise to.
    Selection,
}

/// A degree as written: cents, or a ratio in a string.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Degree {
    /// Above the tonic, in cents.
    Cents(f64),
    /// Frequency ratio to the tonic, such as `3/2`.
    Ratio(String),
}

impl std::fmt::Display for Degree {
    /// As it stands in a file.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Degree::Cents(cents) => write!(f, "{cents}"),
            Degree::Ratio(text) => write!(f, "\"{text}\""),
        }
    }
}

/// A tuning as it is in a file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TuningFile {
    /// Name on the command line.
    pub name: String,
    /// Name in full.
    pub title: String,
    /// Whole or a selection.
    pub kind: Kind,
    /// Pitch of the first degree, such as `C4`.
    pub tonic: String,
    /// Pitch that sounds as the reference says; the tonic if left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub anchor: Option<String>,
    /// Period in cents.
    #[serde(default = "octave")]
    pub period: f64,
    /// Degrees within a period.
    pub degrees: Vec<Degree>,
    /// The file's leading comment.
    #[serde(default, skip_deserializing)]
    pub about: String,
}

fn octave() -> f64 {
    1200.0
}

/// Most degrees in a period: one per cent of an octave.
const MAX_DEGREES: usize = 1200;

/// Parses and checks a tuning.
pub fn parse(text: &str) -> std::result::Result<TuningFile, ParseError> {
    let mut file: TuningFile = settings_file::parse(text)?;
    let comment = text.lines().take_while(|line| line.starts_with('#'));
    let words: Vec<&str> = comment.map(|line| line[1..].trim()).collect();
    file.about = words.join(" ");
    // All errors are found here, where the file's name is known.
    let checked = file.cents().and(file.tonic_key()).and(file.anchor_key());
    match checked {
        Ok(_) => Ok(file),
        Err(error) => Err(ParseError::plain(error.to_string())),
    }
}

impl TuningFile {
    /// Degrees in cents above the tonic, rising, each once.
    ///
    /// # Errors
    /// [`Error::Setting`] for no or too many degrees, invalid ratios, or a period below
    /// 50 cents.
    pub fn cents(&self) -> Result<Vec<f64>> {
        let wrong =
            |problem: String, hint: &str| Error::setting(format!("{}: {problem}", self.name), hint);
        if !(self.period.is_finite() && self.period >= 50.0) {
            return Err(wrong(
                format!("a period of {} cents", self.period),
                "give 50 cents or more",
            ));
        }
        if self.degrees.is_empty() || self.degrees.len() > MAX_DEGREES {
            return Err(wrong(
                format!("{} degrees", self.degrees.len()),
                "give 1 to 1200",
            ));
        }
        let mut cents = Vec::with_capacity(self.degrees.len());
        for degree in &self.degrees {
            let value = match degree {
                Degree::Cents(cents) => Some(*cents),
                Degree::Ratio(text) => ratio_cents(text),
            };
            let value = value
                .filter(|v| v.is_finite() && v.abs() < 1e5)
                .ok_or_else(|| {
                    wrong(
                        format!("degree {degree}"),
                        "give cents, or a ratio such as \"3/2\"",
                    )
                })?;
            cents.push(value.rem_euclid(self.period));
        }
        cents.sort_by(f64::total_cmp);
        cents.dedup_by(|a, b| (*a - *b).abs() < 1e-9);
        Ok(cents)
    }

    /// The tonic as a MIDI key.
    pub fn tonic_key(&self) -> Result<i32> {
        self.key("tonic", &self.tonic)
    }

    /// The anchor as a MIDI key, if the file has one.
    pub fn anchor_key(&self) -> Result<Option<i32>> {
        let anchor = self.anchor.as_deref();
        anchor.map(|text| self.key("anchor", text)).transpose()
    }

    fn key(&self, field: &str, text: &str) -> Result<i32> {
        parse_key(text).ok_or_else(|| {
            Error::setting(
                format!("{}: {field} = \"{text}\" is not a note name", self.name),
                "give one such as C4 or Bb3",
            )
        })
    }
}

/// Cents of a ratio in text, `3/2` or `2`: `1200 log2(p / q)`.
pub fn ratio_cents(text: &str) -> Option<f64> {
    let (above, below) = text.split_once('/').unwrap_or((text, "1"));
    let above: u64 = above.trim().parse().ok()?;
    let below: u64 = below.trim().parse().ok()?;
    if above == 0 || below == 0 {
        return None;
    }
    Some(1200.0 * (above as f64 / below as f64).log2())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn errors_have_places() {
        let error = parse("name = \"x\"\ntitle = 5\n").unwrap_err();
        assert_eq!(error.place, Some((2, 9)), "{error:?}");
        let text = "name=\"x\"\ntitle=\"x\"\nkind=\"table\"\ntonic=\"C4\"\ndegrees=[\"3/0\"]\n";
        let error = parse(text).unwrap_err();
        assert_eq!(
            error.message,
            "x: degree \"3/0\"; give cents, or a ratio such as \"3/2\""
        );
    }

    fn file() -> impl Strategy<Value = TuningFile> {
        let degree = prop_oneof![
            (-2_000.0f64..2_000.0).prop_map(Degree::Cents),
            (1u32..200, 1u32..200).prop_map(|(p, q)| Degree::Ratio(format!("{p}/{q}"))),
        ];
        let key = || (0i32..128).prop_map(crate::units::key_name);
        let words = (
            "[a-z0-9-]{1,20}",
            "\\PC{0,30}",
            prop::option::of(key()),
            key(),
        );
        let kind = prop::sample::select(vec![Kind::Table, Kind::Selection]);
        let degrees = prop::collection::vec(degree, 1..20);
        (words, kind, 50.0f64..2_400.0, degrees).prop_map(|(words, kind, period, degrees)| {
            let (name, title, anchor, tonic) = words;
            TuningFile {
                name,
                title,
                kind,
                tonic,
                anchor,
                period,
                degrees,
                about: String::new(),
            }
        })
    }

    /// As a file has it: what it is stands in a comment, not in a field.
    fn printed(file: &TuningFile) -> String {
        let mut table = toml::Table::try_from(file).unwrap();
        table.remove("about");
        table.to_string()
    }

    proptest! {
        /// A table that is printed reads as itself.
        #[test]
        fn what_is_printed_reads_the_same(file in file()) {
            prop_assert_eq!(parse(&printed(&file)), Ok(file));
        }

        /// Whatever is done to a file, it is either read as a table that can be laid
        /// out or refused in a sentence, with a place that is in it.
        #[test]
        fn a_damaged_file_is_a_table_or_a_placed_error(
            file in file(),
            at in 0.0f64..1.0,
            length in 0usize..12,
            junk in "\\PC{0,8}",
        ) {
            let mut chars: Vec<char> = printed(&file).chars().collect();
            let from = (at * chars.len() as f64) as usize;
            let to = (from + length).min(chars.len());
            chars.splice(from..to, junk.chars());
            let text: String = chars.into_iter().collect();
            match parse(&text) {
                Ok(file) => {
                    let cents = file.cents().unwrap();
                    prop_assert!(cents.windows(2).all(|pair| pair[0] < pair[1]));
                    prop_assert!(cents.iter().all(|c| (0.0..=file.period).contains(c)), "{cents:?}");
                }
                Err(error) => settings_file::assert_useful(&text, &error),
            }
        }

        #[test]
        fn ratios_are_cents(above in 1u64..1000, below in 1u64..1000) {
            let cents = ratio_cents(&format!("{above}/{below}")).unwrap();
            let back = 2f64.powf(cents / 1200.0);
            prop_assert!((back - above as f64 / below as f64).abs() < 1e-9 * back);
        }
    }
}
