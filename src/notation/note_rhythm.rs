//! Where each note of a line stands in its part, as lists say it and a person may edit it.
//!
//! A [`RowRhythm`] is what a list has: words and quarter notes. A [`NoteRhythm`] is the same
//! on the grid. [`Part::rhythms`] gives it of a part, and `given` reads it back from a
//! line's notes.

use serde::{Deserialize, Serialize};

use super::bars::Symbol;
use super::pulse::Pulse;
use super::rhythm::Placed;
use super::swing::Swing;
use super::tempo_curve::TempoCurve;
use super::{ANY_TEMPO, Metre, Part, QUARTER, SWINGS, estimate};
use crate::line::Line;

/// Rhythm of a note.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoteRhythm {
    /// Metre of the part; none where it has no bars.
    pub metre: Option<Metre>,
    /// Where it stands.
    pub place: NotePlace,
}

/// Where a note stands in a part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NotePlace {
    /// In a bar.
    Bar {
        /// Start in ticks from the line of the bar that is numbered 0 on the page: a pickup.
        start: u32,
        /// Written length in ticks, tied notes together.
        length: u32,
        /// Share of a quarter that its first eighth takes there; a half where nothing swings.
        swing: f64,
    },
    /// A grace note before the next note that has a place.
    Grace,
    /// Not in the part.
    LeftOut,
}

/// The rhythm columns of a note in a list.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RowRhythm {
    /// Time signature, or "free" for no bars.
    pub meter: String,
    /// Number of its bar: 1 for the first, 0 for a pickup.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bar: Option<u32>,
    /// Place in the bar in quarter notes, counted from 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub beat: Option<f64>,
    /// What it is written as.
    pub value: RowValue,
    /// Share of a quarter that the first of two eighths takes there; none if they are even.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub swing: Option<f64>,
}

/// What a note is written as.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum RowValue {
    /// Its length in quarter notes.
    Quarters(f64),
    /// [`GRACE`] or [`LEFT_OUT`].
    Word(String),
}

/// Value of a grace note.
pub const GRACE: &str = "grace";
/// Value of a note that is not in the part.
pub const LEFT_OUT: &str = "none";
/// Metre of a part without bars.
pub const FREE: &str = "free";
/// Longest value and highest bar that are read.
const LONGEST: f64 = 1024.0;
const MOST_BARS: u32 = 100_000;

impl RowValue {
    /// Reads a cell: a number or a word.
    pub fn parse(cell: &str) -> RowValue {
        match cell.parse() {
            Ok(quarters) => RowValue::Quarters(quarters),
            Err(_) => RowValue::Word(cell.to_owned()),
        }
    }
}

impl std::fmt::Display for RowValue {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            RowValue::Quarters(quarters) => write!(f, "{quarters}"),
            RowValue::Word(word) => f.write_str(word),
        }
    }
}

/// Quarter notes of ticks, to a thousandth: a third is 0.333.
fn quarters(ticks: u32) -> f64 {
    (f64::from(ticks) / f64::from(QUARTER) * 1e3).round() / 1e3
}

/// The ticks nearest to so many quarter notes.
fn ticks(quarters: f64) -> u32 {
    (quarters * f64::from(QUARTER)).round() as u32
}

/// The metre of a part, as it is named.
pub fn metre_name(metre: Option<Metre>) -> String {
    metre.map_or_else(|| FREE.to_owned(), |metre| metre.to_string())
}

impl From<NoteRhythm> for RowRhythm {
    fn from(rhythm: NoteRhythm) -> RowRhythm {
        let word = |word: &str| (None, None, RowValue::Word(word.to_owned()), None);
        let bar_ticks = rhythm.metre.unwrap_or(Metre::COMMON).bar();
        let (bar, beat, value, swing) = match rhythm.place {
            NotePlace::Bar {
                start,
                length,
                swing,
            } => {
                let (bar, within) = match rhythm.metre {
                    Some(_) => (start / bar_ticks, start % bar_ticks),
                    None => (1, start - bar_ticks),
                };
                let swing = (swing != 0.5).then(|| (swing * 1e3).round() / 1e3);
                let value = RowValue::Quarters(quarters(length));
                (Some(bar), Some(quarters(within) + 1.0), value, swing)
            }
            NotePlace::Grace => word(GRACE),
            NotePlace::LeftOut => word(LEFT_OUT),
        };
        RowRhythm {
            meter: metre_name(rhythm.metre),
            bar,
            beat,
            value,
            swing,
        }
    }
}

impl RowRhythm {
    /// Puts it on the grid.
    ///
    /// # Errors
    /// What is wrong, and what to write instead.
    pub fn placed(&self) -> Result<NoteRhythm, (String, &'static str)> {
        let metre = match self.meter.as_str() {
            FREE => None,
            name => Some(Metre::parse(name).ok_or_else(|| {
                (
                    format!("meter is \"{name}\""),
                    "write the time signature, such as 4/4, or free",
                )
            })?),
        };
        let wrong_value = || {
            (
                format!("value is \"{}\"", self.value),
                "write its length in quarter notes, such as 1.5 or 0.333, or grace, or none",
            )
        };
        let length = match &self.value {
            RowValue::Word(word) if word == GRACE => {
                let place = NotePlace::Grace;
                return Ok(NoteRhythm { metre, place });
            }
            RowValue::Word(word) if word == LEFT_OUT => {
                let place = NotePlace::LeftOut;
                return Ok(NoteRhythm { metre, place });
            }
            RowValue::Word(_) => return Err(wrong_value()),
            RowValue::Quarters(quarters) => match (0.0..=LONGEST).contains(quarters) {
                true => ticks(*quarters),
                false => return Err(wrong_value()),
            },
        };
        // A length of the grid, such as a third, by two decimal places at least.
        let is_length = |quarters: f64| (quarters - self::quarters(length)).abs() < 0.004;
        if length == 0 || matches!(self.value, RowValue::Quarters(q) if !is_length(q)) {
            return Err(wrong_value());
        }
        let (Some(bar), Some(beat)) = (self.bar, self.beat) else {
            let which = if self.bar.is_none() { "bar" } else { "beat" };
            return Err((
                format!("no {which}"),
                "write bar, beat and value, or none of them for a note to be placed by its time",
            ));
        };
        if bar > MOST_BARS {
            return Err((format!("bar is {bar}"), "write the number of its bar"));
        }
        let bar_ticks = metre.unwrap_or(Metre::COMMON).bar();
        let within = match beat {
            beat if (1.0..=1e6).contains(&beat) => ticks(beat - 1.0),
            _ => u32::MAX,
        };
        if within == u32::MAX || metre.is_some() && within >= bar_ticks {
            return Err((
                format!("beat is {beat}, in a bar of {}", quarters(bar_ticks)),
                "write its place in the bar in quarter notes, counted from 1: 1, 1.5, 2",
            ));
        }
        let swing = self.swing.unwrap_or(0.5);
        if !SWINGS.contains(&swing) {
            return Err((
                format!("swing is {swing}"),
                "write the share of a quarter that its first eighth takes, 0.5 to 0.8, or nothing",
            ));
        }
        let start = match metre {
            Some(_) => bar * bar_ticks + within,
            None => bar_ticks + within,
        };
        let place = NotePlace::Bar {
            start,
            length,
            swing,
        };
        Ok(NoteRhythm { metre, place })
    }
}

impl Part {
    /// The rhythm of each of so many notes of its line.
    pub fn rhythms(&self, count: usize) -> Vec<NoteRhythm> {
        let metre = self.metre;
        let on_page = count - self.left_out.len();
        let mut page = vec![NotePlace::Grace; on_page];
        // Without bars there is one, as the first of the page.
        let bar = metre.unwrap_or(Metre::COMMON).bar();
        let first = if self.pickup().is_some() { 0 } else { bar };
        for (number, written) in self.bars.iter().enumerate() {
            let line = first + number as u32 * bar;
            for symbol in &written.written {
                let Symbol::Note { note, tied_in, .. } = symbol.symbol else {
                    continue;
                };
                if let (true, NotePlace::Bar { length, .. }) = (tied_in, &mut page[note]) {
                    *length += symbol.length;
                    continue;
                }
                let from_first = self.begins / bar * bar + number as u32 * bar + symbol.start;
                page[note] = NotePlace::Bar {
                    start: line + symbol.start,
                    length: symbol.length,
                    swing: self.swing.at(from_first),
                };
            }
        }
        let mut page = page.into_iter();
        let place = |at: usize| match self.left_out.contains(&at) {
            true => NotePlace::LeftOut,
            false => page.next().unwrap_or(NotePlace::LeftOut),
        };
        let places = (0..count).map(place);
        places.map(|place| NoteRhythm { metre, place }).collect()
    }
}

/// The rhythm columns of each note of a line, as far as its part is known.
pub fn rows(line: &Line, part: Option<&Part>) -> Vec<Option<RowRhythm>> {
    let count = line.notes.len();
    match part {
        Some(part) => (part.rhythms(count).into_iter())
            .map(|rhythm| Some(rhythm.into()))
            .collect(),
        None => vec![None; count],
    }
}

/// A rhythm that is known, on the grid.
#[derive(Debug, Clone)]
pub(super) struct Given {
    /// The metre, none without bars.
    pub metre: Option<Metre>,
    pub pulse: Pulse,
    /// The notes with a place.
    pub placed: Vec<Placed>,
    pub swing: Swing,
    pub curve: TempoCurve,
}

/// Notes of a line that are not in its part, by index.
pub(super) fn left_out(line: &Line) -> Vec<usize> {
    let left_out = |rhythm: Option<NoteRhythm>| {
        rhythm.is_some_and(|rhythm| rhythm.place == NotePlace::LeftOut)
    };
    let notes = line.notes.iter().enumerate();
    let out = notes.filter(|(_, named)| left_out(named.rhythm));
    out.map(|(at, _)| at).collect()
}

/// The rhythm that a line's notes have; none where no note has a place. A note without one
/// that is no grace note is put where its time lies between the others'.
pub(super) fn given(line: &Line) -> Option<Given> {
    let metre = line.notes.iter().find_map(|named| named.rhythm)?.metre;
    let mut placed = Vec::new();
    let mut swings = Vec::new();
    for (note, named) in line.notes.iter().enumerate() {
        if let Some(NotePlace::Bar {
            start,
            length,
            swing,
        }) = named.rhythm.map(|rhythm| rhythm.place)
        {
            placed.push(Placed {
                note,
                start,
                length,
            });
            swings.push((start, swing));
        }
    }
    if placed.is_empty() {
        return None;
    }
    let pulse = match metre {
        Some(metre) => grouped(Pulse::all(metre), &placed),
        None => Pulse::of(None),
    };
    let swing = Swing::at_places(&swings, &pulse);
    let time_s = |note: usize| line.notes[note].note.onset_s;
    let curve_of = |placed: &[Placed]| curve(placed, &swing, &pulse, &time_s);
    let known = curve_of(&placed);
    let unplaced = (0..line.notes.len()).filter(|at| line.notes[*at].rhythm.is_none());
    for note in unplaced.collect::<Vec<usize>>() {
        let next = placed.partition_point(|p| p.note < note);
        let least = next.checked_sub(1).map_or(0, |at| placed[at].start + 1);
        let most = placed.get(next).map(|p| p.start);
        let near = known.quarters(time_s(note)) * f64::from(QUARTER);
        let Some(start) = nearest(&pulse, near, least, most) else {
            // No room: a grace note before the next.
            continue;
        };
        let long = known.quarters(line.notes[note].note.offset_s) * f64::from(QUARTER) - near;
        let length = nearest(&pulse, f64::from(start) + long, start + 1, None);
        placed.insert(
            next,
            Placed {
                note,
                start,
                length: length.map_or(QUARTER, |end| end - start),
            },
        );
    }
    // No note goes on under the next one.
    for at in 1..placed.len() {
        placed[at - 1].length = placed[at - 1]
            .length
            .min(placed[at].start - placed[at - 1].start);
    }
    Some(Given {
        metre,
        curve: curve_of(&placed),
        pulse,
        placed,
        swing,
    })
}

/// The place on the grid of sixteenths and triplets nearest to one in ticks, if there is one
/// from `least` on and before `most`.
fn nearest(pulse: &Pulse, near: f64, least: u32, most: Option<u32>) -> Option<u32> {
    let around = near.max(f64::from(least)).round() as u32;
    let (from, to) = (around.saturating_sub(2 * QUARTER), around + 2 * QUARTER);
    let fits = |place: &u32| {
        let within = place - pulse.beat(*place).0;
        let on_grid = within.is_multiple_of(QUARTER / 4) || within.is_multiple_of(QUARTER / 3);
        on_grid && *place >= least && most.is_none_or(|most| *place < most)
    };
    let off = |place: &u32| (f64::from(*place) - near).abs();
    (from..to)
        .filter(fits)
        .min_by(|a, b| off(a).total_cmp(&off(b)))
}

/// Of the pulses of a metre, the one on whose beats most notes begin.
fn grouped(pulses: Vec<Pulse>, placed: &[Placed]) -> Pulse {
    let on_beats = |pulse: &Pulse| {
        let on_beat = |p: &&Placed| pulse.beat(p.start).0 == p.start;
        placed.iter().filter(on_beat).count()
    };
    // The most usual one comes first, and is taken if others are no better.
    let best = pulses.into_iter().rev().max_by_key(on_beats);
    best.expect("a metre has a pulse")
}

/// When each place was played.
fn curve(
    placed: &[Placed],
    swing: &Swing,
    pulse: &Pulse,
    time_s: &dyn Fn(usize) -> f64,
) -> TempoCurve {
    let played = |p: &Placed| (swing.played(p.start, pulse), time_s(p.note));
    let onsets: Vec<(f64, f64)> = placed.iter().map(played).collect();
    let (first, last) = (onsets[0], onsets[onsets.len() - 1]);
    let period_s = match onsets.len() {
        1 => 60.0 / ANY_TEMPO,
        _ => (last.1 - first.1) / (last.0 - first.0),
    };
    TempoCurve::new(&onsets, period_s, estimate::JITTER_S, estimate::DRIFT)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notation::NotationOptions;
    use crate::output::generated::{self, Shape};

    fn row(bar: u32, beat: f64, value: f64) -> RowRhythm {
        RowRhythm {
            meter: "3/4".into(),
            bar: Some(bar),
            beat: Some(beat),
            value: RowValue::Quarters(value),
            swing: None,
        }
    }

    #[test]
    fn thirds_come_back_as_thirds() {
        let rhythm = row(2, 1.333, 0.667).placed().unwrap();
        let place = NotePlace::Bar {
            start: 2 * 72 + 8,
            length: 16,
            swing: 0.5,
        };
        assert_eq!(rhythm.place, place);
        assert_eq!(RowRhythm::from(rhythm), row(2, 1.333, 0.667));
    }

    #[test]
    fn what_makes_no_sense_is_named() {
        let says = |row: RowRhythm| row.placed().unwrap_err().0;
        assert_eq!(says(row(1, 4.0, 1.0)), "beat is 4, in a bar of 3");
        assert_eq!(says(row(1, 0.5, 1.0)), "beat is 0.5, in a bar of 3");
        assert_eq!(says(row(1, 1.0, 0.0)), "value is \"0\"");
        assert_eq!(says(row(1, 1.0, 7.77)), "value is \"7.77\"");
        assert!(row(1, 1.0, 0.33).placed().is_ok());
        let other = |row: RowRhythm, meter: &str| RowRhythm {
            meter: meter.into(),
            ..row
        };
        assert_eq!(says(other(row(1, 1.0, 1.0), "4")), "meter is \"4\"");
        let missing = RowRhythm {
            beat: None,
            ..row(1, 1.0, 1.0)
        };
        assert_eq!(says(missing), "no beat");
    }

    /// Quarters at 120, and one note more that somebody has added between the last two.
    #[test]
    fn an_added_note_goes_where_its_time_is() {
        let shape = |length_s: f64| Shape {
            rest_s: 0.02,
            length_s,
            pitch: 60.0,
            glide: 0.0,
            slurred: false,
        };
        let shapes = [0.48, 0.48, 0.48, 0.23, 0.23].map(shape);
        let line = generated::line(&shapes);
        let beat = |bar, beat| Some(row(bar, beat, 1.0).placed().unwrap());
        let rhythms = [beat(1, 1.0), beat(1, 2.0), beat(1, 3.0), beat(2, 1.0), None];
        let line = line.with_rhythms(rhythms);
        let part = Part::new(&line, &NotationOptions::default());
        let starts: Vec<RowRhythm> = part.rhythms(5).into_iter().map(RowRhythm::from).collect();
        assert_eq!(
            starts[..3],
            [row(1, 1.0, 1.0), row(1, 2.0, 1.0), row(1, 3.0, 1.0)]
        );
        assert_eq!(starts[3], row(2, 1.0, 0.5));
        assert_eq!((starts[4].bar, starts[4].beat), (Some(2), Some(1.5)));
        assert!((part.tempo - 120.0).abs() < 1.0, "{}", part.tempo);
        assert_eq!(part.estimated(), None);
    }

    /// One gap between notes may be any part of a beat.
    #[test]
    fn few_notes_have_no_estimated_tempo() {
        let shape = Shape {
            rest_s: 0.02,
            length_s: 0.48,
            pitch: 60.0,
            glide: 0.0,
            slurred: false,
        };
        let said = |count: usize, options: &NotationOptions| {
            let line = generated::line(&vec![shape.clone(); count]);
            Part::new(&line, options).estimated()
        };
        let free = NotationOptions::default();
        for count in [1, 2] {
            let said = said(count, &free).unwrap();
            assert!(
                said.starts_with("assumed, because") && !said.contains('%'),
                "{said}"
            );
        }
        assert!(said(3, &free).unwrap().starts_with("estimated: tempo"));
        let given = NotationOptions {
            tempo: Some(100.0),
            metre: Some(Some(Metre::COMMON)),
            ..NotationOptions::default()
        };
        assert!(said(2, &given).unwrap().ends_with("cannot tell: bar lines"));
    }
}
