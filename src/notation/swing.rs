//! How eighths are played over a part: straight or swung, passage by passage.

use super::QUARTER;
use super::pulse::Pulse;

/// Where another way of playing eighths begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Passage {
    /// First place in ticks from the first bar line: that of a beat.
    pub from: u32,
    /// Share of a quarter that its first eighth takes: a half where nothing swings.
    pub swing: f64,
}

/// The passages of a part in order, one at least; no two in a row are alike.
#[derive(Debug, Clone, PartialEq)]
pub struct Swing(Vec<Passage>);

/// A note as its swing is told from it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beaten {
    /// Place in ticks from the first bar line.
    pub place: u32,
    pub time_s: f64,
    /// Whether it was decoded as swung.
    pub swung: bool,
}

impl Swing {
    /// One way all through.
    pub fn all_through(swing: f64) -> Swing {
        Swing(vec![Passage { from: 0, swing }])
    }

    /// The passages of notes of which each has its swing: place in ticks from the first bar
    /// line, and share of a quarter. Another way begins with the beat of its first note.
    pub fn at_places(notes: &[(u32, f64)], pulse: &Pulse) -> Swing {
        let mut passages: Vec<Passage> = Vec::new();
        for (place, swing) in notes {
            if passages.last().is_none_or(|last| last.swing != *swing) {
                let from = match passages.is_empty() {
                    true => 0,
                    false => pulse.beat(*place).0,
                };
                passages.push(Passage {
                    from,
                    swing: *swing,
                });
            }
        }
        Swing(passages)
    }

    /// The passages of notes some of which swing by about `swing`, each by what its own notes
    /// say. A passage begins with the first off-beat that shows it; its mark stands at the
    /// bar line before that, if there is one after the passage before.
    pub fn in_passages(notes: &[Beaten], pulse: &Pulse, swing: f64) -> Swing {
        let off_beat = |n: &&Beaten| pulse.played(n.place, 0.5) != pulse.played(n.place, 0.7);
        let mut passages: Vec<(u32, bool)> = Vec::new();
        let mut last = 0;
        for note in notes.iter().filter(off_beat) {
            let (beat, length) = pulse.beat(note.place);
            if passages
                .last()
                .is_none_or(|(_, swung)| *swung != note.swung)
            {
                let line = beat - beat % pulse.bar();
                let from = if line >= last { line } else { beat };
                let first = passages.is_empty();
                passages.push((if first { 0 } else { from }, note.swung));
            }
            last = beat + length;
        }
        let ends = passages.iter().skip(1).map(|(from, _)| *from);
        let ends: Vec<u32> = ends.chain([u32::MAX]).collect();
        let own = |((from, swung), to): (&(u32, bool), &u32)| Passage {
            from: *from,
            swing: match swung {
                true => measured(notes, pulse, *from, *to).unwrap_or(swing),
                false => 0.5,
            },
        };
        let passages: Vec<Passage> = passages.iter().zip(&ends).map(own).collect();
        match passages.is_empty() {
            true => Swing::all_through(0.5),
            false => Swing(passages),
        }
    }

    /// The passages.
    pub fn passages(&self) -> &[Passage] {
        &self.0
    }

    /// Whether something swings.
    pub fn swings(&self) -> bool {
        self.0.iter().any(|p| p.swing != 0.5)
    }

    /// Passages that have a mark: all but a straight one at the beginning.
    pub fn marks(&self) -> impl Iterator<Item = &Passage> {
        let marked = |(at, p): &(usize, &Passage)| *at > 0 || p.swing != 0.5;
        self.0.iter().enumerate().filter(marked).map(|(_, p)| p)
    }

    /// Share of a quarter that the first eighth takes at a place.
    pub fn at(&self, place: u32) -> f64 {
        let next = self.0.partition_point(|p| p.from <= place);
        self.0[next.max(1) - 1].swing
    }

    /// Time of a place in quarters from the first bar line, as it is played.
    pub fn played(&self, place: u32, pulse: &Pulse) -> f64 {
        pulse.played(place, self.at(place))
    }
}

/// The share that the first eighths of a passage take, where enough of them have a note on
/// the beat before and after.
fn measured(notes: &[Beaten], pulse: &Pulse, from: u32, to: u32) -> Option<f64> {
    /// Fewest eighths that say more than those of the whole line.
    const ENOUGH: usize = 4;
    let (mut first_s, mut both_s, mut count) = (0.0, 0.0, 0);
    for three in notes.windows(3) {
        let [before, off, after] = [three[0], three[1], three[2]];
        let (beat, length) = pulse.beat(off.place);
        let here = (from..to).contains(&off.place) && length == QUARTER;
        let whole = before.place == beat && after.place == beat + QUARTER;
        if here && whole && off.place == beat + QUARTER / 2 {
            first_s += off.time_s - before.time_s;
            both_s += after.time_s - before.time_s;
            count += 1;
        }
    }
    let share = first_s / both_s;
    (count >= ENOUGH && share > 0.5).then(|| share.clamp(0.52, *super::SWINGS.end()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notation::Metre;

    /// Bars of eighths in 4/4, those from one place to another swung.
    fn eighths(bars: u32, swung: std::ops::Range<u32>, swing: f64) -> Vec<Beaten> {
        let pulse = Pulse::of(Some(Metre::COMMON));
        let note = |i: u32| {
            let place = i * QUARTER / 2;
            let swung = swung.contains(&place);
            Beaten {
                place,
                time_s: 0.5 * pulse.played(place, if swung { swing } else { 0.5 }),
                swung,
            }
        };
        (0..8 * bars).map(note).collect()
    }

    #[test]
    fn passages_begin_at_bar_lines() {
        let pulse = Pulse::of(Some(Metre::COMMON));
        let bar = pulse.bar();
        let swing = Swing::in_passages(&eighths(12, 4 * bar..8 * bar, 0.64), &pulse, 0.61);
        let from: Vec<u32> = swing.passages().iter().map(|p| p.from).collect();
        assert_eq!(from, [0, 4 * bar, 8 * bar]);
        assert!((swing.passages()[1].swing - 0.64).abs() < 1e-9);
        assert_eq!(swing.marks().count(), 2);
        assert_eq!(swing.played(4 * bar + 12, &pulse), 16.0 + 0.64);
        assert_eq!(swing.played(8 * bar + 12, &pulse), 32.5);
    }

    #[test]
    fn a_passage_may_begin_within_a_bar() {
        let pulse = Pulse::of(Some(Metre::COMMON));
        let swing = Swing::in_passages(&eighths(4, 144..1000, 0.66), &pulse, 0.6);
        assert_eq!(swing.passages()[1].from, 144);
        assert_eq!(
            Swing::in_passages(&[], &pulse, 0.6),
            Swing::all_through(0.5)
        );
        let all = Swing::in_passages(&eighths(4, 0..1000, 0.66), &pulse, 0.6);
        assert_eq!(all.marks().count(), 1);
    }
}
