//! Bars: ties over bar lines, rests, values that notation has.

use super::rhythm::Placed;
use super::{Metre, QUARTER};

/// What is written at a place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum What {
    /// Silence.
    Rest,
    /// A note of the line, by index; whether it is tied to the one before and
    /// after, being the same note.
    Note {
        note: usize,
        tied_in: bool,
        tied_out: bool,
    },
}

/// A written value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Written {
    /// Place within the bar, in ticks.
    pub start: u32,
    /// Length in ticks.
    pub length: u32,
    /// Note or rest.
    pub what: What,
}

/// A bar's values in order.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Bar {
    /// They fill the bar.
    pub written: Vec<Written>,
}

/// Note values: ticks, name, dots, and whether three go into the time of two.
pub const VALUES: [(u32, &str, u32, bool); 13] = [
    (4 * QUARTER, "whole", 0, false),
    (3 * QUARTER, "half", 1, false),
    (2 * QUARTER, "half", 0, false),
    (36, "quarter", 1, false),
    (QUARTER, "quarter", 0, false),
    (18, "eighth", 1, false),
    (16, "quarter", 0, true),
    (12, "eighth", 0, false),
    (9, "16th", 1, false),
    (8, "eighth", 0, true),
    (6, "16th", 0, false),
    (4, "16th", 0, true),
    (3, "32nd", 0, false),
];

/// The value of so many ticks.
pub fn value(length: u32) -> Option<(&'static str, u32, bool)> {
    let found = VALUES.iter().find(|(ticks, ..)| *ticks == length);
    found.map(|(_, name, dots, triplet)| (*name, *dots, *triplet))
}

/// Divides placed notes into bars of a metre; into one bar where there is none.
pub fn divide(placed: &[Placed], metre: Option<Metre>) -> Vec<Bar> {
    let end = placed.last().map_or(0, |p| p.start + p.length);
    let bar = match metre {
        Some(metre) => metre.bar(),
        None => end.max(QUARTER),
    };
    let count = end.div_ceil(bar).max(1);
    let mut bars = vec![Bar::default(); count as usize];
    let mut at = 0;
    for note in placed {
        fill(&mut bars, bar, at, note.start, None);
        fill(
            &mut bars,
            bar,
            note.start,
            note.start + note.length,
            Some(note.note),
        );
        at = note.start + note.length;
    }
    fill(&mut bars, bar, at, count * bar, None);
    bars
}

/// Writes a note or a rest from one place to another.
fn fill(bars: &mut [Bar], bar: u32, from: u32, to: u32, note: Option<usize>) {
    let mut at = from;
    while at < to {
        let within = at % bar;
        let length = piece(within, (to - at).min(bar - within), note.is_none());
        let what = match note {
            None => What::Rest,
            Some(note) => What::Note {
                note,
                tied_in: at > from,
                tied_out: at + length < to,
            },
        };
        bars[(at / bar) as usize].written.push(Written {
            start: within,
            length,
            what,
        });
        at += length;
    }
}

/// First value of a length at a place in the bar. What begins within a beat goes
/// no farther than the beat, but for the plain syncopation; rests show the beats.
fn piece(start: u32, left: u32, rest: bool) -> u32 {
    let into = start % QUARTER;
    let to_beat = QUARTER - into;
    let syncopated = into == QUARTER / 2 && left == QUARTER && !rest;
    let most = if into != 0 && left > to_beat && !syncopated {
        to_beat
    } else {
        left
    };
    let triplet = !into.is_multiple_of(3) || (most < QUARTER && !most.is_multiple_of(3));
    let fits = |(ticks, _, dots, three): &&(u32, &str, u32, bool)| {
        // A value over several beats is whole beats; what is left follows.
        let beats = *ticks < QUARTER || *ticks % QUARTER == 0 || *ticks == most;
        *ticks <= most && *three == triplet && beats && !(rest && *dots > 0)
    };
    let found = VALUES.iter().find(fits);
    found.map_or(most.min(3), |(ticks, ..)| *ticks)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn note(note: usize, start: u32, length: u32) -> Placed {
        Placed {
            note,
            start,
            length,
        }
    }

    fn lengths(bar: &Bar) -> Vec<u32> {
        bar.written.iter().map(|w| w.length).collect()
    }

    #[test]
    fn notes_are_tied_over_the_bar_line() {
        let bars = divide(&[note(0, 72, 48)], Some(Metre::COMMON));
        assert_eq!(lengths(&bars[0]), [48, 24, 24]);
        let What::Note { tied_out, .. } = bars[0].written[2].what else {
            panic!("no note");
        };
        let What::Note { tied_in, .. } = bars[1].written[0].what else {
            panic!("no note");
        };
        assert!(tied_out && tied_in);
    }

    #[test]
    fn values_are_those_of_notation() {
        let bars = divide(
            &[
                note(0, 0, 36),
                note(1, 36, 12),
                note(2, 48, 8),
                note(3, 56, 16),
            ],
            Some(Metre::COMMON),
        );
        assert_eq!(lengths(&bars[0]), [36, 12, 8, 16, 24]);
        assert_eq!(value(8), Some(("eighth", 0, true)));
    }

    proptest! {
        /// Whatever is placed, each bar is full, of values that notation has.
        #[test]
        fn bars_are_full(steps in prop::collection::vec((0u32..60, 1u32..120), 0..20), beats in 2u32..7) {
            let mut placed = Vec::new();
            let mut at = 0;
            for (i, (gap, length)) in steps.into_iter().enumerate() {
                // On the grids that rhythms have.
                let start = (at + gap).div_ceil(6) * 6;
                let length = length.div_ceil(6) * 6;
                placed.push(note(i, start, length));
                at = start + length;
            }
            let metre = Metre { beats, value: 4 };
            for bar in divide(&placed, Some(metre)) {
                prop_assert_eq!(bar.written.iter().map(|w| w.length).sum::<u32>(), metre.bar());
                for w in &bar.written {
                    prop_assert!(value(w.length).is_some(), "{:?}", w);
                }
            }
        }
    }
}
