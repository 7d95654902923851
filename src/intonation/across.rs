//! Several takes of the same player together: by take, by day, by pitch.

use std::path::Path;
use std::time::SystemTime;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::Serialize;

use super::{PitchReport, Sounded, by_pitch, slope, weighted};
use crate::line::Line;
use crate::units::with_digits;

/// What is kept of each take.
#[derive(Debug, Clone)]
pub struct Kept {
    take: String,
    day: Date,
    length_s: f64,
    notes: Vec<Sounded>,
}

impl Kept {
    /// Keeps what is needed of a line.
    pub fn new(line: &Line, day: Date) -> Kept {
        Kept {
            take: line.source.clone(),
            day,
            length_s: line.length_s,
            notes: line.notes.iter().map(Sounded::new).collect(),
        }
    }
}

/// A take or a day in one row.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    /// Name of the take, or the day again.
    pub name: String,
    /// Day it was played.
    pub day: String,
    pub takes: usize,
    pub notes: usize,
    /// Length of the takes, seconds.
    #[serde(serialize_with = "with_digits::<4, _>")]
    pub length_s: f64,
    /// Sounding time, seconds.
    #[serde(serialize_with = "with_digits::<4, _>")]
    pub time_s: f64,
    /// Mean over its time, cents.
    #[serde(serialize_with = "with_digits::<1, _>")]
    pub mean_cents: f64,
    /// Standard deviation between its notes, cents.
    #[serde(serialize_with = "with_digits::<1, _>")]
    pub spread_cents: f64,
    /// The A4 that fits it best, hertz.
    #[serde(serialize_with = "with_digits::<2, _>")]
    pub best_reference_hz: f64,
}

/// All of them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Across {
    /// In order of day, then name.
    pub takes: Vec<Row>,
    /// One per day.
    pub days: Vec<Row>,
    /// Written pitches over all takes; their spread is between all notes.
    pub pitches: Vec<PitchReport>,
    /// Everything together.
    pub whole: Row,
    /// Straight-line change of the spread from day to day, cents a week, if there are
    /// three days or more. Negative is progress.
    pub spread_cents_per_week: Option<f64>,
}

impl Across {
    /// Combines takes that were measured against a tuning with A4 at `a4_hz`.
    pub fn new(mut kept: Vec<Kept>, a4_hz: f64) -> Across {
        kept.sort_by(|a, b| (a.day, &a.take).cmp(&(b.day, &b.take)));
        let takes = kept
            .iter()
            .map(|k| row(&k.take, std::slice::from_ref(k), a4_hz))
            .collect();
        let days: Vec<Row> = kept
            .chunk_by(|a, b| a.day == b.day)
            .map(|day| row(&day[0].day.to_string(), day, a4_hz))
            .collect();
        let notes: Vec<Sounded> = kept.iter().flat_map(|k| &k.notes).copied().collect();
        let week = |d: &Date| f64::from((*d - kept[0].day).get_days()) / 7.0;
        let mut by_day: Vec<(f64, f64)> = Vec::new();
        for (day, row) in kept.chunk_by(|a, b| a.day == b.day).zip(&days) {
            if row.notes > 0 {
                by_day.push((week(&day[0].day), row.spread_cents));
            }
        }
        Across {
            takes,
            whole: row("all", &kept, a4_hz),
            pitches: by_pitch(&notes),
            spread_cents_per_week: (by_day.len() >= 3).then(|| slope(&by_day)),
            days,
        }
    }
}

fn row(name: &str, kept: &[Kept], a4_hz: f64) -> Row {
    let notes = || kept.iter().flat_map(|k| &k.notes);
    let (mean_cents, spread_cents) = weighted(notes().map(|n| (n.cents, n.time_s)));
    Row {
        name: name.to_owned(),
        day: kept.first().map_or(String::new(), |k| k.day.to_string()),
        takes: kept.len(),
        notes: notes().count(),
        length_s: kept.iter().map(|k| k.length_s).sum(),
        time_s: notes().map(|n| n.time_s).sum(),
        mean_cents,
        spread_cents,
        best_reference_hz: a4_hz * 2f64.powf(mean_cents / 1200.0),
    }
}

/// Day of a take: the one in its name (`2031-05-09` or `20310509`), or else the
/// one on which the file was last written, by this machine's clock.
pub fn day(take: &Path) -> Date {
    let name = take.file_stem().unwrap_or_default().to_string_lossy();
    day_in(&name).unwrap_or_else(|| {
        let written = std::fs::metadata(take).and_then(|m| m.modified());
        let stamp = jiff::Timestamp::try_from(written.unwrap_or_else(|_| SystemTime::now()));
        let stamp = stamp.unwrap_or_else(|_| jiff::Timestamp::now());
        stamp.to_zoned(TimeZone::system()).date()
    })
}

/// First date in a name.
fn day_in(name: &str) -> Option<Date> {
    let digits = name.as_bytes();
    let number = |from: usize, count: usize| -> Option<i16> {
        let part = digits.get(from..from + count)?;
        let all = part.iter().all(u8::is_ascii_digit);
        all.then(|| std::str::from_utf8(part).ok()?.parse().ok())?
    };
    (0..digits.len()).find_map(|at| {
        let dash = |i: usize| digits.get(at + i) == Some(&b'-');
        let gap = if dash(4) && dash(7) { 1 } else { 0 };
        let alone = |i: Option<usize>| {
            i.and_then(|i| digits.get(i))
                .is_none_or(|c| !c.is_ascii_digit())
        };
        let (month, date) = (at + 4 + gap, at + 6 + 2 * gap);
        if !(alone(at.checked_sub(1)) && alone(Some(date + 2))) {
            return None;
        }
        let (y, m, d) = (number(at, 4)?, number(month, 2)?, number(date, 2)?);
        let sane = (1990..2200).contains(&y);
        sane.then(|| Date::new(y, m as i8, d as i8).ok())?
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::line::Spelling;
    use crate::units::{Concert, Written};
    use proptest::prelude::*;

    fn kept(take: &str, day: Date, cents: &[f64]) -> Kept {
        let note = |cents: &f64| Sounded {
            written: Written(60),
            concert: Concert(58),
            spelling: Spelling::default(),
            cents: *cents,
            time_s: 1.0,
        };
        Kept {
            take: take.into(),
            day,
            length_s: 9.0,
            notes: cents.iter().map(note).collect(),
        }
    }

    #[test]
    fn days_are_read_from_names() {
        let some = |y, m, d| Some(Date::new(y, m, d).unwrap());
        assert_eq!(day_in("long-tones-2031-05-09-b"), some(2031, 5, 9));
        assert_eq!(day_in("20310509"), some(2031, 5, 9));
        assert_eq!(day_in("take-20310509-173000"), some(2031, 5, 9));
        assert_eq!(day_in("2031-13-09"), None);
        assert_eq!(day_in("120310509"), None);
        assert_eq!(day_in("take 7"), None);
    }

    proptest! {
        /// A day written in either way is found, whatever stands around it.
        #[test]
        fn a_day_is_found_in_any_name(
            year in 1990i16..2200,
            month in 1i8..13,
            day in 1i8..29,
            dashed: bool,
            before in "[^0-9]{0,12}",
            after in "([^0-9].{0,12})?",
        ) {
            let dash = if dashed { "-" } else { "" };
            let name = format!("{before}{year}{dash}{month:02}{dash}{day:02}{after}");
            prop_assert_eq!(day_in(&name), Some(Date::new(year, month, day).unwrap()));
        }

        /// And none is found that is not written there.
        #[test]
        fn no_day_is_made_up(name in "[0-9 a-]{0,24}|.{0,24}") {
            if let Some(day) = day_in(&name) {
                let (y, m, d) = (day.year(), day.month(), day.day());
                let ways = [format!("{y}-{m:02}-{d:02}"), format!("{y}{m:02}{d:02}")];
                prop_assert!(ways.iter().any(|way| name.contains(way)), "{name}: {day}");
            }
        }
    }

    #[test]
    fn days_and_progress() {
        let day = |d| Date::new(2031, 5, d).unwrap();
        let across = Across::new(
            vec![
                kept("c", day(15), &[-2.0, 2.0]),
                kept("b", day(8), &[-6.0, 6.0]),
                kept("a", day(1), &[-10.0, 10.0]),
                kept("a2", day(1), &[-10.0, 10.0]),
            ],
            440.0,
        );
        let names: Vec<&str> = across.takes.iter().map(|t| t.name.as_str()).collect();
        assert_eq!(names, ["a", "a2", "b", "c"]);
        assert_eq!(across.days.len(), 3);
        assert_eq!((across.days[0].takes, across.days[0].notes), (2, 4));
        assert!((across.spread_cents_per_week.unwrap() + 4.0).abs() < 1e-9);
        assert_eq!(across.pitches[0].notes, 8);
    }
}
