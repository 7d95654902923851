//! Quantises the notes of a line to the beat, and finds their written lengths.

use std::collections::HashMap;

use super::QUARTER;
use super::tempo::Beat;
use crate::line::Line;
use crate::notes::{Length, Note};

/// A note on the grid.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Placed {
    /// Index of the note in its line.
    pub note: usize,
    /// Start in ticks from the first beat.
    pub start: u32,
    /// Written length in ticks.
    pub length: u32,
}

/// Divisions of a beat, each with the error, in seconds, that it must save compared
/// with the simpler ones before it: a player's eighths vary by some 10 ms.
const GRIDS: [(u32, f64); 5] = [(2, 0.0), (4, 0.012), (3, 0.016), (8, 0.024), (6, 0.026)];
/// Longest gap before the next note, in ticks, that is due to tonguing and not a rest.
const TONGUE: u32 = QUARTER / 2;
/// A note that sounds for this share of the time to the next one fills it.
const FILLS: f64 = 0.5;

/// Places the notes of a line on a beat.
pub fn place(line: &Line, beat: &Beat) -> Vec<Placed> {
    let notes: Vec<&Note> = line.notes.iter().map(|n| &n.note).collect();
    let onsets: Vec<f64> = notes.iter().map(|n| beat.beats(n.onset_s)).collect();
    let (starts, grids) = starts(&onsets, beat.period_s);
    let mut placed = Vec::with_capacity(notes.len());
    for (at, note) in notes.iter().enumerate() {
        let sounding = (note.duration_s() / beat.period_s * f64::from(QUARTER)).round() as u32;
        let start = starts[at];
        let next = starts.get(at + 1).map(|next| next - start);
        let end = start + written(sounding, next, note.length);
        let next_start = starts.get(at + 1).copied().unwrap_or(u32::MAX);
        placed.push(Placed {
            note: at,
            start,
            length: on_grid(start, end, &grids).min(next_start) - start,
        });
    }
    placed
}

/// Division of each beat in which a note starts.
type Grids = HashMap<u32, u32>;

/// An end moved to the grid of its beat, so that triplets stay whole.
fn on_grid(start: u32, end: u32, grids: &Grids) -> u32 {
    let step = match grids.get(&(end / QUARTER)) {
        Some(parts @ (3 | 6 | 8)) => QUARTER / parts,
        _ => QUARTER / 4,
    };
    let moved = (end + step / 2) / step * step;
    if moved > start {
        moved
    } else {
        (start / step + 1) * step
    }
}

/// Ticks of onsets given in beats, strictly rising, and the grids they are on.
fn starts(onsets: &[f64], period_s: f64) -> (Vec<u32>, Grids) {
    let mut starts: Vec<u32> = Vec::with_capacity(onsets.len());
    let mut grids = Grids::new();
    let mut at = 0;
    while at < onsets.len() {
        // An onset slightly before a beat belongs to it.
        let beat = (onsets[at] + EARLY).floor().max(0.0);
        let of_beat = |b: &f64| (b + EARLY).floor().max(0.0) == beat;
        let count = onsets[at..].iter().take_while(|b| of_beat(b)).count();
        let within: Vec<f64> = onsets[at..at + count].iter().map(|b| b - beat).collect();
        let free = starts.last().map_or(0, |last| last + 1);
        let base = beat as u32 * QUARTER;
        let (parts, ticks) = best_grid(&within, period_s, base, free);
        grids.insert(beat as u32, parts);
        starts.extend(ticks);
        at += count;
    }
    (starts, grids)
}

/// How far before a beat its first note may come, in beats.
const EARLY: f64 = 0.1;

/// The grid that explains one beat's onsets best, error and complexity together, and
/// their ticks on it.
fn best_grid(within: &[f64], period_s: f64, base: u32, free: u32) -> (u32, Vec<u32>) {
    let attempt = |(parts, complexity_s): (u32, f64)| {
        let step = QUARTER / parts;
        let (mut ticks, mut error) = (Vec::new(), 0.0);
        for b in within {
            let slot = (b * f64::from(parts)).round().max(0.0);
            error += ((b - slot / f64::from(parts)) * period_s).powi(2);
            ticks.push(base + slot as u32 * step);
        }
        let rising =
            ticks.windows(2).all(|w| w[0] < w[1]) && ticks.first().is_none_or(|t| *t >= free);
        let cost = (error / within.len().max(1) as f64).sqrt() + complexity_s;
        rising.then_some((cost, (parts, ticks)))
    };
    let best = GRIDS
        .into_iter()
        .filter_map(attempt)
        .min_by(|a, b| a.0.total_cmp(&b.0));
    best.map_or_else(
        // Faster than any grid: consecutive positions of the finest.
        || {
            let step = QUARTER / 8;
            let first = free.max(base).div_ceil(step) * step;
            let ticks = (0..within.len() as u32).map(|i| first + i * step);
            (8, ticks.collect())
        },
        |(_, found)| found,
    )
}

/// Written length of a note that sounds for `sounding` ticks, with `next` ticks to the
/// next one.
fn written(sounding: u32, next: Option<u32>, length: Length) -> u32 {
    let short = matches!(length, Length::Staccato | Length::Staccatissimo);
    let value = match (short, sounding) {
        // The staccato dot halves the sounding length.
        (true, ..=6) => QUARTER / 2,
        (true, ..=16) => QUARTER,
        (true, _) => 2 * QUARTER,
        (false, ..=36) => (sounding + 3) / 6 * 6,
        (false, _) => (sounding + 6) / 12 * 12,
    };
    let value = value.max(QUARTER / 4);
    match next {
        None => value,
        Some(next) => {
            let gap = next.saturating_sub(sounding);
            let fills = f64::from(sounding) >= FILLS * f64::from(next);
            if (gap <= TONGUE && (fills || next <= QUARTER)) || value >= next {
                next
            } else {
                value
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn common_rhythms_are_quantised_as_written() {
        let at = |onsets: &[f64]| starts(onsets, 0.5).0;
        assert_eq!(at(&[0.01, 0.98, 1.52, 2.0]), [0, 24, 36, 48]);
        assert_eq!(at(&[0.0, 0.26, 0.49, 0.75, 1.0]), [0, 6, 12, 18, 24]);
        assert_eq!(at(&[0.0, 0.34, 0.66, 1.01]), [0, 8, 16, 24]);
        assert_eq!(at(&[0.0, 0.76, 1.0]), [0, 18, 24]);
        // An early player is still on the beat.
        assert_eq!(at(&[0.0, 0.95, 1.95]), [0, 24, 48]);
    }

    #[test]
    fn no_two_notes_share_a_place() {
        let fast: Vec<f64> = (0..40).map(|i| f64::from(i) * 0.09).collect();
        let (starts, _) = starts(&fast, 0.5);
        assert!(starts.windows(2).all(|w| w[0] < w[1]), "{starts:?}");
    }

    #[test]
    fn ends_keep_triplets_whole() {
        let grids = Grids::from([(0, 3), (1, 4)]);
        assert_eq!(on_grid(8, 14, &grids), 16);
        assert_eq!(on_grid(16, 18, &grids), 24);
        assert_eq!(on_grid(16, 32, &grids), 30);
    }

    #[test]
    fn lengths_are_written_as_players_expect() {
        assert_eq!(written(22, Some(24), Length::Tenuto), 24);
        assert_eq!(written(9, Some(24), Length::Staccato), 24);
        assert_eq!(written(5, Some(12), Length::Staccatissimo), 12);
        assert_eq!(written(23, Some(96), Length::Normal), 24);
        assert_eq!(written(46, None, Length::Tenuto), 48);
        assert_eq!(written(1, None, Length::Normal), 6);
    }
}
