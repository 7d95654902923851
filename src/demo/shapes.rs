//! Takes that must not be split into too many notes: one shape each, with its number of
//! notes. For tests and for measuring.

use super::brass::{Bend, Played, Room, play};

/// One shape with its ground truth.
#[derive(Debug, Clone)]
pub struct Shape {
    /// Its name.
    pub name: &'static str,
    /// What is played.
    pub played: Vec<Played>,
    /// How many notes a human transcriber would write.
    pub count: usize,
    /// Technique of the first note; empty for any.
    pub technique: &'static str,
}

impl Shape {
    /// The take, with the default room noise.
    pub fn render(&self) -> Vec<f32> {
        let length_s = self.played.last().map_or(0.0, |n| n.end_s) + 0.6;
        play(&self.played, length_s, &Room::default(), 3)
    }
}

/// All shapes.
pub fn all() -> Vec<Shape> {
    let n = Played::new;
    let run = |from: f64, step_s: f64, keys: &[f64], slurred: bool, gap_s: f64| -> Vec<Played> {
        keys.iter()
            .enumerate()
            .map(|(i, &key)| {
                let onset_s = from + step_s * i as f64;
                let note = n(onset_s, onset_s + step_s - gap_s, key, 0.6);
                if slurred && i > 0 {
                    note.slurred()
                } else {
                    note
                }
            })
            .collect()
    };
    let partials = [53.0, 58.0, 62.0, 65.0, 68.0, 70.0, 65.0, 58.0];
    let twelve: Vec<f64> = vec![60.0; 24];
    let runs: Vec<f64> = (0..16).map(|i| 55.0 + f64::from(i)).collect();
    let high: Vec<f64> = vec![77.0, 79.0, 82.0, 84.0, 86.0, 89.0];
    let pedal: Vec<f64> = vec![34.0, 33.0, 31.0, 29.0, 28.0];
    let mut flutter = n(0.4, 1.6, 60.0, 0.6);
    flutter.flutter_hz = 25.0;
    let half_valve = n(0.4, 1.2, 60.0, 0.3).bent(Bend::Scoop {
        cents: 180.0,
        over_s: 0.5,
    });
    let list: Vec<(&'static str, Vec<Played>, usize, &'static str)> = vec![
        (
            "scoop",
            vec![n(0.4, 1.2, 62.0, 0.6).bent(Bend::Scoop {
                cents: 150.0,
                over_s: 0.2,
            })],
            1,
            "scoop",
        ),
        (
            "fall",
            vec![n(0.4, 1.4, 67.0, 0.7).bent(Bend::Fall {
                cents: 500.0,
                over_s: 0.4,
            })],
            1,
            "fall",
        ),
        (
            "doit",
            vec![n(0.4, 1.4, 62.0, 0.7).bent(Bend::Doit {
                cents: 400.0,
                over_s: 0.35,
            })],
            1,
            "doit",
        ),
        (
            "rip",
            vec![n(0.4, 1.3, 70.0, 0.8).bent(Bend::Scoop {
                cents: 900.0,
                over_s: 0.18,
            })],
            1,
            "scoop",
        ),
        (
            "shake",
            vec![n(0.4, 1.8, 65.0, 0.7).bent(Bend::Shake {
                semitones: 3.0,
                rate_hz: 5.5,
            })],
            1,
            "trill",
        ),
        (
            "trill",
            vec![n(0.4, 1.8, 62.0, 0.6).bent(Bend::Shake {
                semitones: 1.0,
                rate_hz: 6.0,
            })],
            1,
            "trill",
        ),
        (
            "glissando",
            vec![n(0.4, 1.4, 53.0, 0.6).bent(Bend::Slide { semitones: 5.0 })],
            1,
            "glissando",
        ),
        (
            "vibrato",
            vec![n(0.4, 2.0, 60.0, 0.6).bent(Bend::Vibrato {
                rate_hz: 5.5,
                extent_cents: 40.0,
            })],
            1,
            "vibrato",
        ),
        ("flutter", vec![flutter], 1, "flutter"),
        ("half-valve", vec![half_valve], 1, "scoop"),
        (
            "lip slur over partials",
            run(0.4, 0.22, &partials, true, 0.0),
            8,
            "",
        ),
        (
            "chromatic run, slurred, 10 a second",
            run(0.4, 0.1, &runs, true, 0.0),
            16,
            "",
        ),
        (
            "chromatic run, tongued, 8 a second",
            run(0.4, 0.125, &runs, false, 0.035),
            16,
            "",
        ),
        (
            "double tonguing, 12 a second",
            run(0.4, 1.0 / 12.0, &twelve, false, 0.03),
            24,
            "",
        ),
        ("pedal notes", run(0.4, 0.7, &pedal, false, 0.1), 5, ""),
        (
            "high register to F6",
            run(0.4, 0.4, &high, false, 0.08),
            6,
            "",
        ),
    ];
    let shape = |(name, played, count, technique)| Shape {
        name,
        played,
        count,
        technique,
    };
    list.into_iter().map(shape).collect()
}
