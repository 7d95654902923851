//! Local tempo: the time at which each target note was due, by the notes around it.
//!
//! Nobody plays like a metronome. A straight line through the nearest notes, each with
//! a lower weight the farther it is, follows a flexible tempo (locally weighted
//! regression; Cleveland, J. Am. Stat. Assoc. 74, 1979). The note itself is left out,
//! or it would always be on time.

use super::pair::Pair;
use crate::line::LineNote;
use crate::reference::TargetNote;
use crate::statistics::{StraightLine, median};

/// Notes on either side that the local tempo is fitted to.
const NEIGHBOURS: usize = 5;
/// Fewest notes for a fit.
const MIN_ANCHORS: usize = 3;
/// Distance from the line, in median distances, from which a note gets no weight
/// (Cleveland's bisquare uses six).
const OUTLIER: f64 = 6.0;
/// Largest plausible ratio of the tempos, either way: beyond it the notes are
/// misaligned rather than slow.
const MAX_STRETCH: f64 = 3.0;

/// The tempo around one target note.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LocalTempo {
    at_s: f64,
    played_s: f64,
    /// Seconds played per second of the reference.
    pub stretch: f64,
}

impl LocalTempo {
    /// When a time of the reference was due in the take, seconds.
    pub fn expected_s(&self, target_s: f64) -> f64 {
        self.played_s + (target_s - self.at_s) * self.stretch
    }
}

/// The tempo of a take against its reference, from the notes played right: their
/// target index, reference time and played time in seconds.
#[derive(Debug)]
pub struct TempoCurve {
    anchors: Vec<(usize, f64, f64)>,
    starts_s: Vec<f64>,
}

impl TempoCurve {
    /// Curve from an alignment.
    pub fn new(targets: &[TargetNote], notes: &[LineNote], pairs: &[Pair]) -> TempoCurve {
        let anchor = |pair: &Pair| {
            let (i, note) = (pair.target?, &notes[pair.note?]);
            let same = note.concert == targets[i].concert && targets[i].length_s > 0.0;
            same.then(|| (i, targets[i].start_s, note.note.onset_s))
        };
        TempoCurve {
            anchors: pairs.iter().filter_map(anchor).collect(),
            starts_s: targets.iter().map(|a| a.start_s).collect(),
        }
    }

    /// The tempo around a target note, if there are enough notes.
    pub fn around(&self, target: usize) -> Option<LocalTempo> {
        let at_s = self.starts_s[target];
        let place = self.anchors.partition_point(|(i, ..)| *i < target);
        let nearest =
            place.saturating_sub(NEIGHBOURS)..(place + NEIGHBOURS + 1).min(self.anchors.len());
        let points: Vec<(f64, f64)> = self.anchors[nearest]
            .iter()
            .filter(|(i, ..)| *i != target)
            .map(|(_, target_s, played_s)| (target_s - at_s, *played_s))
            .collect();
        if points.len() < MIN_ANCHORS {
            return None;
        }
        let reach = points.iter().map(|(x, _)| x.abs()).fold(0.0, f64::max) * 1.2;
        let near = |x: f64| (1.0 - (x.abs() / reach.max(1e-9)).powi(3)).powi(3);
        let mut weights: Vec<f64> = points.iter().map(|(x, _)| near(*x)).collect();
        let mut line = StraightLine::fit_weighted(&points, |i| weights[i])?;
        for _ in 0..2 {
            let off = |(x, y): &(f64, f64)| (y - line.at_zero - line.slope * x).abs();
            // A few milliseconds are no outlier, however regular the rest is.
            let limit = OUTLIER * median(points.iter().map(off))?.max(0.002);
            for (weight, point) in weights.iter_mut().zip(&points) {
                let share = (off(point) / limit).min(1.0);
                *weight = near(point.0) * (1.0 - share * share).powi(2);
            }
            line = StraightLine::fit_weighted(&points, |i| weights[i]).unwrap_or(line);
        }
        let plausible = (1.0 / MAX_STRETCH..=MAX_STRETCH).contains(&line.slope);
        plausible.then_some(LocalTempo {
            at_s,
            played_s: line.at_zero,
            stretch: line.slope,
        })
    }

    /// When a note was due, seconds.
    pub fn due_s(&self, target: usize) -> Option<f64> {
        self.around(target).map(|local| local.played_s)
    }

    /// Tempo of the whole against the reference's: 1 as written.
    pub fn overall(&self) -> Option<f64> {
        tempo_ratio(&self.anchors)
    }

    /// The same of one quarter of the notes, 0 to 3.
    pub fn quarter(&self, which: usize) -> Option<f64> {
        let edge = |q: usize| q * self.anchors.len() / 4;
        tempo_ratio(&self.anchors[edge(which)..edge(which + 1)])
    }
}

fn tempo_ratio(anchors: &[(usize, f64, f64)]) -> Option<f64> {
    let points: Vec<(f64, f64)> = anchors.iter().map(|(_, t, p)| (*t, *p)).collect();
    if points.len() < MIN_ANCHORS {
        return None;
    }
    let stretch = StraightLine::fit(&points)?.slope;
    (stretch > 0.0).then(|| 1.0 / stretch)
}
