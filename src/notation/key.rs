//! Key signature and enharmonic spelling.

use std::fmt;

/// A key signature.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Key {
    /// Sharps, or flats where negative.
    pub fifths: i32,
}

/// A spelled pitch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Spelled {
    /// `C` to `B`.
    pub step: char,
    /// Sharps, or flats where negative.
    pub alter: i32,
    /// Octave, middle C in the fourth.
    pub octave: i32,
}

impl fmt::Display for Spelled {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mark = if self.alter > 0 { "#" } else { "b" };
        let marks = mark.repeat(self.alter.unsigned_abs() as usize);
        write!(f, "{}{marks}{}", self.step, self.octave)
    }
}

/// Share of a tune's time on each of the twelve degrees, and how often it ends on each:
/// in major, and in minor counted from the relative major's tonic. Fitted to folk songs
/// and dance tunes (`scripts/key_profile.py`).
const MODES: [Mode; 2] = [
    Mode {
        log_p: -0.29,
        shares: [
            0.227, 0.002, 0.150, 0.012, 0.176, 0.096, 0.003, 0.206, 0.003, 0.069, 0.005, 0.051,
        ],
        ends: [
            0.842, 0.0003, 0.020, 0.001, 0.088, 0.004, 0.0003, 0.033, 0.0003, 0.010, 0.0003, 0.002,
        ],
    },
    Mode {
        log_p: -1.39,
        shares: [
            0.166, 0.002, 0.125, 0.002, 0.178, 0.027, 0.002, 0.151, 0.011, 0.246, 0.002, 0.088,
        ],
        ends: [
            0.004, 0.004, 0.012, 0.004, 0.059, 0.004, 0.004, 0.027, 0.004, 0.840, 0.004, 0.035,
        ],
    },
];
/// Of so many notes, as many tell of the key by themselves: this power of their number.
const INDEPENDENT: f64 = 0.6;

/// A mode of a key signature.
struct Mode {
    /// Logarithm of how usual it is.
    log_p: f64,
    shares: [f64; 12],
    ends: [f64; 12],
}

/// Major or minor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KeyMode {
    /// Such as C major.
    Major,
    /// Such as A minor.
    Minor,
}

/// Farthest signature that is written: beyond it the enharmonic one is easier.
const MAX_FIFTHS: i32 = 6;
const STEPS: [char; 7] = ['F', 'C', 'G', 'D', 'A', 'E', 'B'];

impl Key {
    /// The most probable key of notes in order: written keys with their lengths. Each
    /// note is drawn from its mode's shares, and the last from its ends.
    pub fn estimate(notes: impl Iterator<Item = (i32, f64)>) -> Key {
        let mut times_s = [0.0; 12];
        let (mut count, mut last) = (0, None);
        for (key, length_s) in notes {
            let class = key.rem_euclid(12) as usize;
            times_s[class] += length_s;
            (count, last) = (count + 1, Some(class));
        }
        let all_s: f64 = times_s.iter().sum();
        let Some(last) = last.filter(|_| all_s > 0.0) else {
            return Key { fifths: 0 };
        };
        let weight = f64::from(count).powf(INDEPENDENT) / all_s;
        let log_p = |tonic: usize| {
            let of = |mode: &Mode| {
                let degrees = (0..12).map(|degree| (times_s[(tonic + degree) % 12], degree));
                let notes: f64 = degrees
                    .map(|(s, degree)| s * mode.shares[degree].ln())
                    .sum();
                mode.log_p + weight * notes + mode.ends[(last + 12 - tonic) % 12].ln()
            };
            let [major, minor] = [of(&MODES[0]), of(&MODES[1])];
            major.max(minor) + (-(major - minor).abs()).exp().ln_1p()
        };
        let best = (0..12).max_by(|a, b| log_p(*a).total_cmp(&log_p(*b)));
        Key {
            fifths: best.map_or(0, signature),
        }
    }

    /// Reads a key by its name (`F`, `Bb`, `E flat minor`, `F#m`) or by its number of
    /// sharps, negative for flats.
    pub fn parse(text: &str) -> Option<Key> {
        Some(Key::parse_with_mode(text)?.0)
    }

    /// The same with its mode, if the name says it.
    pub fn parse_with_mode(text: &str) -> Option<(Key, Option<KeyMode>)> {
        let text = text.trim();
        let written = |fifths: i32, mode| {
            let known = (-7..=7).contains(&fifths);
            known.then_some((Key { fifths }, mode))
        };
        if let Ok(fifths) = text.parse() {
            return written(fifths, None);
        }
        let step = text.chars().next()?;
        let rest = text[step.len_utf8()..].trim_start_matches(['-', ' ']);
        let at = STEPS.iter().position(|s| *s == step.to_ascii_uppercase())? as i32;
        let (altered, rest) = [
            ("sharp", 7),
            ("flat", -7),
            ("#", 7),
            ("\u{266f}", 7),
            ("\u{266d}", -7),
            ("b", -7),
        ]
        .iter()
        .find_map(|(mark, by)| Some((*by, rest.strip_prefix(mark)?)))
        .unwrap_or((0, rest));
        let (minor, mode) = match rest.trim_matches(['-', ' ']) {
            "m" | "min" | "minor" => (-3, Some(KeyMode::Minor)),
            "maj" | "major" => (0, Some(KeyMode::Major)),
            "" => (0, None),
            _ => return None,
        };
        // C stands at 1 on the line of fifths that begins with F.
        written(at - 1 + altered + minor, mode)
    }

    /// The key so many semitones higher: of two that sound alike the one with fewer signs,
    /// or the one with flats where this one has flats. By octaves it stays the same.
    pub fn transposed(self, semitones: i32) -> Key {
        if semitones % 12 == 0 {
            return self;
        }
        let fifths = (self.fifths + 7 * semitones).rem_euclid(12);
        let most = if self.fifths < 0 {
            MAX_FIFTHS - 1
        } else {
            MAX_FIFTHS
        };
        Key {
            fifths: if fifths > most { fifths - 12 } else { fifths },
        }
    }

    /// Spells a written key: within the key as the signature has it, outside it
    /// as chromatic notes usually are (in C: C sharp, E flat, F sharp, G sharp,
    /// B flat), but without double sharps and flats, which are slow to read at sight.
    pub fn spell(self, key: i32) -> Spelled {
        // On the line of fifths, with F at 0 and C at 1.
        let lowest = self.fifths + 1 - 3;
        let wanted = (7 * key).rem_euclid(12) + 1;
        let usual = lowest + (wanted - lowest).rem_euclid(12);
        // Seven fifths are a sharp, and twelve lead to the same key by another name.
        let place = match usual.div_euclid(7) {
            2.. => usual - 12,
            ..=-2 => usual + 12,
            _ => usual,
        };
        let step = STEPS[place.rem_euclid(7) as usize];
        let alter = place.div_euclid(7);
        Spelled {
            step,
            alter,
            octave: (key - alter).div_euclid(12) - 1,
        }
    }

    /// Semitones that the signature itself alters a step by.
    pub fn alters(self, step: char) -> i32 {
        let at = STEPS.iter().position(|s| *s == step).unwrap_or(0) as i32;
        if self.fifths > at {
            1
        } else if -self.fifths > 6 - at {
            -1
        } else {
            0
        }
    }
}

fn signature(tonic: usize) -> i32 {
    let fifths = (7 * tonic as i32).rem_euclid(12);
    if fifths > MAX_FIFTHS {
        fifths - 12
    } else {
        fifths
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn name(fifths: i32, key: i32) -> String {
        Key { fifths }.spell(key).to_string()
    }

    #[test]
    fn scales_are_spelled_by_their_signature() {
        for fifths in -6i32..=6 {
            let key = Key { fifths };
            let tonic = 60 + (7 * fifths).rem_euclid(12);
            let steps: Vec<char> = [0, 2, 4, 5, 7, 9, 11]
                .iter()
                .map(|degree| {
                    let spelled = key.spell(tonic + degree);
                    assert_eq!(spelled.alter, key.alters(spelled.step), "{fifths} {degree}");
                    spelled.step
                })
                .collect();
            let mut sorted = steps.clone();
            sorted.sort_unstable();
            sorted.dedup();
            assert_eq!(sorted.len(), 7, "{fifths}: {steps:?}");
        }
    }

    #[test]
    fn chromatic_notes_are_the_usual_ones() {
        assert_eq!(name(0, 66), "F#4");
        assert_eq!(name(0, 70), "Bb4");
        assert_eq!(name(0, 63), "Eb4");
        assert_eq!(name(0, 61), "C#4");
        assert_eq!(name(-3, 66), "Gb4");
        assert_eq!(name(3, 72), "C5");
        assert_eq!(name(-6, 71), "Cb5");
        assert_eq!(name(6, 60), "B#3");
        assert_eq!(name(5, 67), "G4");
        assert_eq!(name(-6, 69), "A4");
    }

    #[test]
    fn a_key_is_transposed_to_one_that_is_easy_to_read() {
        for (fifths, semitones, expected) in [
            (0, 2, 2),
            (6, 2, -4),
            (-6, 2, -4),
            (7, 2, -3),
            (7, 0, 7),
            (-7, -12, -7),
        ] {
            let key = Key { fifths }.transposed(semitones);
            assert_eq!(key.fifths, expected, "{fifths} {semitones}");
        }
    }

    #[test]
    fn keys_have_names() {
        for (name, fifths) in [
            ("C", 0),
            ("F", -1),
            ("Bb", -2),
            ("E flat minor", -6),
            ("F#m", 3),
            ("c# minor", 4),
            ("A-flat major", -4),
            ("b", 5),
            ("Bbm", -5),
            ("-3", -3),
            ("7", 7),
        ] {
            assert_eq!(Key::parse(name), Some(Key { fifths }), "{name}");
        }
        let mode = |name| Key::parse_with_mode(name).unwrap().1;
        assert_eq!(mode("F#m"), Some(KeyMode::Minor));
        assert_eq!(mode("A-flat major"), Some(KeyMode::Major));
        assert_eq!((mode("F"), mode("-1")), (None, None));
        for name in ["H", "", "8", "G# major", "C hash", "E flat moll"] {
            assert_eq!(Key::parse(name), None, "{name}");
        }
    }

    #[test]
    fn keys_are_found() {
        // Scales with weight on tonic and fifth, home to the tonic of major or minor.
        for fifths in -5i32..=6 {
            let tonic = 60 + (7 * fifths).rem_euclid(12);
            let notes = [
                (0, 3.0),
                (2, 1.0),
                (4, 1.5),
                (5, 1.0),
                (7, 2.0),
                (9, 1.0),
                (11, 0.7),
                (0, 2.0),
            ];
            let keys = notes.iter().map(|(degree, w)| (tonic + degree, *w));
            assert_eq!(Key::estimate(keys).fifths, fifths);
            let minor = [0, 2, 3, 5, 7, 8, 11, 7, 3, 0];
            let keys = minor.iter().map(|degree| (tonic + 9 + degree, 1.0));
            assert_eq!(Key::estimate(keys).fifths, fifths, "minor");
        }
    }
}
