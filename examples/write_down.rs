//! A take written down: note list and MIDI file, named for the horn in hand.
//!
//! `cargo run --release --example write_down -- TAKE.wav FOLDER`

use std::path::Path;

use leadpipe::{
    Csv, Horn, Line, LineContext, MidiFile, Mode, Output, Reference, Selection, Settings, Take,
    Transcriber, Tuning, save_all,
};

fn main() -> leadpipe::Result<()> {
    let mut args = std::env::args().skip(1);
    let (Some(take), Some(folder)) = (args.next(), args.next()) else {
        eprintln!("give a take and a folder");
        std::process::exit(2);
    };
    let trumpet = Horn::find("trumpet")?;
    let mut take = Take::open(Path::new(&take), &Selection::default())?;
    let settings = Settings::builder(take.sample_rate_hz())
        .horn(&trumpet)
        .gate_db(-60.0)
        .build()?;
    let mut transcriber = Transcriber::new(settings, Mode::Full);
    let mut block = Vec::new();
    while take.next_block(&mut block)? {
        transcriber.push(&block);
    }
    let tuning = Tuning::find("just", Some("Bb"), Reference::default())?;
    let context = LineContext::new(tuning).for_horn(trumpet);
    let notes = transcriber.finish().notes;
    let length_s = take.length_s().unwrap_or(0.0);
    let line = Line::new("take", length_s, notes, context);
    for note in &line.notes {
        println!("{:>4} {:+.0} cents", note.written_name(), note.cents);
    }
    let outputs: Vec<Box<dyn Output>> =
        vec![Box::new(Csv::default()), Box::new(MidiFile::default())];
    for path in save_all(&line, Path::new(&folder), "take", &outputs)? {
        println!("{}", path.display());
    }
    Ok(())
}
