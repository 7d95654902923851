//! Detects how a note is played as early as possible: an accent 30 ms into the
//! note, vibrato and flutter while they last, the rest when the note ends.

use super::control_event::{Gesture, GestureEvent};
use crate::notes::articulation::{self, Next};
use crate::notes::contour::Contour;
use crate::notes::segment::NoteStart;
use crate::notes::{Attack, Length, Note, PitchFrame, Technique};

/// Time after the decision over which a note's attack is measured, in seconds: the
/// rise of a tongued note is over by then.
const ATTACK_S: f64 = 0.03;
/// How much louder than the attacks before it an accent is, in dB. Dynamic
/// marks lie some 5 dB apart (from memory).
const ACCENT_DB: f32 = 6.0;
/// Weight of each new attack in the running mean that accents are compared with.
const ATTACK_SHARE: f32 = 0.2;
/// Window in which vibrato and flutter are detected, and how often, in seconds: it
/// holds two cycles of the slowest vibrato.
const WINDOW_S: f64 = 0.8;
const ANALYSIS_INTERVAL_S: f64 = 0.05;
/// Onsets kept, to measure the time from note to note.
const ONSETS: usize = 9;

/// Detector of gestures.
#[derive(Debug, Clone)]
pub struct GestureDetector {
    hop_s: f64,
    recent: Contour,
    note: Option<ActiveNote>,
    /// Running mean of the attack level, dBFS.
    mean_attack_db: Option<f32>,
    onsets: Vec<f64>,
}

#[derive(Debug, Clone, Copy)]
struct ActiveNote {
    start: NoteStart,
    attack_db: f32,
    attack_measured: bool,
    analysed_s: f64,
    vibrato: bool,
    flutter: bool,
}

impl GestureDetector {
    /// Detector for frames `hop_s` apart, in seconds.
    pub fn new(hop_s: f64) -> Self {
        GestureDetector {
            hop_s,
            recent: Contour {
                hop_s,
                ..Contour::default()
            },
            note: None,
            mean_attack_db: None,
            onsets: Vec::with_capacity(ONSETS + 1),
        }
    }

    /// A note starts.
    pub fn start(&mut self, start: NoteStart, gesture_events: &mut Vec<GestureEvent>) {
        let gesture = match start.attack {
            Attack::Slurred => Gesture::Slurred,
            Attack::Tongued | Attack::Breath => Gesture::Tongued,
        };
        gesture_events.push(GestureEvent {
            at_s: start.decided_s,
            gesture,
        });
        self.recent.points.clear();
        self.recent.start_s = start.decided_s;
        self.note = Some(ActiveNote {
            start,
            attack_db: start.level_db,
            attack_measured: start.attack == Attack::Slurred,
            analysed_s: start.decided_s,
            vibrato: false,
            flutter: false,
        });
        if self.onsets.len() == ONSETS {
            self.onsets.remove(0);
        }
        self.onsets.push(start.onset_s);
    }

    /// Takes the next frame. Returns the vibrato depth in cents when it has been
    /// measured.
    pub fn hop(
        &mut self,
        frame: PitchFrame,
        gesture_events: &mut Vec<GestureEvent>,
    ) -> Option<f32> {
        let note = self.note.as_mut()?;
        let now_s = frame.time_s;
        let points = &mut self.recent.points;
        if points.len() as f64 * self.hop_s >= WINDOW_S {
            // Half is dropped at once, so that the rest is rarely moved.
            let gone = points.len() / 2;
            points.drain(..gone);
            self.recent.start_s += gone as f64 * self.hop_s;
        }
        points.push(frame.point());
        let mut gesture_event = |gesture| {
            gesture_events.push(GestureEvent {
                at_s: now_s,
                gesture,
            });
        };
        if !note.attack_measured {
            note.attack_db = note.attack_db.max(frame.level_db);
            if now_s - note.start.decided_s > ATTACK_S {
                note.attack_measured = true;
                let mean_db = self.mean_attack_db.unwrap_or(note.attack_db);
                if note.attack_db > mean_db + ACCENT_DB {
                    gesture_event(Gesture::Accent);
                }
                let share = ATTACK_SHARE * (note.attack_db - mean_db);
                self.mean_attack_db = Some(mean_db + share);
            }
        }
        if now_s - note.analysed_s < ANALYSIS_INTERVAL_S {
            return None;
        }
        note.analysed_s = now_s;
        let pitch = f64::from(note.start.pitch);
        if !note.flutter && articulation::flutter(&self.recent, pitch).is_some() {
            note.flutter = true;
            gesture_event(Gesture::Flutter);
        }
        let depth = match articulation::vibrato(&self.recent) {
            Some(Technique::Vibrato { extent_cents, .. }) => extent_cents,
            _ => 0.0,
        };
        if depth > 0.0 && !note.vibrato {
            note.vibrato = true;
            gesture_event(Gesture::Vibrato);
        }
        Some(depth)
    }

    /// Describes the articulation of a finished note and reports its gestures.
    /// `slurred_on`: the next note is slurred from it.
    pub fn end(
        &mut self,
        note: &mut Note,
        now_s: f64,
        slurred_on: bool,
        gesture_events: &mut Vec<GestureEvent>,
    ) {
        self.note = None;
        let last = self.onsets.len().saturating_sub(1);
        let time_s = articulation::time_of_note_s(&self.onsets, last);
        let next = if slurred_on {
            Next::Slurred
        } else {
            Next::Apart
        };
        articulation::describe_one(note, time_s, next);
        let length = match note.length {
            Length::Staccatissimo => Some(Gesture::Staccatissimo),
            Length::Staccato => Some(Gesture::Staccato),
            Length::Normal | Length::Tenuto => None,
        };
        let techniques = note
            .techniques
            .iter()
            .filter_map(|technique| match technique {
                Technique::Trill { .. } => Some(Gesture::Trill),
                Technique::Glissando { .. } => Some(Gesture::Glissando),
                Technique::Scoop { .. } => Some(Gesture::Scoop),
                Technique::Fall { .. } => Some(Gesture::Fall),
                Technique::Doit { .. } => Some(Gesture::Doit),
                // Already reported while the note sounded.
                Technique::Vibrato { .. } | Technique::Flutter { .. } => None,
            });
        gesture_events.extend(
            length
                .into_iter()
                .chain(techniques)
                .map(|gesture| GestureEvent {
                    at_s: now_s,
                    gesture,
                }),
        );
    }
}
