//! Onset and offset times of each note by its level, and whether it was tongued.

use super::slides::{SAME_PITCH, SLIDE_S, glide_s};
use super::{TONGUED_DIP_DB, TOUCH_S, dip_db};
use crate::notes::segment::{ONSET_DB, first_sound};
use crate::notes::timeline::{Timeline, smooth_s};
use crate::notes::{Attack, Note, PitchFrame};
use crate::statistics::median;

/// How long before the tone its first sound may be, in seconds: a softly played horn
/// starts with air, but a longer search finds more of the previous release instead.
const LONG_LEAD_IN_S: f64 = 0.16;
/// A pitch that has moved towards the next one by this much, in semitones, before the
/// old tone ends was moved by lips or slide with continuous air: the tongue would have
/// stopped it first.
const LEAN: f64 = 0.6;
/// Dip from which even such a change is tongued, in dB: between two partials the lips
/// have no tone for some 50 ms.
const LEANING_DIP_DB: f32 = 20.0;

/// Sets onset and offset times by the level.
pub(super) fn locate(notes: &mut [Note], timeline: &Timeline) {
    for at in 0..notes.len() {
        let (past, rest) = notes.split_at_mut(at);
        let note = &mut rest[0];
        let Some(before) = past.last_mut() else {
            let earliest_s = note.decided_s - LONG_LEAD_IN_S;
            note.onset_s = first_sound_after(note, earliest_s, timeline);
            note.attack = Attack::Tongued;
            continue;
        };
        let joined = note.onset_s - before.offset_s < TOUCH_S;
        let mut tongued_db = TONGUED_DIP_DB;
        if joined && let Some(change) = Change::between(before, note, timeline) {
            (before.offset_s, note.onset_s) = (change.at_s, change.at_s);
            note.decided_s = change.arrival_s;
            if change.lean > LEAN {
                tongued_db = LEANING_DIP_DB;
            }
        }
        note.measured.dip_db = dip_db(before, note, timeline);
        if joined && note.measured.dip_db < tongued_db {
            note.attack = Attack::Slurred;
            before.offset_s = note.onset_s;
            continue;
        }
        note.attack = Attack::Tongued;
        let tone_s = note.decided_s.max(note.onset_s);
        let gap_s = rests_at(before, tone_s, GAP, timeline);
        before.offset_s = rests_at(before, tone_s, END, timeline);
        let earliest_s = (tone_s - LONG_LEAD_IN_S).max(gap_s);
        note.onset_s = first_sound_after(note, earliest_s, timeline);
        before.offset_s = before.offset_s.min(note.onset_s);
    }
    if let Some(last) = notes.last_mut() {
        last.offset_s = rests_at(last, f64::INFINITY, END, timeline);
    }
}

/// Where the pitch changes from one note to the next.
struct Change {
    /// Stream seconds: between the last hop nearer to the old pitch and the first
    /// nearer to the new one.
    at_s: f64,
    /// That first hop, stream seconds.
    arrival_s: f64,
    /// How far the pitch has moved towards the next by then, in semitones.
    lean: f64,
}

/// Time over which a leaning pitch is measured, in seconds.
const LEAN_S: f64 = 0.008;

impl Change {
    /// Searches back from where the segmenter decided, which after a glide is late by
    /// the time that the pitch took to settle.
    fn between(before: &Note, note: &Note, timeline: &Timeline) -> Option<Change> {
        let way = note.pitch - before.pitch;
        if way.abs() < SAME_PITCH || glide_s(before, note, timeline) > SLIDE_S {
            return None;
        }
        // 0 at the old pitch, 1 at the new.
        let place = |m: &PitchFrame| m.pitch.map(|p| (f64::from(p) - before.pitch) / way);
        let old = |m: &PitchFrame| place(m).is_some_and(|p| (-1.0..0.5).contains(&p));
        let new = |m: &PitchFrame| place(m).is_some_and(|p| p >= 0.5);
        let past = timeline.between(before.onset_s, note.onset_s + timeline.hop_s);
        let last = past.iter().rposition(old)?;
        let future = timeline.between(past[last].time_s, note.offset_s);
        let first = future.iter().position(new)?;
        let hops = (LEAN_S / timeline.hop_s) as usize;
        let lately = past[..=last].iter().rev().filter_map(place).take(hops);
        Some(Change {
            at_s: 0.5 * (past[last].time_s + future[first].time_s),
            arrival_s: future[first].time_s,
            lean: median(lately)? * way.abs(),
        })
    }
}

fn first_sound_after(note: &Note, earliest_s: f64, timeline: &Timeline) -> f64 {
    let tone_s = note.decided_s.max(note.onset_s);
    let lead_in = timeline.between(earliest_s, tone_s);
    match first_sound(&lead_in, note.level_db, timeline.hop_s) {
        Some(at) => lead_in[at].time_s - timeline.hop_s,
        // There is no sound before the tone.
        None => tone_s,
    }
}

/// A level under a note's peak, in dB, and for how long it lasts, in seconds.
struct Rest(f32, f64);

/// The first gap in a note's sound. The next note may begin in it.
const GAP: Rest = Rest(ONSET_DB, 0.008);
/// The end of a note. The level of a release fluctuates: after the first gap it may
/// still come within 30 dB of the peak a fifth of a note later.
const END: Rest = Rest(35.0, 0.03);
/// Sound this close to the noise floor is noise, in dB.
const NOISE_DB: f32 = 3.0;
/// How long after its tone a note may ring, in seconds.
const RING_S: f64 = 1.0;

/// When a note's sound first rests, `latest_s` at the latest. If it never does: the
/// lowest level before the next note, or the end of the tone if there is none (sound
/// that goes on without a rest is noise), or the end of the take if that comes first.
fn rests_at(note: &Note, latest_s: f64, Rest(under_db, rest_s): Rest, timeline: &Timeline) -> f64 {
    let tail = timeline.between(note.offset_s, latest_s.min(note.offset_s + RING_S));
    let quiet = |m: &PitchFrame| m.level_db < (note.level_db - under_db).max(m.floor_db + NOISE_DB);
    // The pulses of a low tone leave gaps of nearly a period.
    let hops = (smooth_s(note.pitch).max(rest_s) / timeline.hop_s).ceil() as usize;
    let rest = tail.windows(hops).position(|w| w.iter().all(quiet));
    if let Some(at) = rest {
        return tail[at].time_s - timeline.hop_s;
    }
    let last_s = tail.last().map_or(note.offset_s, |m| m.time_s);
    if latest_s.is_finite() {
        let low = tail.iter().min_by(|a, b| a.level_db.total_cmp(&b.level_db));
        low.map_or(note.offset_s, |m| m.time_s)
    } else if last_s < note.offset_s + RING_S - 2.0 * timeline.hop_s {
        last_s
    } else {
        note.offset_s
    }
}
