//! Parts of a MusicXML score (W3C MusicXML 4.0, partwise).
//!
//! Read are pitch with transposition, durations, ties, chords, grace notes, tempo, key,
//! repeats with their endings, and jumps: da capo and dal segno, al fine and al coda.

use std::collections::HashMap;
use std::sync::Arc;

use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};

use super::tempo_map::TempoMap;
use super::way::{Choice, Choices, MAX_BARS, MAX_TIMES, Signs, Way, unfold};
use super::{Departure, MAX_NOTES, ScorePart, TargetNote, one_at_a_time};
use crate::notation::key::Key;
use crate::units::Concert;

/// A bar as it is written; positions are quarters from its start.
#[derive(Debug, Clone, Default, PartialEq)]
struct Bar {
    number: String,
    notes: Vec<Note>,
    tempi: Vec<(f64, f64)>,
    /// Key signature that begins here, as it is written, and how it is transposed.
    key: Option<Key>,
    transpose: f64,
    length: f64,
    signs: Signs,
}

#[derive(Debug, Clone, Default, PartialEq)]
struct Note {
    at: f64,
    length: f64,
    /// Sounding key with fraction.
    key: f64,
    grace: bool,
    tied_in: bool,
}

/// Reads the parts of a score.
///
/// # Errors
/// What is wrong with the file, in words.
pub fn parts(bytes: &[u8]) -> Result<Vec<ScorePart>, String> {
    let text = std::str::from_utf8(bytes).map_err(|_| "not UTF-8")?;
    let written = Parser::default().document(text)?;
    let tempi = written.iter().find(|(_, bars)| {
        let has = |b: &Bar| !b.tempi.is_empty();
        bars.iter().any(has)
    });
    // Tempi are given in one part and apply to all.
    let tempi = tempi.map(|(_, bars)| bars.clone()).unwrap_or_default();
    let part = |(name, bars): &(String, Vec<Bar>)| part(name, bars, &tempi);
    written.iter().map(part).collect()
}

/// Parser state.
#[derive(Default)]
struct Parser {
    names: HashMap<String, String>,
    parts: Vec<(String, Vec<Bar>)>,
    /// Names of the open elements.
    path: Vec<String>,
    listed: String,
    divisions: f64,
    transpose: f64,
    /// Passes of the current ending.
    ending: Vec<u32>,
    bar: Bar,
    at: f64,
    note: PartialNote,
    beat_unit: f64,
}

/// A note that is being parsed.
#[derive(Default)]
struct PartialNote {
    step: Option<char>,
    alter: f64,
    octave: f64,
    duration: f64,
    rest: bool,
    chord: bool,
    grace: bool,
    cue: bool,
    tied_in: bool,
}

impl Parser {
    fn document(mut self, text: &str) -> Result<Vec<(String, Vec<Bar>)>, String> {
        let mut reader = Reader::from_str(text);
        loop {
            let event = reader.read_event();
            let at = reader.buffer_position();
            match event.map_err(|e| format!("byte {at}: {e}"))? {
                Event::Eof => break,
                Event::Start(tag) => {
                    self.open(&tag)?;
                    self.path.push(tag.name().as_ref().to_owned());
                    if self.path.len() > 64 {
                        return Err("nested too deep for a score".into());
                    }
                }
                Event::Empty(tag) => {
                    self.open(&tag)?;
                    self.close(tag.name().as_ref())?;
                }
                Event::Text(text) => self.text(text.trim()),
                Event::End(tag) => {
                    self.path.pop();
                    self.close(tag.name().as_ref())?;
                }
                _ => {}
            }
        }
        if self.parts.is_empty() {
            return Err("no part in it (is it a partwise MusicXML score?)".into());
        }
        Ok(self.parts)
    }

    fn open(&mut self, tag: &BytesStart) -> Result<(), String> {
        match tag.name().as_ref() {
            "score-timewise" => return Err("a timewise score".into()),
            "score-part" => self.listed = attribute(tag, "id"),
            "part" if self.path.len() == 1 => {
                let id = attribute(tag, "id");
                let name = self.names.get(&id).cloned().unwrap_or(id);
                self.parts.push((name, Vec::new()));
                (self.divisions, self.transpose) = (1.0, 0.0);
                self.ending.clear();
            }
            "measure" => {
                self.at = 0.0;
                self.bar = Bar {
                    number: attribute(tag, "number"),
                    signs: Signs {
                        passes: self.ending.clone(),
                        ..Signs::default()
                    },
                    ..Bar::default()
                };
            }
            "note" => self.note = PartialNote::default(),
            "rest" => self.note.rest = true,
            "chord" => self.note.chord = true,
            "grace" => self.note.grace = true,
            "cue" => self.note.cue = true,
            "tie" if attribute(tag, "type") == "stop" => self.note.tied_in = true,
            "transpose" => self.transpose = 0.0,
            "sound" => {
                let has = |name: &str| !attribute(tag, name).is_empty();
                self.bar.signs.add(&Signs {
                    segno: has("segno"),
                    coda: has("coda"),
                    da_capo: has("dacapo"),
                    dal_segno: has("dalsegno"),
                    to_coda: has("tocoda"),
                    fine: has("fine"),
                    ..Signs::default()
                });
                if let Ok(tempo) = attribute(tag, "tempo").parse() {
                    self.bar.tempi.push((self.at, tempo));
                }
            }
            "segno" => self.bar.signs.segno = true,
            "coda" => self.bar.signs.coda = true,
            "metronome" => self.beat_unit = 0.0,
            "beat-unit-dot" => self.beat_unit *= 1.5,
            "repeat" => match attribute(tag, "direction").as_str() {
                "forward" => self.bar.signs.repeat_from = true,
                _ => {
                    let times = attribute(tag, "times").parse().unwrap_or(2);
                    self.bar.signs.repeat_times = Some(times.clamp(1, MAX_TIMES));
                }
            },
            "ending" => {
                let number = attribute(tag, "number");
                let passes = number.split([',', ' ']).filter_map(|n| n.parse().ok());
                if attribute(tag, "type") == "start" {
                    self.ending = passes.collect();
                    // Some programs leave the first ending's number out.
                    if self.ending.is_empty() {
                        self.ending.push(1);
                    }
                    self.bar.signs.passes.clone_from(&self.ending);
                } else {
                    self.ending.clear();
                }
            }
            _ => {}
        }
        Ok(())
    }

    fn text(&mut self, text: &str) {
        let Some(element) = self.path.last().filter(|_| !text.is_empty()) else {
            return;
        };
        let number = || text.parse::<f64>().ok().filter(|n| n.is_finite());
        match element.as_str() {
            "part-name" => drop(self.names.insert(self.listed.clone(), text.to_owned())),
            "divisions" => self.divisions = number().filter(|d| *d > 0.0).unwrap_or(1.0),
            "chromatic" => self.transpose += number().unwrap_or(0.0),
            "fifths" if self.bar.key.is_none() => {
                let fifths = number().filter(|f| (-7.0..=7.0).contains(f));
                self.bar.key = fifths.map(|f| Key { fifths: f as i32 });
            }
            "octave-change" => self.transpose += 12.0 * number().unwrap_or(0.0),
            "step" => self.note.step = text.chars().next(),
            "alter" => self.note.alter = number().unwrap_or(0.0),
            "octave" => self.note.octave = number().unwrap_or(4.0),
            "duration" => self.note.duration = number().unwrap_or(0.0).max(0.0) / self.divisions,
            "beat-unit" => self.beat_unit = quarters(text),
            "words" => self.bar.signs.add(&Signs::of_words(text)),
            "per-minute" => {
                if let Some(tempo) = number().filter(|_| self.beat_unit > 0.0) {
                    // A `sound` at the same place is more exact and comes later.
                    self.bar.tempi.push((self.at, tempo * self.beat_unit));
                }
            }
            _ => {}
        }
    }

    fn close(&mut self, element: &str) -> Result<(), String> {
        match element {
            "note" => self.add_note()?,
            "backup" => {
                self.at = (self.at - self.note.duration).max(0.0);
                self.note = PartialNote::default();
            }
            "forward" => {
                self.at += self.note.duration;
                self.bar.length = self.bar.length.max(self.at);
                self.note = PartialNote::default();
            }
            "measure" => {
                let mut bar = std::mem::take(&mut self.bar);
                bar.transpose = self.transpose;
                if let Some((_, bars)) = self.parts.last_mut() {
                    bars.push(bar);
                    if bars.len() > MAX_BARS {
                        return Err("more bars than any piece has".into());
                    }
                }
            }
            _ => {}
        }
        Ok(())
    }

    fn add_note(&mut self) -> Result<(), String> {
        let note = std::mem::take(&mut self.note);
        if note.cue {
            return Ok(());
        }
        let length = if note.grace { 0.0 } else { note.duration };
        let start = if note.chord {
            (self.at - length).max(0.0)
        } else {
            self.at
        };
        if !note.chord {
            self.at += length;
            self.bar.length = self.bar.length.max(self.at);
        }
        let Some(step) = note.step.filter(|_| !note.rest) else {
            return Ok(());
        };
        let within = match step {
            'C' => 0.0,
            'D' => 2.0,
            'E' => 4.0,
            'F' => 5.0,
            'G' => 7.0,
            'A' => 9.0,
            'B' => 11.0,
            _ => {
                return Err(format!(
                    "bar {}: {step} is not a note name",
                    self.bar.number
                ));
            }
        };
        self.bar.notes.push(Note {
            at: start,
            length,
            key: 12.0 * (note.octave + 1.0) + within + note.alter + self.transpose,
            grace: note.grace,
            tied_in: note.tied_in,
        });
        Ok(())
    }
}

fn attribute(tag: &BytesStart, name: &str) -> String {
    let found = tag.try_get_attribute(name).ok().flatten();
    found.map_or(String::new(), |a| a.value.to_string())
}

/// Quarters in a note value.
fn quarters(value: &str) -> f64 {
    match value {
        "whole" => 4.0,
        "half" => 2.0,
        "eighth" => 0.5,
        "16th" => 0.25,
        _ => 1.0,
    }
}

/// A part as it is written, and where its tempo changes.
#[derive(Debug, Clone, PartialEq)]
pub struct WrittenPart {
    bars: Vec<Bar>,
    /// Tempi of each bar: position in it and quarters a minute.
    tempi: Vec<Vec<(f64, f64)>>,
    /// What a player may do otherwise.
    choices: Vec<Choice>,
}

/// A part as it is played on one way through it.
#[derive(Debug, Clone, PartialEq)]
pub struct PlayedPart {
    /// Its notes, in order, one at a time.
    pub notes: Vec<TargetNote>,
    /// How many notes began with a higher one and are not among them.
    pub left_out: usize,
    /// Places of the notes that were held under others.
    pub shortened: Vec<usize>,
    /// Quarter notes a minute, the median over its notes, if the score gives them.
    pub tempo: Option<f64>,
    /// Where it is not the written way.
    pub departures: Vec<Departure>,
}

/// Reads a part with its repeats written out.
fn part(name: &str, bars: &[Bar], tempi: &[Bar]) -> Result<ScorePart, String> {
    let written = WrittenPart::new(bars, tempi)?;
    let played = written.played(&Choices::default())?;
    Ok(ScorePart {
        name: name.to_owned(),
        notes: played.notes,
        left_out: played.left_out,
        shortened: played.shortened,
        tempo: played.tempo,
        key: key(bars),
        written: (!written.choices.is_empty()).then(|| Arc::new(written)),
    })
}

impl WrittenPart {
    fn new(bars: &[Bar], tempi: &[Bar]) -> Result<WrittenPart, String> {
        let mut written = WrittenPart {
            bars: bars.to_vec(),
            tempi: tempi.iter().map(|bar| bar.tempi.clone()).collect(),
            choices: Vec::new(),
        };
        written.choices = written.way(&Choices::default())?.choices();
        Ok(written)
    }

    fn way(&self, choices: &Choices) -> Result<Way, String> {
        let signs: Vec<&Signs> = self.bars.iter().map(|bar| &bar.signs).collect();
        unfold(&signs, choices)
    }

    /// What a player may do otherwise than is written.
    pub fn choices(&self) -> &[Choice] {
        &self.choices
    }

    /// The notes of one way through the part.
    ///
    /// # Errors
    /// What is wrong with the score, in words.
    pub fn played(&self, choices: &Choices) -> Result<PlayedPart, String> {
        let mut targets: Vec<TargetNote> = Vec::new();
        let mut spans: Vec<(f64, f64)> = Vec::new();
        let mut changes = Vec::new();
        let way = self.way(choices)?;
        // Where each bar begins, and the last one ends.
        let mut starts = vec![0.0];
        let mut at = 0.0;
        for index in &way.order {
            for (place, tempo) in self.tempi.get(*index).into_iter().flatten() {
                changes.push((at + place, *tempo));
            }
            at += self.bars[*index].length;
            starts.push(at);
        }
        let tempo_map = TempoMap::new(changes);
        for (index, at) in way.order.iter().zip(&starts) {
            let bar = &self.bars[*index];
            for note in &bar.notes {
                let (start, end) = (at + note.at, at + note.at + note.length);
                let key = note.key.round() as i32;
                if !(0..128).contains(&key) {
                    return Err(format!("bar {}: a note outside the MIDI range", bar.number));
                }
                // A tied note continues the one of the same pitch that ends here. If there
                // is none the tie is ignored.
                let before = targets.iter().rposition(|a| a.concert.0 == key);
                let before = before.filter(|b| note.tied_in && (spans[*b].1 - start).abs() < 1e-6);
                if let Some(before) = before {
                    spans[before].1 = end;
                    continue;
                }
                if targets.len() >= MAX_NOTES {
                    return Err("too many notes".into());
                }
                spans.push((start, end));
                targets.push(TargetNote {
                    start_s: 0.0,
                    length_s: if note.grace { 0.0 } else { 1.0 },
                    concert: Concert(key),
                    pitch: None,
                    bar: Some(bar.number.clone()),
                    performed: None,
                });
            }
        }
        for (target, (start, end)) in targets.iter_mut().zip(spans) {
            target.start_s = tempo_map.seconds(start);
            target.length_s *= tempo_map.seconds(end) - target.start_s;
        }
        let count = targets.len();
        let (notes, shortened) = one_at_a_time(targets);
        let tempo = tempo_map.median_at(notes.iter().map(|note| note.start_s));
        let departure = |choice: Choice| Departure {
            at_s: tempo_map.seconds(starts[way.place(choice)]),
            words: choice.in_words(|bar| &self.bars[bar].number),
            is_more: choice.is_more(),
        };
        Ok(PlayedPart {
            departures: choices.all().map(departure).collect(),
            left_out: count - notes.len(),
            shortened,
            notes,
            tempo,
        })
    }
}

/// The first key of a part, and how many semitones higher it sounds.
fn key(bars: &[Bar]) -> Option<(Key, i32)> {
    let with_key = |bar: &Bar| Some((bar.key?, bar.transpose.round() as i32));
    bars.iter().find_map(with_key)
}

#[cfg(test)]
mod tests {
    use super::super::assert_is_a_line;
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn ties_chords_graces_and_transposition_are_read() {
        let note = |inside: &str| format!("<note>{inside}</note>");
        let pitch = |step: char, octave: i32| {
            format!("<pitch><step>{step}</step><octave>{octave}</octave></pitch>")
        };
        let text = format!(
            "<score-partwise><part-list><score-part id=\"P1\"><part-name>Lead</part-name>\
             </score-part></part-list><part id=\"P1\"><measure number=\"1\"><attributes>\
             <divisions>2</divisions><transpose><chromatic>-2</chromatic></transpose></attributes>\
             <sound tempo=\"60\"/>{}{}{}{}</measure><measure number=\"2\">{}{}</measure></part>\
             </score-partwise>",
            note(&format!("{}<duration>4</duration>", pitch('C', 4))),
            note(&format!("<chord/>{}<duration>4</duration>", pitch('E', 4))),
            note(&format!("<grace/>{}", pitch('D', 4))),
            note(&format!(
                "{}<duration>4</duration><tie type=\"start\"/>",
                pitch('G', 4)
            )),
            note(&format!(
                "{}<duration>2</duration><tie type=\"stop\"/>",
                pitch('G', 4)
            )),
            note("<rest/><duration>6</duration>"),
        );
        let parts = parts(text.as_bytes()).unwrap();
        assert_eq!(
            (parts[0].name.as_str(), parts[0].tempo),
            ("Lead", Some(60.0))
        );
        let targets: Vec<(f64, f64, i32)> = parts[0]
            .notes
            .iter()
            .map(|a| (a.start_s, a.length_s, a.concert.0))
            .collect();
        assert_eq!(targets, [(0.0, 2.0, 62), (2.0, 0.0, 60), (2.0, 3.0, 65)]);
    }

    /// Engraving programs leave ties behind that lead nowhere.
    #[test]
    fn a_tie_that_hangs_in_the_air_is_a_note() {
        let note = |octave: i32, tie: &str| {
            format!(
                "<note><pitch><step>G</step><octave>{octave}</octave></pitch>\
                 <duration>1</duration>{tie}</note>"
            )
        };
        let stop = "<tie type=\"stop\"/>";
        let text = format!(
            "<score-partwise><part id=\"P1\"><measure number=\"1\">{}{}{}</measure></part>\
             </score-partwise>",
            note(4, "<tie type=\"start\"/>"),
            note(5, stop),
            note(4, stop)
        );
        let parts = parts(text.as_bytes()).unwrap();
        let keys: Vec<i32> = parts[0].notes.iter().map(|a| a.concert.0).collect();
        assert_eq!(keys, [67, 79, 67]);
    }

    proptest! {
        /// Whatever stands in a file, it is refused in words or read as lines.
        #[test]
        fn any_text_is_lines_or_refused(parts_of in prop::collection::vec(
            prop::sample::select(vec![
                "<note>", "</note>", "<pitch>", "<step>", "C", "</step>", "<octave>", "9e99", "</octave>",
                "</pitch>", "<duration>", "-1", "NaN", "</duration>", "<measure number='1'>", "</measure>",
                "<part id='P1'>", "</part>", "<score-partwise>", "</score-partwise>", "<repeat direction='backward' times='99999999'/>",
                "<ending type='start' number='1,2'/>", "<divisions>", "0", "</divisions>", "<backup>", "</backup>", "&", "<",
            ]), 0..40)) {
            let text = parts_of.concat();
            let wrapped = format!("<score-partwise><part id='P'>{text}</part></score-partwise>");
            for text in [text, wrapped] {
                match parts(text.as_bytes()) {
                    Ok(parts) => parts.iter().for_each(assert_is_a_line),
                    Err(problem) => prop_assert!(!problem.is_empty()),
                }
            }
        }
    }
}
