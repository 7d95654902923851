//! Time of a position in a score whose tempo changes.

use super::DEFAULT_TEMPO;

/// Tempo changes by position in quarters.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TempoMap {
    /// In order of position.
    changes: Vec<Change>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Change {
    /// Position in quarters, and its time in seconds.
    quarters: f64,
    time_s: f64,
    /// Quarters a minute from there on.
    tempo: f64,
}

impl TempoMap {
    /// Map of tempo changes: position in quarters, quarters a minute from there on.
    /// Of several at a position the last counts; tempi outside 1 to 2000 a minute are
    /// ignored. The first tempo also applies before its own position.
    pub fn new(changes: impl IntoIterator<Item = (f64, f64)>) -> TempoMap {
        let sane = |(quarters, tempo): &(f64, f64)| {
            (1.0..=2_000.0).contains(tempo) && quarters.is_finite()
        };
        let mut changes: Vec<(f64, f64)> = changes.into_iter().filter(sane).collect();
        changes.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut map = TempoMap::default();
        for (quarters, tempo) in changes {
            let time_s = match map.changes.is_empty() {
                true => quarters * 60.0 / tempo,
                false => map.seconds(quarters),
            };
            map.changes.push(Change {
                quarters,
                time_s,
                tempo,
            });
        }
        map
    }

    /// The first tempo, if any is given.
    pub fn first(&self) -> Option<f64> {
        self.changes.first().map(|change| change.tempo)
    }

    /// The median of the tempi at some times from the start, the slower of two, if any tempo is
    /// given: one that the map has.
    pub fn median_at(&self, times_s: impl Iterator<Item = f64>) -> Option<f64> {
        let first = self.first()?;
        let tempo = |time_s: f64| {
            let passed = (self.changes).partition_point(|change| change.time_s <= time_s);
            let last = passed.checked_sub(1);
            last.map_or(first, |last| self.changes[last].tempo)
        };
        let mut tempi: Vec<f64> = times_s.map(tempo).collect();
        tempi.sort_by(f64::total_cmp);
        let middle = tempi.len().saturating_sub(1) / 2;
        Some(tempi.get(middle).copied().unwrap_or(first))
    }

    /// Seconds from the start to a position in quarters.
    pub fn seconds(&self, quarters: f64) -> f64 {
        let passed = (self.changes).partition_point(|change| change.quarters < quarters);
        let (at, time_s, tempo) = match passed.checked_sub(1) {
            Some(last) => {
                let last = self.changes[last];
                (last.quarters, last.time_s, last.tempo)
            }
            None => (0.0, 0.0, self.first().unwrap_or(DEFAULT_TEMPO)),
        };
        time_s + (quarters - at) * 60.0 / tempo
    }

    /// Position in quarters at a time from the start: the inverse of [`TempoMap::seconds`].
    pub fn quarters(&self, time_s: f64) -> f64 {
        let passed = (self.changes).partition_point(|change| change.time_s < time_s);
        let (at, at_s, tempo) = match passed.checked_sub(1) {
            Some(last) => {
                let last = self.changes[last];
                (last.quarters, last.time_s, last.tempo)
            }
            None => (0.0, 0.0, self.first().unwrap_or(DEFAULT_TEMPO)),
        };
        at + (time_s - at_s) * tempo / 60.0
    }

    /// Positions at which the tempo changes, in quarters and seconds, in order.
    pub fn changes(&self) -> impl Iterator<Item = (f64, f64)> {
        self.changes.iter().map(|c| (c.quarters, c.time_s))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tempi_change_where_they_are_written() {
        assert_eq!(TempoMap::default().seconds(2.0), 1.0);
        let map = TempoMap::new([(4.0, 120.0), (0.0, 60.0), (5.0, f64::NAN)]);
        assert_eq!(map.seconds(4.0), 4.0);
        assert_eq!(map.seconds(6.0), 5.0);
        // Before the first change, and with two in one place.
        let map = TempoMap::new([(2.0, 60.0), (2.0, 30.0), (3.0, 120.0)]);
        assert_eq!(map.first(), Some(60.0));
        assert_eq!(
            [1.0, 2.0, 3.0, 4.0].map(|q| map.seconds(q)),
            [1.0, 2.0, 4.0, 4.5]
        );
        // What comes before the notes is no tempo of theirs.
        assert_eq!(map.median_at([2.5, 4.0, 5.0].into_iter()), Some(120.0));
        // Between two that are as common lies one that no note has.
        assert_eq!(map.median_at([0.0, 5.0].into_iter()), Some(60.0));
        assert_eq!(map.median_at(std::iter::empty()), Some(60.0));
        assert_eq!(TempoMap::default().median_at([1.0].into_iter()), None);
        // One tempo, given late.
        let late = TempoMap::new([(2.0, 60.0)]);
        assert_eq!([1.0, 3.0].map(|q| late.seconds(q)), [1.0, 3.0]);
        for quarters in [0.0, 1.5, 2.0, 2.5, 3.0, 7.25] {
            let back = map.quarters(map.seconds(quarters));
            assert!((back - quarters).abs() < 1e-12, "{quarters}: {back}");
        }
    }
}
