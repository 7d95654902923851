//! How a note is played, told as early as it can be known: an accent 30 ms into
//! the note, vibrato and flutter while they go on, the rest when the note ends.

use super::control_event::{Gesture, GestureEvent};
use crate::notes::articulation::{self, Next};
use crate::notes::contour::Contour;
use crate::notes::segment::NoteStart;
use crate::notes::{Attack, Length, Note, PitchFrame, Technique};

/// How long after its decision a note's attack is measured, in seconds: the
/// rise of a tongued note is over by then.
const ACCENT_AFTER_S: f64 = 0.03;
/// How much louder than the attacks before it an accent is, in dB. Dynamic
/// marks lie some 5 dB apart (from memory).
const ACCENT_DB: f32 = 6.0;
/// Share of each new attack in the mean that accents are held against.
const ATTACK_SHARE: f32 = 0.2;
/// Part of the running note that vibrato and flutter are looked for in, and how
/// often, in seconds: two cycles of the slowest vibrato fit.
const LOOK_S: f64 = 0.8;
const LOOK_EVERY_S: f64 = 0.05;
/// Onsets kept, from which the pace of the playing is known.
const ONSETS: usize = 9;

/// Watches how notes are played.
#[derive(Debug, Clone)]
pub struct Gestures {
    hop_s: f64,
    recent: Contour,
    note: Option<ActiveNote>,
    /// Mean level of attacks, dBFS.
    usual_attack_db: Option<f32>,
    onsets: Vec<f64>,
}

#[derive(Debug, Clone, Copy)]
struct ActiveNote {
    start: NoteStart,
    attack_db: f32,
    attack_known: bool,
    looked_s: f64,
    vibrato: bool,
    flutter: bool,
}

impl Gestures {
    /// Watcher of hops `hop_s` apart.
    pub fn new(hop_s: f64) -> Self {
        Gestures {
            hop_s,
            recent: Contour {
                hop_s,
                ..Contour::default()
            },
            note: None,
            usual_attack_db: None,
            onsets: Vec::with_capacity(ONSETS + 1),
        }
    }

    /// A note begins.
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
            attack_known: start.attack == Attack::Slurred,
            looked_s: start.decided_s,
            vibrato: false,
            flutter: false,
        });
        if self.onsets.len() == ONSETS {
            self.onsets.remove(0);
        }
        self.onsets.push(start.onset_s);
    }

    /// A hop goes by. Gives the depth of the vibrato in cents, when looked at.
    pub fn hop(
        &mut self,
        moment: PitchFrame,
        gesture_events: &mut Vec<GestureEvent>,
    ) -> Option<f32> {
        let note = self.note.as_mut()?;
        let now_s = moment.time_s;
        let points = &mut self.recent.points;
        if points.len() as f64 * self.hop_s >= LOOK_S {
            // Half is let go at once, so that moving up is rare.
            let gone = points.len() / 2;
            points.drain(..gone);
            self.recent.start_s += gone as f64 * self.hop_s;
        }
        points.push(moment.point());
        let mut gesture_event = |gesture| {
            gesture_events.push(GestureEvent {
                at_s: now_s,
                gesture,
            });
        };
        if !note.attack_known {
            note.attack_db = note.attack_db.max(moment.level_db);
            if now_s - note.start.decided_s > ACCENT_AFTER_S {
                note.attack_known = true;
                let usual_db = self.usual_attack_db.unwrap_or(note.attack_db);
                if note.attack_db > usual_db + ACCENT_DB {
                    gesture_event(Gesture::Accent);
                }
                let share = ATTACK_SHARE * (note.attack_db - usual_db);
                self.usual_attack_db = Some(usual_db + share);
            }
        }
        if now_s - note.looked_s < LOOK_EVERY_S {
            return None;
        }
        note.looked_s = now_s;
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

    /// A note is over: names its articulation, and cues what that tells.
    /// `slurred_on` says that another goes on from it.
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
                // Those were told while they went on.
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
