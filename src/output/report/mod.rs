//! An intonation report as one self-contained HTML file.
//!
//! Everything is readable without scripts: tables, picture, plots. The script
//! (`page.js`) makes the picture zoom and scroll, sorts the note table, and moves a
//! cursor with the take's sound, if it is embedded.

pub mod across;
mod plots;
mod sections;
mod spectrogram;

use std::io;

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use serde::Serialize;

use super::{Output, Sink, picture};
use crate::audio::flac::Flac;
use crate::intonation::{self, IntonationReport};
use crate::line::{Line, LineNote};
use crate::text::PROGRAM;
use crate::text::xml_escaped;
use crate::units::rounded;
use sections::articulation_text;
pub use spectrogram::Spectrogram;

/// The report.
#[derive(Debug)]
pub struct Html {
    /// Temperature of the air in the horn, degrees Celsius.
    pub temperature_c: f64,
    /// The take's sound, if it is embedded.
    pub sound: Option<Flac>,
    /// The take's spectrogram, if it is drawn under the trace.
    pub spectrogram: Option<Spectrogram>,
}

const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

impl Output for Html {
    fn extension(&self) -> &'static str {
        ".html"
    }

    fn write(&self, line: &Line, to: &mut dyn Sink) -> io::Result<()> {
        let report = intonation::intonation(line, self.temperature_c);
        let sound = self.sound.as_ref();
        write_page(&line.source, to, |to| {
            sections::head(line, &report, to)?;
            self.trace(line, sound, to)?;
            sections::notes(line, &report, to)?;
            sections::pitches(&report, to)?;
            sections::groups(&report, to)?;
            sections::explanation(&report, to)?;
            let data = Data::new(line, sound.map_or(0.0, |s| s.start_s));
            write_data(&data, to)?;
            write!(to, "<script>{SCRIPT}</script>")
        })
    }
}

/// Writes the page around a body.
pub(super) fn write_page(
    title: &str,
    to: &mut dyn Sink,
    body: impl FnOnce(&mut dyn Sink) -> io::Result<()>,
) -> io::Result<()> {
    write!(
        to,
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"generator\" content=\"{PROGRAM}\">\
         <meta name=\"viewport\" content=\"width=device-width\">\
         <meta name=\"color-scheme\" content=\"light dark\">\
         <link rel=\"icon\" href=\"data:,\">\
         <title>{} · intonation</title><style>{STYLE}</style></head><body><main>\n",
        xml_escaped(title)
    )?;
    body(to)?;
    writeln!(to, "</main></body></html>")
}

impl Html {
    fn trace(&self, line: &Line, sound: Option<&Flac>, to: &mut dyn Sink) -> io::Result<()> {
        writeln!(
            to,
            "<section><h2 id=\"h-trace\">Pitch over time</h2>\
             <p class=\"key\"><span class=\"true\">within {tune:.0} cents</span> \
             <span class=\"sharp\">sharper</span> <span class=\"flat\">flatter</span> \
             <span class=\"aim\">the tuning's pitch</span></p>\
             <div id=\"live\" hidden>\
             <div class=\"bar\"><button id=\"in\">Zoom in</button><button id=\"out\">Zoom out</button>\
             <button id=\"all\">Fit</button>\
             <label>Start <input id=\"scrub\" type=\"range\" min=\"0\" max=\"1000\" value=\"0\" \
             aria-label=\"Start of the part shown\"></label>\
             <output id=\"where\"></output></div>\
             <svg id=\"trace\" tabindex=\"0\" role=\"img\" aria-labelledby=\"h-trace\" \
             aria-describedby=\"trace-help\"></svg>\
             <p id=\"trace-help\" class=\"hint\">Drag or use the arrow keys to move, plus and minus \
             (or Ctrl and the mouse wheel) to zoom, 0 to fit the whole take. Select a note here \
             or in the note table below, which lists the same notes.</p>",
            tune = picture::IN_TUNE_CENTS
        )?;
        if let Some(sound) = sound {
            write!(
                to,
                "<audio id=\"sound\" controls preload=\"auto\" src=\"data:audio/flac;base64,{}\">\
                 </audio><p class=\"hint\">Start with the volume low, especially on headphones.</p>",
                BASE64_STANDARD.encode(&sound.bytes)
            )?;
        }
        write!(to, "</div><div id=\"still\">")?;
        for (row, (from_s, to_s)) in picture::svg_rows(line).zip(picture::row_times(line)) {
            write!(to, "<div class=\"row\">{row}")?;
            if let Some(spectrogram) = &self.spectrogram {
                to.write_all(spectrogram.svg(from_s, to_s).as_bytes())?;
            }
            write!(to, "</div>")?;
        }
        write!(to, "</div></section>")
    }
}

/// Data for the script.
#[derive(Serialize)]
struct Data {
    from_s: f64,
    to_s: f64,
    /// Stream time at which the embedded sound starts.
    sound_s: f64,
    low: f64,
    high: f64,
    lines: Vec<(f64, String)>,
    notes: Vec<NoteData>,
}

#[derive(Serialize)]
struct NoteData {
    on: f64,
    off: f64,
    name: String,
    cents: f64,
    aim: f64,
    tune: &'static str,
    how: String,
    /// Trace: start and step in seconds, deviation from the tuning's pitch in
    /// cents.
    t: f64,
    step: f64,
    trace: Vec<Option<i32>>,
}

impl Data {
    fn new(line: &Line, sound_s: f64) -> Data {
        let range = picture::range(line);
        let first = line.notes.first().map_or(0.0, |n| n.note.onset_s);
        let last = line.notes.last().map_or(1.0, |n| n.note.offset_s);
        Data {
            from_s: rounded((first - 0.5).max(0.0), 3),
            to_s: rounded(last + 0.5, 3),
            sound_s: rounded(sound_s, 4),
            low: range.0,
            high: range.1,
            lines: picture::table_lines(line, range),
            notes: line.notes.iter().map(NoteData::new).collect(),
        }
    }
}

impl NoteData {
    fn new(named: &LineNote) -> NoteData {
        let trace = picture::trace(named);
        let start = trace.first().map_or(named.note.onset_s, |(t, _)| *t);
        let step = match &trace[..] {
            [(a, _), (b, _), ..] => b - a,
            _ => picture::STEP_S,
        };
        let cents = |p: f64| ((p - named.tuning_pitch.0) * 100.0).round() as i32;
        NoteData {
            on: rounded(named.note.onset_s, 3),
            off: rounded(named.note.offset_s, 3),
            name: named.written_name(),
            cents: rounded(named.cents, 1),
            aim: rounded(named.tuning_pitch.0, 4),
            tune: picture::tune(named.cents).0,
            how: articulation_text(named),
            t: rounded(start, 4),
            step: rounded(step, 5),
            trace: trace.iter().map(|(_, p)| p.map(cents)).collect(),
        }
    }
}

/// Writes data for the script; `<` is escaped so that no name can close the
/// element.
fn write_data(data: &impl Serialize, to: &mut dyn Sink) -> io::Result<()> {
    let text = serde_json::to_string(data)?.replace('<', "\\u003c");
    write!(
        to,
        "<script type=\"application/json\" id=\"data\">{text}</script>"
    )
}
