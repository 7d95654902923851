//! Level per hop, and the gate that the user sets.

use crate::units::power_db;

/// Level of a hop, and whether the gate is open.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// Mean square level of the hop, dBFS.
    pub hop_db: f32,
    /// Whether the gate is closed: the sound is no louder than the threshold, and no pitch is
    /// looked for.
    pub closed: bool,
}

/// Level meter and gate. It does not follow the noise of the room: tone is told from noise by
/// what its harmonics do.
#[derive(Debug, Clone)]
pub struct Gate {
    threshold_db: f32,
    fall_db: f32,
    held_db: f32,
}

/// How fast a held level falls, dB per second: the pulses of a 29 Hz tone are
/// 34 ms apart and must not chatter the gate.
const FALL_DB_PER_S: f64 = 300.0;

impl Gate {
    /// Gate that is closed up to `threshold_db`, and in digital silence, for hops of `hop_s`
    /// seconds.
    pub fn new(threshold_db: f64, hop_s: f64) -> Self {
        Gate {
            threshold_db: (threshold_db as f32).max(power_db(0.0)),
            fall_db: (FALL_DB_PER_S * hop_s) as f32,
            held_db: f32::NEG_INFINITY,
        }
    }

    /// Takes the mean square of a hop.
    pub fn push(&mut self, mean_square: f32) -> Level {
        let hop_db = power_db(mean_square);
        self.held_db = hop_db.max(self.held_db - self.fall_db);
        Level {
            hop_db,
            closed: self.held_db <= self.threshold_db,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_gate_closes_under_its_threshold_once_the_held_level_has_fallen() {
        let mut gate = Gate::new(-70.0, 0.001);
        assert!(gate.push(1e-8).closed);
        assert!(!gate.push(1e-5).closed);
        // From -50 dBFS, 20 dB at 300 dB per second.
        let open = (0..1_000).take_while(|_| !gate.push(1e-8).closed).count();
        assert!((60..=70).contains(&open), "{open}");
    }

    #[test]
    fn digital_silence_is_under_the_lowest_gate() {
        for threshold_db in [-200.0, crate::analysis::DEFAULT_GATE_DB] {
            let mut gate = Gate::new(threshold_db, 0.001);
            assert!(gate.push(0.0).closed && !gate.push(2e-12).closed);
        }
    }
}
