//! How the playing sits against a table: note by note, pitch by pitch, over
//! all.

use serde::Serialize;

use crate::line::{Line, LineNote};

/// One note against the table.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NoteReport {
    pub onset_s: f64,
    pub duration_s: f64,
    pub concert: String,
    pub written: String,
    /// Mean against the table, cents.
    pub mean_cents: f64,
    /// Standard deviation within the note, cents.
    pub spread_cents: f64,
    /// Straight-line change from start to end, cents.
    pub drift_cents: f64,
}

/// All notes of one written pitch together.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PitchReport {
    pub written: String,
    pub concert: String,
    pub notes: usize,
    /// Sounding time, seconds.
    pub time_s: f64,
    /// Mean over its time, cents.
    pub mean_cents: f64,
    /// Standard deviation between its notes, cents.
    pub spread_cents: f64,
}

/// The whole.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Report {
    pub notes: Vec<NoteReport>,
    pub pitches: Vec<PitchReport>,
    /// Mean over all sounding time, cents.
    pub offset_cents: f64,
    /// Standard deviation of the notes around that, cents.
    pub spread_cents: f64,
    /// The A4 that fits the playing best, hertz.
    pub best_reference_hz: f64,
}

/// Measures a line.
///
/// Notes weigh by their sounding time. The best reference is the least-squares
/// one: shifting the table by the weighted mean deviation leaves the smallest
/// sum of squares.
pub fn report(line: &Line) -> Report {
    let notes: Vec<NoteReport> = line.notes.iter().map(note_report).collect();
    let all = || line.notes.iter().map(|n| (n.cents, n.note.duration_s()));
    let (offset_cents, spread_cents) = weighted(all());
    let mut keys: Vec<i32> = line.notes.iter().map(|n| n.written.0).collect();
    keys.sort_unstable();
    keys.dedup();
    let pitch_report = |key: i32| {
        let same = || line.notes.iter().filter(move |n| n.written.0 == key);
        let (mean_cents, spread_cents) = weighted(same().map(|n| (n.cents, n.note.duration_s())));
        same().next().map(|first| PitchReport {
            written: first.written.to_string(),
            concert: first.concert.to_string(),
            notes: same().count(),
            time_s: same().map(|n| n.note.duration_s()).sum(),
            mean_cents,
            spread_cents,
        })
    };
    let reference_hz = line.reading.table.reference().a4_hz();
    Report {
        pitches: keys.into_iter().filter_map(pitch_report).collect(),
        notes,
        offset_cents,
        spread_cents,
        best_reference_hz: reference_hz * 2f64.powf(offset_cents / 1200.0),
    }
}

fn note_report(named: &LineNote) -> NoteReport {
    let note = &named.note;
    let cents: Vec<(f64, f64)> = note
        .contour
        .voiced()
        .map(|(t, p)| (t, (f64::from(p.pitch) - named.table_pitch.0) * 100.0))
        .filter(|(_, c)| (c - named.cents).abs() < 60.0)
        .collect();
    let (_, spread_cents) = weighted(cents.iter().map(|(_, c)| (*c, 1.0)));
    NoteReport {
        onset_s: note.onset_s,
        duration_s: note.duration_s(),
        concert: named.concert.to_string(),
        written: named.written.to_string(),
        mean_cents: named.cents,
        spread_cents,
        drift_cents: slope(&cents) * note.duration_s(),
    }
}

/// Weighted mean and standard deviation of (value, weight) pairs; zero of none.
fn weighted(pairs: impl Iterator<Item = (f64, f64)> + Clone) -> (f64, f64) {
    let total: f64 = pairs.clone().map(|(_, w)| w).sum();
    if total <= 0.0 {
        return (0.0, 0.0);
    }
    let mean = pairs.clone().map(|(v, w)| v * w).sum::<f64>() / total;
    let variance = pairs.map(|(v, w)| w * (v - mean).powi(2)).sum::<f64>() / total;
    (mean, variance.sqrt())
}

/// Least-squares slope of (x, y) pairs; zero where there is none.
fn slope(pairs: &[(f64, f64)]) -> f64 {
    let count = pairs.len() as f64;
    if pairs.len() < 3 {
        return 0.0;
    }
    let mean_x = pairs.iter().map(|(x, _)| x).sum::<f64>() / count;
    let mean_y = pairs.iter().map(|(_, y)| y).sum::<f64>() / count;
    let xy: f64 = pairs.iter().map(|(x, y)| (x - mean_x) * (y - mean_y)).sum();
    let xx: f64 = pairs.iter().map(|(x, _)| (x - mean_x).powi(2)).sum();
    if xx > 0.0 { xy / xx } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_and_slopes() {
        let (mean, deviation) = weighted([(0.0, 1.0), (10.0, 3.0)].into_iter());
        assert!((mean - 7.5).abs() < 1e-12);
        assert!((deviation - 18.75f64.sqrt()).abs() < 1e-12);
        assert_eq!(weighted(std::iter::empty()), (0.0, 0.0));
        assert!((slope(&[(0.0, 1.0), (1.0, 3.0), (2.0, 5.0)]) - 2.0).abs() < 1e-12);
        assert_eq!(slope(&[(1.0, 1.0); 5]), 0.0);
    }
}
