//! Nothing from nothing: false notes a minute, and the horn beside a pad.

use std::f64::consts::TAU;

use leadpipe::internals::demo::brass::{Noise, Room, play};
use leadpipe::internals::demo::line;
use leadpipe::{Mode, Note};

use crate::recordings::listen;

const RATE_HZ: f64 = 48_000.0;
const MINUTE: usize = 60 * 48_000;

/// A minute of noise through a one-pole filter, at an RMS level.
fn noise(pole: f64, level_db: f64, seed: u64) -> Vec<f32> {
    let mut source = Noise::new(seed);
    let mut state = 0.0;
    let mut out: Vec<f64> = (0..MINUTE)
        .map(|_| {
            state += pole * (source.value() - state);
            state
        })
        .collect();
    let rms = (out.iter().map(|x| x * x).sum::<f64>() / MINUTE as f64).sqrt();
    let gain = 10f64.powf(level_db / 20.0) / rms;
    out.iter_mut().for_each(|x| *x *= gain);
    out.into_iter().map(|x| x as f32).collect()
}

/// Clicks: short bursts that ring at some frequency, as keys and valves do.
fn clicks(ring_hz: f64, fall_s: f64, each_s: f64) -> Vec<f32> {
    let mut source = Noise::new(17);
    let mut out = noise(1.0, -70.0, 5);
    let mut at = 0.3;
    while at < 59.5 {
        let peak = 0.05 * (1.5 + source.value());
        let hz = ring_hz * (1.0 + 0.3 * source.value());
        for i in 0..(8.0 * fall_s * RATE_HZ) as usize {
            let t = i as f64 / RATE_HZ;
            let burst = 0.7 * (TAU * hz * t).sin() + 0.5 * source.value();
            out[(at * RATE_HZ) as usize + i] += (peak * (-t / fall_s).exp() * burst) as f32;
        }
        at += each_s * (1.0 + 0.5 * source.value());
    }
    out
}

/// A soft chord of three detuned voices, as a synthesizer pad.
fn pad(samples: usize, level_db: f64) -> Vec<f32> {
    let gain = 10f64.powf(level_db / 20.0);
    let voices = [130.8, 131.2, 196.0, 196.6, 311.1, 310.4];
    (0..samples)
        .map(|i| {
            let t = i as f64 / RATE_HZ;
            let sum: f64 = voices
                .iter()
                .map(|hz| (TAU * hz * t).sin() + 0.4 * (2.0 * TAU * hz * t).sin())
                .sum();
            (gain * sum / 1.86) as f32
        })
        .collect()
}

fn rms_db(x: &[f32]) -> f64 {
    let power = x.iter().map(|v| f64::from(v * v)).sum::<f64>() / x.len() as f64;
    10.0 * power.max(1e-20).log10()
}

pub fn measure() {
    println!("nothing from nothing: notes heard in a minute, full pass and causal");
    let cases: Vec<(&str, Vec<f32>)> = vec![
        ("digital silence", vec![0.0; MINUTE]),
        ("white room noise, -66 dBFS", noise(1.0, -66.0, 1)),
        ("white room noise, -40 dBFS", noise(1.0, -40.0, 2)),
        ("breath (dull noise), -40 dBFS", noise(0.3, -40.0, 3)),
        ("rumbling room, -45 dBFS", noise(0.02, -45.0, 4)),
        ("valve and key clicks", clicks(900.0, 0.004, 0.25)),
        ("hand claps", clicks(1_500.0, 0.012, 0.5)),
    ];
    for (name, sound) in cases {
        let full = listen(&sound, RATE_HZ, Mode::Full).notes.len();
        let causal = listen(&sound, RATE_HZ, Mode::Causal).notes.len();
        println!("  {name:<34} {full:>3} {causal:>3}");
    }
    println!("the line beside a pad, by how far the pad lies under it, full pass and causal:");
    println!("notes of 18 found, extra notes, and notes whose middle has the right pitch");
    let played = line::notes();
    let sound = play(&played, line::LENGTH_S, &Room::default(), 7);
    let voiced = rms_db(&sound[(0.6 * RATE_HZ) as usize..(3.0 * RATE_HZ) as usize]);
    for under_db in [40.0, 30.0, 25.0, 20.0, 15.0] {
        let chord = pad(sound.len(), 0.0);
        let gain = 10f64.powf((voiced - under_db - rms_db(&chord)) / 20.0) as f32;
        let both: Vec<f32> = sound
            .iter()
            .zip(&chord)
            .map(|(a, b)| a + gain * b)
            .collect();
        let mut row = String::new();
        for mode in [Mode::Full, Mode::Causal] {
            let heard = listen(&both, RATE_HZ, mode).notes;
            let found = played
                .iter()
                .filter(|p| {
                    heard.iter().any(|n| {
                        (n.pitch - p.pitch).abs() < 0.5 && (n.onset_s - p.onset_s).abs() < 0.05
                    })
                })
                .count();
            // Whenever it was thought to begin.
            let held = played.iter().filter(|p| {
                let middle_s = 0.5 * (p.onset_s + p.end_s);
                let sounds = |n: &&Note| (n.onset_s..n.offset_s).contains(&middle_s);
                let here = heard.iter().find(sounds);
                here.is_some_and(|n| (n.pitch - p.pitch).abs() < 0.5)
            });
            row += &format!(
                "   {found:>2} found {:>2} extra {:>2} held",
                heard.len() - found,
                held.count()
            );
        }
        println!("  {under_db:>3} dB {row}");
    }
}
