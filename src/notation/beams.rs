//! Beams: flagged notes of one beat joined together.

use super::bars::{Symbol, Written, value};
use super::pulse::Pulse;

/// A note's part of one beam, by its name in notation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Beam {
    Begin,
    Continue,
    End,
    /// A stub towards the next note, or back.
    ForwardHook,
    BackwardHook,
}

/// The beams of each value in a bar, the outermost first; none for what stands
/// alone. A beat is beamed together.
pub fn beams(bar: &[Written], pulse: &Pulse) -> Vec<Vec<Beam>> {
    let flags: Vec<usize> = bar.iter().map(flags).collect();
    // Whether a value is joined to its successor at a level.
    let joined = |at: usize, level: usize| {
        let Some(next) = bar.get(at + 1) else {
            return false;
        };
        let together = pulse.beat(bar[at].start) == pulse.beat(next.start);
        together && flags[at] >= level && flags[at + 1] >= level
    };
    let of = |at: usize| {
        let before = at.checked_sub(1);
        let back = |level| before.is_some_and(|b| joined(b, level));
        if !joined(at, 1) && !back(1) {
            return Vec::new();
        }
        (1..=flags[at])
            .map(|level| match (back(level), joined(at, level)) {
                (true, true) => Beam::Continue,
                (true, false) => Beam::End,
                (false, true) => Beam::Begin,
                (false, false) if back(1) => Beam::BackwardHook,
                (false, false) => Beam::ForwardHook,
            })
            .collect()
    };
    (0..bar.len()).map(of).collect()
}

/// Flags of a note; none for a rest.
fn flags(written: &Written) -> usize {
    match (written.symbol, value(written.length)) {
        (Symbol::Rest, _) => 0,
        (_, Some(("eighth", ..))) => 1,
        (_, Some(("16th", ..))) => 2,
        (_, Some(("32nd", ..))) => 3,
        _ => 0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notation::Metre;

    fn bar(lengths: &[(u32, bool)]) -> Vec<Written> {
        let mut start = 0;
        let written = |(i, (length, note)): (usize, &(u32, bool))| {
            let symbol = if *note {
                Symbol::Note {
                    note: i,
                    tied_in: false,
                    tied_out: false,
                }
            } else {
                Symbol::Rest
            };
            start += length;
            Written {
                start: start - length,
                length: *length,
                symbol,
            }
        };
        lengths.iter().enumerate().map(written).collect()
    }

    #[test]
    fn a_beat_is_one_beam() {
        use Beam::{BackwardHook, Begin, Continue, End};
        let common = Pulse::of(Some(Metre::COMMON));
        let (eighth, dotted, sixteenth) = ((12, true), (18, true), (6, true));
        let written = bar(&[
            eighth,
            eighth,
            eighth,
            sixteenth,
            sixteenth,
            dotted,
            sixteenth,
            (24, true),
        ]);
        assert_eq!(
            beams(&written, &common),
            [
                vec![Begin],
                vec![End],
                vec![Begin],
                vec![Continue, Begin],
                vec![End, End],
                vec![Begin],
                vec![End, BackwardHook],
                vec![],
            ]
        );
        // A rest stands between; a lone eighth keeps its flag.
        let written = bar(&[eighth, (12, false), eighth]);
        assert!(beams(&written, &common).iter().all(Vec::is_empty));
        // Three eighths together in 6/8.
        let written = bar(&[eighth, eighth, eighth, eighth]);
        let six = Pulse::of(Some(Metre { beats: 6, value: 8 }));
        assert_eq!(beams(&written, &six)[2], [End]);
        assert!(beams(&written, &six)[3].is_empty());
    }
}
