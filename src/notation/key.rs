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

/// How well each of the twelve degrees fits into a major and a minor key
/// (Krumhansl and Kessler, Psychological Review 89(4), 1982; from memory).
const MAJOR: [f64; 12] = [
    6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88,
];
const MINOR: [f64; 12] = [
    6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17,
];
/// Farthest signature that is written: beyond it the enharmonic one is easier.
const MAX_FIFTHS: i32 = 6;
const STEPS: [char; 7] = ['F', 'C', 'G', 'D', 'A', 'E', 'B'];

impl Key {
    /// Key that a set of written keys with their lengths fits best (Krumhansl,
    /// Cognitive Foundations of Musical Pitch, 1990, chapter 4).
    pub fn estimate(keys: impl Iterator<Item = (i32, f64)>) -> Key {
        let mut weights = [0.0; 12];
        for (key, length_s) in keys {
            weights[key.rem_euclid(12) as usize] += length_s;
        }
        if weights.iter().all(|w| *w == 0.0) {
            return Key { fifths: 0 };
        }
        let fit = |profile: &[f64; 12], tonic: usize| {
            let turned: Vec<f64> = (0..12).map(|i| weights[(i + tonic) % 12]).collect();
            correlation(profile, &turned)
        };
        let candidates = (0..12).flat_map(|tonic| {
            // A minor key has the signature of the major key a minor third up.
            let (major, minor) = (signature(tonic), signature((tonic + 3) % 12));
            [(fit(&MAJOR, tonic), major), (fit(&MINOR, tonic), minor)]
        });
        let best = candidates.max_by(|a, b| a.0.total_cmp(&b.0));
        Key {
            fifths: best.map_or(0, |(_, fifths)| fifths),
        }
    }

    /// Reads a key by its name (`F`, `Bb`, `E flat minor`, `F#m`) or by its number of
    /// sharps, negative for flats.
    pub fn parse(text: &str) -> Option<Key> {
        let text = text.trim();
        let written = |key: &Key| (-7..=7).contains(&key.fifths);
        if let Ok(fifths) = text.parse() {
            return Some(Key { fifths }).filter(written);
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
        let minor = match rest.trim_matches(['-', ' ']) {
            "m" | "min" | "minor" => -3,
            "" | "maj" | "major" => 0,
            _ => return None,
        };
        // C stands at 1 on the line of fifths that begins with F.
        Some(Key {
            fifths: at - 1 + altered + minor,
        })
        .filter(written)
    }

    /// The key so many semitones higher, of two that sound alike the one with fewer signs.
    pub fn transposed(self, semitones: i32) -> Key {
        let fifths = (self.fifths + 7 * semitones).rem_euclid(12);
        Key {
            fifths: if fifths > MAX_FIFTHS {
                fifths - 12
            } else {
                fifths
            },
        }
    }

    /// Spells a written key: within the key as the signature has it, outside it
    /// as chromatic notes usually are (in C: C sharp, E flat, F sharp, G sharp,
    /// B flat).
    pub fn spell(self, key: i32) -> Spelled {
        // On the line of fifths, with F at 0 and C at 1.
        let lowest = self.fifths + 1 - 3;
        let wanted = (7 * key).rem_euclid(12) + 1;
        let place = lowest + (wanted - lowest).rem_euclid(12);
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

fn correlation(a: &[f64], b: &[f64]) -> f64 {
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let (ma, mb) = (mean(a), mean(b));
    let pairs = a.iter().zip(b).map(|(x, y)| (x - ma, y - mb));
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (x, y) in pairs {
        (ab, aa, bb) = (ab + x * y, aa + x * x, bb + y * y);
    }
    ab / (aa * bb).sqrt().max(1e-12)
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
        for name in ["H", "", "8", "G# major", "C hash", "E flat moll"] {
            assert_eq!(Key::parse(name), None, "{name}");
        }
    }

    #[test]
    fn keys_are_found() {
        // Scales with weight on tonic and fifth.
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
            ];
            let keys = notes.iter().map(|(degree, w)| (tonic + degree, *w));
            assert_eq!(Key::estimate(keys).fifths, fifths);
        }
    }
}
