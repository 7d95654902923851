//! Glissandi from note to note.

use crate::notes::technique_model::SlideModel;
use crate::notes::timeline::Timeline;
use crate::notes::{Attack, Note, PitchFrame, Technique, is_at};

/// Pitches around the border of two notes, not a number where there is none.
fn pitches_between(left: &Note, right: &Note, timeline: &Timeline) -> Vec<f32> {
    let from_s = left.onset_s.max(right.onset_s - 0.4);
    let to_s = right.offset_s.min(right.onset_s + 0.4);
    let pitch = |m: &PitchFrame| m.pitch.unwrap_or(f32::NAN);
    timeline.between(from_s, to_s).iter().map(pitch).collect()
}

/// Time that the pitch takes to glide from one note's pitch to the next one's,
/// seconds. Hops without tone do not count.
fn glide_s(left: &Note, right: &Note, timeline: &Timeline) -> f64 {
    let around = pitches_between(left, right, timeline);
    let left_home = around.iter().rposition(is_at(left.pitch)).unwrap_or(0);
    let Some(arrival) = around[left_home..].iter().position(is_at(right.pitch)) else {
        return 0.0;
    };
    let way = &around[left_home..left_home + arrival];
    way.iter().filter(|p| !p.is_nan()).count() as f64 * timeline.hop_s
}

/// The glissando from each note to the next, or to the one after those that it only passes
/// by, where there is one.
pub(super) fn between(
    notes: &[Note],
    timeline: &Timeline,
    model: &SlideModel,
) -> Vec<Option<Technique>> {
    let slide = |at: usize| {
        let left = &notes[at];
        let to = |right: &Note| Technique::Glissando {
            cents: ((right.pitch - left.pitch) * 100.0) as f32,
        };
        let plain = |right: &&Note| left.techniques.is_empty() && right.techniques.is_empty();
        let next = notes.get(at + 1).filter(plain)?;
        if next.attack == Attack::Slurred && glide_s(left, next, timeline) > model.glissando_s {
            return Some(to(next));
        }
        let passed = passed(&notes[at..], model.passing_s);
        let right = notes.get(at + 1 + passed).filter(plain)?;
        let glide_s = glide_s(left, right, timeline);
        (glide_s > 0.0 && glide_s < passed as f64 * model.brief_s).then(|| to(right))
    };
    (0..notes.len()).map(slide).collect()
}

/// How many notes after the first are only passed by on the way up or down to one that
/// rests, the first of them at another pitch than both: partials that a lip glissando runs
/// over follow each other faster than any notes. None after a note that is no
/// longer than they are: that is a run.
fn passed(notes: &[Note], passing_s: f64) -> usize {
    let left = &notes[0];
    let way = |note: &Note| note.pitch - left.pitch;
    let passing = |pair: &&[Note]| {
        let (before, note) = (&pair[0], &pair[1]);
        let short = note.duration_s() < passing_s;
        short && note.touches(before) && way(note) * way(&notes[1]) > 0.0
    };
    let passed = notes.windows(2).take_while(passing).count();
    let rests = notes.get(passed + 1).is_some_and(|note| {
        let other = (note.pitch - notes[1].pitch).abs() > 0.5 && way(&notes[1]).abs() > 0.5;
        other && note.touches(&notes[passed]) && way(note) * way(&notes[1]) > 0.0
    });
    if rests && left.duration_s() > passing_s {
        passed
    } else {
        0
    }
}
