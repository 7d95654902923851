//! Bits of a note that were taken for notes: attacks that find their pitch, what the
//! bore rings meanwhile, bits of release.

use super::{PUFF_DB, SEARCH_S, TONGUED_DIP_DB, TOUCH_S, dip_db, hz};
use crate::notes::Note;
use crate::notes::timeline::Timeline;

/// Shorter than this, a note next to another is looked at as a part of it, in
/// seconds: a thirty-second note at 120 to the minute is 62 ms.
const FRAGMENT_S: f64 = 0.05;
/// How far off such a beginning may be, in semitones.
const SEARCH_REACH: f64 = 1.6;
/// A low note needs some periods to begin, and the bore rings far above it
/// meanwhile: so far, in semitones, for so many of its periods.
const RINGING: f64 = 7.0;
const RINGING_PERIODS: f64 = 4.0;
/// Too short to be a note or to have a dip after it, in seconds.
const SPURIOUS_S: f64 = 0.025;

/// Joins what belongs together: attacks that find their pitch, bits of release.
pub(super) fn join(notes: &mut Vec<Note>, timeline: &Timeline) {
    let mut at = 0;
    while at + 1 < notes.len() {
        let (left, right) = (&notes[at], &notes[at + 1]);
        let touch = right.onset_s - left.offset_s < TOUCH_S;
        let apart = (left.pitch - right.pitch).abs();
        let rise_db = right.level_db - left.level_db;
        let searching = left.duration_s() < SEARCH_S && apart < SEARCH_REACH && rise_db > 6.0;
        let glimpse = left.duration_s() < SPURIOUS_S;
        let puff = left.duration_s() < SEARCH_S && rise_db > PUFF_DB;
        let bit = left.duration_s() < FRAGMENT_S && (rise_db > 10.0 || apart < 0.65);
        let dying = right.duration_s() < SEARCH_S && rise_db < -10.0;
        // What the bore rings while the lips are not yet in step.
        let ringing = right.pitch < left.pitch - RINGING
            && timeline.tone_s(left) < RINGING_PERIODS / hz(right)
            && rise_db > 0.0;
        let blip = glimpse || puff || bit || ringing;
        let crumb = right.duration_s() < FRAGMENT_S && (rise_db < -3.0 || apart < 0.65);
        let tongued = dip_db(left, right, timeline) > TONGUED_DIP_DB;
        if touch && (searching || blip) && (rise_db > 10.0 || !tongued || glimpse) {
            let onset_s = left.onset_s;
            let (attack, dip_db) = (left.attack, left.measured.dip_db);
            notes.remove(at);
            let note = &mut notes[at];
            (note.onset_s, note.attack, note.measured.dip_db) = (onset_s, attack, dip_db);
        } else if touch && (dying || crumb) && !tongued {
            let offset_s = right.offset_s;
            notes.remove(at + 1);
            notes[at].offset_s = offset_s;
        } else {
            at += 1;
        }
    }
}
