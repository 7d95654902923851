//! The same notes grouped by register, dynamic, time and attack.

use serde::Serialize;

use super::weighted;
use crate::line::{Line, LineNote};
use crate::statistics::StraightLine;
use crate::units::clock;

/// Notes that have something in common.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Group {
    /// What they have in common.
    pub name: String,
    /// Number of notes.
    pub notes: usize,
    /// Sounding time, seconds.
    pub time_s: f64,
    /// Mean over its time, cents.
    pub mean_cents: f64,
    /// Standard deviation between its notes, cents.
    pub spread_cents: f64,
}

/// All groupings. Empty groups are left out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Groups {
    /// Low, middle and high on the horn; octaves without a horn.
    pub register: Vec<Group>,
    /// Relative to the loudest note.
    pub dynamic: Vec<Group>,
    /// Quarters of the playing: warming up, tiring.
    pub time: Vec<Group>,
    /// How the note began.
    pub attack: Vec<Group>,
}

/// How pitch moves over the take.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Trend {
    /// Straight-line change, cents a minute.
    pub cents_per_minute: f64,
    /// Twice its standard error: a change smaller than this may be chance.
    pub uncertainty: f64,
}

/// Sounding time within a range of cents.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Bin {
    /// Lower edge; the bin is [`BIN_CENTS`] wide.
    pub from_cents: f64,
    /// Sounding time in it, seconds.
    pub time_s: f64,
}

/// Number of notes by attack, length and technique.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Attacks {
    /// Attacks with their counts, the most frequent first.
    pub attack: Vec<(&'static str, usize)>,
    /// Lengths with their counts, the most frequent first.
    pub length: Vec<(&'static str, usize)>,
    /// Techniques with their counts, the most frequent first.
    pub technique: Vec<(&'static str, usize)>,
    /// How many notes are accented.
    pub accents: usize,
}

/// Width of a histogram's bin: the finest step that is clearly audible (common
/// practice: five cents).
pub const BIN_CENTS: f64 = 5.0;
/// Lower limits of loud and medium below the loudest note, in dB: about one dynamic
/// marking each (common practice).
const DYNAMICS_DB: [f32; 2] = [6.0, 14.0];
const QUARTERS: usize = 4;

impl Groups {
    /// Groups the notes of a line.
    pub fn of(line: &Line) -> Groups {
        let loudest_db = line.loudest_db();
        Groups {
            register: grouped(line, |n| register(line, n)),
            dynamic: grouped(line, |n| {
                let under_db = loudest_db - n.note.level_db;
                let at = DYNAMICS_DB.iter().filter(|db| under_db > **db).count();
                let names = ["loud", "medium", "soft"];
                (at as i32, names[at].into())
            }),
            time: quarters(line),
            attack: grouped(line, |n| {
                (n.note.attack as i32, n.note.attack.name().into())
            }),
        }
    }
}

/// Groups by a rank and a name, in order of rank.
fn grouped(line: &Line, of: impl Fn(&LineNote) -> (i32, String)) -> Vec<Group> {
    let mut kinds: Vec<(i32, String)> = line.notes.iter().map(&of).collect();
    kinds.sort();
    kinds.dedup();
    let group = |kind: &(i32, String)| {
        let same = line.notes.iter().filter(|n| of(n) == *kind);
        let pairs = same.clone().map(|n| (n.cents, n.note.duration_s()));
        let (mean_cents, spread_cents) = weighted(pairs);
        Group {
            name: kind.1.clone(),
            notes: same.clone().count(),
            time_s: same.map(|n| n.note.duration_s()).sum(),
            mean_cents,
            spread_cents,
        }
    };
    kinds.iter().map(group).collect()
}

/// Low up to the third mode of the open tube, middle up to the sixth, high above
/// (common practice on trumpet and trombone).
fn register(line: &Line, named: &LineNote) -> (i32, String) {
    let Some(horn) = &line.context.horn else {
        let octave = named.concert.0.div_euclid(12) - 1;
        return (octave, format!("octave {octave}"));
    };
    match named.concert.0 - horn.fundamental.0 {
        ..=19 => (0, "low".into()),
        20..=31 => (1, "middle".into()),
        _ => (2, "high".into()),
    }
}

fn quarters(line: &Line) -> Vec<Group> {
    let (Some(first), Some(last)) = (line.notes.first(), line.notes.last()) else {
        return Vec::new();
    };
    let from_s = first.note.onset_s;
    let quarter_s = (last.note.offset_s - from_s) / QUARTERS as f64;
    // Their names are in whole seconds.
    if quarter_s < 1.0 {
        return Vec::new();
    }
    grouped(line, |n| {
        let at = ((n.note.onset_s - from_s) / quarter_s).floor();
        let at = at.clamp(0.0, (QUARTERS - 1) as f64);
        let edge = |at: f64| clock(from_s + at * quarter_s);
        (at as i32, format!("{} to {}", edge(at), edge(at + 1.0)))
    })
}

/// Straight line through the notes' cents over time, if there are enough. Of less than a
/// minute no change per minute is given.
pub fn trend(line: &Line) -> Option<Trend> {
    let pairs: Vec<(f64, f64)> = line
        .notes
        .iter()
        .map(|n| (n.note.onset_s / 60.0, n.cents))
        .collect();
    let minutes = pairs.last()?.0 - pairs.first()?.0;
    if pairs.len() < 8 || minutes < 1.0 {
        return None;
    }
    let line = StraightLine::fit(&pairs)?;
    let count = pairs.len() as f64;
    let mean = pairs.iter().map(|p| p.0).sum::<f64>() / count;
    let xx: f64 = pairs.iter().map(|p| (p.0 - mean).powi(2)).sum();
    let left = |p: &(f64, f64)| (p.1 - line.at(p.0)).powi(2);
    let residual = pairs.iter().map(left).sum::<f64>() / (count - 2.0);
    Some(Trend {
        cents_per_minute: line.slope,
        uncertainty: 2.0 * (residual / xx).sqrt(),
    })
}

/// Sounding time by cents, from the lowest bin in use to the highest.
pub fn histogram(line: &Line) -> Vec<Bin> {
    let bin = |cents: f64| (cents / BIN_CENTS).floor() as i32;
    let bins = || line.notes.iter().map(|n| bin(n.cents));
    let (Some(low), Some(high)) = (bins().min(), bins().max()) else {
        return Vec::new();
    };
    let at = |b: i32| {
        let inside = line.notes.iter().filter(|n| bin(n.cents) == b);
        Bin {
            from_cents: f64::from(b) * BIN_CENTS,
            time_s: inside.map(|n| n.note.duration_s()).sum(),
        }
    };
    (low..=high).map(at).collect()
}

impl Attacks {
    /// Counts the notes of a line.
    pub fn of(line: &Line) -> Attacks {
        let notes = || line.notes.iter().map(|n| &n.note);
        Attacks {
            attack: counted(notes().map(|n| n.attack.name())),
            length: counted(notes().map(|n| n.length.name())),
            technique: counted(notes().flat_map(|n| n.techniques.iter().map(|t| t.name()))),
            accents: notes().filter(|n| n.accent).count(),
        }
    }
}

/// Names with their counts, the most frequent first.
fn counted(names: impl Iterator<Item = &'static str>) -> Vec<(&'static str, usize)> {
    let mut counts: Vec<(&'static str, usize)> = Vec::new();
    for name in names {
        match counts.iter_mut().find(|(known, _)| *known == name) {
            Some((_, count)) => *count += 1,
            None => counts.push((name, 1)),
        }
    }
    counts.sort_by_key(|(name, count)| (std::cmp::Reverse(*count), *name));
    counts
}
