//! From a line to notation: tempo, rhythm, bars, key and spelling.
//!
//! ```text
//! line -> tempo.rs (beat and phase) -> rhythm.rs (values) -> bars.rs (ties, bar lines) -> beams.rs
//!      -> key.rs (signature and spelling)
//! ```

pub mod bars;
pub mod beams;
pub mod key;
pub mod rhythm;
pub mod tempo;

use crate::line::Line;
use bars::Bar;
use key::Key;
use rhythm::Placed;
use tempo::Beat;

/// Ticks in a quarter note: 32nds and triplet sixteenths are whole numbers of
/// them.
pub const QUARTER: u32 = 24;

/// A metre such as 4/4 or 6/8.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Metre {
    /// Beats in a bar.
    pub beats: u32,
    /// Note value of a beat: 2, 4 or 8.
    pub value: u32,
}

impl Metre {
    /// Common time.
    pub const COMMON: Metre = Metre { beats: 4, value: 4 };

    /// Parses `3/4`.
    pub fn parse(text: &str) -> Option<Metre> {
        let (beats, value) = text.split_once('/')?;
        let (beats, value) = (beats.trim().parse().ok()?, value.trim().parse().ok()?);
        let sane = (1..=32).contains(&beats) && [2, 4, 8].contains(&value);
        sane.then_some(Metre { beats, value })
    }

    /// Length of a bar in ticks.
    pub fn bar(self) -> u32 {
        self.beats * 4 * QUARTER / self.value
    }
}

/// Options for writing a line as notation.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct NotationOptions {
    /// Quarter notes a minute; estimated if `None`.
    pub tempo: Option<f64>,
    /// The metre: common time if `None`, unmeasured if `Some(None)`.
    pub metre: Option<Option<Metre>>,
    /// Sharps (positive) or flats (negative) of the written key; estimated if `None`.
    pub fifths: Option<i32>,
}

/// A line as a written part.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// Quarter notes a minute.
    pub tempo: f64,
    /// The metre, or `None` if unmeasured.
    pub metre: Option<Metre>,
    /// Key of the written part.
    pub key: Key,
    /// The bars; a single one if unmeasured.
    pub bars: Vec<Bar>,
}

impl Part {
    /// Writes a line as notation.
    pub fn new(line: &Line, options: &NotationOptions) -> Part {
        let onsets: Vec<f64> = line.notes.iter().map(|n| n.note.onset_s).collect();
        let beat = match options.tempo {
            Some(tempo) => Beat::at(60.0 / tempo, &onsets),
            None => Beat::estimate(&onsets),
        };
        let metre = options.metre.unwrap_or(Some(Metre::COMMON));
        let placed: Vec<Placed> = rhythm::place(line, &beat);
        let keys = line
            .notes
            .iter()
            .map(|n| (n.written.0, n.note.duration_s()));
        let key = match options.fifths {
            Some(fifths) => Key { fifths },
            None => Key::estimate(keys),
        };
        Part {
            tempo: 60.0 / beat.period_s,
            metre,
            key,
            bars: bars::divide(&placed, metre),
        }
    }
}
