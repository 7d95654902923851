//! How far the pitch that a session sends is from where its note settles: at the
//! note-on (the first pitch bend) and for some time after, over takes; and how far the note
//! then still rises to its loudest; and on how many notes its name is another key's at first,
//! and in the end.
//!
//!     cargo run --release --example first_bend -- FOLDER
//!
//! Settled is the pitch of the finished note, as the note list has it.

#[path = "shared/plain_engine.rs"]
mod plain_engine;

use std::error::Error;
use std::path::{Path, PathBuf};

use leadpipe::internals::live::control_event::ControlEvent;
use leadpipe::{Selection, Take};
use plain_engine::plain_engine;

/// Times after the note-on that are looked at, in seconds.
const AFTER_S: [f64; 5] = [0.0, 0.01, 0.02, 0.04, 0.08];

fn main() -> Result<(), Box<dyn Error>> {
    let folder = std::env::args().nth(1).ok_or("give a folder with takes")?;
    let mut takes = Vec::new();
    wavs(Path::new(&folder), &mut takes)?;
    takes.sort();
    let mut off: Vec<Vec<f64>> = vec![Vec::new(); AFTER_S.len()];
    let mut rises_db = [const { Vec::new() }; 2];
    let (mut misnamed, mut renamed_s) = ([0, 0], Vec::new());
    for take in &takes {
        for note in sent(take)? {
            let (settled, loudest_db, key) = note.settled.ok_or("a note that does not end")?;
            misnamed[0] += usize::from(note.names[0].1 != key);
            misnamed[1] += usize::from(note.names[note.names.len() - 1].1 != key);
            renamed_s.extend(note.names[1..].last().map(|(after_s, _)| *after_s));
            rises_db[usize::from(note.slurred)].push(loudest_db - note.level_db);
            for (at, after_s) in AFTER_S.iter().enumerate() {
                let last = note.pitches.iter().rev().find(|(t, _)| t <= after_s);
                off[at].extend(last.map(|(_, pitch)| (pitch - settled).abs() * 100.0));
            }
        }
    }
    if off[0].is_empty() {
        return Err(format!("no notes in .wav or .flac files below {folder}").into());
    }
    println!("{} takes, {} notes", takes.len(), off[0].len());
    println!("after (ms)  median  90 %  95 %  (cents from where the note settles)");
    for (after_s, off) in AFTER_S.iter().zip(&mut off) {
        off.sort_by(f64::total_cmp);
        let share = |part: f64| off[((off.len() - 1) as f64 * part).round() as usize];
        let row = [share(0.5), share(0.9), share(0.95)].map(|v| format!("{v:6.1}"));
        println!("{:10.0} {}", after_s * 1e3, row.join(" "));
    }
    let mean = |db: &Vec<f32>| db.iter().sum::<f32>() / db.len() as f32;
    let [tongued_db, slurred_db] = rises_db.each_ref().map(mean);
    println!(
        "rise from the note-on to the loudest, mean: {tongued_db:.1} dB tongued, {slurred_db:.1} slurred"
    );
    renamed_s.sort_by(f64::total_cmp);
    let median_s = renamed_s.get(renamed_s.len() / 2);
    println!(
        "named after another key: {} at the note-on, {} in the end; renamed after {:.0} ms (median)",
        misnamed[0],
        misnamed[1],
        1e3 * median_s.unwrap_or(&0.0)
    );
    Ok(())
}

/// A note as it was sent.
struct Sent {
    /// Seconds after the note-on, and the key that it is named after from then on.
    names: Vec<(f64, i32)>,
    /// Seconds after the note-on, and pitch.
    pitches: Vec<(f64, f64)>,
    /// Level at the note-on, dBFS.
    level_db: f32,
    slurred: bool,
    /// Pitch, loudest level and key of the finished note.
    settled: Option<(f64, f32, i32)>,
}

fn sent(take: &Path) -> Result<Vec<Sent>, Box<dyn Error>> {
    let mut take = Take::open(take, &Selection::default())?;
    let mut engine = plain_engine(take.sample_rate_hz(), -65.0)?;
    let mut events = Vec::new();
    let mut block = Vec::new();
    while take.next_block(&mut block)? {
        engine.process(&block, &mut events);
    }
    engine.finish(&mut events);
    for note in engine.take_finished() {
        note.describe(&mut events);
    }
    let mut notes: Vec<Sent> = Vec::new();
    let (mut began_s, mut finished) = (0.0, 0);
    for event in events {
        match event {
            ControlEvent::NoteOn(start) => {
                began_s = start.at_s;
                notes.push(Sent {
                    names: vec![(0.0, start.name.concert.0)],
                    pitches: vec![(0.0, start.name.pitch.0)],
                    level_db: start.level_db,
                    slurred: start.slurred(),
                    settled: None,
                });
            }
            ControlEvent::NoteUpdate(update) => {
                let pitches = notes.last_mut().map(|n| &mut n.pitches);
                pitches
                    .into_iter()
                    .for_each(|p| p.push((update.at_s - began_s, update.pitch.0)));
            }
            ControlEvent::NoteRenamed { at_s, name } => {
                let names = notes.last_mut().map(|n| &mut n.names);
                let after_s = at_s - began_s;
                names
                    .into_iter()
                    .for_each(|n| n.push((after_s, name.concert.0)));
            }
            ControlEvent::NoteFinished { note: named, .. } => {
                let (note, key) = (&named.note, named.concert.0);
                notes[finished].settled = Some((note.pitch, note.level_db, key));
                finished += 1;
            }
            _ => {}
        }
    }
    Ok(notes)
}

fn wavs(folder: &Path, found: &mut Vec<PathBuf>) -> std::io::Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            wavs(&path, found)?;
        } else if path.extension().is_some_and(|e| e == "wav" || e == "flac") {
            found.push(path);
        }
    }
    Ok(())
}
