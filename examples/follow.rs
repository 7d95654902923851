//! The live ear in ten lines: blocks of samples in, notes out as they are decided.
//!
//! `cargo run --release --example follow`

use leadpipe::demo::line;
use leadpipe::horn;
use leadpipe::notes::segment::NoteEvent;
use leadpipe::transcriber::{Event, Tracker};
use leadpipe::units::Pitch;

fn main() -> leadpipe::error::Result<()> {
    let flugelhorn = horn::find("flugelhorn")?;
    let mut tracker = Tracker::new(48_000.0, horn::analysis_settings(Some(&flugelhorn), -60.0));
    // Any block size will do; a sound card's is 64 to 256.
    for block in line::render(48_000.0).chunks(128) {
        tracker.push(block, &mut |heard| {
            if let Event::Note(NoteEvent::Started(note)) = heard {
                let hz = Pitch(f64::from(note.pitch)).hz();
                println!(
                    "{:7.3} s  {hz:6.1} Hz  {}",
                    note.onset_s,
                    note.attack.name()
                );
            }
        });
    }
    Ok(())
}
