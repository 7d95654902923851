//! Rows of a note list as comma-separated values.

use std::path::Path;

use super::{NoteList, Row, assembled, normal, tongued};
use crate::error::{Error, Result};
use crate::notation::note_rhythm::{RowRhythm, RowValue};
use crate::notes::{Attack, Length, Measured, Technique};
use crate::tuning::Reference;

/// Notes of a list as text.
pub(super) fn from_csv(path: &Path, text: &str, reference: Reference) -> Result<NoteList> {
    let text = text.trim_start_matches('\u{feff}');
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        // Rows of another length are named below.
        .flexible(true)
        .from_reader(text.as_bytes());
    let damaged = |e: csv::Error| Error::input(path, e, "save it again as comma-separated values");
    let header = reader.headers().map_err(damaged)?.clone();
    let column = |name: &str| header.iter().position(|h| h == name);
    for name in ["onset_s", "offset_s"] {
        if column(name).is_none() {
            // As spreadsheets save it where numbers have a decimal comma.
            let other = [(';', "semicolons"), ('\t', "tabs")];
            let other = other
                .iter()
                .find(|(c, _)| header.iter().any(|h| h.contains(*c)));
            return Err(match other {
                Some((_, other)) => Error::input(
                    path,
                    format!("its columns are separated by {other}"),
                    "save it again with commas between them and points in numbers, such as 12.5",
                ),
                None => Error::input(
                    path,
                    format!("no column {name}"),
                    "keep the first line of the list, with the names of its columns",
                ),
            });
        }
    }
    let mut rows = Vec::new();
    let mut lines = LineNumbers {
        text,
        byte: 0,
        line: 1,
    };
    for record in reader.records() {
        let record = record.map_err(damaged)?;
        let line = lines.of(record.position().map_or(0, csv::Position::byte));
        // A row that was emptied in a spreadsheet.
        if record.iter().all(str::is_empty) {
            continue;
        }
        if record.len() != header.len() {
            return Err(Error::input(
                path,
                format!(
                    "line {line}: {} values for {} columns",
                    record.len(),
                    header.len()
                ),
                "give each column its value or nothing, and write numbers with a point, such as 12.5",
            ));
        }
        let cell = |name: &str| {
            let cell = column(name).and_then(|at| record.get(at));
            cell.filter(|cell| !cell.is_empty())
        };
        let wrong = |name: &str, cell: &str| {
            Error::input(
                path,
                format!("line {line}: {name} is \"{cell}\""),
                format!("write {}", expected(name)),
            )
        };
        fn parsed<T: std::str::FromStr>(
            name: &str,
            cell: Option<&str>,
            wrong: impl Fn(&str, &str) -> Error,
        ) -> Result<Option<T>> {
            cell.map(|cell| cell.parse().map_err(|_| wrong(name, cell)))
                .transpose()
        }
        macro_rules! number {
            ($name:literal) => {
                parsed($name, cell($name), &wrong)?
            };
        }
        macro_rules! named {
            ($name:literal, $all:expr, $default:expr) => {
                match cell($name) {
                    None => $default,
                    Some(cell) => $all
                        .into_iter()
                        .find(|one| one.name() == cell)
                        .ok_or_else(|| wrong($name, cell))?,
                }
            };
        }
        let missing = |name: &str| wrong(name, "");
        // As spreadsheets and data frames write them: 60.0, FALSE.
        let midi: Option<f64> = number!("midi");
        let is_key = |key: &f64| (0.0..=127.0).contains(key) && key.fract() == 0.0;
        if let Some(key) = midi.filter(|key| !is_key(key)) {
            return Err(wrong("midi", &key.to_string()));
        }
        let accent = cell("accent").map(|cell| match cell.to_lowercase().as_str() {
            "true" => Ok(true),
            "false" => Ok(false),
            _ => Err(wrong("accent", cell)),
        });
        let detail = cell("technique_detail").unwrap_or_default();
        let measured = techniques(detail).ok_or_else(|| wrong("technique_detail", detail))?;
        let kept = match column("technique") {
            // A list without measurements says no more than a name.
            Some(_) if column("technique_detail").is_some() => {
                let names = cell("technique").unwrap_or_default();
                named_techniques(names, &measured).ok_or_else(|| wrong("technique", names))?
            }
            _ => measured,
        };
        // A row without any of them is placed by its time.
        let has_rhythm = ["bar", "beat", "value"]
            .map(cell)
            .iter()
            .any(Option::is_some);
        let rhythm = has_rhythm.then_some(RowRhythm {
            meter: cell("meter").unwrap_or_default().to_owned(),
            bar: number!("bar"),
            beat: number!("beat"),
            value: RowValue::parse(cell("value").unwrap_or_default()),
            swing: number!("swing"),
        });
        let onset_s: Option<f64> = number!("onset_s");
        rows.push((
            format!("line {line}"),
            Row {
                onset_s: onset_s.ok_or_else(|| missing("onset_s"))?,
                offset_s: number!("offset_s").ok_or_else(|| missing("offset_s"))?,
                decided_s: number!("decided_s"),
                midi: midi.map(|key| key as i32),
                frequency_hz: number!("frequency_hz"),
                concert: cell("concert").map(str::to_owned),
                written: cell("written").map(str::to_owned),
                attack: named!("attack", Attack::ALL, tongued()),
                length: named!("length", Length::ALL, normal()),
                accent: accent.transpose()?.unwrap_or(false),
                techniques: kept,
                level_db: number!("level_db"),
                confidence: number!("confidence"),
                brightness: number!("brightness"),
                measured: Measured {
                    dip_db: number!("dip_db").unwrap_or_default(),
                    rise_s: number!("rise_s").unwrap_or_default(),
                    sounding: number!("sounding").unwrap_or_default(),
                    ..Measured::default()
                },
                drawn: None,
                rhythm,
            },
        ));
    }
    assembled(path, rows, None, reference)
}

/// What belongs into a column, for a person who has mistyped it.
fn expected(column: &str) -> &'static str {
    match column {
        "onset_s" | "offset_s" | "decided_s" | "rise_s" => "seconds, such as 12.5",
        "midi" => "a MIDI key, 0 to 127",
        "frequency_hz" => "a frequency, such as 440",
        "attack" => "tongued, slurred or breath",
        "length" => "staccatissimo, staccato, normal or tenuto",
        "accent" => "true or false",
        "bar" => "the number of its bar, 0 for a pickup",
        "beat" => "its place in the bar in quarter notes, counted from 1: 1, 1.5, 2",
        "technique" => "only what technique_detail measures, or nothing",
        "technique_detail" => {
            "what the program writes, such as \"vibrato 5.2 Hz 21 cents\", or nothing"
        }
        _ => "a number, or nothing",
    }
}

/// Those of the measured techniques that are named: what was crossed out in either column
/// is gone. `None` where one is named that is not measured.
fn named_techniques(names: &str, measured: &[Technique]) -> Option<Vec<Technique>> {
    let names: Vec<&str> = names.split_whitespace().collect();
    let is_measured = |name: &&str| measured.iter().any(|t| t.name() == *name);
    let named = |t: &&Technique| names.contains(&t.name());
    let all = names.iter().all(is_measured);
    all.then(|| measured.iter().filter(named).copied().collect())
}

/// Lines of a text by the bytes at which its rows begin, which rise.
struct LineNumbers<'a> {
    text: &'a str,
    byte: usize,
    line: usize,
}

impl LineNumbers<'_> {
    /// Line of the row at or after a byte, counted from 1.
    fn of(&mut self, byte: u64) -> usize {
        let from = usize::try_from(byte).unwrap_or(usize::MAX);
        let bytes = self.text.as_bytes();
        let blank = bytes.get(from..).unwrap_or_default().iter();
        let begins = from + blank.take_while(|b| matches!(b, b'\r' | b'\n')).count();
        let passed = bytes.get(self.byte..begins).unwrap_or_default();
        self.line += passed.iter().filter(|b| **b == b'\n').count();
        self.byte = begins;
        self.line
    }
}

/// Reads techniques as [`crate::output::csv::detail`] writes them.
fn techniques(text: &str) -> Option<Vec<Technique>> {
    let parts = text.split(';').map(str::trim).filter(|p| !p.is_empty());
    let one = |part: &str| {
        let words: Vec<&str> = part.split_whitespace().collect();
        let number = |at: usize| words.get(at)?.parse::<f32>().ok().filter(|n| n.is_finite());
        Some(match *words.first()? {
            "vibrato" => Technique::Vibrato {
                rate_hz: number(1)?,
                extent_cents: number(3)?,
            },
            "flutter" => Technique::Flutter {
                rate_hz: number(1)?,
                depth_db: number(3)?,
            },
            "trill" => Technique::Trill {
                rate_hz: number(1)?,
                interval_cents: number(3)?,
            },
            "glissando" => Technique::Glissando { cents: number(1)? },
            "scoop" => Technique::Scoop { cents: number(1)? },
            "fall" => Technique::Fall { cents: number(1)? },
            "doit" => Technique::Doit { cents: number(1)? },
            _ => return None,
        })
    };
    parts.map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output::csv::detail;

    #[test]
    fn techniques_come_back_as_they_were_written() {
        let all = [
            Technique::Vibrato {
                rate_hz: 5.2,
                extent_cents: 21.0,
            },
            Technique::Flutter {
                rate_hz: 25.0,
                depth_db: 6.5,
            },
            Technique::Trill {
                rate_hz: 7.0,
                interval_cents: 200.0,
            },
            Technique::Scoop { cents: -124.0 },
            Technique::Fall { cents: -418.0 },
        ];
        let text: Vec<String> = all.iter().map(detail).collect();
        assert_eq!(techniques(&text.join("; ")).unwrap(), all);
        assert_eq!(techniques("warble 3"), None);
    }
}
