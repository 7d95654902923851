//! Units as types, so that mixing them up does not compile: pitch, written and concert
//! keys, level.
//!
//! Pitch is stored in MIDI semitones (A4 = 69.0, one unit per equal-tempered
//! semitone, fractions allowed) because every other unit is one line away from
//! it: `f = a4 * 2^((p - 69) / 12)`, 100 cents to a unit, 1/12 V to a unit.

use serde::{Deserialize, Serialize, Serializer};

/// Standard frequency of A4 in hertz (ISO 16:1975).
pub const A4_HZ: f64 = 440.0;

/// Decimal places of a frequency in lists.
const HZ_DIGITS: i32 = 3;

/// Sample rates that the analysis is made for, in hertz.
pub const SAMPLE_RATES_HZ: std::ops::RangeInclusive<f64> = 8_000.0..=192_000.0;

/// Largest sample that is analysed as it is: 24 dB above full scale, which is more than a mixer's
/// headroom.
pub(crate) const LARGEST_SAMPLE: f32 = 16.0;

/// A sounding pitch in MIDI semitones, A4 = 69.0 at 440 Hz.
///
/// Always relative to 440 Hz: another reference pitch moves the *tuning* that a player
/// is measured against, never the meaning of this number.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Pitch(pub f64);

impl Pitch {
    /// Pitch of a frequency in hertz. Not finite for frequencies that are not
    /// positive and finite.
    ///
    /// ```
    /// use leadpipe::Pitch;
    /// assert_eq!(Pitch::from_hz(440.0).0, 69.0);
    /// ```
    pub fn from_hz(frequency_hz: f64) -> Self {
        Pitch(69.0 + 12.0 * (frequency_hz / A4_HZ).log2())
    }

    /// Frequency in hertz.
    pub fn hz(self) -> f64 {
        A4_HZ * 2f64.powf((self.0 - 69.0) / 12.0)
    }

    /// Frequency in hertz, with the decimal places that it has in lists.
    pub(crate) fn listed_hz(self) -> f64 {
        rounded(self.hz(), HZ_DIGITS)
    }

    /// The pitch of the frequency that lists have for this one, so that cents are the same when it
    /// is read back.
    pub(crate) fn as_listed(self) -> Self {
        Pitch::from_hz(self.listed_hz())
    }

    /// Signed distance to `other` in cents: positive where `self` is sharper.
    #[doc(hidden)]
    pub fn cents_above(self, other: Pitch) -> f64 {
        (self.0 - other.0) * 100.0
    }

    /// Control voltage at 1 V per octave with 0 V at `zero_volt_note` (a MIDI
    /// key).
    ///
    /// ```
    /// use leadpipe::Pitch;
    /// assert_eq!(Pitch(72.0).volts(60.0), 1.0);
    /// ```
    pub fn volts(self, zero_volt_note: f64) -> f64 {
        (self.0 - zero_volt_note) / 12.0
    }
}

/// A MIDI key as it sounds (concert pitch).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(transparent)]
pub struct Concert(pub i32);

/// A MIDI key as written in the player's part. Only a [`Horn`](crate::horn::Horn)
/// converts between the two.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(transparent)]
pub struct Written(pub i32);

/// Names of the twelve pitch classes, flat or sharp as brass players usually say them.
const NAMES: [&str; 12] = [
    "C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B",
];

/// Scientific pitch name of a MIDI key (60 is `C4`).
pub fn key_name(key: i32) -> String {
    format!("{}{}", class_name(key), key.div_euclid(12) - 1)
}

/// Name of a MIDI key without its octave (60 is `C`).
pub(crate) fn class_name(key: i32) -> &'static str {
    NAMES[key.rem_euclid(12) as usize]
}

/// Parses a pitch name (`C4`, `F#3`, `Bb-1`) or a MIDI number as a MIDI key.
pub fn parse_key(text: &str) -> Option<i32> {
    let text = text.trim();
    if let Ok(number) = text.parse::<i32>() {
        return (0..=127).contains(&number).then_some(number);
    }
    let mut chars = text.chars();
    let step = match chars.next()?.to_ascii_uppercase() {
        'C' => 0,
        'D' => 2,
        'E' => 4,
        'F' => 5,
        'G' => 7,
        'A' => 9,
        'B' => 11,
        _ => return None,
    };
    let rest = chars.as_str();
    let octave_text = rest.trim_start_matches(['#', 'b']);
    let accidental: i32 = rest[..rest.len() - octave_text.len()]
        .chars()
        .map(|c| if c == '#' { 1 } else { -1 })
        .sum();
    let octave: i32 = octave_text.parse().ok()?;
    let key = octave.checked_add(1)?.checked_mul(12)? + step + accidental;
    (0..=127).contains(&key).then_some(key)
}

impl std::fmt::Display for Concert {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&key_name(self.0))
    }
}

impl std::fmt::Display for Written {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&key_name(self.0))
    }
}

/// A deviation in cents as every table, label and report shows it: to a tenth, signed, never
/// minus zero.
pub fn cents_in_words(cents: f64) -> String {
    format!("{:+.1}", rounded(cents, 1))
}

/// Rounded to a number of decimal places, for display: never minus zero.
pub fn rounded(value: f64, digits: i32) -> f64 {
    let scale = 10f64.powi(digits);
    whole(value * scale) / scale
}

/// For serde: a number, or none, with so many decimal places.
pub(crate) fn with_digits<const DIGITS: i32, S: Serializer>(
    value: &(impl Copy + Into<Option<f64>>),
    to: S,
) -> Result<S::Ok, S::Error> {
    let value: Option<f64> = (*value).into();
    value.map(|value| rounded(value, DIGITS)).serialize(to)
}

/// The nearest whole number, for display: never minus zero.
pub fn whole(value: f64) -> f64 {
    // Adding zero turns minus zero into zero.
    value.round() + 0.0
}

/// Level in dB relative to full scale of a mean square (1.0 = 0 dBFS, RMS), at least
/// -120 dB so that silence is finite.
pub fn power_db(mean_square: f32) -> f32 {
    DB_PER_DOUBLING * mean_square.max(1e-12).log2()
}

/// Twice the power in dB. Logarithms and powers to base two are faster, and levels are
/// needed several times per hop.
const DB_PER_DOUBLING: f32 = 10.0 * std::f32::consts::LOG10_2;

/// Mean square of a level in dBFS: the inverse of [`power_db`].
pub fn db_power(level_db: f32) -> f32 {
    (level_db / DB_PER_DOUBLING).exp2()
}

/// Mean level of several hops, dBFS: of their powers, not of their levels.
pub fn mean_level_db(levels_db: impl ExactSizeIterator<Item = f32>) -> f32 {
    let count = levels_db.len().max(1) as f32;
    power_db(levels_db.map(db_power).sum::<f32>() / count)
}

/// A time as minutes and seconds.
pub fn clock(time_s: f64) -> String {
    let whole_s = time_s.max(0.0).round() as u64;
    format!("{}:{:02}", whole_s / 60, whole_s % 60)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pitch_and_hertz_are_inverse() {
        for key in 0..128 {
            let pitch = Pitch(f64::from(key) + 0.25);
            assert!((Pitch::from_hz(pitch.hz()).0 - pitch.0).abs() < 1e-9);
        }
    }

    #[test]
    fn a_listed_pitch_is_listed_again_as_it_was() {
        for step in 0..12_700 {
            let listed = Pitch(f64::from(step) / 100.0 + 1.0 / 700.0).as_listed();
            assert_eq!(listed.as_listed(), listed);
            assert_eq!(Pitch::from_hz(listed.listed_hz()), listed);
        }
    }

    #[test]
    fn cents_are_rounded_once() {
        for (cents, words) in [
            (3.45, "+3.5"),
            (-0.04, "+0.0"),
            (-3.25, "-3.3"),
            (12.0, "+12.0"),
        ] {
            assert_eq!(cents_in_words(cents), words);
        }
    }

    #[test]
    fn names_round_trip() {
        for key in 0..128 {
            assert_eq!(parse_key(&key_name(key)), Some(key));
        }
        assert_eq!(parse_key("a#3"), Some(58));
        assert_eq!(parse_key("H3"), None);
        assert_eq!(parse_key("C99999999999"), None);
        assert_eq!(parse_key("C2000000000"), None);
    }

    #[test]
    fn volts_follow_the_octave() {
        assert!((Pitch(48.0).volts(60.0) + 1.0).abs() < 1e-12);
        assert!((Pitch(61.0).volts(60.0) - 1.0 / 12.0).abs() < 1e-12);
    }
}
