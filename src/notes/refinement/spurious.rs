//! Removes notes that were not played: clicks, claps, and the noise of valves, slide
//! and breath.

use super::SPURIOUS_ONSET_DB;
use crate::notes::Note;
use crate::notes::timeline::Timeline;

/// A click rings for no longer than this, in seconds.
const CLICK_S: f64 = 0.09;
/// It falls by this much in dB, within this time in seconds, after its peak; a tone
/// stopped by the tongue takes three times as long.
const CLICK_FALL_DB: f32 = 12.0;
const CLICK_FALL_S: f64 = 0.025;
/// And it reaches its peak within this time, in seconds; lips take longer.
const CLICK_RISE_S: f64 = 0.02;

/// Whether a note is a click, a clap or a knock that rings on a pitch.
pub(super) fn is_click(note: &Note, timeline: &Timeline) -> bool {
    let range = timeline.range(note.onset_s, note.offset_s);
    let level = |at: usize| timeline.level_around(at, 0.005);
    let Some(loudest) = range.clone().max_by(|&a, &b| level(a).total_cmp(&level(b))) else {
        return true;
    };
    let later = (loudest + (CLICK_FALL_S / timeline.hop_s) as usize).min(timeline.len() - 1);
    let rise_s = (loudest - range.start) as f64 * timeline.hop_s;
    let falls = level(later) < level(loudest) - CLICK_FALL_DB;
    note.duration_s() < CLICK_S && rise_s < CLICK_RISE_S && falls
}

/// A spurious note before or after a loud one lasts no longer than this, in seconds.
const SPURIOUS_S: f64 = 0.25;
/// And its pitch explains less of the sound than this.
const SPURIOUS_CONFIDENCE: f32 = 0.85;
/// Farthest that it is from the loud note, in seconds.
const SPURIOUS_REACH_S: f64 = 0.5;

/// Drops the noise of valves, slide or breath beside loud notes: short, far softer,
/// and hardly a tone.
pub(super) fn drop_spurious(notes: &mut Vec<Note>) {
    let loud = |note: &Note, other: &Note| {
        let apart_s = (other.onset_s - note.offset_s).max(note.onset_s - other.offset_s);
        apart_s < SPURIOUS_REACH_S && other.level_db > note.level_db + SPURIOUS_ONSET_DB
    };
    for at in (0..notes.len()).rev() {
        let note = &notes[at];
        let faint = note.duration_s() < SPURIOUS_S && note.confidence < SPURIOUS_CONFIDENCE;
        let around = &notes[at.saturating_sub(1)..(at + 2).min(notes.len())];
        if faint && around.iter().any(|other| loud(note, other)) {
            notes.remove(at);
        }
    }
}
