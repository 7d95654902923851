//! Time of a position in a score whose tempo changes.

use super::DEFAULT_TEMPO;

/// Tempo changes by position in quarters.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TempoMap {
    /// Position in quarters, and quarters a minute from there on.
    changes: Vec<(f64, f64)>,
}

impl TempoMap {
    /// Adds a tempo change. Values outside 1 to 2000 a minute are ignored.
    pub fn change(&mut self, quarters: f64, tempo: f64) {
        if (1.0..=2_000.0).contains(&tempo) && quarters.is_finite() {
            self.changes.push((quarters, tempo));
            self.changes.sort_by(|a, b| a.0.total_cmp(&b.0));
        }
    }

    /// The first tempo, if any is given.
    pub fn first(&self) -> Option<f64> {
        self.changes.first().map(|(_, tempo)| *tempo)
    }

    /// Seconds from the start to a position in quarters. The first tempo also applies
    /// before its own position.
    pub fn seconds(&self, quarters: f64) -> f64 {
        let mut tempo = self.first().unwrap_or(DEFAULT_TEMPO);
        let (mut at, mut time_s) = (0.0, 0.0);
        for (place, next) in &self.changes {
            if *place >= quarters {
                break;
            }
            if *place > at {
                time_s += (place - at) * 60.0 / tempo;
                at = *place;
            }
            tempo = *next;
        }
        time_s + (quarters - at) * 60.0 / tempo
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tempi_change_where_they_are_written() {
        let mut map = TempoMap::default();
        assert_eq!(map.seconds(2.0), 1.0);
        map.change(4.0, 120.0);
        map.change(0.0, 60.0);
        assert_eq!(map.seconds(4.0), 4.0);
        assert_eq!(map.seconds(6.0), 5.0);
        map.change(5.0, f64::NAN);
        assert_eq!(map.seconds(6.0), 5.0);
    }
}
