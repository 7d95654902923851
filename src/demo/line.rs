//! The demo line, for flugelhorn: four bars at 92 beats a minute, with one of every
//! articulation that has to be recognised.

use super::brass::{Bend, Played, Room, Start, play};

/// Name of the demo take.
pub const NAME: &str = "lamplight";
/// Name of the demo's horn.
pub const HORN: &str = "flugelhorn";

/// Length in seconds.
pub const LENGTH_S: f64 = 13.4;

/// What is played, sounding pitch.
pub fn notes() -> Vec<Played> {
    let n = Played::new;
    let mut notes = vec![
        // Three tongued notes, a slurred pair, back down.
        n(0.60, 1.20, 58.0, 0.55),
        n(1.25, 1.57, 60.0, 0.55),
        n(1.60, 1.90, 62.0, 0.6),
        n(1.90, 2.55, 65.0, 0.62).slurred(),
        n(2.55, 3.10, 63.0, 0.58).slurred(),
        // Staccato.
        n(3.40, 3.50, 62.0, 0.6),
        n(3.73, 3.83, 60.0, 0.6),
        n(4.06, 4.16, 58.0, 0.6),
        n(4.39, 4.49, 55.0, 0.65),
        // A scoop into a long note with vibrato over it.
        n(4.90, 5.60, 67.0, 0.7).bent(Bend::Scoop {
            cents: 130.0,
            over_s: 0.16,
        }),
        n(5.60, 7.30, 65.0, 0.65).slurred().bent(Bend::Vibrato {
            rate_hz: 5.2,
            extent_cents: 24.0,
        }),
        // Tongued twice on one pitch, then a valve slur chain.
        n(7.55, 7.80, 62.0, 0.7),
        n(7.83, 8.10, 62.0, 0.7),
        n(8.10, 8.32, 63.0, 0.66).slurred(),
        n(8.32, 8.54, 65.0, 0.66).slurred(),
        n(8.54, 9.20, 67.0, 0.72).slurred(),
        // A soft breath attack; then a loud note with a fall.
        n(9.65, 10.75, 53.0, 0.4),
        n(11.10, 12.30, 70.0, 0.85).bent(Bend::Fall {
            cents: 420.0,
            over_s: 0.35,
        }),
    ];
    notes[16].start = Start::Breath;
    notes
}

/// The take at a sample rate in hertz: mono, full scale 1.0.
pub fn render(sample_rate_hz: f64) -> Vec<f32> {
    let room = Room {
        sample_rate_hz,
        ..Room::default()
    };
    play(&notes(), LENGTH_S, &room, 7)
}
