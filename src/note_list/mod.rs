//! A note list read back, as a person has edited it: CSV and JSON as [`crate::output`]
//! writes them, or a Standard MIDI File.
//!
//! A list says less than a take: each note gets a contour of even pitch and level, so
//! that every output can be written from it.

mod csv_rows;
mod made_with;
mod row_pitch;

use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::error::{Error, Result};
use crate::input_file;
use crate::midi_values::LEVEL_SPAN_DB;
use crate::notation::key::Key;
use crate::notation::note_rhythm::{NotePlace, NoteRhythm, RowRhythm, metre_name};
use crate::notation::tempo_track::TempoTrack;
use crate::notes::contour::{Contour, Point};
use crate::notes::refinement::read_pitch;
use crate::notes::{Attack, Length, Measured, Note, Technique};
use crate::reference::{ReferencePart, TargetNote};
use crate::text::{counted, ending};
use crate::tuning::Reference;
use crate::units::Pitch;
pub use made_with::MadeWith;

/// Largest list that is read, in bytes.
const MAX_BYTES: u64 = 64 << 20;
/// Level where a list has none, dBFS: mezzoforte with headroom.
const ANY_LEVEL_DB: f32 = -20.0;
/// Time between the points of an even contour, in seconds.
const HOP_S: f64 = 0.005;
/// How much two notes may overlap without a word, in seconds: more than rounding makes.
const OVERLAP_S: f64 = 0.001;
/// Longest that a list may go on, in seconds: a day.
const LONGEST_S: f64 = 86_400.0;

/// Notes read from a list.
#[derive(Debug, Clone, PartialEq)]
pub struct NoteList {
    /// The notes in order of time.
    pub notes: Vec<Note>,
    /// Where each of them stands in the part, as far as the list says.
    pub rhythms: Vec<Option<NoteRhythm>>,
    /// The pitch that was drawn for each of them from the tuning, before transposition, where
    /// the list says so.
    pub drawn: Vec<Option<Pitch>>,
    /// Length of the take in seconds; the end of the last note where the list does not
    /// say.
    pub length_s: f64,
    /// Tempo and bars of a MIDI file whose notes keep to them.
    pub tempo_track: Option<TempoTrack>,
    /// Its key as it is written, if it has one, and how many semitones higher than that it
    /// sounds.
    pub key: Option<(Key, i32)>,
    /// What the file holds and the list does not, in words.
    pub warnings: Vec<String>,
}

/// A list that was opened, its notes still to be read.
#[derive(Debug)]
pub struct ListFile {
    path: PathBuf,
    content: Content,
}

#[derive(Debug)]
enum Content {
    Csv(String),
    Json(Box<Document>),
    Midi,
}

/// A list in JSON.
#[derive(Debug, Deserialize)]
struct Document {
    #[serde(default)]
    take: MadeWith,
    notes: Vec<Row>,
}

/// A note as it stands in a list. What is left out is supposed.
#[derive(Debug, Deserialize)]
struct Row {
    onset_s: f64,
    offset_s: f64,
    decided_s: Option<f64>,
    midi: Option<i32>,
    frequency_hz: Option<f64>,
    concert: Option<String>,
    written: Option<String>,
    #[serde(default = "tongued")]
    attack: Attack,
    #[serde(default = "normal")]
    length: Length,
    #[serde(default)]
    accent: bool,
    #[serde(default)]
    techniques: Vec<Technique>,
    level_db: Option<f32>,
    confidence: Option<f32>,
    brightness: Option<f32>,
    #[serde(default)]
    measured: Measured,
    drawn: Option<f64>,
    rhythm: Option<RowRhythm>,
}

/// A note of a list, with what a person would call its row.
struct Found {
    name: String,
    note: Note,
    rhythm: Option<NoteRhythm>,
    drawn: Option<Pitch>,
}

fn tongued() -> Attack {
    Attack::Tongued
}

fn normal() -> Length {
    Length::Normal
}

/// Reads a list by the ending of its name: `.csv`, `.json`, or a MIDI file. Of a CSV
/// only `onset_s`, `offset_s` and one of `midi`, `concert` and `frequency_hz` are needed.
/// `reference` is what frequencies are measured from.
///
/// # Errors
/// [`Error::Input`] for a file that is missing, is no list, or has a note that makes no
/// sense, naming the line or the note.
pub fn read(path: &Path, reference: Reference) -> Result<NoteList> {
    ListFile::open(path)?.read(reference, None)
}

impl ListFile {
    /// Opens a list.
    ///
    /// # Errors
    /// [`Error::Input`] for a file that is missing or no list, or says of its take what makes
    /// no sense.
    pub fn open(path: &Path) -> Result<ListFile> {
        let ending = ending(path);
        let content = match ending.as_str() {
            "csv" => Content::Csv(text(path)?),
            "json" => {
                let document: Document = serde_json::from_str(&text(path)?).map_err(|e| {
                    let hint = "`leadpipe transcribe --schema` says what a list looks like";
                    Error::input(path, e, hint)
                })?;
                document.take.check(path)?;
                Content::Json(Box::new(document))
            }
            "mid" | "midi" | "smf" => Content::Midi,
            _ => {
                let (problem, hint) = match ending.as_str() {
                    "musicxml" | "mxl" => (
                        "a score, not a note list",
                        "save it as a MIDI file in your notation program, and give that",
                    ),
                    #[cfg(feature = "decode")]
                    sound if crate::audio::Take::EXTENSIONS.contains(&sound) => (
                        "a take, not a note list",
                        "make its list first: leadpipe transcribe TAKE --out DIR",
                    ),
                    _ => (
                        "not a note list, by the ending of its name",
                        "give a .csv or .json list, or a .mid file",
                    ),
                };
                return Err(Error::input(path, problem, hint));
            }
        };
        Ok(ListFile {
            path: path.to_owned(),
            content,
        })
    }

    /// What it was made with, if it says so.
    pub fn made_with(&self) -> Option<&MadeWith> {
        match &self.content {
            Content::Json(document) => Some(&document.take),
            Content::Csv(_) | Content::Midi => None,
        }
    }

    /// Its notes; of a MIDI file those of a part, counted from 1, or of the first that has notes.
    ///
    /// # Errors
    /// As [`read`]; [`Error::Setting`] where there is no such part.
    pub fn read(self, reference: Reference, part: Option<usize>) -> Result<NoteList> {
        let path = &self.path;
        if part.is_some() && !matches!(self.content, Content::Midi) {
            return Err(Error::setting(
                "--part with a CSV or JSON list",
                "leave --part out: only MIDI files have parts",
            ));
        }
        let list = match self.content {
            Content::Csv(text) => csv_rows::from_csv(path, &text, reference)?,
            Content::Json(document) => from_json(path, *document, reference)?,
            Content::Midi => from_midi(path, part)?,
        };
        match list.notes.is_empty() {
            true => Err(Error::input(
                path,
                "no notes in this list",
                "check the file",
            )),
            false => Ok(list),
        }
    }
}

fn text(path: &Path) -> Result<String> {
    let text = input_file::read_text(path, MAX_BYTES);
    let text = text.map_err(|e| e.input(path, "the list of one take"))?;
    if text.trim().is_empty() {
        let hint = "make the list again: leadpipe transcribe TAKE --out DIR";
        return Err(Error::input(path, "the file is empty", hint));
    }
    Ok(text)
}

fn from_json(path: &Path, document: Document, reference: Reference) -> Result<NoteList> {
    let Document { take, mut notes } = document;
    let horn = take.horn.clone().flatten();
    if take.changes.iter().any(|change| change.horn != horn) {
        // Whoever changes horns changes what is written for the same note.
        notes.iter_mut().for_each(|row| row.written = None);
    }
    let rows = (1..).zip(notes);
    let rows = rows.map(|(number, row)| (format!("note {number}"), row));
    let list = assembled(path, rows.collect(), take.length_s, reference)?;
    Ok(NoteList {
        key: take.key(),
        ..list
    })
}

fn from_midi(path: &Path, part: Option<usize>) -> Result<NoteList> {
    let part = ReferencePart::read(path, part)?;
    let sounding = part.notes.iter().filter(|n| n.length_s > 0.0);
    let notes: Vec<Note> = sounding.map(from_target).collect();
    let length_s = notes.last().map_or(0.0, |n| n.offset_s);
    let kept = |track: &TempoTrack| track.is_kept(notes.iter().map(|n| n.onset_s));
    Ok(NoteList {
        rhythms: vec![None; notes.len()],
        drawn: vec![None; notes.len()],
        tempo_track: TempoTrack::read(path).ok().filter(kept),
        key: part.key,
        warnings: part.warnings,
        notes,
        length_s,
    })
}

/// A note of a MIDI file: as it was played if the file says so, or else at its key.
fn from_target(target: &TargetNote) -> Note {
    let (onset_s, key) = (target.start_s, f64::from(target.concert.0));
    let offset_s = onset_s + target.length_s;
    let mut note = Note {
        onset_s,
        offset_s,
        decided_s: onset_s,
        pitch: key,
        attack: tongued(),
        length: normal(),
        accent: false,
        techniques: Vec::new(),
        level_db: ANY_LEVEL_DB,
        confidence: 1.0,
        brightness: None,
        measured: Measured::default(),
        contour: even(onset_s, offset_s, key, ANY_LEVEL_DB, None),
    };
    let Some(performed) = &target.performed else {
        return note;
    };
    if performed.slurred {
        note.attack = Attack::Slurred;
    }
    // The loudest note has full velocity, and the level that a note has where none is known.
    let level_db = |strength: f32| ANY_LEVEL_DB + LEVEL_SPAN_DB * (strength - 1.0);
    note.level_db = level_db(performed.velocity);
    let mut course = performed.course.iter().peekable();
    let mut now = None;
    let start_s = note.contour.start_s;
    let hop_s = note.contour.hop_s;
    for (hop, point) in note.contour.points.iter_mut().enumerate() {
        let time_s = start_s + hop as f64 * hop_s - onset_s;
        while let Some(next) = course.next_if(|next| next.0 <= time_s) {
            now = Some(next);
        }
        if let Some((_, bend, strength)) = now {
            point.pitch = (key + bend) as f32;
            point.level_db = level_db(*strength);
        }
    }
    // As a take's notes get theirs.
    read_pitch(&mut note);
    note
}

/// Puts rows, each with what a person would call it, into order.
fn assembled(
    path: &Path,
    rows: Vec<(String, Row)>,
    length_s: Option<f64>,
    reference: Reference,
) -> Result<NoteList> {
    let mut found = Vec::with_capacity(rows.len());
    let pitches = row_pitch::pitches(path, &rows, reference)?;
    for ((name, row), pitch) in rows.into_iter().zip(pitches) {
        let wrong = |problem: &str, hint: &str| {
            Error::input(path, format!("{name}: {problem}"), hint.to_owned())
        };
        let sane = |s: f64| (0.0..=LONGEST_S).contains(&s);
        if !sane(row.onset_s) || !sane(row.offset_s) {
            return Err(wrong(
                "a time outside the range from 0 to a day",
                "write seconds from the start of the take",
            ));
        }
        if row.offset_s <= row.onset_s {
            return Err(wrong("ends before it begins", "write a later offset_s"));
        }
        let level_db = row
            .level_db
            .filter(|l| l.is_finite())
            .unwrap_or(ANY_LEVEL_DB);
        let rhythm = row.rhythm.as_ref().map(RowRhythm::placed).transpose();
        let rhythm = rhythm.map_err(|(problem, hint)| wrong(&problem, hint))?;
        let drawn = row.drawn.map(Pitch);
        if drawn.is_some_and(|p| !(0.0..=127.0).contains(&reference.relative(p).round())) {
            return Err(wrong(
                "drawn is outside the range of MIDI keys",
                "write a MIDI key, 0 to 127, or leave drawn out",
            ));
        }
        let note = Note {
            onset_s: row.onset_s,
            offset_s: row.offset_s,
            decided_s: row.decided_s.unwrap_or(row.onset_s),
            pitch,
            attack: row.attack,
            length: row.length,
            accent: row.accent,
            techniques: row.techniques,
            level_db,
            confidence: row.confidence.unwrap_or(1.0),
            brightness: row.brightness.filter(|times| times.is_finite()),
            measured: row.measured,
            contour: Contour::default(),
        };
        found.push(Found {
            name,
            note,
            rhythm,
            drawn,
        });
    }
    found.sort_by(|a, b| a.note.onset_s.total_cmp(&b.note.onset_s));
    check_rhythms(path, &found)?;
    let rhythms = found.iter().map(|found| found.rhythm).collect();
    let drawn = found.iter().map(|found| found.drawn).collect();
    let mut notes: Vec<Note> = found.into_iter().map(|found| found.note).collect();
    let mut shortened = Vec::new();
    for at in 0..notes.len() {
        // A horn plays one note at a time.
        let until_s = notes.get(at + 1).map_or(f64::INFINITY, |next| next.onset_s);
        let note = &mut notes[at];
        if until_s <= note.onset_s {
            return Err(Error::input(
                path,
                format!("two notes begin at {} s", note.onset_s),
                "keep one of them: a horn plays one note at a time",
            ));
        }
        if note.offset_s > until_s + OVERLAP_S {
            shortened.push(note.onset_s);
        }
        note.offset_s = note.offset_s.min(until_s);
        note.contour = even(
            note.onset_s,
            note.offset_s,
            note.pitch,
            note.level_db,
            note.brightness,
        );
    }
    let end_s = notes.last().map_or(0.0, |n| n.offset_s);
    let length_s = length_s.filter(|s| (0.0..=LONGEST_S).contains(s));
    Ok(NoteList {
        length_s: length_s.unwrap_or(end_s).max(end_s),
        notes,
        rhythms,
        drawn,
        tempo_track: None,
        key: None,
        warnings: shortened_in_words(&shortened).into_iter().collect(),
    })
}

/// Says which notes were shortened, by their onsets.
fn shortened_in_words(onsets_s: &[f64]) -> Option<String> {
    let first_s = onsets_s.first()?;
    let count = counted(onsets_s.len() as u64, "note");
    Some(format!(
        "{count} shortened to where the next begins (the first is at {first_s} s), because a horn plays one at a time; correct onset_s or offset_s if that is wrong"
    ))
}

/// Checks that notes in order of time are in one metre, and each in a place after the one
/// before.
fn check_rhythms(path: &Path, found: &[Found]) -> Result<()> {
    let mut before: Option<(&str, NoteRhythm)> = None;
    let mut last: Option<(&str, u32)> = None;
    for Found { name, rhythm, .. } in found {
        let Some(rhythm) = rhythm else {
            continue;
        };
        if let Some((other, first)) = before
            && first.metre != rhythm.metre
        {
            let [first, own] = [first.metre, rhythm.metre].map(metre_name);
            return Err(Error::input(
                path,
                format!("{name}: meter is {own}, but {first} in {other}"),
                "write one time signature all through",
            ));
        }
        before = before.or(Some((name, *rhythm)));
        if let NotePlace::Bar { start, .. } = rhythm.place {
            if let Some((other, _)) = last.filter(|(_, last)| start <= *last) {
                return Err(Error::input(
                    path,
                    format!(
                        "{name}: its place is not after that of {other}, which sounds before it"
                    ),
                    "write a later bar or beat, or grace as the value of one of them",
                ));
            }
            last = Some((name, start));
        }
    }
    Ok(())
}

/// A contour that stays where it is.
fn even(
    onset_s: f64,
    offset_s: f64,
    pitch: f64,
    level_db: f32,
    brightness: Option<f32>,
) -> Contour {
    let count = ((offset_s - onset_s) / HOP_S).ceil().max(1.0) as usize;
    let point = Point {
        pitch: pitch as f32,
        level_db,
        confidence: 1.0,
        brightness: brightness.unwrap_or(f32::NAN),
    };
    Contour {
        start_s: onset_s,
        hop_s: HOP_S,
        points: vec![point; count],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn csv(text: &str) -> Result<NoteList> {
        csv_rows::from_csv(Path::new("list.csv"), text, Reference::default())
    }

    #[test]
    fn little_is_needed() {
        let list = csv("onset_s,offset_s,midi\n1.5,2,62\n0.5,1.6,60\n").unwrap();
        let notes: Vec<_> = list
            .notes
            .iter()
            .map(|n| (n.onset_s, n.offset_s, n.pitch))
            .collect();
        assert_eq!(notes, [(0.5, 1.5, 60.0), (1.5, 2.0, 62.0)]);
        assert_eq!(list.length_s, 2.0);
    }

    /// Spreadsheets and data frames write numbers and truth values their own way.
    #[test]
    fn a_list_may_come_from_a_spreadsheet() {
        let list = csv("onset_s,offset_s,midi,accent\n0,1,60.0,FALSE\n,,,\n1,2,62,True\n").unwrap();
        let notes: Vec<_> = list.notes.iter().map(|n| (n.pitch, n.accent)).collect();
        assert_eq!(notes, [(60.0, false), (62.0, true)]);
        let error = csv("onset_s,offset_s,midi\n0,1,60.5\n").unwrap_err();
        assert!(
            error.to_string().contains("line 2: midi is \"60.5\""),
            "{error}"
        );
    }

    #[test]
    fn a_corrected_key_outweighs_the_frequency() {
        let list = csv("onset_s,offset_s,midi,frequency_hz\n0,1,69,445\n1,2,70,445\n").unwrap();
        assert!((list.notes[0].pitch - 69.196).abs() < 1e-3);
        assert_eq!(list.notes[1].pitch, 70.0);
    }

    #[test]
    fn mistakes_are_named_with_their_line() {
        for (text, says) in [
            ("onset,offset_s\n", "no column onset_s"),
            (
                "onset_s,offset_s,midi\n0,1,60\n1,x,60\n",
                "line 3: offset_s is \"x\"",
            ),
            ("onset_s,offset_s,midi\n2,1,60\n", "line 2: ends before"),
            ("onset_s,offset_s,midi\n1,2,\n", "line 2: no pitch"),
            (
                "onset_s,offset_s,midi,attack\n1,2,60,hard\n",
                "tongued, slurred or breath",
            ),
            ("onset_s,offset_s,midi\n1,2,60\n1,3,62\n", "two notes begin"),
        ] {
            let error = csv(text).unwrap_err().to_string();
            assert!(error.contains(says), "{error}");
        }
    }
}
