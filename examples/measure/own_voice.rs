//! The program's own doubling voice in the microphone, in a closed loop: what the engine decides
//! is what the voice plays next.

use std::path::Path;

use leadpipe::internals::live::control_event::ControlEvent;
use leadpipe::internals::live::engine::Engine;
use leadpipe::internals::live::setup::{Choices, Setup};
use leadpipe::internals::sending::{DynamicRange, Sent};
use leadpipe::internals::voice::{Settings, Voice};
use leadpipe::{LineContext, Note, Reference, Tuning};

use crate::lines::note_scores;
use crate::recordings::{Known, lines};
use crate::rooms::playing;
use crate::sound::samples;

/// Samples that the engine takes at once.
const BLOCK: usize = 128;
/// From the engine's decision to the microphone, in seconds: buffers of two devices, and three
/// metres of air.
const DELAY_S: f64 = 0.02;
/// Level of the voice in the microphone against the horn's, in dB, while it sounds.
const LEVEL_DB: f64 = -12.0;

pub fn measure(folder: &Path) {
    println!("\nown doubling voice 12 dB under, in a closed loop: note F, live");
    let lines: Vec<(Vec<f32>, f64, Vec<Known>)> = lines(folder)
        .into_iter()
        .map(|(path, known)| {
            let (sound, rate_hz) = samples(&path);
            (sound, rate_hz, known)
        })
        .collect();
    for interval in [-12.0, -5.0, 0.0, 7.0, 12.0] {
        let mut sum = 0.0;
        for (sound, rate_hz, known) in &lines {
            let alone = play(sound, *rate_hz, interval, 0.0).1;
            let gain = playing(sound) * 10f64.powf(LEVEL_DB / 20.0) / playing(&alone);
            let heard = play(sound, *rate_hz, interval, gain as f32).0;
            sum += note_scores(known, &heard).0 / lines.len() as f64;
        }
        println!("  {interval:+3} semitones  {sum:.3}");
    }
}

/// The notes of a session that is played a sound and its own voice, and that voice.
fn play(sound: &[f32], rate_hz: f64, interval: f64, gain: f32) -> (Vec<Note>, Vec<f32>) {
    let tuning = Tuning::find("equal-12", None, Reference::default()).unwrap();
    let choices = Choices {
        horns: Vec::new(),
        tunings: Vec::new(),
        sources: Vec::new(),
    };
    let setup = Setup::new(choices, LineContext::new(tuning), -120.0, rate_hz).unwrap();
    let mut engine = Engine::new(setup, DynamicRange::default(), 0);
    let settings = Settings {
        interval,
        ..Settings::default()
    };
    let mut voice = Voice::new(rate_hz, settings);
    let mut played = vec![0.0; (DELAY_S * rate_hz) as usize];
    let mut events = Vec::new();
    for (number, block) in sound.chunks(BLOCK).enumerate() {
        let leaks = &played[number * BLOCK..][..block.len()];
        let mixed: Vec<f32> = block.iter().zip(leaks).map(|(s, v)| s + gain * v).collect();
        engine.process(&mixed, &mut events);
        for event in events.drain(..) {
            match event.sent() {
                Some(Sent::Start(note)) => voice.start(note.pitch, note.strength, note.slurred),
                Some(Sent::Update(update)) => voice.follow(update.pitch, update.strength),
                Some(Sent::Stop | Sent::Silence) => voice.stop(),
                None => {}
            }
        }
        played.extend(block.iter().map(|_| voice.sample()));
    }
    engine.finish(&mut events);
    for note in engine.take_finished() {
        note.describe(&mut events);
    }
    let finished = events.into_iter().filter_map(|event| match event {
        ControlEvent::NoteFinished { note, .. } => Some(note.note.clone()),
        _ => None,
    });
    (finished.collect(), played)
}
