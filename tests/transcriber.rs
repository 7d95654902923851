//! What the transcriber promises on sound whose truth is known exactly: precise pitch,
//! vibrato, shapes that do not shatter, and nothing from nothing.
//!
//! `cargo run --release --example measure` prints the figures in full.

use std::f64::consts::TAU;

use leadpipe::internals::demo::brass::{Bend, Noise, Played, Room, play};
use leadpipe::internals::demo::shapes;
use leadpipe::internals::demo::tone::{RATE_HZ, median_error_cents, tone};
use leadpipe::{Mode, Settings, Technique, Transcriber, Transcription};

fn listen(sound: &[f32], mode: Mode) -> Transcription {
    let mut transcriber = Transcriber::new(Settings::builder(RATE_HZ).build().unwrap(), mode);
    transcriber.push(sound);
    transcriber.finish()
}

/// Median error of the full pass on a tone, cents.
fn error_cents(sound: &[f32], pitch: f64) -> f64 {
    median_error_cents(&listen(sound, Mode::Full), pitch)
}

#[test]
fn steady_tones_are_right_to_a_tenth_of_a_cent() {
    let spectra: [&[f64]; 4] = [
        &[1.0],
        &[1.0, 0.5, 0.33, 0.25, 0.2],
        &[0.03, 1.0, 0.8, 0.6, 0.5, 0.4],
        &[0.0, 1.0, 0.8, 0.6, 0.5],
    ];
    let (mut clean, mut noisy) = (Vec::new(), Vec::new());
    for partials in spectra {
        for pitch in [23.1, 34.4, 46.2, 57.7, 65.3, 71.9] {
            clean.push(error_cents(&tone(|_| pitch, partials, -160.0, 1), pitch));
            noisy.push(error_cents(&tone(|_| pitch, partials, -20.0, 2), pitch));
        }
    }
    for (mut errors, most) in [(clean, 0.1), (noisy, 1.0)] {
        errors.sort_by(f64::total_cmp);
        assert!(errors[errors.len() / 2] <= most, "median: {errors:?}");
        assert!(
            errors[errors.len() - 1] < 5.0,
            "no octave errors: {errors:?}"
        );
    }
}

#[test]
fn vibrato_is_one_note_with_its_rate_and_extent() {
    let partials: Vec<f64> = (1..=10).map(|k| 1.0 / f64::from(k)).collect();
    for (rate, extent, key) in [
        (3.0, 25.0, 58.0),
        (5.5, 50.0, 58.0),
        (8.0, 10.0, 70.0),
        (6.5, 100.0, 58.0),
    ] {
        let wave = |t: f64| key + extent / 100.0 * (TAU * rate * t).sin();
        let notes = listen(&tone(wave, &partials, -40.0, 9), Mode::Full).notes;
        assert_eq!(notes.len(), 1, "{rate} Hz, {extent} cents: {notes:?}");
        let Some(Technique::Vibrato {
            rate_hz,
            extent_cents,
        }) = notes[0].techniques.first()
        else {
            panic!("{rate} Hz, {extent} cents: {:?}", notes[0].techniques);
        };
        assert!(
            (f64::from(*rate_hz) - rate).abs() < 0.2,
            "{rate_hz} for {rate} Hz"
        );
        assert!(
            (f64::from(*extent_cents) - extent).abs() < 5.0,
            "{extent_cents} for {extent} cents"
        );
    }
}

#[test]
fn shapes_do_not_shatter() {
    for shape in shapes::all() {
        let notes = listen(&shape.render(), Mode::Full).notes;
        assert_eq!(notes.len(), shape.count, "{}", shape.name);
        let named: Vec<&str> = notes[0].techniques.iter().map(Technique::name).collect();
        let right = shape.technique.is_empty() || named.contains(&shape.technique);
        assert!(right, "{}: {named:?}", shape.name);
    }
}

/// Live a scoop must be named before it arrives; a slide away from a note can be known to go
/// nowhere, and a rolled tongue does not strike.
#[test]
fn falls_doits_and_flutter_are_one_note_live_too() {
    for shape in shapes::all() {
        if ["fall", "doit", "glissando", "flutter"].contains(&shape.name) {
            let notes = listen(&shape.render(), Mode::Causal).notes;
            assert_eq!(notes.len(), 1, "{}", shape.name);
        }
    }
}

/// Live a shake or trill is known to be one after its first turns: the rest is one note, on its
/// lower pitch.
#[test]
fn shakes_and_trills_sound_through_once_they_are_known() {
    for (key, semitones, rate_hz) in [
        (53.0, 1.0, 6.0),
        (62.0, 2.0, 5.5),
        (65.0, 3.0, 6.5),
        (70.0, 2.0, 7.0),
    ] {
        let shake = Played::new(0.4, 2.4, key, 0.7).bent(Bend::Shake { semitones, rate_hz });
        let sound = play(&[shake], 3.0, &Room::default(), 5);
        let notes = listen(&sound, Mode::Causal).notes;
        let last = &notes[notes.len() - 1];
        let what = format!("{semitones} semitones at {rate_hz} Hz: {notes:.1?}");
        // Two and a half turns and the note that is on then.
        assert!(notes.len() <= 7 && last.duration_s() > 1.3, "{what}");
        assert!((last.pitch - key).abs() < 0.3, "{what}");
        let named = |t: &Technique| matches!(t, Technique::Trill { .. });
        assert!(last.techniques.iter().any(named), "{what}");
    }
}

/// A figure that goes back and forth between two notes: eighths at 120 to the minute, sixteenths
/// at 100 and at 120.
fn figures(tongued: bool) -> Vec<Vec<Played>> {
    let mut figures = Vec::new();
    for step_s in [0.25, 0.15, 0.125] {
        for semitones in [1.0, 2.0, 3.0] {
            let note = |i: u32| {
                let onset_s = 0.4 + step_s * f64::from(i);
                let pitch = 62.0 + semitones * f64::from(i % 2);
                let gap_s = if tongued { 0.3 * step_s } else { 0.0 };
                let note = Played::new(onset_s, onset_s + step_s - gap_s, pitch, 0.6);
                if tongued || i == 0 {
                    note
                } else {
                    note.slurred()
                }
            };
            figures.push((0..12).map(note).collect());
        }
    }
    figures
}

/// How many notes of a line are heard, at their times and pitches.
fn found(line: &[Played], notes: &[leadpipe::Note]) -> usize {
    let near = |n: &&Played| {
        let same = |m: &leadpipe::Note| {
            (m.onset_s - n.onset_s).abs() < 0.05 && (m.pitch - n.pitch).abs() < 0.5
        };
        notes.iter().any(same)
    };
    line.iter().filter(near).count()
}

/// The sound in a room: 400 echoes in the 0.4 s after it, which fall by 60 dB in 0.8 s and are
/// together 10 dB under it.
fn in_a_room(sound: &[f32]) -> Vec<f32> {
    let mut noise = Noise::new(11);
    let mut echoes: Vec<(usize, f64)> = (0..400)
        .map(|i| {
            let late_s = 0.005 + 0.001 * (f64::from(i) + noise.value().abs());
            let sign = noise.value().signum();
            (
                (late_s * RATE_HZ) as usize,
                sign * 10f64.powf(-3.0 * late_s / 0.8),
            )
        })
        .collect();
    let power: f64 = echoes.iter().map(|(_, gain)| gain * gain).sum();
    for (_, gain) in &mut echoes {
        *gain *= (0.1 / power).sqrt();
    }
    let heard = |at: usize| {
        let late =
            |(by, gain): &(usize, f64)| at.checked_sub(*by).map(|i| gain * f64::from(sound[i]));
        f64::from(sound[at]) + echoes.iter().filter_map(late).sum::<f64>()
    };
    (0..sound.len()).map(|at| heard(at) as f32).collect()
}

#[test]
fn a_figure_of_two_notes_is_not_taken_for_a_trill() {
    for tongued in [false, true] {
        for line in figures(tongued) {
            let sound = play(&line, line[11].end_s + 0.6, &Room::default(), 5);
            for mode in [Mode::Full, Mode::Causal] {
                let notes = listen(&sound, mode).notes;
                assert_eq!(found(&line, &notes), 12, "{mode:?} {line:.2?} {notes:.2?}");
            }
        }
    }
}

/// A tongue that a room has filled the gaps of is a tongue.
#[test]
fn a_tongued_figure_is_not_taken_for_a_trill_in_a_room() {
    for line in figures(true) {
        let sound = in_a_room(&play(&line, line[11].end_s + 0.6, &Room::default(), 5));
        for mode in [Mode::Full, Mode::Causal] {
            let notes = listen(&sound, mode).notes;
            assert!(
                found(&line, &notes) >= 11,
                "{mode:?}: {line:.2?} {notes:.2?}"
            );
        }
    }
}

#[test]
fn the_first_decision_is_the_note() {
    // Causal: plain attacks and slurs come out one to one, at the right pitch.
    let plain = [
        "lip slur over partials",
        "double tonguing, 12 a second",
        "high register to F6",
        "pedal notes",
    ];
    for shape in shapes::all()
        .into_iter()
        .filter(|s| plain.contains(&s.name))
    {
        let notes = listen(&shape.render(), Mode::Causal).notes;
        assert_eq!(notes.len(), shape.played.len(), "{}", shape.name);
        for (note, played) in notes.iter().zip(&shape.played) {
            assert!(
                (note.pitch - played.pitch).abs() < 0.3,
                "{}: {note:?}",
                shape.name
            );
            // Two periods, the rise of the tone, and a few milliseconds.
            let period_s = 1.0 / leadpipe::Pitch(played.pitch).hz();
            let late_s = note.decided_s - played.onset_s;
            assert!(late_s < 2.0 * period_s + 0.03, "{}: {late_s}", shape.name);
        }
    }
}

#[test]
fn nothing_comes_from_noise() {
    let mut source = Noise::new(4);
    let mut dull = 0.0;
    let minute: Vec<f32> = (0..60 * 48_000)
        .map(|i| {
            let white = source.value();
            dull += 0.05 * (white - dull);
            // Room, breath and rumble in turn.
            let value = match i / (20 * 48_000) {
                0 => 0.002 * white,
                1 => 0.05 * white,
                _ => 0.1 * dull,
            };
            value as f32
        })
        .collect();
    for mode in [Mode::Full, Mode::Causal] {
        assert_eq!(listen(&minute, mode).notes.len(), 0, "{mode:?}");
    }
}

#[test]
fn claps_are_no_notes() {
    let mut source = Noise::new(21);
    let mut minute: Vec<f32> = (0..60 * 48_000)
        .map(|_| 0.0003 * source.value() as f32)
        .collect();
    // Sixty bursts that ring somewhere between 600 Hz and 2.4 kHz and fall by a
    // factor e in 8 to 16 ms.
    for clap in 0..60 {
        let hz = 1_200.0 * 2f64.powf(source.value());
        let fall_s = 0.012 + 0.004 * source.value();
        for i in 0..6_000 {
            let t = f64::from(i) / 48_000.0;
            let burst = 0.7 * (std::f64::consts::TAU * hz * t).sin() + 0.5 * source.value();
            minute[(clap * 48_000 + 9_600 + i) as usize] +=
                (0.1 * (-t / fall_s).exp() * burst) as f32;
        }
    }
    for (mode, most) in [(Mode::Full, 1), (Mode::Causal, 9)] {
        let heard = listen(&minute, mode).notes.len();
        assert!(heard <= most, "{heard} notes, {mode:?}");
    }
}

#[test]
fn hostile_samples_are_survived() {
    let mut source = Noise::new(8);
    let hostile: Vec<f32> = (0..96_000)
        .map(|i| match i % 7 {
            0 => f32::NAN,
            1 => f32::INFINITY,
            2 => f32::MIN,
            3 => 1e30,
            _ => source.value() as f32,
        })
        .collect();
    for mode in [Mode::Full, Mode::Causal] {
        let heard = listen(&hostile, mode);
        assert!(heard.notes.iter().all(|n| n.pitch.is_finite()));
    }
    // And the tracker still works afterwards.
    let mut transcriber =
        Transcriber::new(Settings::builder(RATE_HZ).build().unwrap(), Mode::Causal);
    transcriber.push(&hostile);
    transcriber.push(&vec![0.0; 48_000]);
    transcriber.push(&tone(|_| 58.0, &[1.0, 0.6, 0.4], -60.0, 3));
    let last = transcriber.finish().notes.pop().expect("a note");
    assert!((last.pitch - 58.0).abs() < 0.02, "{last:?}");
}
