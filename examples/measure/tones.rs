//! Steady synthetic tones and vibrato, with the truth to a thousandth of a cent.

use std::f64::consts::TAU;

use leadpipe::internals::demo::tone::{RATE_HZ, median_error_cents, tone};
use leadpipe::{Mode, Pitch, Technique};

use crate::quantile;
use crate::recordings::listen;

pub fn measure() {
    println!("steady tones, 29 Hz to 1.6 kHz, 1 to 20 partials, weak and missing fundamental");
    let weak = |first: f64| -> Vec<f64> {
        let rest = (2..=12).map(|k| 1.0 / f64::from(k));
        std::iter::once(first).chain(rest).collect()
    };
    let mut spectra: Vec<(String, Vec<f64>)> = [1, 2, 5, 10, 20]
        .iter()
        .map(|&n| {
            (
                format!("{n} partials"),
                (1..=n).map(|k| 1.0 / f64::from(k)).collect(),
            )
        })
        .collect();
    spectra.push(("fundamental at -30 dB".into(), weak(0.0316)));
    spectra.push(("no fundamental".into(), weak(0.0)));
    for (label, noise_db) in [("clean", -160.0), ("20 dB signal to noise", -20.0)] {
        let (mut all, mut worst) = (Vec::new(), (0.0, String::new()));
        for (name, partials) in &spectra {
            for step in 0..24 {
                let pitch = 22.3 + 2.87 * f64::from(step);
                let sound = tone(|_| pitch, partials, noise_db, step as u64 + 1);
                let error = median_error_cents(&listen(&sound, RATE_HZ, Mode::Full), pitch);
                if error > worst.0 {
                    worst = (error, format!("{name} at {:.0} Hz", Pitch(pitch).hz()));
                }
                all.push(error);
            }
        }
        println!(
            "  {label}: median error {:.3} cents, 90th percentile {:.3}, worst {:.2} ({})",
            quantile(&all, 0.5),
            quantile(&all, 0.9),
            worst.0,
            worst.1
        );
    }
    println!("vibrato on a tone of ten partials");
    let partials: Vec<f64> = (1..=10).map(|k| 1.0 / f64::from(k)).collect();
    let (mut rates, mut extents, mut missed) = (Vec::new(), Vec::new(), Vec::new());
    for rate_hz in [3.0, 4.5, 5.5, 6.5, 8.0] {
        for extent in [10.0, 25.0, 50.0, 100.0] {
            for key in [46.0, 58.0, 70.0] {
                let wave = |t: f64| key + extent / 100.0 * (TAU * rate_hz * t).sin();
                let heard = listen(&tone(wave, &partials, -40.0, 9), RATE_HZ, Mode::Full);
                let found = heard
                    .notes
                    .iter()
                    .flat_map(|n| &n.techniques)
                    .find_map(|t| match *t {
                        Technique::Vibrato {
                            rate_hz,
                            extent_cents,
                        } => Some((rate_hz, extent_cents)),
                        _ => None,
                    });
                match found {
                    Some((rate, cents)) if heard.notes.len() == 1 => {
                        rates.push((f64::from(rate) - rate_hz).abs());
                        extents.push((f64::from(cents) - extent).abs());
                    }
                    _ => missed.push((rate_hz, extent, key, heard.notes.len())),
                }
            }
        }
    }
    println!(
        "  {} found as one note: rate off by {:.3} Hz at most, extent by {:.1} cents at most",
        rates.len(),
        quantile(&rates, 1.0),
        quantile(&extents, 1.0)
    );
    println!(
        "  {} missed or broken (Hz, cents, key, notes): {missed:?}",
        missed.len()
    );
}
