//! The reference to practise against: a part of a score, or another take.

#[cfg(feature = "decode")]
pub mod compressed;
pub mod midi;
pub mod musicxml;
pub(crate) mod tempo_map;
mod way;

use std::path::Path;
use std::sync::Arc;

use crate::error::{Error, Result};
use crate::input_file;
use crate::line::Line;
use crate::notation::key::Key;
use crate::text::{counted, ending, shown, shown_path};
use crate::units::Concert;
use musicxml::WrittenPart;
use way::{Choice, Choices};

/// A note that is to be played.
#[derive(Debug, Clone, PartialEq)]
pub struct TargetNote {
    /// Start in seconds at the reference's own tempo.
    pub start_s: f64,
    /// Length in seconds at that tempo; 0 for a grace note.
    pub length_s: f64,
    /// Sounding key.
    pub concert: Concert,
    /// Pitch in MIDI semitones, if it is known more exactly than by key.
    pub pitch: Option<f64>,
    /// Bar number as in the score.
    pub bar: Option<String>,
    /// How it was played, where the score is a MIDI file of what was played.
    pub(crate) performed: Option<Performed>,
}

/// How a note of a MIDI file that this program wrote was played.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Performed {
    /// Whether it is slurred from the note before it.
    pub slurred: bool,
    /// How hard it is struck, 0 to 1.
    pub velocity: f32,
    /// Bend in semitones and loudness, 0 to 1, from some time on, in seconds from its start;
    /// the first at its start.
    pub course: Vec<(f64, f64, f32)>,
}

/// A part that is to be played, in order of time, one note at a time.
#[derive(Debug, Clone, PartialEq)]
pub struct ReferencePart {
    /// Name of the file, without folder.
    #[doc(hidden)]
    pub name: String,
    /// The notes.
    #[doc(hidden)]
    pub notes: Vec<TargetNote>,
    /// Quarter notes a minute, the median over its notes, if the score gives them.
    #[doc(hidden)]
    pub tempo: Option<f64>,
    /// Its key as it is written, if it gives one, and how many semitones higher it sounds.
    #[doc(hidden)]
    pub key: Option<(Key, i32)>,
    /// What of the score is not in it although nobody asked for that, in words.
    #[doc(hidden)]
    pub warnings: Vec<String>,
    /// Where its notes are others than the score's as it is written.
    pub(crate) departures: Vec<Departure>,
    /// The score with its repeats and jumps, if it has any.
    written: Option<Arc<WrittenPart>>,
    /// What is played otherwise than is written.
    choices: Choices,
    /// Semitones that the notes sound higher than those of the score.
    shift: i32,
}

/// A repeat or a jump that is not played as it is written.
#[derive(Debug, Clone, PartialEq)]
pub struct Departure {
    /// When it shows, in seconds at the reference's own tempo.
    pub at_s: f64,
    /// What it is, in words.
    pub words: String,
    /// Whether more is played than is written.
    pub is_more: bool,
}

impl Departure {
    /// How many of a part's notes come before it.
    pub fn place(&self, notes: &[TargetNote]) -> usize {
        // Tolerance for rounding.
        notes.partition_point(|note| note.start_s < self.at_s - 1e-6)
    }
}

/// Largest score read, in bytes.
const MAX_BYTES: u64 = 16 << 20;
/// Most notes of a part.
const MAX_NOTES: usize = 100_000;
/// Tempo if a score gives none, quarters a minute.
const DEFAULT_TEMPO: f64 = 120.0;

impl ReferencePart {
    /// Reads a part of a score, counted from 1, or the first that has notes. Of a chord the
    /// highest note is taken: a horn plays one at a time.
    ///
    /// # Errors
    /// [`Error::Input`] for a file that is missing, too large, damaged, or has no notes;
    /// [`Error::Setting`] where there is no such part; the hint lists the parts.
    pub fn read(path: &Path, part: Option<usize>) -> Result<ReferencePart> {
        let bytes = input_file::read(path, MAX_BYTES)
            .map_err(|e| e.input(path, "the score of one piece"))?;
        let parts = match kind(path) {
            _ if bytes.is_empty() => Err("the file is empty".into()),
            Some(Kind::Midi) => midi::parts(&bytes),
            Some(Kind::MusicXml) => musicxml::parts(&bytes),
            #[cfg(feature = "decode")]
            Some(Kind::Compressed) => {
                compressed::score(&bytes).and_then(|text| musicxml::parts(&text))
            }
            #[cfg(not(feature = "decode"))]
            Some(Kind::Compressed) => {
                Err("a compressed score, which this build cannot read".into())
            }
            None => Err("not a score that can be read".into()),
        };
        let damaged = |problem: String| {
            Error::input(
                path,
                problem,
                "export it again as .mid (Standard MIDI File) or .musicxml",
            )
        };
        let parts = parts.map_err(damaged)?;
        let is_chosen = part.is_some();
        let number = match part {
            Some(number) => number,
            None => 1 + parts.iter().position(|p| !p.notes.is_empty()).unwrap_or(0),
        };
        let names: Vec<String> = (1..)
            .zip(&parts)
            .map(|(i, p)| format!("{i} {} ({})", p.name, counted(p.notes.len() as u64, "note")))
            .collect();
        let names = names.join(", ");
        let with_notes = parts.iter().filter(|p| !p.notes.is_empty()).count();
        let wanted = number.checked_sub(1).and_then(|i| parts.into_iter().nth(i));
        let Some(part) = wanted.filter(|p| !p.notes.is_empty()) else {
            return Err(match part {
                Some(number) => Error::setting(
                    format!("{}: part {number} has no notes", shown_path(path)),
                    format!("choose --part from: {names}"),
                ),
                None => Error::input(
                    path,
                    "no part has notes",
                    format!("give a score with notes; its parts are: {names}"),
                ),
            });
        };
        if part.notes.len() > MAX_NOTES {
            return Err(Error::input(
                path,
                format!("more than {MAX_NOTES} notes"),
                "give the score of one piece",
            ));
        }
        let mut warnings = Vec::new();
        if !is_chosen && with_notes > 1 {
            warnings.push(format!(
                "only part {number} is read; choose --part from: {}",
                shown(&names)
            ));
        }
        if part.left_out > 0 {
            warnings.push(format!(
                "{} of {} are left out: of notes that begin together the highest is kept, because a horn plays one at a time",
                part.left_out,
                counted((part.left_out + part.notes.len()) as u64, "note")
            ));
        }
        warnings.extend(part.shortened_in_words());
        let name = path.file_name().unwrap_or_default();
        Ok(ReferencePart {
            name: name.to_string_lossy().into_owned(),
            notes: part.notes,
            tempo: part.tempo,
            key: part.key,
            warnings,
            departures: Vec::new(),
            written: part.written,
            choices: Choices::default(),
            shift: 0,
        })
    }

    /// A line that was played, as a reference.
    pub fn played(line: &Line) -> ReferencePart {
        let target = |n: &crate::line::LineNote| TargetNote {
            start_s: n.note.onset_s,
            length_s: n.note.duration_s(),
            concert: n.concert,
            pitch: Some(n.note.pitch),
            bar: None,
            performed: None,
        };
        ReferencePart {
            name: line.source.clone(),
            notes: line.notes.iter().map(target).collect(),
            tempo: None,
            key: None,
            warnings: Vec::new(),
            departures: Vec::new(),
            written: None,
            choices: Choices::default(),
            shift: 0,
        }
    }

    /// Whether there is another way through it than the written one.
    pub(crate) fn has_other_ways(&self) -> bool {
        let written = self.written.as_ref();
        written.is_some_and(|written| !written.choices().is_empty())
    }

    /// This way through the score with one thing done otherwise than is written: each repeat
    /// left out or once more, or the jump left out.
    pub(crate) fn other_ways(&self) -> impl Iterator<Item = ReferencePart> {
        let choices = self.written.iter().flat_map(|written| written.choices());
        choices.filter_map(|choice| self.with(*choice))
    }

    /// The same way with one more choice, if that is another way, and none too long.
    fn with(&self, choice: Choice) -> Option<ReferencePart> {
        let choices = self.choices.with(choice);
        if choices == self.choices {
            return None;
        }
        let played = self.written.as_ref()?.played(&choices).ok()?;
        let other = ReferencePart {
            notes: played.notes,
            tempo: played.tempo,
            departures: played.departures,
            choices,
            ..self.clone()
        };
        Some(other.sounding(self.shift))
    }

    /// The same, sounding `semitones` higher.
    #[doc(hidden)]
    pub fn shifted(mut self, semitones: i32) -> ReferencePart {
        self.key = self.key.map(|(key, sounds)| (key, sounds + semitones));
        self.shift += semitones;
        self.sounding(semitones)
    }

    /// Its notes that many semitones higher.
    fn sounding(mut self, semitones: i32) -> ReferencePart {
        for target in &mut self.notes {
            target.concert.0 += semitones;
            target.pitch = target.pitch.map(|p| p + f64::from(semitones));
        }
        self
    }
}

/// Whether a file is a score, by its extension; everything else is a take.
pub fn is_score(path: &Path) -> bool {
    kind(path).is_some()
}

enum Kind {
    Midi,
    MusicXml,
    Compressed,
}

fn kind(path: &Path) -> Option<Kind> {
    match ending(path).as_str() {
        "mid" | "midi" | "smf" => Some(Kind::Midi),
        "musicxml" | "xml" => Some(Kind::MusicXml),
        "mxl" => Some(Kind::Compressed),
        _ => None,
    }
}

/// A part as it is read from a score.
#[derive(Debug, Clone, PartialEq)]
pub struct ScorePart {
    /// Its name in the score.
    pub name: String,
    /// Its notes, in order, one at a time.
    pub notes: Vec<TargetNote>,
    /// How many notes began with a higher one and are not among them.
    pub left_out: usize,
    /// Places of the notes that end before they do in the score, because they were held under
    /// others.
    pub shortened: Vec<usize>,
    /// Quarter notes a minute, the median over its notes, if the score gives them.
    pub tempo: Option<f64>,
    /// Its first key as it is written, if it gives one, and how many semitones higher it
    /// sounds.
    pub key: Option<(Key, i32)>,
    /// The part with its repeats and jumps, if it has any.
    pub written: Option<Arc<WrittenPart>>,
}

impl ScorePart {
    /// Says which notes were shortened, if any were.
    fn shortened_in_words(&self) -> Option<String> {
        let first = &self.notes[*self.shortened.first()?];
        let place = match &first.bar {
            Some(bar) => format!("in bar {}", shown(bar)),
            None => format!("at {:.3} s", first.start_s),
        };
        Some(format!(
            "{} held under others shortened to where the next begins (the first is {place}), because a horn plays one at a time",
            counted(self.shortened.len() as u64, "note")
        ))
    }
}

/// Reduces notes to one at a time: of those that start together the highest, each
/// ending where the next begins at the latest. Gives them with the places of those that go on
/// below a whole other note, as a second voice does: these are changed. That a note
/// goes on into the next alone is how a slur is written for a synthesizer.
fn one_at_a_time(mut targets: Vec<TargetNote>) -> (Vec<TargetNote>, Vec<usize>) {
    /// Notes of a chord may start this far apart, in seconds.
    const TOGETHER_S: f64 = 0.005;
    /// Tolerance for rounding, in seconds: times are sums of lengths.
    const ROUNDING_S: f64 = 1e-6;
    targets.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    let mut line: Vec<TargetNote> = Vec::with_capacity(targets.len());
    for target in targets {
        match line.last_mut() {
            // A grace note has the same start as the note it leads to.
            Some(last)
                if target.start_s - last.start_s < TOGETHER_S
                    && last.length_s > 0.0
                    && target.length_s > 0.0 =>
            {
                if target.concert > last.concert {
                    *last = target;
                }
            }
            _ => line.push(target),
        }
    }
    let mut shortened = Vec::new();
    for at in 1..line.len() {
        let (before, after) = line.split_at_mut(at);
        let note = &mut before[at - 1];
        let (end_s, until_s) = (note.start_s + note.length_s, after[0].start_s);
        let other = after.iter().find(|next| next.length_s > 0.0);
        let outlasts = |other: &TargetNote| end_s >= other.start_s + other.length_s - ROUNDING_S;
        if end_s > until_s + ROUNDING_S && other.is_some_and(outlasts) {
            shortened.push(at - 1);
        }
        note.length_s = note.length_s.min(until_s - note.start_s);
    }
    (line, shortened)
}

/// For tests of the readers: notes in order, one at a time, at finite times.
#[cfg(test)]
fn assert_is_a_line(part: &ScorePart) {
    for note in &part.notes {
        assert!(note.start_s.is_finite() && note.start_s >= 0.0, "{note:?}");
        assert!(
            note.length_s.is_finite() && note.length_s >= 0.0,
            "{note:?}"
        );
    }
    for pair in part.notes.windows(2) {
        let end_s = pair[0].start_s + pair[0].length_s;
        assert!(end_s <= pair[1].start_s + 1e-9, "{pair:?}");
    }
}
