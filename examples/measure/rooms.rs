//! The same lines in other surroundings, and changed in ways that must not matter.
//!
//! Reverberation is by image sources (Allen and Berkley, J. Acoust. Soc. Am. 65, 1979, from
//! memory), another method than the decaying noise of the training's rooms.

use std::f64::consts::TAU;
use std::path::Path;

use leadpipe::internals::demo::brass::Noise;
use leadpipe::{Mode, Note, Pitch};
use realfft::RealFftPlanner;

use crate::closed_loop::playing;
use crate::lines::note_scores;
use crate::recordings::{Known, lines, listen};
use crate::sound::samples;

type Change = Box<dyn Fn(&[f32], f64) -> Vec<f32>>;
/// A change that goes by the notes that are played.
type Played = Box<dyn Fn(&[f32], f64, &[Known]) -> Vec<f32>>;

/// In the order in which figures stand.
const MODES: [Mode; 2] = [Mode::Full, Mode::Causal];

/// Surroundings by name.
fn surroundings() -> Vec<(&'static str, Played)> {
    let room = |size: [f64; 3], rt60_s: f64| -> Played {
        Box::new(move |x, rate_hz, _| reverberate(x, rate_hz, size, rt60_s))
    };
    let doubling = |interval: f64| -> Played {
        Box::new(move |x, rate_hz, known| doubled(x, rate_hz, known, interval, -12.0))
    };
    vec![
        ("dry", Box::new(|x, _, _| x.to_vec())),
        ("room, RT60 0.4 s", room([6.0, 4.7, 2.9], 0.4)),
        ("hall, 1.2 s", room([19.0, 14.3, 7.9], 1.2)),
        ("church, 2.0 s", room([38.0, 17.7, 12.1], 2.0)),
        (
            "pink noise 20 dB under",
            Box::new(|x, _, _| noisy(x, -20.0)),
        ),
        (
            "pink noise 10 dB under",
            Box::new(|x, _, _| noisy(x, -10.0)),
        ),
        (
            "hum 30 dB under",
            Box::new(|x, rate_hz, _| hum(x, rate_hz, -30.0)),
        ),
        (
            "chords 20 dB under",
            Box::new(|x, rate_hz, _| chords(x, rate_hz, -20.0)),
        ),
        (
            "chords 12 dB under",
            Box::new(|x, rate_hz, _| chords(x, rate_hz, -12.0)),
        ),
        ("40 dB quieter", Box::new(|x, _, _| scaled(x, -40.0))),
        ("doubled an octave lower", doubling(-12.0)),
        ("doubled a fifth higher", doubling(7.0)),
        ("growled", Box::new(|x, rate_hz, _| growled(x, rate_hz))),
        (
            "2 ms lost every 0.73 s",
            Box::new(|x, rate_hz, _| lost(x, rate_hz)),
        ),
    ]
}

pub fn measure(folder: &Path) {
    let lines: Vec<(Vec<f32>, f64, Vec<Known>)> = lines(folder)
        .into_iter()
        .map(|(path, known)| {
            let (sound, rate_hz) = samples(&path);
            (sound, rate_hz, known)
        })
        .collect();
    println!("\nsurroundings: note F and with offset, full pass; note F, causal");
    for (name, change) in surroundings() {
        let mut sums = [0.0; 3];
        for (sound, rate_hz, known) in &lines {
            let changed = change(sound, *rate_hz, known);
            let (note, offset) = note_scores(known, &listen(&changed, *rate_hz, Mode::Full).notes);
            let (causal, _) = note_scores(known, &listen(&changed, *rate_hz, Mode::Causal).notes);
            for (sum, score) in sums.iter_mut().zip([note, offset, causal]) {
                *sum += score / lines.len() as f64;
            }
        }
        let [note, offset, causal] = sums;
        println!("  {name:<24} {note:.3}  {offset:.3}  {causal:.3}");
    }
    println!("\nshare of notes that stay within 5 ms and 2 cents: full pass, causal");
    let unchanged: Vec<[Vec<Note>; 2]> = lines
        .iter()
        .map(|(sound, rate_hz, _)| MODES.map(|mode| listen(sound, *rate_hz, mode).notes))
        .collect();
    for (name, late_s, faster, change) in harmless() {
        let mut shares = [0.0; 2];
        for ((sound, rate_hz, _), unchanged) in lines.iter().zip(&unchanged) {
            let changed = change(sound, *rate_hz);
            for ((share, before), mode) in shares.iter_mut().zip(unchanged).zip(MODES) {
                let after = listen(&changed, *rate_hz * faster, mode).notes;
                *share += staying(before, &after, late_s) / lines.len() as f64;
            }
        }
        println!("  {name:<24} {:.3}  {:.3}", shares[0], shares[1]);
    }
}

/// Changes that must not change the notes, by how much they delay them, in seconds, and by how
/// much they raise the sample rate (of 44.1 kHz).
fn harmless() -> Vec<(&'static str, f64, f64, Change)> {
    let later =
        |count: usize| -> Change { Box::new(move |x, _| [&vec![0.0; count][..], x].concat()) };
    let quieter = |by_db: f64| -> Change { Box::new(move |x, _| scaled(x, by_db)) };
    let at = |to: usize, of: usize| -> Change { Box::new(move |x, _| resampled(x, to, of)) };
    vec![
        ("29 samples later", 29.0 / 44_100.0, 1.0, later(29)),
        ("100 ms later", 0.1, 1.0, later(4_410)),
        ("20 dB quieter", 0.0, 1.0, quieter(-20.0)),
        ("40 dB quieter", 0.0, 1.0, quieter(-40.0)),
        ("at 48 kHz", 0.0, 160.0 / 147.0, at(160, 147)),
        ("at 96 kHz", 0.0, 320.0 / 147.0, at(320, 147)),
    ]
}

/// A sound with `to` samples for each `of` that it has, by its spectrum.
fn resampled(x: &[f32], to: usize, of: usize) -> Vec<f32> {
    let parts = x.len().div_ceil(of);
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, inverse) = (
        planner.plan_fft_forward(parts * of),
        planner.plan_fft_inverse(parts * to),
    );
    let (mut sound, mut spectrum) = (forward.make_input_vec(), inverse.make_input_vec());
    sound[..x.len()].copy_from_slice(x);
    forward
        .process(&mut sound, &mut spectrum[..parts * of / 2 + 1])
        .expect("lengths that fit");
    let mut sound = inverse.make_output_vec();
    // Nothing at the old limit of the band, where a bin stands for two.
    spectrum[parts * of / 2] = 0.0.into();
    inverse
        .process(&mut spectrum, &mut sound)
        .expect("lengths that fit");
    let scale = 1.0 / (parts * of) as f32;
    sound.iter_mut().for_each(|s| *s *= scale);
    sound
}

/// Share of notes, of both lists together, that have their like in the other.
fn staying(before: &[Note], after: &[Note], late_s: f64) -> f64 {
    let like = |a: &Note, b: &Note| {
        (b.onset_s - a.onset_s - late_s).abs() < 0.005 && (a.pitch - b.pitch).abs() < 0.02
    };
    let kept = before.iter().filter(|a| after.iter().any(|b| like(a, b)));
    2.0 * kept.count() as f64 / (before.len() + after.len()).max(1) as f64
}

fn scaled(x: &[f32], by_db: f64) -> Vec<f32> {
    let gain = 10f64.powf(by_db / 20.0) as f32;
    x.iter().map(|s| s * gain).collect()
}

/// Adds a sound at a level under the horn while that sounds; the other's own rests count in its level.
fn beside(x: &[f32], other: &[f64], level_db: f64) -> Vec<f32> {
    let rms = (other.iter().map(|s| s * s).sum::<f64>() / other.len() as f64).sqrt();
    let gain = playing(x) * 10f64.powf(level_db / 20.0) / rms;
    x.iter()
        .zip(other)
        .map(|(s, o)| s + (gain * o) as f32)
        .collect()
}

/// Pink noise: white noise through first-order filters an octave and a half apart.
fn noisy(x: &[f32], level_db: f64) -> Vec<f32> {
    let mut noise = Noise::new(x.len() as u64);
    let mut poles = [0.0f64; 8];
    let pink = (0..x.len()).map(|_| {
        let white = noise.value();
        for (i, pole) in poles.iter_mut().enumerate() {
            let share = 0.5 * 0.35f64.powi(i as i32);
            *pole += share * (white - *pole);
        }
        poles
            .iter()
            .enumerate()
            .map(|(i, p)| p * 0.35f64.powi(i as i32).sqrt().recip())
            .sum()
    });
    beside(x, &pink.collect::<Vec<f64>>(), level_db)
}

/// Mains hum of 50 Hz and its first four multiples.
fn hum(x: &[f32], rate_hz: f64, level_db: f64) -> Vec<f32> {
    let sample = |i: usize| {
        (1..=5)
            .map(|h| (TAU * 50.0 * f64::from(h) * i as f64 / rate_hz).sin() / f64::from(h))
            .sum()
    };
    beside(x, &(0..x.len()).map(sample).collect::<Vec<f64>>(), level_db)
}

/// A chord of four notes with six partials each, another every two seconds.
fn chords(x: &[f32], rate_hz: f64, level_db: f64) -> Vec<f32> {
    const CHORDS: [[f64; 4]; 3] = [
        [45.0, 52.0, 57.0, 60.0],
        [43.0, 50.0, 59.0, 62.0],
        [40.0, 47.0, 56.0, 59.0],
    ];
    let sample = |i: usize| {
        let time_s = i as f64 / rate_hz;
        let chord = CHORDS[(time_s / 2.0) as usize % CHORDS.len()];
        let note = |pitch: f64| {
            let hz = Pitch(pitch).hz();
            (1..=6)
                .map(|h| (TAU * hz * f64::from(h) * time_s).sin() / f64::from(h).powf(1.5))
                .sum::<f64>()
        };
        chord.map(note).iter().sum()
    };
    beside(x, &(0..x.len()).map(sample).collect::<Vec<f64>>(), level_db)
}

/// A synthesizer that doubles every note at an interval in semitones, 35 ms late, a sawtooth of
/// twenty partials that ends within 60 ms of the note.
fn doubled(x: &[f32], rate_hz: f64, known: &[Known], interval: f64, level_db: f64) -> Vec<f32> {
    const LATE_S: f64 = 0.035;
    const RELEASE_S: f64 = 0.06;
    let mut voice = vec![0.0; x.len()];
    for note in known {
        let hz = Pitch(note.midi + interval).hz();
        let length_s = note.offset - note.onset + RELEASE_S;
        let first = ((note.onset + LATE_S) * rate_hz) as usize;
        let samples = (length_s * rate_hz) as usize;
        for (i, out) in voice.iter_mut().skip(first).take(samples).enumerate() {
            let time_s = i as f64 / rate_hz;
            let partial = |h: i32| (TAU * hz * f64::from(h) * time_s).sin() / f64::from(h);
            let wave: f64 = (1..=20)
                .filter(|&h| hz * f64::from(h) < 0.45 * rate_hz)
                .map(partial)
                .sum();
            *out += wave * (time_s / 0.006).min(1.0) * ((length_s - time_s) / RELEASE_S).min(1.0);
        }
    }
    beside(x, &voice, level_db)
}

/// The horn while its player hums at 75 Hz.
fn growled(x: &[f32], rate_hz: f64) -> Vec<f32> {
    let hum = |i: usize| 1.0 + 0.6 * (TAU * 75.0 * i as f64 / rate_hz).sin() as f32;
    x.iter().enumerate().map(|(i, s)| s * hum(i)).collect()
}

/// What is left where a sound device loses 2 ms again and again.
fn lost(x: &[f32], rate_hz: f64) -> Vec<f32> {
    let sounds = |i: usize| (i as f64 / rate_hz) % 0.73 > 0.002;
    let sample = |(i, &s): (usize, &f32)| if sounds(i) { s } else { 0.0 };
    x.iter().enumerate().map(sample).collect()
}

/// A sound in a shoebox room of a size in metres, its direct sound 6 dB over the rest.
fn reverberate(x: &[f32], rate_hz: f64, size: [f64; 3], rt60_s: f64) -> Vec<f32> {
    let wet = convolve(x, &reflections(rate_hz, size, rt60_s));
    let energy = |x: &[f32]| x.iter().map(|s| f64::from(s * s)).sum::<f64>();
    let gain = ((energy(x) / energy(&wet)).sqrt() * 10f64.powf(-6.0 / 20.0)) as f32;
    wet.iter()
        .enumerate()
        .map(|(i, w)| x.get(i).unwrap_or(&0.0) + gain * w)
        .collect()
}

/// What reaches a microphone after the direct sound, from the mirror images of the horn
/// in six walls.
fn reflections(rate_hz: f64, size: [f64; 3], rt60_s: f64) -> Vec<f32> {
    const SOUND_M_PER_S: f64 = 343.0;
    let [a, b, c] = size;
    let surface = 2.0 * (a * b + b * c + c * a);
    // Sabine's formula for the share of the energy that a wall takes.
    let absorption = (0.161 * a * b * c / (surface * rt60_s)).min(0.95);
    let reflected = (1.0 - absorption).sqrt();
    let (horn, microphone) = (size.map(|m| 0.37 * m), size.map(|m| 0.58 * m));
    let reach_m = rt60_s * SOUND_M_PER_S;
    let direct_m = distance([0, 1, 2].map(|d| horn[d] - microphone[d]));
    let mut response = vec![0f32; (1.05 * rt60_s * rate_hz) as usize];
    let along = |d: usize| {
        let most = (reach_m / size[d]).ceil() as i32;
        (-most..=most).map(move |n| {
            let even = n.rem_euclid(2) == 0;
            let place = f64::from(n) * size[d] + if even { horn[d] } else { size[d] - horn[d] };
            (place - microphone[d], n.abs())
        })
    };
    for (x, i) in along(0) {
        for (y, j) in along(1) {
            for (z, k) in along(2) {
                let far_m = distance([x, y, z]);
                let at = ((far_m - direct_m) / SOUND_M_PER_S * rate_hz) as usize;
                if i + j + k > 0 && at < response.len() {
                    response[at] += (reflected.powi(i + j + k) / far_m) as f32;
                }
            }
        }
    }
    response
}

fn distance(by: [f64; 3]) -> f64 {
    by.iter().map(|d| d * d).sum::<f64>().sqrt()
}

fn convolve(x: &[f32], response: &[f32]) -> Vec<f32> {
    let length = x.len() + response.len();
    let size = length.next_power_of_two();
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, back) = (
        planner.plan_fft_forward(size),
        planner.plan_fft_inverse(size),
    );
    let spectrum = |signal: &[f32]| {
        let mut padded = signal.to_vec();
        padded.resize(size, 0.0);
        let mut out = forward.make_output_vec();
        forward
            .process(&mut padded, &mut out)
            .expect("lengths of the plan");
        out
    };
    let mut product: Vec<_> = spectrum(x)
        .iter()
        .zip(spectrum(response))
        .map(|(a, b)| a * b)
        .collect();
    let (first, last) = (0, product.len() - 1);
    product[first].im = 0.0;
    product[last].im = 0.0;
    let mut out = back.make_output_vec();
    back.process(&mut product, &mut out)
        .expect("lengths of the plan");
    out.truncate(length);
    out
}
