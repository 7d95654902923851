//! What is measured of the notes of a take, as JSON lines: for those that touch a note of their
//! pitch also how much of the tone goes on through the onset, which no list says.
//! `scripts/page_notes.py` fits the weights of `src/notation/page_notes.rs` to it.
//!
//! `cargo run --release --example touching_notes -- TAKE.wav...`

use std::path::Path;

use leadpipe::{Mode, Selection, Settings, Take, Transcriber};

fn main() -> leadpipe::Result<()> {
    for path in std::env::args().skip(1) {
        let mut take = Take::open(Path::new(&path), &Selection::default())?;
        let settings = Settings::builder(take.sample_rate_hz()).build()?;
        let mut transcriber = Transcriber::new(settings, Mode::Full)
            .notes_alone()
            .without_contours()
            .without_decisions();
        let mut block = Vec::new();
        while take.next_block(&mut block)? {
            transcriber.push(&block);
        }
        for note in transcriber.finish().notes {
            let said = serde_json::json!({
                "take": path,
                "onset_s": note.onset_s,
                "offset_s": note.offset_s,
                "pitch": note.pitch,
                "attack": note.attack.name(),
                "dip_db": note.measured.dip_db,
                "rise_s": note.measured.rise_s,
                "continuity": note.measured.continuity,
            });
            println!("{said}");
        }
    }
    Ok(())
}
