//! Which way through the score was played: the written one, or one with a repeat or the jump
//! left out, or with a repeat once more.
//!
//! One choice at a time is added, the one that lets the take fit best, as long as it fits
//! better than before: with ten repeats there are a hundred thousand ways, but of each
//! repeat the notes around it alone tell how it was played.

use super::align::fit;
use super::pair::Pair;
use crate::line::LineNote;
use crate::reference::{Departure, ReferencePart};

/// Costs closer than this are alike: half of the least that a note costs.
const ROUNDING: f32 = 0.5 * super::align::BEYOND;

/// A way, and how a take fits it.
struct Candidate {
    part: ReferencePart,
    cost: f32,
    /// Which targets were played right.
    right: Vec<bool>,
    /// Targets and notes that are not right.
    off: usize,
}

/// The way that was played, if it is not the written one. At most `max_pairs` pairs of notes
/// are compared to find it.
pub fn played_way(
    written: &ReferencePart,
    notes: &[LineNote],
    max_pairs: usize,
) -> Option<ReferencePart> {
    // A take, or a score without repeats, has one way alone.
    if !written.has_other_ways() {
        return None;
    }
    let mut left = max_pairs;
    let mut best = Candidate::new(written.clone(), notes, &mut left)?;
    while best.off > 0 {
        let others = best.part.other_ways();
        let others = others.map_while(|part| Candidate::new(part, notes, &mut left));
        let better = others.filter(|other| other.is_better_than(&best, notes.len()));
        match better.min_by(|a, b| a.cost.total_cmp(&b.cost)) {
            Some(better) => best = better,
            None => break,
        }
    }
    (!best.part.departures.is_empty()).then_some(best.part)
}

impl Candidate {
    /// None if it would take more than the `left` pairs of notes.
    fn new(part: ReferencePart, notes: &[LineNote], left: &mut usize) -> Option<Candidate> {
        *left = left.checked_sub(part.notes.len().saturating_mul(notes.len()))?;
        let (cost, pairs) = fit(&part.notes, notes);
        let mut right = vec![false; part.notes.len()];
        let mut off = 0;
        for Pair { target, note } in pairs {
            match target.zip(note) {
                Some((i, j)) if part.notes[i].concert == notes[j].concert => right[i] = true,
                _ => off += 1,
            }
        }
        Some(Candidate {
            part,
            cost,
            right,
            off,
        })
    }

    fn is_better_than(&self, best: &Candidate, played: usize) -> bool {
        let right = self.right.iter().filter(|right| **right).count();
        let departures = &self.part.departures;
        // Some stray notes beyond the end are no pass more of which the rest is missing.
        let believed = self.off < best.off || !departures.iter().any(|d| d.is_more);
        self.cost < best.cost - ROUNDING
            // Of another piece, or one in another key, nothing can be said.
            && 2 * right > played
            && believed
            && departures.iter().all(|d| d.is_more || self.shows(d))
    }

    /// Whether what is left out was left out and not merely beyond the take: notes were played
    /// right before it and after it or, where nothing comes after it, in the last bar.
    fn shows(&self, departure: &Departure) -> bool {
        let notes = &self.part.notes;
        let place = departure.place(notes);
        let (before, after) = self.right.split_at(place);
        let last_bar = notes.last().and_then(|last| last.bar.as_ref());
        let in_last_bar = || {
            let bar = notes.iter().map(|note| note.bar.as_ref() == last_bar);
            bar.zip(&self.right)
                .rev()
                .take_while(|(in_it, _)| *in_it)
                .any(|(_, right)| *right)
        };
        let goes_on = match after.is_empty() {
            true => in_last_bar(),
            false => after.contains(&true),
        };
        before.contains(&true) && goes_on
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::compare::compare;
    use crate::line::Line;
    use crate::output::generated::{Shape, line};

    /// The notes of each bar, quarters: |: 1 2 | 1. 3 :| 2. 4 | 5 | 6 Fine | |: 7 :| 8 D.C. al
    /// Fine.
    const BARS: [[i32; 4]; 8] = [
        [60, 64, 67, 65],
        [69, 65, 62, 64],
        [67, 71, 74, 72],
        [72, 69, 65, 60],
        [62, 64, 65, 67],
        [64, 60, 59, 60],
        [69, 71, 72, 76],
        [74, 72, 71, 68],
    ];

    fn score() -> ReferencePart {
        let sign = |bar: usize| match bar {
            2 => "<barline><ending number=\"1\" type=\"start\"/></barline>",
            3 => "<barline><ending number=\"2\" type=\"start\"/></barline>",
            6 => "<barline><repeat direction=\"forward\"/></barline>",
            _ => "",
        };
        let end = |bar: usize| match bar {
            2 => "<barline><ending type=\"stop\"/><repeat direction=\"backward\"/></barline>",
            3 => "<barline><ending type=\"stop\"/></barline>",
            5 => "<direction><sound fine=\"yes\"/></direction>",
            6 => "<barline><repeat direction=\"backward\"/></barline>",
            7 => {
                "<direction><direction-type><words>D.C. al Fine</words></direction-type></direction>"
            }
            _ => "",
        };
        let note = |key: &i32| {
            let (step, alter) = [
                ("C", 0),
                ("C", 1),
                ("D", 0),
                ("D", 1),
                ("E", 0),
                ("F", 0),
                ("F", 1),
                ("G", 0),
                ("G", 1),
                ("A", 0),
                ("A", 1),
                ("B", 0),
            ][(key % 12) as usize];
            let octave = key / 12 - 1;
            format!(
                "<note><pitch><step>{step}</step><alter>{alter}</alter><octave>{octave}</octave>\
                 </pitch><duration>1</duration></note>"
            )
        };
        let bar = |at: usize| {
            let notes: String = BARS[at].iter().map(note).collect();
            format!(
                "<measure number=\"{}\">{}{notes}{}</measure>",
                at + 1,
                sign(at),
                end(at)
            )
        };
        let bars: String = (0..BARS.len()).map(bar).collect();
        let text = format!("<score-partwise><part id=\"P\">{bars}</part></score-partwise>");
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("score.musicxml");
        std::fs::write(&path, text).unwrap();
        ReferencePart::read(&path, None).unwrap()
    }

    /// Sounding keys of bars by number.
    fn keys(bars: &[usize]) -> Vec<i32> {
        bars.iter().flat_map(|bar| BARS[bar - 1]).collect()
    }

    /// A line of them, half a second each.
    fn played(keys: &[i32]) -> Line {
        let shape = |key: &i32| Shape {
            rest_s: 0.05,
            length_s: 0.45,
            pitch: f64::from(*key),
            glide: 0.0,
            slurred: false,
        };
        line(&keys.iter().map(shape).collect::<Vec<_>>())
    }

    const WRITTEN: [usize; 16] = [1, 2, 3, 1, 2, 4, 5, 6, 7, 7, 8, 1, 2, 4, 5, 6];

    /// Ways through the score and what is said of them.
    fn ways() -> Vec<(Vec<usize>, &'static [&'static str])> {
        let end = [1, 2, 4, 5, 6];
        let with = |start: &[usize]| [start, &end].concat();
        vec![
            (WRITTEN.to_vec(), &[]),
            (
                with(&[1, 2, 4, 5, 6, 7, 7, 8]),
                &["repeat of bars 1 to 3 not played"],
            ),
            (
                with(&[1, 2, 3, 1, 2, 4, 5, 6, 7, 8]),
                &["repeat of bar 7 not played"],
            ),
            (
                with(&[1, 2, 3, 1, 2, 3, 1, 2, 4, 5, 6, 7, 7, 8]),
                &["bars 1 to 3 played once more than written"],
            ),
            (
                with(&[1, 2, 4, 5, 6, 7, 8]),
                &[
                    "repeat of bars 1 to 3 not played",
                    "repeat of bar 7 not played",
                ],
            ),
            (
                vec![1, 2, 3, 1, 2, 4, 5, 6, 7, 7, 8],
                &["da capo not played"],
            ),
            (
                vec![1, 2, 4, 5, 6, 7, 7, 7, 8],
                &[
                    "repeat of bars 1 to 3 not played",
                    "bar 7 played once more than written",
                    "da capo not played",
                ],
            ),
        ]
    }

    #[test]
    fn what_is_left_out_is_named_and_not_missing() {
        for (bars, words) in ways() {
            let keys = keys(&bars);
            let found = compare(&played(&keys), &score()).unwrap();
            assert_eq!(found.departures(), words, "{bars:?}");
            assert_eq!((found.right, found.notes.len()), (keys.len(), keys.len()));
            assert!(found.timing_spread_ms < 1.0, "{bars:?}");
        }
        // A part in another transposition is another way in that transposition.
        let up = |bars: &[usize]| keys(bars).iter().map(|key| key + 3).collect::<Vec<_>>();
        let (bars, words) = ways().swap_remove(1);
        let found = compare(&played(&up(&bars)), &score().shifted(3)).unwrap();
        assert_eq!(found.departures(), words);
        assert_eq!(found.right, 4 * bars.len());
    }

    /// Of a take that begins late or ends early nothing is left out, and where nothing fits
    /// nothing is known.
    #[test]
    fn what_is_beyond_the_take_is_not_left_out() {
        let written = keys(&WRITTEN);
        // What ends in the bar of the da capo has left that out.
        let before_jump = 40..=44;
        // One that begins in the second pass is the same as one without the first.
        for from in (0..12).step_by(3) {
            let ends = (from + 4..=written.len()).step_by(5);
            for to in ends.filter(|to| !before_jump.contains(to)) {
                let found = compare(&played(&written[from..to]), &score()).unwrap();
                assert_eq!(found.extra + found.wrong, 0, "{from} to {to}");
                assert_eq!(found.departures().len(), 0, "{from} to {to}");
            }
        }
        let other: Vec<i32> = written.iter().map(|key| key + 25).collect();
        assert_eq!(
            compare(&played(&other), &score())
                .unwrap()
                .departures()
                .len(),
            0
        );
    }

    proptest! {
        /// Slips do not hide the way: one note in ten wrong, left out or put in.
        #[test]
        fn the_way_is_found_through_slips(
            which in 0..ways().len(),
            slips in prop::collection::vec((0..10usize, 0..3u8), 80),
        ) {
            let (bars, words) = ways().swap_remove(which);
            let mut played_keys = Vec::new();
            let keys = keys(&bars);
            for (place, (key, (slip, kind))) in keys.iter().zip(&slips).enumerate() {
                // The slips are apart, so that nothing but slips is in them.
                match (*slip == 0 && place % 4 == 2, kind) {
                    (true, 0) => played_keys.push(key + 1),
                    (true, 1) => {}
                    (true, _) => played_keys.extend([*key, key - 6]),
                    _ => played_keys.push(*key),
                }
            }
            let found = compare(&played(&played_keys), &score()).unwrap();
            prop_assert_eq!(found.departures(), words);
        }
    }
}
