//! Offline, non-causal refinement of a take's notes, with the whole pitch track known.

pub(super) mod oscillation;
mod range_quantiles;
mod slides;

use super::articulation::{PitchScratch, ROUNDS, measure_pitch};
use super::contour::Contour;
use super::note_model::{DraftNote, NoteModel};
use super::technique_model::TechniqueModel;
use super::timeline::{Timeline, smooth_s};
use super::{Attack, BESIDE_S, DIP_REACH_S, LEVEL_S, Length, Measured, Note, attack_of};
use crate::analysis::tone::{OFFLINE, ToneTrack};
use oscillation::{Oscillation, OscillationScratch};

/// Notes of a whole take by the note model. Within notes the timeline keeps their own
/// pitches alone.
pub fn notes(timeline: &mut Timeline, tone: ToneTrack, model: &TechniqueModel) -> Vec<Note> {
    let note_model = NoteModel::new(OFFLINE.moment_s(timeline.hop_s));
    let drafts = note_model.decode(&with_correlation(tone, timeline, &note_model));
    let own = timeline.of_notes(&drafts);
    let notes = of_drafts(&drafts, timeline, &own, model);
    for note in &notes {
        timeline.adopt(&own, note.onset_s, note.offset_s);
    }
    notes
}

/// The note model's notes refined. `own` is the timeline with their own pitches alone.
pub fn of_drafts(
    drafts: &[DraftNote],
    timeline: &Timeline,
    own: &Timeline,
    model: &TechniqueModel,
) -> Vec<Note> {
    let mut notes: Vec<Note> = Vec::with_capacity(drafts.len());
    for draft in drafts {
        let mut note = from_draft(draft, timeline);
        if let Some(before) = notes.last_mut() {
            before.offset_s = before.offset_s.min(note.onset_s);
            note.attack = attack_of(note.onset_s - before.offset_s, draft.tongue_odds);
            if note.attack == Attack::Slurred {
                before.offset_s = note.onset_s;
            }
        }
        notes.push(note);
    }
    for at in 0..notes.len() {
        let (past, rest) = notes.split_at_mut(at);
        let note = &mut rest[0];
        note.level_db = own.extremes(note.onset_s, note.offset_s, LEVEL_S).0;
        if let Some(before) = past.last() {
            note.measured.dip_db = dip_db(before, note, own);
        }
    }
    measure_contours(&mut notes, own);
    oscillation::join(&mut notes, own, model);
    let slides = slides::between(&notes, timeline, &model.slides);
    measure_contours(&mut notes, own);
    for (note, slide) in notes.iter_mut().zip(slides) {
        note.techniques.extend(slide);
    }
    notes
}

/// Adds a share of the offline pitch path's word to the evidence for its pitch.
pub fn with_correlation(mut tone: ToneTrack, timeline: &Timeline, model: &NoteModel) -> ToneTrack {
    tone.adjust(|at, cell| {
        cell.evidence.tone += model.correlation_share * timeline.explained(at, cell.pitch);
    });
    tone
}

fn from_draft(draft: &DraftNote, timeline: &Timeline) -> Note {
    let onset_s = timeline.moment_s(draft.onset).max(0.0);
    let offset_s = timeline
        .moment_s(draft.offset)
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
        brightness: None,
        measured: Measured::default(),
        contour: Contour::default(),
    }
}

/// Reads what happens within each note, and its pitch; a swing has its own.
fn measure_contours(notes: &mut [Note], timeline: &Timeline) {
    let scratch = &mut PitchScratch::default();
    for note in notes.iter_mut().filter(|n| n.techniques.is_empty()) {
        note.contour = timeline.contour(note.onset_s, note.offset_s);
        measure_pitch(note, ROUNDS, scratch);
    }
}

/// Reads the pitch of a note whose contour was written down: of its steady part, or of the trill
/// or shake that it is.
pub(crate) fn read_pitch(note: &mut Note) {
    measure_pitch(note, ROUNDS, &mut PitchScratch::default());
    let scratch = &mut OscillationScratch::default();
    if let Some(found) = Oscillation::measure(&note.contour, &TechniqueModel::DEFAULT, scratch) {
        note.pitch = found.pitch;
        note.techniques.push(found.technique);
    }
}

/// How far the level dips at a boundary, against the weaker side, in dB.
fn dip_db(before: &Note, after: &Note, timeline: &Timeline) -> f32 {
    let at_s = after.onset_s;
    let width_s = smooth_s(before.pitch.min(after.pitch), timeline.hop_s);
    let left_s = (at_s - BESIDE_S).max(before.onset_s);
    let right_s = (at_s + BESIDE_S).min(after.offset_s);
    let left = timeline.extremes(left_s, at_s, width_s).0;
    let right = timeline.extremes(at_s, right_s, width_s).0;
    let low = timeline
        .extremes(left_s.max(at_s - DIP_REACH_S), at_s + DIP_REACH_S, width_s)
        .1;
    (left.min(right) - low).max(0.0)
}
