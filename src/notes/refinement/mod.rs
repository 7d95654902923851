//! Offline, non-causal refinement of a take's notes, with the whole pitch track known.

mod boundaries;
mod fragments;
mod oscillation;
mod range_quantiles;
mod slides;
mod spurious;
mod steps;

use super::articulation::measure_pitch;
use super::contour::Contour;
use super::note_model::{DraftNote, NoteModel};
use super::segment::{NoteEvent, Segmenter};
use super::timeline::{Timeline, smooth_s};
use super::{Attack, Length, Measured, Note};
use crate::analysis::tone::ToneTrack;
use crate::units::Pitch;

/// A flat or sharp beginning shorter than this is an attack finding its pitch,
/// in seconds.
const SEARCH_S: f64 = 0.13;
/// A beginning this much softer is breath or a click whatever its pitch, in dB.
const SPURIOUS_ONSET_DB: f32 = 14.0;
/// Dip, by levels averaged around each frame, from which an attack is tongued, in dB.
/// Deeper than in the live engine, whose trailing average blurs a dip.
const TONGUED_DIP_DB: f32 = 12.0;
/// Share of its sound that a note's pitch must explain, or it is noise. Real notes,
/// even pianissimo in a noisy room, have 0.7 and more.
const MIN_CONFIDENCE: f32 = 0.5;
/// Notes closer than this touch, in seconds.
const TOUCH_S: f64 = 0.03;

/// Notes of a whole take.
pub fn notes(timeline: &Timeline) -> Vec<Note> {
    let mut segmenter = Segmenter::new(timeline.hop_s, false);
    let mut events = Vec::new();
    for frame in timeline.frames() {
        segmenter.push(frame, &mut events);
    }
    segmenter.finish(&mut events);
    let found = events.into_iter().filter_map(|event| match event {
        NoteEvent::Ended(note) => Some(note),
        NoteEvent::Started(_) => None,
    });
    refine(found.collect(), timeline)
}

/// Refines `notes`, which are those of the segmenter over the same frames.
pub fn refine(mut notes: Vec<Note>, timeline: &Timeline) -> Vec<Note> {
    for note in &mut notes {
        note.level_db = timeline.extremes(note.onset_s, note.offset_s, 0.02).0;
    }
    fragments::join(&mut notes, timeline);
    steps::split(&mut notes, timeline);
    boundaries::locate(&mut notes, timeline);
    measure_contours(&mut notes, timeline);
    oscillation::join(&mut notes, timeline);
    slides::join(&mut notes, timeline);
    slides::join_passing(&mut notes, timeline);
    notes.retain(|note| note.confidence > MIN_CONFIDENCE && !spurious::is_click(note, timeline));
    spurious::drop_spurious(&mut notes);
    let slides = slides::between(&notes, timeline);
    measure_contours(&mut notes, timeline);
    for (note, slide) in notes.iter_mut().zip(slides) {
        note.techniques.extend(slide);
    }
    notes
}

/// Notes of a whole take by the note model. The timeline's pitches follow the notes.
pub(crate) fn model_notes(timeline: &mut Timeline, tone: &ToneTrack) -> Vec<Note> {
    let drafts = NoteModel::default().decode(tone);
    timeline.follow(&drafts);
    let mut notes: Vec<Note> = Vec::with_capacity(drafts.len());
    for draft in &drafts {
        let mut note = from_draft(draft, timeline);
        if let Some(before) = notes.last_mut() {
            before.offset_s = before.offset_s.min(note.onset_s);
            let touches = note.onset_s - before.offset_s < TOUCH_S;
            if touches && draft.tongue_odds < 0.0 {
                note.attack = Attack::Slurred;
                before.offset_s = note.onset_s;
            }
        }
        notes.push(note);
    }
    for at in 0..notes.len() {
        let (past, rest) = notes.split_at_mut(at);
        let note = &mut rest[0];
        note.level_db = timeline.extremes(note.onset_s, note.offset_s, 0.02).0;
        if let Some(before) = past.last() {
            note.measured.dip_db = dip_db(before, note, timeline);
        }
    }
    measure_contours(&mut notes, timeline);
    oscillation::join(&mut notes, timeline);
    let slides = slides::between(&notes, timeline);
    measure_contours(&mut notes, timeline);
    for (note, slide) in notes.iter_mut().zip(slides) {
        note.techniques.extend(slide);
    }
    notes
}

fn from_draft(draft: &DraftNote, timeline: &Timeline) -> Note {
    let onset_s = timeline.moment_s(draft.onset).max(0.0);
    let offset_s = timeline
        .moment_s(draft.end() as f64 - 0.5)
        .max(onset_s + timeline.hop_s);
    let count = draft.pitches.len() as f64;
    Note {
        onset_s,
        offset_s,
        decided_s: onset_s,
        pitch: draft.pitches.iter().map(|&p| f64::from(p)).sum::<f64>() / count,
        attack: Attack::Tongued,
        length: Length::Normal,
        accent: false,
        techniques: Vec::new(),
        level_db: 0.0,
        confidence: 0.0,
        measured: Measured::default(),
        contour: Contour::default(),
    }
}

/// Sets each note's contour and measures its pitch; a trill or wide vibrato already has
/// both.
fn measure_contours(notes: &mut [Note], timeline: &Timeline) {
    for note in notes.iter_mut().filter(|n| n.techniques.is_empty()) {
        note.contour = timeline.contour(note.onset_s, note.offset_s);
        measure_pitch(note);
    }
}

/// How far the level dips at a boundary, against the weaker side, in dB.
fn dip_db(before: &Note, after: &Note, timeline: &Timeline) -> f32 {
    let at_s = after.onset_s;
    let width_s = smooth_s(before.pitch.min(after.pitch));
    let left_s = (at_s - 0.15).max(before.onset_s);
    let right_s = (at_s + 0.15).min(after.offset_s);
    let left = timeline.extremes(left_s, at_s, width_s).0;
    let right = timeline.extremes(at_s, right_s, width_s).0;
    let low = timeline
        .extremes(left_s.max(at_s - 0.04), at_s + 0.04, width_s)
        .1;
    (left.min(right) - low).max(0.0)
}

/// Frequency of a note's pitch.
fn hz(note: &Note) -> f64 {
    Pitch(note.pitch).hz()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::offline_decoder::DecodedFrame;

    const HOP_S: f64 = 0.004 / 3.0;

    /// Notes of a track given as pitch, level and confidence over time.
    fn notes_of(seconds: f64, sound: impl Fn(f64) -> (f64, f64, f64)) -> Vec<Note> {
        let frames = (0..(seconds / HOP_S) as usize).map(|i| {
            let (pitch, level_db, confidence) = sound(i as f64 * HOP_S);
            DecodedFrame {
                pitch: pitch as f32,
                confidence: confidence as f32,
                level_db: level_db as f32,
            }
        });
        super::notes(&Timeline::new(frames.collect(), 0.0, HOP_S))
    }

    const SILENCE: (f64, f64, f64) = (f64::NAN, -90.0, 0.0);

    /// Two notes a fourth apart with a dip of 16 dB between them, in the middle of which
    /// there is no tone; before it the pitch moves by `lean` semitones.
    fn leap(lean: f64) -> Vec<Note> {
        notes_of(1.4, |t| match t {
            _ if !(0.2..1.2).contains(&t) => SILENCE,
            _ if t < 0.69 => (
                64.0 + lean * ((t - 0.62) / 0.06).clamp(0.0, 1.0),
                -20.0,
                1.0,
            ),
            _ if t < 0.71 => (f64::NAN, -36.0, 0.0),
            _ => (69.0, -20.0, 1.0),
        })
    }

    #[test]
    fn a_leaning_pitch_is_slurred_and_a_sudden_one_tongued() {
        let (slurred, tongued) = (leap(1.0), leap(0.0));
        assert_eq!((slurred.len(), tongued.len()), (2, 2));
        assert_eq!(slurred[1].attack, Attack::Slurred);
        assert_eq!(tongued[1].attack, Attack::Tongued);
        // At the leap, not where the segmenter found the pitch settled.
        assert!(
            (slurred[1].onset_s - 0.70).abs() < 0.01,
            "{:?}",
            slurred[1].onset_s
        );
    }

    #[test]
    fn a_low_note_may_waver_where_a_high_one_changes() {
        let pair = |low: f64| {
            let sound = move |t: f64| match t {
                _ if !(0.2..0.48).contains(&t) => SILENCE,
                _ if t < 0.34 => (low, -20.0, 1.0),
                _ => (low + 0.8, -20.0, 1.0),
            };
            notes_of(0.7, sound).len()
        };
        assert_eq!((pair(36.0), pair(67.0)), (1, 2));
    }

    #[test]
    fn a_spurious_note_beside_a_note_is_dropped_and_a_soft_note_is_not() {
        let after = |confidence: f64| {
            let sound = move |t: f64| match t {
                _ if (0.2..0.6).contains(&t) => (60.0, -18.0, 1.0),
                _ if (0.7..0.78).contains(&t) => (52.6, -38.0, confidence),
                _ => SILENCE,
            };
            notes_of(1.0, sound).len()
        };
        assert_eq!((after(0.7), after(0.98)), (1, 2));
    }
}
