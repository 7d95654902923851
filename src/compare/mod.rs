//! What was played, compared with what was to be played.
//!
//! ```text
//! reference/ + line -> ways.rs (which repeats and jumps were played)
//!     -> align.rs (which note belongs to which) -> tempo.rs (local tempo) -> verdicts
//! ```

mod align;
mod pair;
mod tempo;
mod ways;

use serde::Serialize;

use crate::error::{Error, Result};
use crate::line::{Line, LineNote, Spelling};
use crate::reference::{ReferencePart, TargetNote};
use crate::units::{Concert, with_digits};
use pair::Pair;
use tempo::TempoCurve;

/// How a note was played.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// The right note.
    Right,
    /// Another note in its place.
    Wrong,
    /// Not played.
    Missing,
    /// Played, but not in the reference.
    Extra,
}

impl Verdict {
    /// Name in lower case.
    #[doc(hidden)]
    pub fn name(self) -> &'static str {
        match self {
            Verdict::Right => "right",
            Verdict::Wrong => "wrong",
            Verdict::Missing => "missing",
            Verdict::Extra => "extra",
        }
    }
}

/// A target note, a played note, or both.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Compared {
    /// How it was played.
    pub verdict: Verdict,
    /// Bar of the score.
    pub bar: Option<String>,
    /// Written name of what was to be played.
    pub target: Option<String>,
    /// Written name of what was played.
    pub played: Option<String>,
    /// Start in the take, seconds.
    #[serde(serialize_with = "with_digits::<4, _>")]
    pub onset_s: Option<f64>,
    /// Time against the local tempo, milliseconds; late is positive.
    #[serde(serialize_with = "with_digits::<1, _>")]
    pub late_ms: Option<f64>,
    /// Sounding length against the target note's at the local tempo, per cent.
    #[serde(serialize_with = "with_digits::<1, _>")]
    pub length_percent: Option<f64>,
    /// Deviation from the tuning, cents.
    #[serde(serialize_with = "with_digits::<1, _>")]
    pub cents: Option<f64>,
    /// Deviation from the other take, cents, if the reference is one.
    #[serde(serialize_with = "with_digits::<1, _>")]
    pub cents_from_target: Option<f64>,
    /// Of a missing note: whether the note before, of the same pitch, is held over it, so
    /// that two notes were played as one.
    pub held_over: bool,
    /// What the player did otherwise than is written, in words, of the last note before a
    /// repeat or a jump that was left out, or after a repeat too many.
    pub departure: Option<String>,
    /// When the target was due in the take and until when, in seconds.
    #[serde(skip)]
    #[doc(hidden)]
    pub due_s: Option<(f64, f64)>,
    /// Sounding key of the target.
    #[serde(skip)]
    #[doc(hidden)]
    pub concert: Option<Concert>,
}

impl Compared {
    /// What is to be said of a note that was not played right, in words.
    #[doc(hidden)]
    pub fn remark(&self) -> &'static str {
        match self.verdict {
            Verdict::Right => "",
            Verdict::Missing if self.held_over => "missing: held over from the note before",
            other => other.name(),
        }
    }
}

/// The whole comparison.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Comparison {
    /// In the reference's order, extra notes where they were played.
    pub notes: Vec<Compared>,
    /// How many were right.
    pub right: usize,
    /// How many were another note.
    pub wrong: usize,
    /// How many were not played.
    pub missing: usize,
    /// How many were played besides.
    pub extra: usize,
    /// Standard deviation of the timing, milliseconds.
    pub timing_spread_ms: f64,
    /// Tempo against the reference's: 1 as written, 1.1 a tenth faster.
    #[serde(rename = "pace")]
    pub tempo_ratio: Option<f64>,
    /// The same over the first quarter of the notes.
    #[serde(rename = "pace_first")]
    #[doc(hidden)]
    pub tempo_ratio_first: Option<f64>,
    /// The same over the last quarter.
    #[serde(rename = "pace_last")]
    #[doc(hidden)]
    pub tempo_ratio_last: Option<f64>,
    /// Quarter notes a minute as played, if the reference gives its tempo.
    #[doc(hidden)]
    pub tempo: Option<f64>,
    /// Mean deviation of the right notes from the tuning, cents.
    pub mean_cents: f64,
    /// Its standard deviation, cents.
    pub spread_cents: f64,
}

/// Most pairs of notes that are compared: 250 million take some seconds.
const MAX_PAIRS: usize = 250_000_000;

/// Compares a line with a reference part. Where a player left out a repeat or a jump of the
/// score, or played a repeat once more, the line is compared with what was to be played on
/// that way; [`Compared::departure`] says so.
///
/// # Errors
/// [`Error::Setting`] if both are so long that it would take minutes.
pub fn compare(line: &Line, reference: &ReferencePart) -> Result<Comparison> {
    check_length(line, reference)?;
    let other_way = ways::played_way(reference, &line.notes, MAX_PAIRS);
    Ok(compare_with_way(
        line,
        other_way.as_ref().unwrap_or(reference),
    ))
}

fn check_length(line: &Line, reference: &ReferencePart) -> Result<()> {
    let (targets, notes) = (reference.notes.len(), line.notes.len());
    if targets.saturating_mul(notes) > MAX_PAIRS {
        return Err(Error::setting(
            format!("too long to compare: {notes} notes with {targets}"),
            "choose a part of the take with --start and --end",
        ));
    }
    Ok(())
}

/// Compares a line with one way through the score.
fn compare_with_way(line: &Line, reference: &ReferencePart) -> Comparison {
    let (targets, notes) = (&reference.notes, &line.notes);
    let spelling = line.spelling_of(reference.key);
    let pairs = align::align(targets, notes);
    let curve = TempoCurve::new(targets, notes, &pairs);
    let compared = |pair: &Pair| compare_pair(pair, line, spelling, targets, &curve);
    let mut compared: Vec<Compared> = pairs.iter().map(compared).collect();
    for at in 1..pairs.len() {
        compared[at].held_over = held_over(&pairs[at - 1], &pairs[at], line, targets, &curve);
    }
    for departure in &reference.departures {
        let last = departure.place(targets).saturating_sub(1);
        let at = pairs.iter().position(|pair| pair.target == Some(last));
        if let Some(at) = at {
            let words = &mut compared[at].departure;
            *words = Some(match words.take() {
                Some(before) => format!("{before}, {}", departure.words),
                None => departure.words.clone(),
            });
        }
    }
    let count = |v: Verdict| compared.iter().filter(|c| c.verdict == v).count();
    let right = || compared.iter().filter(|c| c.verdict == Verdict::Right);
    let (_, timing_spread_ms) = spread(right().filter_map(|c| c.late_ms));
    let (mean_cents, spread_cents) = spread(right().filter_map(|c| c.cents));
    let whole = curve.overall();
    Comparison {
        right: count(Verdict::Right),
        wrong: count(Verdict::Wrong),
        missing: count(Verdict::Missing),
        extra: count(Verdict::Extra),
        timing_spread_ms,
        tempo_ratio: whole,
        tempo_ratio_first: curve.quarter(0),
        tempo_ratio_last: curve.quarter(3),
        tempo: whole.and_then(|p| Some(p * reference.tempo?)),
        mean_cents,
        spread_cents,
        notes: compared,
    }
}

impl Comparison {
    /// How many notes were to be played, on the way that was taken.
    #[doc(hidden)]
    pub fn targets(&self) -> usize {
        self.right + self.wrong + self.missing
    }

    /// What the player did otherwise than the score's repeats and jumps say, in words.
    #[doc(hidden)]
    pub fn departures(&self) -> Vec<&str> {
        let departures = self.notes.iter().filter_map(|c| c.departure.as_deref());
        departures.collect()
    }
}

/// A shift in semitones that makes a reference match a line far better, if there is
/// one: the part is in another transposition.
pub fn better_shift(line: &Line, reference: &ReferencePart, found: &Comparison) -> Option<i32> {
    /// As far as horns transpose.
    const MAX_SHIFT: i32 = 26;
    /// The beginning is enough: this many notes are tried.
    const MAX_NOTES: usize = 400;
    if 2 * found.right >= found.targets() {
        return None;
    }
    let (mut line, mut reference) = (line.clone(), reference.clone());
    line.notes.truncate(MAX_NOTES);
    reference.notes.truncate(MAX_NOTES);
    let right = |shift: i32| {
        let shifted = reference.clone().shifted(shift);
        check_length(&line, &shifted).map_or(0, |()| compare_with_way(&line, &shifted).right)
    };
    let shifts = (-MAX_SHIFT..=MAX_SHIFT).filter(|s| *s != 0);
    let (count, best) = shifts
        .map(|s| (right(s), s))
        .max_by_key(|(n, s)| (*n, -s.abs()))?;
    (10 * count >= 7 * reference.notes.len() && count > 2 * right(0)).then_some(best)
}

fn compare_pair(
    pair: &Pair,
    line: &Line,
    spelling: Spelling,
    targets: &[TargetNote],
    curve: &TempoCurve,
) -> Compared {
    let target = pair.target.map(|i| &targets[i]);
    let note: Option<&LineNote> = pair.note.map(|i| &line.notes[i]);
    let verdict = match (target, note) {
        (Some(a), Some(n)) if a.concert == n.concert => Verdict::Right,
        (Some(_), Some(_)) => Verdict::Wrong,
        (Some(_), None) => Verdict::Missing,
        _ => Verdict::Extra,
    };
    let both = pair.target.zip(note);
    let around = both.and_then(|(i, _)| curve.around(i));
    let timed = |f: &dyn Fn(&TargetNote, &LineNote, tempo::LocalTempo) -> f64| {
        let (local, (target, note)) = (around?, target.zip(note)?);
        (target.length_s > 0.0).then(|| f(target, note, local))
    };
    let late_ms = timed(&|target, note, local| {
        1000.0 * (note.note.onset_s - local.expected_s(target.start_s))
    });
    let length_percent = timed(&|target, note, local| {
        100.0 * note.note.duration_s() / (target.length_s * local.stretch)
    });
    let target_pitch = target.and_then(|a| a.pitch);
    Compared {
        verdict,
        bar: target.and_then(|a| a.bar.clone()),
        target: target.map(|a| spelling.written(line.context.written(a.concert))),
        played: note.map(|n| spelling.written(n.written)),
        onset_s: note.map(|n| n.note.onset_s),
        late_ms,
        length_percent,
        cents: note.map(|n| n.cents),
        cents_from_target: (note.zip(target_pitch))
            .filter(|_| verdict == Verdict::Right)
            .map(|(n, pitch)| 100.0 * (n.note.pitch - pitch)),
        held_over: false,
        departure: None,
        due_s: pair.target.and_then(|i| {
            let (target, local) = (&targets[i], curve.around(i)?);
            let end_s = target.start_s + target.length_s;
            Some((local.expected_s(target.start_s), local.expected_s(end_s)))
        }),
        concert: target.map(|a| a.concert),
    }
}

/// Whether a target note was not struck again but held over from the one before it: the
/// pair before is of the same pitch, and still sounds in the middle of this one.
fn held_over(
    before: &Pair,
    pair: &Pair,
    line: &Line,
    targets: &[TargetNote],
    curve: &TempoCurve,
) -> bool {
    let (Some(first), Some(note), Some(second), None) =
        (before.target, before.note, pair.target, pair.note)
    else {
        return false;
    };
    let target = &targets[second];
    let middle_s = target.start_s + 0.5 * target.length_s;
    let due_s = curve.around(second).map(|local| local.expected_s(middle_s));
    let note = &line.notes[note];
    targets[first].concert == target.concert
        && note.concert == target.concert
        && due_s.is_some_and(|due_s| note.note.offset_s > due_s)
}

/// Mean and standard deviation; zero of none.
fn spread(values: impl Iterator<Item = f64> + Clone) -> (f64, f64) {
    crate::intonation::weighted(values.map(|v| (v, 1.0)))
}
