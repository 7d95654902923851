//! Level per hop, the noise floor under it, and the gate between them.

use crate::units::power_db;

/// Level of a hop, and whether the gate is open.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// Mean square level of the hop, dBFS.
    pub hop_db: f32,
    /// Estimated noise floor: the level of the room without the horn, dBFS.
    pub floor_db: f32,
    /// Whether the sound is under the threshold that the user set.
    pub under_threshold: bool,
    /// Whether the gate is closed: the sound is too weak for its pitch to be looked for,
    /// under the threshold or hardly above the noise floor.
    pub closed: bool,
}

/// Level meter and gate with an adaptive noise floor.
#[derive(Debug, Clone)]
pub struct Gate {
    threshold_db: f32,
    hop_s: f32,
    floor_db: f32,
    smooth: f32,
    held_db: f32,
    loudest_db: f32,
    /// Time left in which the floor may rise quickly, in seconds.
    settling_s: f32,
}

/// How far above the noise floor tone must be, in dB. Tone is told from noise by
/// periodicity; this only keeps the decoder from guessing at hiss.
const MARGIN_DB: f32 = 4.0;
/// How fast a held level falls, dB per second: the pulses of a 29 Hz tone are
/// 34 ms apart and must not chatter the gate.
const FALL_DB_PER_S: f32 = 300.0;
/// How fast the floor may rise while there is no tone, dB per second.
const FLOOR_RISE_DB_PER_S: f32 = 6.0;
/// The same during a tone.
const FLOOR_RISE_UNDER_TONE_DB_PER_S: f32 = 2.0;
/// How far below the horn's recent peak level the floor stays then, in dB: more than
/// the range between its fortissimo and piano.
const UNDER_HORN_DB: f32 = 38.0;
/// How fast the horn's peak level decays, dB per second.
const LOUDEST_FALL_DB_PER_S: f32 = 1.0;
/// Averaging time of the floor in seconds.
const FLOOR_AVERAGE_S: f32 = 0.05;

impl Gate {
    /// Gate that never opens below `threshold_db`, for hops of `hop_s` seconds.
    pub fn new(threshold_db: f64, hop_s: f64) -> Self {
        Gate {
            threshold_db: threshold_db as f32,
            hop_s: hop_s as f32,
            floor_db: -90.0,
            smooth: 0.0,
            held_db: -120.0,
            loudest_db: -120.0,
            settling_s: 0.3,
        }
    }

    /// Takes the mean square of a hop. `tone` is whether the previous hop had tone,
    /// during which the floor hardly moves.
    pub fn push(&mut self, mean_square: f32, tone: bool) -> Level {
        let hop_db = power_db(mean_square);
        self.smooth += (mean_square - self.smooth) * (self.hop_s / FLOOR_AVERAGE_S);
        let smooth_db = power_db(self.smooth);
        self.loudest_db = smooth_db.max(self.loudest_db - LOUDEST_FALL_DB_PER_S * self.hop_s);
        if smooth_db < self.floor_db {
            self.floor_db = smooth_db;
        } else if tone {
            // A pad or a hum that never pauses counts as noise floor too, if it is far
            // below the horn.
            let rise_db = FLOOR_RISE_UNDER_TONE_DB_PER_S * self.hop_s;
            let max_db = self.loudest_db - UNDER_HORN_DB;
            self.floor_db = self.floor_db.max(max_db.min(self.floor_db + rise_db));
        } else {
            let speed_up = if self.settling_s > 0.0 { 30.0 } else { 1.0 };
            let rise_db = speed_up * FLOOR_RISE_DB_PER_S * self.hop_s;
            self.floor_db = smooth_db.min(self.floor_db + rise_db);
        }
        self.settling_s -= self.hop_s;
        self.held_db = hop_db.max(self.held_db - FALL_DB_PER_S * self.hop_s);
        Level {
            hop_db,
            floor_db: self.floor_db,
            under_threshold: self.held_db < self.threshold_db,
            closed: self.held_db < self.threshold_db.max(self.floor_db + MARGIN_DB),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn floor_adapts_to_the_room_and_holds_during_tone() {
        let mut gate = Gate::new(-70.0, 0.001);
        let room = 1e-5; // -50 dBFS
        let mut last = gate.push(room, false);
        for _ in 0..5_000 {
            last = gate.push(room, false);
        }
        assert!((last.floor_db + 50.0).abs() < 1.0, "{last:?}");
        assert!(last.closed);
        for _ in 0..20_000 {
            last = gate.push(1e-3, true);
        }
        assert!(!last.closed);
        assert!((last.floor_db + 50.0).abs() < 1.0, "{last:?}");
    }
}
