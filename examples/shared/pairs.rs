//! Known notes and found ones that are the same.

use super::same_note::{ONSET_S, same_pitch};

/// Places in the lists of known notes and found ones that are the same: each with the first in time
/// that is left. A note is its onset in seconds and its pitch in semitones.
pub fn pairs(known: &[(f64, f64)], found: &[(f64, f64)]) -> Vec<(usize, usize)> {
    let mut pairs = Vec::new();
    let mut first = 0;
    for (at, (onset_s, pitch)) in known.iter().enumerate() {
        while first < found.len() && found[first].0 < onset_s - ONSET_S {
            first += 1;
        }
        let mut near = (found[first..].iter()).take_while(|f| f.0 <= onset_s + ONSET_S);
        if let Some(skip) = near.position(|f| same_pitch(*pitch, f.1)) {
            pairs.push((at, first + skip));
            first += skip + 1;
        }
    }
    pairs
}
