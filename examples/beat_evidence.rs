//! What speaks for each beat that a line may have: `scripts/beat_weights.py` fits the
//! weights to it.
//!
//! `cargo run --release --example beat_evidence NOTES.csv...` prints a line of JSON for
//! each list.

use std::path::PathBuf;

use leadpipe::internals::notation::considered;
use leadpipe::internals::note_list;
use leadpipe::{Line, LineContext, NotationOptions, Reference, Tuning};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let tuning = Tuning::find("equal-12", None, Reference::default())?;
    for path in std::env::args_os().skip(1).map(PathBuf::from) {
        let list = note_list::read(&path, tuning.reference())?;
        let context = LineContext::new(tuning.clone());
        let line = Line::new("list", list.length_s, list.notes, context);
        let all: Vec<serde_json::Value> = considered(&line, &NotationOptions::default())
            .iter()
            .map(|c| {
                serde_json::json!({
                    "tempo": c.tempo,
                    "metre": c.metre.to_string(),
                    "first": c.first,
                    "evidence": c.evidence.0.to_vec(),
                })
            })
            .collect();
        println!("{}", serde_json::to_string(&all)?);
    }
    Ok(())
}
