//! Bars: ties over bar lines, rests, values that notation has.

use super::QUARTER;
use super::pulse::Pulse;
use super::rhythm::Placed;

/// A note or a rest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Symbol {
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

/// A note or rest with its written value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Written {
    /// Place within the bar, in ticks.
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
pub const VALUES: [(u32, &str, u32, bool); 14] = [
    (6 * QUARTER, "whole", 1, false),
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

/// Divides placed notes into bars of a pulse; into one bar where they are unmeasured.
/// Gives the bars and the place where the first one begins, in ticks: a line that begins
/// with a pickup of half a bar or less has a first bar of its own length.
pub fn divide(placed: &[Placed], pulse: &Pulse, measured: bool) -> (Vec<Bar>, u32) {
    let end = placed.last().map_or(0, |p| p.start + p.length);
    let first = placed.first().map_or(0, |p| p.start);
    let bar = if measured {
        pulse.bar()
    } else {
        end.div_ceil(pulse.bar()).max(1) * pulse.bar()
    };
    let pickup = measured && 2 * (first % bar) >= bar;
    let from = if pickup { first } else { first / bar * bar };
    let count = (end.div_ceil(bar)).max(from / bar + 1) - from / bar;
    let mut page = Page {
        bars: vec![Bar::default(); count as usize],
        bar,
        first_bar: from / bar,
        measured,
        pulse,
    };
    let mut at = from;
    for note in placed {
        page.fill(at, note.start, None);
        page.fill(note.start, note.start + note.length, Some(note.note));
        at = note.start + note.length;
    }
    page.fill(at, (from / bar + count) * bar, None);
    (page.bars, from)
}

/// Bars being filled.
struct Page<'a> {
    bars: Vec<Bar>,
    /// Ticks of a bar.
    bar: u32,
    first_bar: u32,
    measured: bool,
    pulse: &'a Pulse,
}

impl Page<'_> {
    /// Writes a note or a rest from one place to another.
    fn fill(&mut self, from: u32, to: u32, note: Option<usize>) {
        let mut at = from;
        while at < to {
            let within = at % self.bar;
            let left = (to - at).min(self.bar - within);
            // A bar of rest is one rest.
            let length = if note.is_none() && left == self.bar && self.measured {
                left
            } else {
                piece(self.pulse, at, left, note.is_none())
            };
            let symbol = match note {
                None => Symbol::Rest,
                Some(note) => Symbol::Note {
                    note,
                    tied_in: at > from,
                    tied_out: at + length < to,
                },
            };
            self.bars[(at / self.bar - self.first_bar) as usize]
                .written
                .push(Written {
                    start: within,
                    length,
                    symbol,
                });
            at += length;
        }
    }
}

/// First value of a length at a place. What begins within a beat goes no farther than the
/// beat, but for the plain syncopation; what begins on one ends on one, but for a dotted
/// quarter; rests show the beats.
fn piece(pulse: &Pulse, start: u32, left: u32, rest: bool) -> u32 {
    let (beat, length) = pulse.beat(start);
    let into = start - beat;
    let to_beat = length - into;
    let syncopated = into == QUARTER / 2 && left == QUARTER && length == QUARTER && !rest;
    let most = if into != 0 && left > to_beat && !syncopated {
        to_beat
    } else {
        left
    };
    let triplet = !into.is_multiple_of(3) || (most < QUARTER && !most.is_multiple_of(3));
    let fits = |(ticks, _, dots, three): &&(u32, &str, u32, bool)| {
        let inside = *ticks <= to_beat;
        let on_beat = pulse.beat(start + ticks).0 == start + ticks;
        let plain = *ticks == most && length == QUARTER;
        // Only a beat that is dotted itself is a dotted rest.
        let dotted_rest = rest && *dots > 0 && *ticks != length;
        let hides_beat = rest && *ticks > length && !pulse.may_rest(start, start + ticks);
        *ticks <= most
            && *three == triplet
            && (inside || on_beat || plain)
            && !(dotted_rest || hides_beat)
    };
    let found = VALUES.iter().find(fits);
    found.map_or(most.min(3), |(ticks, ..)| *ticks)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notation::Metre;
    use proptest::prelude::*;

    fn divided(placed: &[Placed], beats: u32, value: u32) -> Vec<Bar> {
        let pulse = Pulse::of(Some(Metre { beats, value }));
        divide(placed, &pulse, true).0
    }

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
        let bars = divided(&[note(0, 0, 48), note(1, 72, 48)], 4, 4);
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
    fn values_are_those_of_notation() {
        let bars = divided(
            &[
                note(0, 0, 36),
                note(1, 36, 12),
                note(2, 48, 8),
                note(3, 56, 16),
            ],
            4,
            4,
        );
        assert_eq!(lengths(&bars[0]), [36, 12, 8, 16, 24]);
        assert_eq!(value(8), Some(("eighth", 0, true)));
    }

    #[test]
    fn dotted_quarters_are_the_beats_of_six_eighths() {
        let bars = divided(
            &[
                note(0, 0, 24),
                note(1, 24, 24),
                note(2, 48, 24),
                note(3, 72, 72),
            ],
            6,
            8,
        );
        assert_eq!(lengths(&bars[0]), [24, 12, 12, 24]);
        assert_eq!(lengths(&bars[1]), [72]);
        // Rests show the beats; a whole bar of rest is one.
        let bars = divided(&[note(0, 0, 12), note(1, 144, 36)], 6, 8);
        assert_eq!(lengths(&bars[0]), [12, 24, 36]);
        assert_eq!(lengths(&bars[1]), [72]);
        let bars = divided(&[note(0, 0, 12), note(1, 240, 120)], 5, 4);
        assert_eq!(lengths(&bars[1]), [120]);
        assert_eq!(lengths(&bars[2]), [96, 24]);
    }

    #[test]
    fn a_pickup_has_a_bar_of_its_length() {
        let pulse = Pulse::of(Some(Metre::COMMON));
        let (bars, from) = divide(&[note(0, 84, 12), note(1, 96, 96)], &pulse, true);
        assert_eq!((lengths(&bars[0]), from), (vec![12], 84));
        assert_eq!(lengths(&bars[1]), [96]);
        // What begins early in the bar begins with rests.
        let (bars, from) = divide(&[note(0, 24, 72)], &pulse, true);
        assert_eq!((lengths(&bars[0]), from), (vec![24, 72], 0));
    }

    proptest! {
        /// Whatever is placed, each bar is full, of values that notation has, and the
        /// notes' values sum to their lengths.
        #[test]
        fn bars_are_full(
            steps in prop::collection::vec((0u32..60, 1u32..120), 1..20),
            metre in prop::sample::select(vec![(2, 4), (3, 4), (4, 4), (5, 4), (6, 4), (6, 8), (9, 8), (12, 8), (7, 8), (5, 8), (2, 2)]),
        ) {
            let mut placed = Vec::new();
            let mut at = 0;
            for (i, (gap, length)) in steps.into_iter().enumerate() {
                // On the grids that rhythms have.
                let start = (at + gap).div_ceil(6) * 6;
                let length = length.div_ceil(6) * 6;
                placed.push(note(i, start, length));
                at = start + length;
            }
            let metre = Metre { beats: metre.0, value: metre.1 };
            let pulse = Pulse::of(Some(metre));
            let (bars, from) = divide(&placed, &pulse, true);
            let mut sums = vec![0; placed.len()];
            for (at, bar) in bars.iter().enumerate() {
                let full = if at == 0 { metre.bar() - from % metre.bar() } else { metre.bar() };
                prop_assert_eq!(bar.written.iter().map(|w| w.length).sum::<u32>(), full);
                for w in &bar.written {
                    let whole = w.symbol == Symbol::Rest && w.length == metre.bar();
                    prop_assert!(whole || value(w.length).is_some(), "{:?}", w);
                    if let Symbol::Note { note, .. } = w.symbol {
                        sums[note] += w.length;
                    }
                }
            }
            for note in &placed {
                prop_assert_eq!(sums[note.note], note.length);
            }
        }
    }
}
