//! How much of its time a note is played.

use super::Next;
use crate::notes::Length;

/// The slowest release, dB a second: the reverberation of a large concert hall, which dies away by
/// 60 dB in some two seconds (Beranek, Concert Halls and Opera Houses, 2nd ed. 2004; from memory).
/// A diminuendo is slower.
const SLOWEST_DB_PER_S: f64 = 60.0 / 2.0;
/// A release falls by this much at least, in dB, to half its amplitude; a dip between notes that are
/// slurred or softly tongued is shallower. From 6 to 8 dB no labelled take is named differently.
const LEAST_DB: f64 = 6.0;

/// A note that is played for a larger share of its time is tenuto. Not fitted: of takes that are labelled
/// legato and nonlegato the medians overlap, and three of fourteen are on the wrong side at best.
const TENUTO_SHARE: f64 = 0.93;
/// A note that is played for a smaller share of its time is staccato. Fitted, as is the next, by
/// `scripts/note_lengths.py`.
const STACCATO_SHARE: f64 = 0.53;
/// Staccatissimo is heard by a note's share of its time as well as by its length: the limit for the
/// product of the share and seconds.
const STACCATISSIMO_S: f64 = 0.0336;

/// The length of a note that is played for `played_s` of `time_s` seconds.
pub(super) fn length(played_s: f64, time_s: f64, next: Next) -> Length {
    let share = played_s / time_s;
    // A note slurred to the next is not short, however quick.
    if share > TENUTO_SHARE {
        Length::Tenuto
    } else if share > STACCATO_SHARE || next == Next::Slurred {
        Length::Normal
    } else if share * played_s > STACCATISSIMO_S {
        Length::Staccato
    } else {
        Length::Staccatissimo
    }
}

/// Index in a note's levels, dBFS, at which its release begins, however long it then rings
/// in the horn and in the room; their count if nothing is released: a diminuendo is slower than
/// a release, and so are only the largest halls. Levels before `from` are the attack's.
///
/// A sustained level and its release are two straight lines that meet: of all bends downwards,
/// that which leaves the least squares (Hudson, Journal of the American Statistical
/// Association 61, 1966).
pub(super) fn release(levels: &[f64], from: usize, hop_s: f64) -> usize {
    let tone = &levels[from..];
    let count = tone.len();
    if count < 4 {
        return levels.len();
    }
    let least_fall = SLOWEST_DB_PER_S * hop_s;
    let n = count as f64;
    let middle = (n - 1.0) / 2.0;
    let spread = n * (n * n - 1.0) / 12.0;
    let mean = tone.iter().sum::<f64>() / n;
    let moment = (tone.iter().enumerate()).map(|(i, level)| (i as f64 - middle) * level);
    let slope = moment.sum::<f64>() / spread;
    // With the straight line removed, each bend is judged by what it explains of the rest.
    let rest = |i: usize| tone[i] - mean - slope * (i as f64 - middle);
    let (mut sum, mut product) = (rest(count - 1), 0.0);
    let (mut most, mut found) = (0.0, levels.len());
    for at in (1..count - 1).rev() {
        // The bend's own ramp is 0 up to `at` and then 1, 2, 3 ...; `product` is its
        // product with the rest.
        product += sum;
        sum += rest(at);
        let after = (count - 1 - at) as f64;
        let ramp = after * (after + 1.0) / 2.0;
        let squares = ramp * (2.0 * after + 1.0) / 3.0;
        let tilt = ((at as f64 - middle) * ramp + squares) / spread;
        let bend = product / (squares - ramp * ramp / n - tilt * tilt * spread);
        let explained = bend * product;
        if bend >= 0.0 || explained <= most {
            continue;
        }
        let fall = -(slope - bend * tilt + bend);
        most = explained;
        let released = fall > least_fall && fall * after > LEAST_DB;
        found = if released { from + at } else { levels.len() };
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::HOP_S;
    use proptest::prelude::*;

    #[test]
    fn a_diminuendo_and_an_accent_are_no_release() {
        let second = |level: &dyn Fn(f64) -> f64| -> Vec<f64> {
            (0..750).map(|i| level(f64::from(i) * HOP_S)).collect()
        };
        let diminuendo = second(&|t| -20.0 - 18.0 * t);
        assert_eq!(release(&diminuendo, 0, HOP_S), 750);
        let accent = second(&|t| -20.0 - 12.0 * (t / 0.1).min(1.0));
        assert_eq!(release(&accent, 0, HOP_S), 750);
    }

    proptest! {
        #[test]
        fn a_release_is_found_whatever_the_room(
            played in 20usize..300,
            slope in -10.0f64..10.0,
            db_a_second in 40.0f64..300.0,
        ) {
            let ringing = (30.0 / db_a_second / HOP_S) as usize;
            let level = |i: usize| {
                let t = i as f64 * HOP_S;
                let released_s = i.saturating_sub(played) as f64 * HOP_S;
                -20.0 + slope * t - (db_a_second + slope) * released_s
            };
            let levels: Vec<f64> = (0..played + ringing).map(level).collect();
            prop_assert!(release(&levels, 0, HOP_S).abs_diff(played) <= 1);
        }
    }
}
