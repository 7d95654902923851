//! Note list as JSON. The schema is `notes.schema.json` beside this file (JSON
//! Schema 2020-12) and `leadpipe transcribe --schema` prints it.

use std::io;

use serde::Serialize;

use super::{Output, Sink};
use crate::line::{ContextChange, Line, LineContext, LineNote};
use crate::notation::note_rhythm::{self, RowRhythm};
use crate::notation::{LazyPart, Part};
use crate::notes::{Measured, Technique};
use crate::sending::note_source::NoteSource;
use crate::tuning::quantiser::Snap;
use crate::units::{Pitch, rounded};

/// The note list.
#[derive(Debug, Clone, Default)]
pub struct Json {
    /// The part that says where each note stands; without one, notes have no rhythm.
    pub part: Option<LazyPart>,
}

/// Schema of the document.
pub const SCHEMA: &str = include_str!("notes.schema.json");

/// How the document begins.
pub const BEGIN: &str = "{\n  \"format\": 1,\n  \"take\": {";

#[derive(Serialize)]
struct Document<'a> {
    format: u32,
    take: Take<'a>,
    notes: Vec<Entry<'a>>,
}

#[derive(Serialize)]
struct Take<'a> {
    name: &'a str,
    length_s: f64,
    horn: Option<&'a str>,
    tuning: &'a str,
    reference_hz: f64,
    snap: Snap,
    zero_volt_note: f64,
    transposition: i32,
    tonic: Option<String>,
    key_fifths: i32,
    shift: i32,
    #[serde(skip_serializing_if = "Option::is_none")]
    sequence: Option<Vec<i32>>,
    brightness: Option<[f32; 2]>,
    /// What was changed while the take was recorded.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    changes: Vec<Change<'a>>,
}

#[derive(Serialize)]
struct Change<'a> {
    time_s: f64,
    horn: Option<&'a str>,
    tuning: &'a str,
    tonic: Option<String>,
    shift: i32,
    /// A sequence that begins here, or none of its notes where the played ones are sent again.
    #[serde(skip_serializing_if = "Option::is_none")]
    sequence: Option<Vec<i32>>,
}

/// A note of the list; live events use the same.
#[derive(Debug, Serialize)]
pub struct Entry<'a> {
    onset_s: f64,
    offset_s: f64,
    decided_s: f64,
    midi: i32,
    frequency_hz: f64,
    cents: f64,
    concert: String,
    written: String,
    volts: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    drawn: Option<f64>,
    attack: &'static str,
    length: &'static str,
    accent: bool,
    techniques: &'a [Technique],
    level_db: f32,
    confidence: f32,
    measured: Measured,
    brightness: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    rhythm: Option<RowRhythm>,
}

impl Output for Json {
    fn extension(&self) -> &'static str {
        ".json"
    }

    fn write(&self, line: &Line, to: &mut dyn Sink) -> io::Result<()> {
        write(line, self.part.as_ref().map(|part| part.of(line)), to)
    }
}

/// Writes the note list anywhere, standard output included; with the notes' rhythm if it is
/// known.
pub fn write(line: &Line, part: Option<&Part>, to: &mut dyn io::Write) -> io::Result<()> {
    let rhythms = note_rhythm::rows(line, part);
    let entry = |(named, rhythm)| Entry {
        rhythm,
        ..entry(named)
    };
    let context = &line.context;
    let document = Document {
        format: 1,
        take: Take {
            name: &line.source,
            length_s: rounded(line.length_s, 4),
            horn: context.horn.as_ref().map(|h| h.name.as_str()),
            tuning: context.tuning.name(),
            reference_hz: context.tuning.reference().a4_hz(),
            snap: context.snap,
            zero_volt_note: context.zero_volt_note,
            transposition: context.horn.as_ref().map_or(0, |h| h.sounds),
            tonic: context.tuning.other_tonic(),
            key_fifths: line.key().fifths,
            shift: context.shift,
            sequence: sequence(context),
            brightness: context.brightness.map(|range| [range.dark, range.bright]),
            changes: line.changes.iter().map(change).collect(),
        },
        notes: line.notes.iter().zip(rhythms).map(entry).collect(),
    };
    serde_json::to_writer_pretty(&mut *to, &document)?;
    writeln!(to)
}

fn change(change: &ContextChange) -> Change<'_> {
    Change {
        time_s: rounded(change.at_s, 4),
        horn: change.context.horn.as_ref().map(|h| h.name.as_str()),
        tuning: change.context.tuning.name(),
        tonic: change.context.tuning.other_tonic(),
        shift: change.context.shift,
        sequence: (change.source_begins).then(|| sequence(&change.context).unwrap_or_default()),
    }
}

/// MIDI keys of the notes that are sent for those played, if they are a sequence.
fn sequence(context: &LineContext) -> Option<Vec<i32>> {
    let NoteSource::Sequence(sequence) = &context.source else {
        return None;
    };
    let reference = context.tuning.reference();
    let keys = sequence.notes();
    Some(keys.map(|pitch| reference.nearest_key(pitch)).collect())
}

/// Entry of a note.
pub fn entry(named: &LineNote) -> Entry<'_> {
    let note = &named.note;
    Entry {
        onset_s: rounded(note.onset_s, 4),
        offset_s: rounded(note.offset_s, 4),
        decided_s: rounded(note.decided_s, 4),
        midi: named.concert.0,
        frequency_hz: Pitch(note.pitch).listed_hz(),
        cents: rounded(named.cents, 1),
        concert: named.concert_name(),
        written: named.written_name(),
        volts: rounded(named.volts, 5),
        drawn: named.drawn.map(|pitch| rounded(pitch.0, 6)),
        attack: note.attack.name(),
        length: note.length.name(),
        accent: note.accent,
        techniques: &note.techniques,
        level_db: note.level_db,
        confidence: note.confidence,
        measured: note.measured,
        brightness: note.brightness.map(|times| rounded(f64::from(times), 2)),
        rhythm: None,
    }
}
