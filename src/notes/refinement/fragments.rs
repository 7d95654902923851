//! Joins fragments that the segmenter took for notes: attacks that search for their
//! pitch, resonances of the bore meanwhile, parts of a release.

use super::{SEARCH_S, SPURIOUS_ONSET_DB, TONGUED_DIP_DB, TOUCH_S, dip_db, hz};
use crate::notes::Note;
use crate::notes::timeline::Timeline;

/// A note shorter than this next to another may be a fragment of it, in seconds: a
/// thirty-second note at 120 beats a minute is 62 ms.
const FRAGMENT_S: f64 = 0.05;
/// How far off such a beginning may be, in semitones.
const SEARCH_REACH: f64 = 1.6;
/// A low note needs some periods to begin, and meanwhile the bore resonates far above
/// it: this far, in semitones, for this many of its periods.
const RINGING: f64 = 7.0;
const RINGING_PERIODS: f64 = 4.0;
/// Too short to be a note or to have a dip after it, in seconds.
const SPURIOUS_S: f64 = 0.025;

/// Joins each fragment to the note after or before it.
pub(super) fn join(notes: &mut Vec<Note>, timeline: &Timeline) {
    let mut at = 0;
    while at + 1 < notes.len() {
        let (left, right) = (&notes[at], &notes[at + 1]);
        let touch = right.onset_s - left.offset_s < TOUCH_S;
        let apart = (left.pitch - right.pitch).abs();
        let rise_db = right.level_db - left.level_db;
        let searching = left.duration_s() < SEARCH_S && apart < SEARCH_REACH && rise_db > 6.0;
        let too_short = left.duration_s() < SPURIOUS_S;
        let breath = left.duration_s() < SEARCH_S && rise_db > SPURIOUS_ONSET_DB;
        let fragment = left.duration_s() < FRAGMENT_S && (rise_db > 10.0 || apart < 0.65);
        let dying = right.duration_s() < SEARCH_S && rise_db < -10.0;
        // A resonance of the bore before the lips vibrate at the pitch.
        let ringing = right.pitch < left.pitch - RINGING
            && timeline.tone_s(left) < RINGING_PERIODS / hz(right)
            && rise_db > 0.0;
        let spurious = too_short || breath || fragment || ringing;
        let release = right.duration_s() < FRAGMENT_S && (rise_db < -3.0 || apart < 0.65);
        let tongued = dip_db(left, right, timeline) > TONGUED_DIP_DB;
        if touch && (searching || spurious) && (rise_db > 10.0 || !tongued || too_short) {
            let onset_s = left.onset_s;
            let (attack, dip_db) = (left.attack, left.measured.dip_db);
            notes.remove(at);
            let note = &mut notes[at];
            (note.onset_s, note.attack, note.measured.dip_db) = (onset_s, attack, dip_db);
        } else if touch && (dying || release) && !tongued {
            let offset_s = right.offset_s;
            notes.remove(at + 1);
            notes[at].offset_s = offset_s;
        } else {
            at += 1;
        }
    }
}
