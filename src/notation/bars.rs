//! Bars: ties over bar lines, rests, values that notation has.

use super::rhythm::Placed;
use super::{Metre, QUARTER};

/// A note or a rest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Symbol {
    /// Silence.
    Rest,
    /// A note of the line, by index, and whether it is tied to the value before and
    /// after.
    Note {
        note: usize,
        tied_in: bool,
        tied_out: bool,
    },
}

/// A note or rest with its written value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Written {
    /// Position within the bar, in ticks.
    pub start: u32,
    /// Length in ticks.
    pub length: u32,
    /// Note or rest.
    pub symbol: Symbol,
}

/// A bar.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Bar {
    /// Notes and rests in order; together they fill the bar.
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

/// The value of a length in ticks: name, dots, and whether it is a triplet.
pub fn value(length: u32) -> Option<(&'static str, u32, bool)> {
    let found = VALUES.iter().find(|(ticks, ..)| *ticks == length);
    found.map(|(_, name, dots, triplet)| (*name, *dots, *triplet))
}

/// Divides placed notes into bars of a metre, or into one bar if there is none.
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

/// Writes a note or a rest from one position to another, in ticks.
fn fill(bars: &mut [Bar], bar: u32, from: u32, to: u32, note: Option<usize>) {
    let mut at = from;
    while at < to {
        let within = at % bar;
        let length = piece(within, (to - at).min(bar - within), note.is_none());
        let symbol = match note {
            None => Symbol::Rest,
            Some(note) => Symbol::Note {
                note,
                tied_in: at > from,
                tied_out: at + length < to,
            },
        };
        bars[(at / bar) as usize].written.push(Written {
            start: within,
            length,
            symbol,
        });
        at += length;
    }
}

/// First value of a length at a position in the bar. A value that begins within a beat
/// ends with the beat at the latest, except in a simple syncopation; rests show the
/// beats.
fn piece(start: u32, left: u32, rest: bool) -> u32 {
    let into = start % QUARTER;
    let to_beat = QUARTER - into;
    let syncopated = into == QUARTER / 2 && left == QUARTER && !rest;
    let longest = if into != 0 && left > to_beat && !syncopated {
        to_beat
    } else {
        left
    };
    let triplet = !into.is_multiple_of(3) || (longest < QUARTER && !longest.is_multiple_of(3));
    let fits = |(ticks, _, dots, three): &&(u32, &str, u32, bool)| {
        // A value over several beats is whole beats; the remainder follows.
        let beats = *ticks < QUARTER || *ticks % QUARTER == 0 || *ticks == longest;
        *ticks <= longest && *three == triplet && beats && !(rest && *dots > 0)
    };
    let found = VALUES.iter().find(fits);
    found.map_or(longest.min(3), |(ticks, ..)| *ticks)
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
        let Symbol::Note { tied_out, .. } = bars[0].written[2].symbol else {
            panic!("no note");
        };
        let Symbol::Note { tied_in, .. } = bars[1].written[0].symbol else {
            panic!("no note");
        };
        assert!(tied_out && tied_in);
    }

    #[test]
    fn values_exist_in_notation() {
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
        /// Each bar is full, of values that exist in notation.
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
