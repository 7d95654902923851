//! A take written down: note list and MIDI file, named for the horn in hand.
//!
//! `cargo run --release --example write_down -- TAKE.wav FOLDER`

use std::path::Path;

use leadpipe::audio::{Selection, Take};
use leadpipe::line::{Line, LineContext};
use leadpipe::output::{Output, csv::Csv, midi::MidiFile, save_all};
use leadpipe::transcriber::{Mode, Transcriber};
use leadpipe::tuning::Reference;
use leadpipe::{horn, tuning};

fn main() -> leadpipe::error::Result<()> {
    let mut args = std::env::args().skip(1);
    let (Some(take), Some(folder)) = (args.next(), args.next()) else {
        eprintln!("give a take and a folder");
        std::process::exit(2);
    };
    let trumpet = horn::find("trumpet")?;
    let mut take = Take::open(Path::new(&take), &Selection::default())?;
    let settings = horn::analysis_settings(Some(&trumpet), -60.0);
    let mut transcriber = Transcriber::new(take.sample_rate_hz(), settings, Mode::Full);
    let mut block = Vec::new();
    while take.next_block(&mut block)? {
        transcriber.push(&block);
    }
    let mut context = LineContext::plain(tuning::find("just", Some("Bb"), Reference::default())?);
    context.horn = Some(trumpet);
    let notes = transcriber.finish().notes;
    let length_s = take.length_s().unwrap_or(0.0);
    let line = Line::new("take", length_s, notes, context);
    for note in &line.notes {
        println!("{:>4} {:+.0} cents", note.written.to_string(), note.cents);
    }
    let outputs: Vec<Box<dyn Output>> = vec![Box::new(Csv), Box::new(MidiFile::default())];
    for path in save_all(&line, Path::new(&folder), "take", &outputs)? {
        println!("{}", path.display());
    }
    Ok(())
}
