//! Lines with the program's own doubling voice in the microphone.

use std::path::Path;

use crate::closed_loop::Session;
use crate::lines::note_scores;
use crate::recordings::lines;
use crate::sound::samples;

pub fn measure(folder: &Path) {
    println!("\nown doubling voice 12 dB under: note F, live, the interval known and not");
    let lines = lines(folder);
    let sounds: Vec<_> = lines.iter().map(|(path, _)| samples(path)).collect();
    for interval in [-12.0, -5.0, 0.0, 7.0, 12.0] {
        let note_f = [true, false].map(|known| {
            let scores = lines
                .iter()
                .zip(&sounds)
                .map(|((_, notes), (sound, rate_hz))| {
                    let session = Session {
                        rate_hz: *rate_hz,
                        interval,
                        known,
                    };
                    note_scores(notes, &session.notes_beside(sound, -12.0)).0
                });
            scores.sum::<f64>() / lines.len() as f64
        });
        println!(
            "  {interval:+3} semitones  {:.3}  {:.3}",
            note_f[0], note_f[1]
        );
    }
}
