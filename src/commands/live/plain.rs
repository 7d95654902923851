//! The session as lines of text: without a terminal that draws, with `--plain`, and beside
//! `--jsonl`, where standard output carries the events.

use std::io::Write;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use leadpipe::internals::live::send::json_lines::Failure;
use leadpipe::internals::live::session::Monitor;
use leadpipe::internals::live::ui_snapshot::PortStatus;
use leadpipe::internals::units::whole;
use leadpipe::{Error, LineNote, Result};

use super::super::say;

/// Prints notes as they end, and errors as they come and go. With `jsonl` the events go to
/// standard output instead; a session whose events cannot be written is over.
pub fn watch(monitor: &Monitor, quit: &AtomicBool, jsonl: Option<&Failure>) -> Result<()> {
    let mut errors: Vec<(String, String)> = Vec::new();
    while !quit.load(Ordering::Acquire) {
        let snapshot = match monitor.snapshot(Duration::from_millis(200)) {
            Ok(Some(snapshot)) => snapshot,
            Ok(None) => continue,
            Err(_) => return Ok(()),
        };
        // Before the state of the ports, which says the same.
        jsonl.map_or(Ok(()), check)?;
        let ports = std::iter::once(&snapshot.input).chain(&snapshot.outputs);
        let now: Vec<(String, String)> = ports.filter_map(error).collect();
        for (name, what) in now.iter().filter(|t| !errors.contains(t)) {
            say(format_args!("leadpipe: {name}: {what}"));
        }
        for (name, _) in errors
            .iter()
            .filter(|(n, _)| !now.iter().any(|(m, _)| m == n))
        {
            say(format_args!("leadpipe: {name}: back again"));
        }
        errors = now;
        for why in &snapshot.refused {
            say(format_args!("leadpipe: {why}"));
        }
        if jsonl.is_none() {
            let mut out = std::io::stdout().lock();
            for note in &snapshot.notes {
                writeln!(out, "{}", line(note)).map_err(Error::Stdout)?;
            }
            out.flush().map_err(Error::Stdout)?;
        }
    }
    Ok(())
}

/// Whether events could be written. A reader that has closed its pipe has what it wanted: the
/// session goes on without it.
pub fn check(jsonl: &Failure) -> Result<()> {
    match jsonl.take() {
        Some(error) if !super::super::is_closed(&error) => Err(Error::Stdout(error)),
        _ => Ok(()),
    }
}

fn error(port: &PortStatus) -> Option<(String, String)> {
    let what = port.error.clone()?;
    Some((port.name.clone(), what))
}

fn line(named: &LineNote) -> String {
    let note = &named.note;
    let techniques: Vec<&str> = note.techniques.iter().map(|t| t.name()).collect();
    format!(
        "{:9.3} s  {:>4} ({:>4})  {:+5.0} cents  {:8} {:13} {}",
        note.onset_s,
        named.written.to_string(),
        named.concert.to_string(),
        whole(named.cents),
        note.attack.name(),
        note.length.name(),
        techniques.join(" ")
    )
    .trim_end()
    .to_owned()
}
