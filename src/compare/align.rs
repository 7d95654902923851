//! Which played note belongs to which target note.
//!
//! Global alignment by dynamic programming (Needleman and Wunsch, J. Mol. Biol.
//! 48, 1970): the cheapest way from one list to the other by notes matched,
//! replaced, left out and inserted. Pitch decides first; the time at which a note was
//! due, known from a first alignment, then tells repeated notes apart.

use super::pair::Pair;
use super::tempo::TempoCurve;
use crate::line::LineNote;
use crate::reference::TargetNote;

/// Cost of leaving a note out or inserting one.
const UNMATCHED: f32 = 0.7;
/// The same for a grace note, which many players leave out, and for a played note too
/// short to be intended.
const UNMATCHED_SHORT: f32 = 0.35;
const SHORT_S: f64 = 0.07;
/// Cost of a wrong note: more than one missing, less than one missing and one extra.
const WRONG: f32 = 1.0;
/// Cost of leaving out a note before the first or after the last that is played: next to
/// none, since a take may hold a part of the piece only.
pub const BEYOND: f32 = 0.001;
/// Highest cost of a time difference, reached at this difference in seconds.
const LATE: f32 = 0.6;
const LATE_S: f64 = 0.5;
/// Alignments after the first, each with the tempo curve of the one before.
const ROUNDS: usize = 2;

/// Aligns target notes and played notes, both in order of time.
pub fn align(targets: &[TargetNote], notes: &[LineNote]) -> Vec<Pair> {
    let (_, mut pairs) = round(targets, notes, |_| None, false);
    for _ in 0..ROUNDS {
        let curve = TempoCurve::new(targets, notes, &pairs);
        let due: Vec<Option<f64>> = (0..targets.len()).map(|i| curve.due_s(i)).collect();
        (_, pairs) = round(targets, notes, |i| due[i], false);
    }
    pairs
}

/// How well a take, or a part of it, fits by its pitches: the cost of the cheapest alignment,
/// and that alignment. What the targets have before the take begins and after it ends costs
/// next to nothing.
pub fn fit(targets: &[TargetNote], notes: &[LineNote]) -> (f32, Vec<Pair>) {
    round(targets, notes, |_| None, true)
}

#[derive(Clone, Copy, PartialEq)]
enum Step {
    Both,
    TargetAlone,
    NoteAlone,
}

fn round(
    targets: &[TargetNote],
    notes: &[LineNote],
    due_s: impl Fn(usize) -> Option<f64>,
    free_ends: bool,
) -> (f32, Vec<Pair>) {
    let width = notes.len() + 1;
    let mut steps = vec![Step::NoteAlone; (targets.len() + 1) * width];
    let extra: Vec<f32> = notes
        .iter()
        .map(|n| {
            if n.note.duration_s() < SHORT_S {
                UNMATCHED_SHORT
            } else {
                UNMATCHED
            }
        })
        .collect();
    let mut above: Vec<f32> = vec![0.0; width];
    for j in 1..width {
        above[j] = above[j - 1] + extra[j - 1];
    }
    let mut row = vec![0.0; width];
    for (i, target) in targets.iter().enumerate() {
        let missing = if target.length_s > 0.0 {
            UNMATCHED
        } else {
            UNMATCHED_SHORT
        };
        let due_s = due_s(i);
        let beyond = if free_ends { BEYOND } else { missing };
        row[0] = above[0] + beyond;
        steps[(i + 1) * width] = Step::TargetAlone;
        for j in 1..width {
            let note = &notes[j - 1];
            let pitch = if note.concert == target.concert {
                0.0
            } else {
                WRONG
            };
            let late = due_s.map_or(0.0, |due_s| {
                let share = (note.note.onset_s - due_s).abs() / LATE_S;
                LATE * share.min(1.0) as f32
            });
            let both = above[j - 1] + pitch + late;
            let missing = if j + 1 < width { missing } else { beyond };
            let (target_alone, note_alone) = (above[j] + missing, row[j - 1] + extra[j - 1]);
            let (cost, step) = if both <= target_alone && both <= note_alone {
                (both, Step::Both)
            } else if target_alone <= note_alone {
                (target_alone, Step::TargetAlone)
            } else {
                (note_alone, Step::NoteAlone)
            };
            row[j] = cost;
            steps[(i + 1) * width + j] = step;
        }
        std::mem::swap(&mut above, &mut row);
    }
    let (mut i, mut j) = (targets.len(), notes.len());
    let mut pairs = Vec::with_capacity(i.max(j));
    while i > 0 || j > 0 {
        let step = steps[i * width + j];
        let (target, note) = (step != Step::NoteAlone, step != Step::TargetAlone);
        (i, j) = (i - usize::from(target), j - usize::from(note));
        pairs.push(Pair {
            target: target.then_some(i),
            note: note.then_some(j),
        });
    }
    pairs.reverse();
    (above[notes.len()], pairs)
}
