//! Joins slides to the note that they leave or reach, and partials touched in
//! passing to the note before.

use super::{TOUCH_S, hz};
use crate::notes::articulation::{GLISSANDO_S, HOME};
use crate::notes::timeline::Timeline;
use crate::notes::{Attack, Note, PitchFrame, Technique};

/// A slide takes at least this long, in seconds; valves and lip slurs are
/// quicker.
pub(super) const SLIDE_S: f64 = 0.05;
/// Or it moves by less than this, in semitones, over this time, in seconds.
const STEP: f32 = 0.45;
const STEP_S: f64 = 0.02;
/// A note that is never steady for this long is a slide, in seconds.
const PLATEAU_S: f64 = 0.13;
/// How far the pitch may move meanwhile, in semitones.
const PLATEAU: f32 = 0.3;

/// Slurred neighbours this close in pitch are one note, in semitones, if the level
/// dips by no more than this between them, in dB.
pub(super) const SAME_PITCH: f64 = 0.5;
const BENT_DIP_DB: f32 = 6.0;

/// Joins slides to the note they leave or reach: falls, doits, rips, scoops, and
/// the middle of a glissando.
pub(super) fn join(notes: &mut Vec<Note>, timeline: &Timeline) {
    for at in (1..notes.len()).rev() {
        let (left, right) = (&notes[at - 1], &notes[at]);
        let one = (left.pitch - right.pitch).abs() < SAME_PITCH || half_beat(left, right, timeline);
        let bent = right.attack == Attack::Slurred && one && right.measured.dip_db < BENT_DIP_DB;
        if bent {
            // Bent away and back: one note.
            notes[at - 1].offset_s = right.offset_s;
            notes.remove(at);
            continue;
        }
        let named = !(left.techniques.is_empty() && right.techniques.is_empty());
        if named || right.attack != Attack::Slurred || !slid(left, right, timeline) {
            continue;
        }
        if plateau_s(right, timeline) < PLATEAU_S {
            notes[at - 1].offset_s = right.offset_s;
            notes.remove(at);
        } else if plateau_s(left, timeline) < PLATEAU_S {
            let (onset_s, decided_s) = (left.onset_s, left.decided_s);
            let (attack, measured) = (left.attack, left.measured);
            notes.remove(at - 1);
            let note = &mut notes[at - 1];
            (note.onset_s, note.decided_s) = (onset_s, decided_s);
            (note.attack, note.measured) = (attack, measured);
        }
    }
}

/// Whether the shorter of two notes ends before the two pitches would complete half a
/// beat against each other: on a low horn nobody hears the difference so briefly.
fn half_beat(left: &Note, right: &Note, timeline: &Timeline) -> bool {
    let shorter_s = timeline.tone_s(left).min(timeline.tone_s(right));
    (hz(left) - hz(right)).abs() * shorter_s < 0.5
}

/// Longest time that a note's pitch is steady, in seconds.
fn plateau_s(note: &Note, timeline: &Timeline) -> f64 {
    let (mut longest, mut length) = (0, 0);
    let (mut low, mut high) = (f32::NAN, f32::NAN);
    for frame in timeline.between(note.onset_s, note.offset_s) {
        let Some(pitch) = frame.pitch else {
            continue;
        };
        (low, high) = (low.min(pitch), high.max(pitch));
        length += 1;
        if high - low > PLATEAU {
            (low, high, length) = (pitch, pitch, 1);
        }
        longest = longest.max(length);
    }
    f64::from(longest) * timeline.hop_s
}

/// Whether the pitch slides from one note to the next: slowly, or without a step.
fn slid(left: &Note, right: &Note, timeline: &Timeline) -> bool {
    if glide_s(left, right, timeline) > SLIDE_S {
        return true;
    }
    let around = pitches_between(left, right, timeline);
    let reach = (STEP_S / timeline.hop_s).round() as usize;
    let steps = around.iter().zip(around.iter().skip(reach));
    let largest = steps.map(|(a, b)| (b - a).abs()).fold(0.0, f32::max);
    largest < STEP
}

/// Pitches around the boundary of two notes, NaN where there is none.
fn pitches_between(left: &Note, right: &Note, timeline: &Timeline) -> Vec<f32> {
    let from_s = left.onset_s.max(right.onset_s - 0.4);
    let to_s = right.offset_s.min(right.onset_s + 0.4);
    let pitch = |m: &PitchFrame| m.pitch.unwrap_or(f32::NAN);
    timeline.between(from_s, to_s).iter().map(pitch).collect()
}

/// Time that the pitch takes to glide from one note's pitch to the next one's,
/// seconds. Hops without tone do not count.
pub(super) fn glide_s(left: &Note, right: &Note, timeline: &Timeline) -> f64 {
    let around = pitches_between(left, right, timeline);
    let near = |pitch: f64| move |p: &f32| (f64::from(*p) - pitch).abs() < HOME;
    let left_home = around.iter().rposition(near(left.pitch)).unwrap_or(0);
    let Some(arrival) = around[left_home..].iter().position(near(right.pitch)) else {
        return 0.0;
    };
    let way = &around[left_home..left_home + arrival];
    way.iter().filter(|p| !p.is_nan()).count() as f64 * timeline.hop_s
}

/// The glissando from each note to the next, where there is one.
pub(super) fn between(notes: &[Note], timeline: &Timeline) -> Vec<Option<Technique>> {
    let slide = |pair: &[Note]| {
        let (left, right) = (&pair[0], &pair[1]);
        let plain = left.techniques.is_empty() && right.techniques.is_empty();
        let slow = glide_s(left, right, timeline) > GLISSANDO_S;
        let slides = plain && slow && right.attack == Attack::Slurred;
        slides.then_some(Technique::Glissando {
            cents: ((right.pitch - left.pitch) * 100.0) as f32,
        })
    };
    notes.windows(2).map(slide).collect()
}

/// A slurred note shorter than this between two others in pitch is a partial touched
/// in passing, in seconds; the fastest run has 83 ms a note.
const PASSING_S: f64 = 0.075;

/// No tongue is this quick: tone shorter than this, in seconds, with touching notes on
/// both sides is touched in passing even where the level dips.
const TOO_QUICK_S: f64 = 0.045;

/// Joins notes touched in passing to the note before.
pub(super) fn join_passing(notes: &mut Vec<Note>, timeline: &Timeline) {
    for at in (1..notes.len().saturating_sub(1)).rev() {
        let [before, note, after] = [&notes[at - 1], &notes[at], &notes[at + 1]];
        let slurred = [note, after].iter().all(|n| n.attack == Attack::Slurred);
        let touching = note.onset_s - before.offset_s < TOUCH_S
            && after.onset_s - note.offset_s < TOUCH_S
            && timeline.tone_s(note) < TOO_QUICK_S;
        let on_the_way = (note.pitch - before.pitch) * (after.pitch - note.pitch) > 0.0;
        if on_the_way && (slurred && note.duration_s() < PASSING_S || touching) {
            notes[at - 1].offset_s = note.offset_s;
            notes.remove(at);
        }
    }
}
