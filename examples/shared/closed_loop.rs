//! The program's own doubling voice in the microphone: what the engine decides is what the
//! voice plays next, and what is heard with the horn.

#[path = "plain_engine.rs"]
mod plain_engine;

use leadpipe::Note;
use leadpipe::internals::analysis::DEFAULT_GATE_DB;
use leadpipe::internals::live::control_event::ControlEvent;
use leadpipe::internals::voice::{Settings, Voice};
use plain_engine::plain_engine;

/// Samples that the engine takes at once.
const BLOCK: usize = 128;
/// From the engine's decision to the microphone, in seconds: buffers of two devices, and three
/// metres of air.
const DELAY_S: f64 = 0.02;

/// A session with a voice.
pub struct Session {
    /// Samples a second.
    pub rate_hz: f64,
    /// Interval of the voice above the horn, in semitones.
    pub interval: f64,
    /// Whether the engine knows of it.
    pub known: bool,
}

impl Session {
    /// The notes that are heard where the voice is so many dB under the horn, both while they
    /// sound.
    pub fn notes_beside(&self, horn: &[f32], level_db: f64) -> Vec<Note> {
        let alone = self.play(horn, 0.0).1;
        let gain = playing(horn) * 10f64.powf(level_db / 20.0) / playing(&alone);
        self.play(horn, gain as f32).0
    }

    /// The notes that are heard of a horn and the voice, which goes through the air with a gain;
    /// and the voice.
    pub fn play(&self, horn: &[f32], gain: f32) -> (Vec<Note>, Vec<f32>) {
        let mut engine = plain_engine(self.rate_hz, DEFAULT_GATE_DB).expect("a usual sample rate");
        if self.known {
            engine.set_voice_interval(Some(self.interval));
        }
        let settings = Settings {
            interval: self.interval,
            ..Settings::default()
        };
        let mut voice = Voice::new(self.rate_hz, settings);
        let mut played = vec![0.0; (DELAY_S * self.rate_hz) as usize];
        let mut events = Vec::new();
        for (number, block) in horn.chunks(BLOCK).enumerate() {
            let leaks = &played[number * BLOCK..][..block.len()];
            let mixed: Vec<f32> = block.iter().zip(leaks).map(|(h, v)| h + gain * v).collect();
            engine.process(&mixed, &mut events);
            for sent in events.drain(..).filter_map(|event| event.sent()) {
                voice.handle(&sent);
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
}

/// Root mean square of a sound while it sounds.
pub fn playing(sound: &[f32]) -> f64 {
    let loud: Vec<f64> = sound
        .iter()
        .map(|&s| f64::from(s))
        .filter(|s| s.abs() > 1e-3)
        .collect();
    (loud.iter().map(|s| s * s).sum::<f64>() / loud.len().max(1) as f64).sqrt()
}
