//! Note list as comma-separated values (RFC 4180).

use std::io;

use super::{Output, Sink};
use crate::line::{Line, LineNote};
use crate::notation::note_rhythm::{self, RowRhythm};
use crate::notation::{LazyPart, Part};
use crate::notes::Technique;
use crate::units::{Pitch, rounded};

/// The note list.
#[derive(Debug, Clone, Default)]
pub struct Csv {
    /// The part that says where each note stands; without one the rhythm columns are empty.
    pub part: Option<LazyPart>,
}

/// Columns in order. The first fourteen keep their place; new ones are appended.
pub const HEADER: [&str; 25] = [
    "onset_s",
    "offset_s",
    "decided_s",
    "midi",
    "frequency_hz",
    "cents",
    "concert",
    "written",
    "volts",
    "attack",
    "length",
    "technique",
    "level_db",
    "confidence",
    "accent",
    "dip_db",
    "rise_s",
    "sounding",
    "technique_detail",
    "brightness",
    "meter",
    "bar",
    "beat",
    "value",
    "swing",
];

impl Output for Csv {
    fn extension(&self) -> &'static str {
        ".csv"
    }

    fn write(&self, line: &Line, to: &mut dyn Sink) -> io::Result<()> {
        write(line, self.part.as_ref().map(|part| part.of(line)), to)
    }
}

/// Writes the note list anywhere, standard output included; with the notes' rhythm if it is
/// known.
pub fn write(line: &Line, part: Option<&Part>, to: &mut dyn io::Write) -> io::Result<()> {
    let mut rows = csv::Writer::from_writer(to);
    rows.write_record(HEADER)?;
    for (note, rhythm) in line.notes.iter().zip(note_rhythm::rows(line, part)) {
        rows.write_record(row(note, rhythm))?;
    }
    rows.flush()
}

fn row(named: &LineNote, rhythm: Option<RowRhythm>) -> [String; 25] {
    let note = &named.note;
    let techniques: Vec<&str> = note.techniques.iter().map(Technique::name).collect();
    let details: Vec<String> = note.techniques.iter().map(detail).collect();
    let cell = |of: &dyn Fn(&RowRhythm) -> Option<String>| {
        rhythm.as_ref().and_then(of).unwrap_or_default()
    };
    [
        format!("{:.4}", note.onset_s),
        format!("{:.4}", note.offset_s),
        format!("{:.4}", note.decided_s),
        named.concert.0.to_string(),
        format!("{:.3}", Pitch(note.pitch).listed_hz()),
        format!("{:.1}", rounded(named.cents, 1)),
        named.concert_name(),
        named.written_name(),
        format!("{:.4}", rounded(named.volts, 4)),
        note.attack.name().into(),
        note.length.name().into(),
        techniques.join(" "),
        format!("{:.1}", note.level_db),
        format!("{:.3}", note.confidence),
        note.accent.to_string(),
        format!("{:.1}", note.measured.dip_db),
        format!("{:.3}", note.measured.rise_s),
        format!("{:.3}", note.measured.sounding),
        details.join("; "),
        note.brightness
            .map(|times| format!("{:.2}", rounded(f64::from(times), 2)))
            .unwrap_or_default(),
        cell(&|r| Some(r.meter.clone())),
        cell(&|r| r.bar.map(|bar| bar.to_string())),
        cell(&|r| r.beat.map(|beat| beat.to_string())),
        cell(&|r| Some(r.value.to_string())),
        cell(&|r| r.swing.map(|swing| swing.to_string())),
    ]
}

/// A technique with its measurements, as text.
pub fn detail(technique: &Technique) -> String {
    match *technique {
        Technique::Vibrato {
            rate_hz,
            extent_cents,
        } => {
            format!("vibrato {rate_hz:.1} Hz {extent_cents:.0} cents")
        }
        Technique::Flutter { rate_hz, depth_db } => {
            format!("flutter {rate_hz:.0} Hz {depth_db:.1} dB")
        }
        Technique::Trill {
            rate_hz,
            interval_cents,
        } => {
            format!("trill {rate_hz:.1} Hz {interval_cents:.0} cents")
        }
        Technique::Glissando { cents }
        | Technique::Scoop { cents }
        | Technique::Fall { cents }
        | Technique::Doit { cents } => format!("{} {cents:+.0} cents", technique.name()),
    }
}
