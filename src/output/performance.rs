//! A line's notes as they are sent, from its contours: what a session's note mapper does
//! while they are played, with the whole note known.

use crate::line::LineNote;
use crate::notes::Attack;
use crate::notes::contour::Point;
use crate::sending::brightness::BrightnessFollower;
use crate::sending::{DynamicRange, LevelFollower, NoteUpdate, Sent, SentStart};
use crate::units::Pitch;

/// A note that is being sent.
#[derive(Debug, Clone)]
pub struct PerformedNote<'a> {
    pub named: &'a LineNote,
    dynamic_range: DynamicRange,
    /// When the pitch begins to hold still.
    body_end_s: f64,
    pitch: Pitch,
    level: LevelFollower,
    /// Goes on from note to note.
    pub brightness: BrightnessFollower,
}

impl<'a> PerformedNote<'a> {
    /// Starts a note after those whose brightness was followed.
    pub fn start(
        named: &'a LineNote,
        dynamic_range: DynamicRange,
        mut brightness: BrightnessFollower,
    ) -> (Self, Sent) {
        brightness.start();
        let note = &named.note;
        let first = note.contour.voiced().map(|(_, p)| p.pitch).next();
        let pitch = first.map_or(named.sent, |played| named.sent_at(played));
        let level_db = note.contour.points.first().map(|p| p.level_db);
        let level_db = level_db.unwrap_or(note.level_db);
        let performed = PerformedNote {
            named,
            dynamic_range,
            body_end_s: note.body_end_s(),
            pitch,
            level: LevelFollower::new(level_db),
            brightness,
        };
        let start = SentStart {
            at_s: note.onset_s,
            key: named.sending.key,
            pitch,
            velocity: dynamic_range.strength(note.level_db),
            strength: dynamic_range.strength(level_db),
            level_db,
            slurred: is_slurred(named),
        };
        (performed, Sent::Start(start))
    }

    /// Goes on for `length_s` as a point of its contour says.
    pub fn update(&mut self, at_s: f64, point: &Point, length_s: f64) -> Sent {
        if at_s <= self.body_end_s && !point.pitch.is_nan() {
            self.pitch = self.named.sent_at(point.pitch);
        }
        let brightness = (self.brightness).push(point.brightness, point.level_db, length_s);
        let level_db = self.level.push(point.level_db, length_s);
        Sent::Update(NoteUpdate {
            at_s,
            pitch: self.pitch,
            strength: self.dynamic_range.strength(level_db),
            level_db,
            vibrato_cents: 0.0,
            brightness,
        })
    }
}

/// Whether a note is slurred from the one before it, which then has no stop of its own.
pub fn is_slurred(named: &LineNote) -> bool {
    named.note.attack == Attack::Slurred
}
