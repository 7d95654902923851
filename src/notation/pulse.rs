//! The pulse of a metre: its beats and how strong each place in the bar is.

use super::{Metre, QUARTER};

/// Ticks of a dotted quarter.
pub const DOTTED_QUARTER: u32 = 3 * QUARTER / 2;

/// Strength of a place in the bar, weakest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Strength {
    /// Within a beat.
    Within,
    /// On a beat.
    Beat,
    /// On the beat in the middle of a bar of four, or where the second group of five
    /// begins.
    Middle,
    /// On the bar line.
    Bar,
}

impl Strength {
    /// All there are, weakest first.
    pub const ALL: [Strength; 4] = [
        Strength::Within,
        Strength::Beat,
        Strength::Middle,
        Strength::Bar,
    ];
}

/// The beats of a bar: quarters, dotted quarters, or a mixture of both.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pulse {
    /// First tick and length of each beat.
    beats: Vec<(u32, u32)>,
    bar: u32,
    middle: Option<u32>,
}

impl Pulse {
    /// The pulses that a metre may have, the most usual first: additive metres are
    /// grouped in more than one way.
    pub fn all(metre: Metre) -> Vec<Pulse> {
        let (q, d) = (QUARTER, DOTTED_QUARTER);
        let groupings: Vec<(Vec<u32>, Option<usize>)> = match (metre.beats, metre.value) {
            (12, 8) => vec![(vec![d; 4], Some(2))],
            (5, 4) => vec![(vec![q; 5], Some(3)), (vec![q; 5], Some(2))],
            (5, 8) => vec![(vec![q, d], None), (vec![d, q], None)],
            (7, 8) => vec![
                (vec![q, q, d], None),
                (vec![d, q, q], None),
                (vec![q, d, q], None),
            ],
            (beats, 8) if beats.is_multiple_of(3) => vec![(vec![d; beats as usize / 3], None)],
            (1, 8) => vec![(vec![q / 2], None)],
            (beats, 8) => {
                let mut groups = vec![q; beats as usize / 2];
                if let Some(last) = groups.last_mut().filter(|_| beats % 2 == 1) {
                    *last = d;
                }
                vec![(groups, None)]
            }
            (beats, value) => {
                let quarters = (beats * 4 / value) as usize;
                let middle = quarters.is_multiple_of(2) && quarters > 2;
                vec![(vec![q; quarters], middle.then_some(quarters / 2))]
            }
        };
        let pulse = |(lengths, middle): (Vec<u32>, Option<usize>)| {
            let mut bar = 0;
            let mut beats = Vec::with_capacity(lengths.len());
            for length in lengths {
                beats.push((bar, length));
                bar += length;
            }
            let middle = middle.map(|at| beats[at].0);
            Pulse { beats, bar, middle }
        };
        groupings.into_iter().map(pulse).collect()
    }

    /// The most usual pulse of a metre; quarters where there is none.
    pub fn of(metre: Option<Metre>) -> Pulse {
        let quarter = Metre { beats: 1, value: 4 };
        let mut all = Pulse::all(metre.unwrap_or(quarter));
        all.swap_remove(0)
    }

    /// Ticks of a bar.
    pub fn bar(&self) -> u32 {
        self.bar
    }

    /// First tick and length of each beat of a bar.
    pub fn beats(&self) -> &[(u32, u32)] {
        &self.beats
    }

    /// First tick and length of the beat that a place is in. Both places count from the
    /// first bar line.
    pub fn beat(&self, place: u32) -> (u32, u32) {
        let within = place % self.bar;
        let at = self.beats.partition_point(|(start, _)| *start <= within);
        let (start, length) = self.beats[at - 1];
        (place - within + start, length)
    }

    /// Strength of a place.
    pub fn strength(&self, place: u32) -> Strength {
        match place % self.bar {
            0 => Strength::Bar,
            within if Some(within) == self.middle => Strength::Middle,
            _ if self.beat(place).0 == place => Strength::Beat,
            _ => Strength::Within,
        }
    }

    /// Whether one rest may stand for several beats: where it fills half of a bar that has
    /// a middle.
    pub fn may_rest(&self, from: u32, to: u32) -> bool {
        let strong = |place: u32| self.strength(place) >= Strength::Middle;
        self.middle.is_some() && strong(from) && strong(to)
    }

    /// Whether every beat is a dotted quarter.
    pub fn compound(&self) -> bool {
        self.beats
            .iter()
            .all(|(_, length)| *length == DOTTED_QUARTER)
    }

    /// Whether a place is on the grid of its beat: 32nds, and triplets where a beat is a
    /// quarter.
    pub fn has(&self, place: u32) -> bool {
        let (start, length) = self.beat(place);
        let within = place - start;
        within.is_multiple_of(3) || (length == QUARTER && within.is_multiple_of(4))
    }

    /// Time of a place in quarters from the first bar line, as it is played where the
    /// first eighth of a quarter takes the share `swing` of it. Triplets are played as
    /// they are.
    pub fn played(&self, place: u32, swing: f64) -> f64 {
        let half = QUARTER / 2;
        let (start, length) = self.beat(place);
        let within = place - start;
        let ticks = if length != QUARTER || !within.is_multiple_of(3) {
            f64::from(within)
        } else if within < half {
            f64::from(within) * 2.0 * swing
        } else {
            f64::from(QUARTER) * swing + f64::from(within - half) * 2.0 * (1.0 - swing)
        };
        (f64::from(start) + ticks) / f64::from(QUARTER)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bars_are_made_of_beats() {
        for (beats, value) in [
            (2, 4),
            (3, 4),
            (4, 4),
            (6, 8),
            (9, 8),
            (12, 8),
            (5, 4),
            (7, 8),
            (2, 2),
            (5, 8),
            (1, 8),
            (11, 8),
        ] {
            let metre = Metre { beats, value };
            for pulse in Pulse::all(metre) {
                assert_eq!(pulse.bar(), metre.bar(), "{metre:?}");
                assert_eq!(pulse.beat(metre.bar() + 1).0, metre.bar());
            }
        }
        let common = Pulse::of(Some(Metre::COMMON));
        assert_eq!(common.strength(48), Strength::Middle);
        assert_eq!(common.strength(96 + 24), Strength::Beat);
        assert_eq!(common.strength(12), Strength::Within);
        assert!(Pulse::of(Some(Metre { beats: 6, value: 8 })).compound());
    }

    #[test]
    fn swing_moves_off_beats_alone() {
        let pulse = Pulse::of(Some(Metre::COMMON));
        assert_eq!(pulse.played(24, 0.62), 1.0);
        assert!((pulse.played(36, 0.62) - 1.62).abs() < 1e-12);
        assert!((pulse.played(32, 0.62) - 4.0 / 3.0).abs() < 1e-12);
        assert_eq!(pulse.played(36, 0.5), 1.5);
    }
}
