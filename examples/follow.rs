//! Live tracking in ten lines: blocks of samples in, notes out as they are decided.
//!
//! `cargo run --release --example follow -- TAKE.wav`

use std::path::Path;

use leadpipe::{Event, NoteEvent, Pitch, Selection, Settings, Take, Tracker};

fn main() -> leadpipe::Result<()> {
    let Some(path) = std::env::args().nth(1) else {
        eprintln!("give a take");
        std::process::exit(2);
    };
    let mut take = Take::open(Path::new(&path), &Selection::default())?;
    let settings = Settings::builder(take.sample_rate_hz()).build()?;
    let mut tracker = Tracker::new(settings);
    let mut block = Vec::new();
    // Any block size will do; a sound card's is 64 to 256 samples.
    while take.next_block(&mut block)? {
        tracker.push(&block, |event| {
            if let Event::Note(NoteEvent::Started(note)) = event {
                let hz = Pitch(f64::from(note.pitch)).hz();
                let attack = note.attack.name();
                println!("{:7.3} s  {hz:6.1} Hz  {attack}", note.onset_s);
            }
        });
    }
    Ok(())
}
