//! Any samples in blocks of any size: notes in order, whatever comes.
#![no_main]

use leadpipe::{Mode, Settings, Transcriber};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let Some((&rate, sound)) = bytes.split_first() else {
        return;
    };
    let rate_hz = [8_000.0, 22_050.0, 44_100.0, 48_000.0, 96_000.0][usize::from(rate) % 5];
    // Sixteen bits as they come, stretched over some orders of magnitude.
    let scale = f32::from(rate / 5 + 1) / 4.0;
    let samples: Vec<f32> = sound
        .chunks_exact(2)
        .map(|b| f32::from(i16::from_le_bytes([b[0], b[1]])) / 32_768.0 * scale)
        .flat_map(|s| [s; 8])
        .collect();
    let mut ear = Transcriber::new(Settings::builder(rate_hz).build().unwrap(), Mode::Full);
    let size = sound.len() % 700 + 1;
    for block in samples.chunks(size) {
        ear.push(block);
    }
    let notes = ear.finish().notes;
    for note in &notes {
        assert!(note.offset_s >= note.onset_s && note.pitch.is_finite(), "{note:?}");
    }
    for pair in notes.windows(2) {
        assert!(pair[0].onset_s <= pair[1].onset_s, "{pair:?}");
    }
});
