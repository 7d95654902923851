//! Splits slurs that are too small for the segmenter: two notes a semitone apart, one
//! played sharp and the other flat, may be half a semitone from each other. Live, that
//! cannot be told from a bend in time; offline a step is clear: the pitch is steady,
//! moves within a few hops, and is steady again.

use crate::notes::timeline::Timeline;
use crate::notes::{Attack, Note};
use crate::statistics::median;

/// Smallest step, in semitones.
const STEP: f64 = 0.45;
/// How long the pitch must be steady on either side, in seconds.
const SIDE_S: f64 = 0.07;
/// Largest spread there, in semitones, from the 10th to the 90th percentile.
const MAX_SPREAD: f64 = 0.2;
/// Longest time between, in seconds.
const STEP_S: f64 = 0.03;

/// Splits notes at small steps.
pub(super) fn split(notes: &mut Vec<Note>, timeline: &Timeline) {
    let mut at = 0;
    while at < notes.len() {
        if let Some(step_s) = first_step_s(&notes[at], timeline) {
            let mut right = notes[at].clone();
            notes[at].offset_s = step_s;
            (right.onset_s, right.decided_s) = (step_s, step_s);
            right.attack = Attack::Slurred;
            for note in [&mut notes[at], &mut right] {
                note.contour = timeline.contour(note.onset_s, note.offset_s);
                crate::notes::articulation::measure_pitch(note);
            }
            notes.insert(at + 1, right);
        }
        at += 1;
    }
}

/// When the pitch first steps within a note, stream seconds.
fn first_step_s(note: &Note, timeline: &Timeline) -> Option<f64> {
    let contour = timeline.contour(note.decided_s.max(note.onset_s), note.offset_s);
    let pitches: Vec<f64> = contour.points.iter().map(|p| f64::from(p.pitch)).collect();
    let side = (SIDE_S / contour.hop_s) as usize;
    let gap = (STEP_S / contour.hop_s) as usize;
    let span = 2 * side + gap;
    // Every fourth hop first: a step shows wherever the windows straddle it.
    let height = |at: usize| {
        let (left, right) = (
            &pitches[at..at + side],
            &pitches[at + side + gap..at + span],
        );
        // Most positions have no step, as two single pitches show.
        let plain = (right[side / 2] - left[side / 2]).abs() < 0.5 * STEP;
        if plain {
            return None;
        }
        Some((steady_pitch(right)? - steady_pitch(left)?).abs())
    };
    let last = pitches.len().checked_sub(span)?;
    let found = (0..=last)
        .step_by(4)
        .find(|&at| height(at).is_some_and(|h| h > STEP))?;
    // The windows may slide on while both sides stay put: the middle is best.
    let end = (found..=last)
        .take_while(|&at| height(at).is_some_and(|h| h > STEP))
        .last();
    let middle = (found + end.unwrap_or(found)) / 2 + side + gap / 2;
    Some(contour.start_s + middle as f64 * contour.hop_s)
}

/// Median pitch, or `None` where the pitch is not steady.
fn steady_pitch(pitches: &[f64]) -> Option<f64> {
    if pitches.iter().any(|p| p.is_nan()) {
        return None;
    }
    let mut sorted = pitches.to_vec();
    sorted.sort_by(f64::total_cmp);
    let share = |part: f64| sorted[((sorted.len() - 1) as f64 * part) as usize];
    (share(0.9) - share(0.1) < MAX_SPREAD).then(|| median(sorted.iter().copied()))?
}
