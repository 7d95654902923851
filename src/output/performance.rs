//! A line's notes as they are sent, from its contours: what a session's note mapper does
//! while they are played, with the whole note known.

use crate::analysis::tone::OFFLINE;
use crate::line::LineNote;
use crate::notes::contour::Point;
use crate::notes::{Attack, STRAY, Technique};
use crate::sending::brightness::BrightnessFollower;
use crate::sending::{DynamicRange, LevelFollower, NoteUpdate, Sent, SentStart};
use crate::units::Pitch;

/// A note that is being sent.
#[derive(Debug, Clone)]
pub struct PerformedNote<'a> {
    pub named: &'a LineNote,
    dynamic_range: DynamicRange,
    /// From when to when the pitch is followed; it holds still before and after.
    own_s: (f64, f64),
    /// Pitch that is sent now.
    pub pitch: Pitch,
    level: LevelFollower,
    /// Goes on from note to note.
    pub brightness: BrightnessFollower,
}

impl<'a> PerformedNote<'a> {
    /// Starts the note of a line at an index, after those whose brightness was followed.
    pub fn start(
        notes: &'a [LineNote],
        at: usize,
        dynamic_range: DynamicRange,
        mut brightness: BrightnessFollower,
    ) -> (Self, Sent) {
        brightness.start();
        let named = &notes[at];
        let note = &named.note;
        let own_s = own_s(notes, at);
        let mut own = note
            .contour
            .voiced()
            .filter(|(time_s, _)| *time_s >= own_s.0);
        let first = own.next().map(|(_, point)| point.pitch);
        let pitch = first.map_or(named.sent, |played| named.sent_at(played));
        let level_db = note.contour.points.first().map(|p| p.level_db);
        let level_db = level_db.unwrap_or(note.level_db);
        let performed = PerformedNote {
            named,
            dynamic_range,
            own_s,
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
        let (from_s, to_s) = self.own_s;
        if (from_s..=to_s).contains(&at_s) && !point.pitch.is_nan() {
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

/// From when to when the pitch of a note is its own: where it touches another, its contour may
/// begin or end with the other's pitch. After its body it drifts.
fn own_s(notes: &[LineNote], at: usize) -> (f64, f64) {
    let note = &notes[at].note;
    let body_end_s = note.body_end_s();
    // The turns of a trill are all its own.
    let trills = |t: &Technique| matches!(t, Technique::Trill { .. });
    if note.techniques.iter().any(trills) {
        return (f64::NEG_INFINITY, body_end_s);
    }
    let before = at.checked_sub(1).map(|at| &notes[at].note);
    let before = before.filter(|before| note.touches(before));
    let after = notes.get(at + 1).map(|after| &after.note);
    let after = after.filter(|after| after.touches(note));
    // A full pass decides pitch moment by moment, and dates onsets more finely.
    let moment_s = OFFLINE.moment_s(note.contour.hop_s);
    let voiced: Vec<(f64, f32)> = (note.contour.voiced())
        .map(|(time_s, point)| (time_s, point.pitch))
        .collect();
    let from_s = before.and_then(|b| own_edge_s(voiced.iter(), note.pitch, b.pitch, moment_s));
    let to_s = after.and_then(|a| own_edge_s(voiced.iter().rev(), note.pitch, a.pitch, moment_s));
    (
        from_s.unwrap_or(f64::NEG_INFINITY),
        to_s.unwrap_or(f64::INFINITY).min(body_end_s),
    )
}

/// When a contour, from its edge inwards, has come to the note's own pitch from that of a
/// neighbour: from what is far from the own pitch and nearer to the other, at once or in `moment_s`.
/// What takes longer is a slide, and the player's. `None` where the contour has no such edge.
fn own_edge_s<'a>(
    inwards: impl Iterator<Item = &'a (f64, f32)>,
    own: f64,
    neighbour: f64,
    moment_s: f64,
) -> Option<f64> {
    let off = |pitch: f32| (f64::from(pitch) - own).abs();
    let is_foreign = |pitch: f32| {
        off(pitch) >= f64::from(STRAY) && off(pitch) > (f64::from(pitch) - neighbour).abs()
    };
    let mut inwards = inwards.peekable();
    let mut foreign = Vec::new();
    while let Some(point) = inwards.next_if(|(_, pitch)| is_foreign(*pitch)) {
        foreign.push(*point);
    }
    let (last_s, last) = *foreign.last()?;
    let first = *inwards.next()?;
    if (first.1 - last).abs() >= STRAY {
        return Some(first.0);
    }
    let soon = inwards.take_while(|(time_s, _)| (time_s - last_s).abs() <= moment_s);
    let nearest = soon.min_by(|a, b| off(a.1).total_cmp(&off(b.1)));
    let (own_s, own) = *nearest.unwrap_or(&first);
    let steps = |(time_s, pitch): &(f64, f32)| {
        (time_s - own_s).abs() <= moment_s && (pitch - own).abs() >= STRAY
    };
    foreign.iter().any(steps).then_some(own_s)
}

#[cfg(test)]
mod tests {
    use super::super::generated::{Shape, line};
    use super::*;
    use crate::line::Line;

    /// Two notes that touch, of which each contour has two points in the other's pitch.
    fn leaking(slurred: bool) -> Line {
        let shape = |pitch: f64, slurred: bool| Shape {
            rest_s: 0.0,
            length_s: 0.3,
            pitch,
            glide: 0.0,
            slurred,
        };
        let mut line = line(&[shape(60.0, false), shape(65.0, slurred)]);
        let points = &mut line.notes[0].note.contour.points;
        let count = points.len();
        points[count - 2..].iter_mut().for_each(|p| p.pitch = 65.0);
        let points = &mut line.notes[1].note.contour.points;
        points[..2].iter_mut().for_each(|p| p.pitch = 60.0);
        line
    }

    /// Pitches that are sent for a note of a line.
    fn sent(line: &Line, at: usize) -> Vec<f64> {
        let (mut performed, start) = PerformedNote::start(
            &line.notes,
            at,
            DynamicRange::default(),
            BrightnessFollower::default(),
        );
        let Sent::Start(start) = start else {
            panic!("{start:?}");
        };
        let contour = &line.notes[at].note.contour;
        let updates = contour.timed().map(|(time_s, point)| {
            let Sent::Update(update) = performed.update(time_s, point, contour.hop_s) else {
                panic!("no update");
            };
            update.pitch.0
        });
        std::iter::once(start.pitch.0).chain(updates).collect()
    }

    #[test]
    fn notes_that_touch_keep_their_pitches() {
        for slurred in [false, true] {
            let line = leaking(slurred);
            assert!(sent(&line, 0).iter().all(|pitch| *pitch == 60.0));
            assert!(sent(&line, 1).iter().all(|pitch| *pitch == 65.0));
        }
    }

    /// A note that falls to the pitch of the one after it, and one that rises from that of the one
    /// before.
    #[test]
    fn slides_are_sent_as_they_were_played() {
        let mut line = leaking(false);
        let slide = |at: usize| (0.05 * at as f32).min(5.0);
        let points = &mut line.notes[1].note.contour.points;
        for (at, point) in points.iter_mut().enumerate() {
            point.pitch = 60.0 + slide(at);
        }
        let points = &mut line.notes[0].note.contour.points;
        for (at, point) in points.iter_mut().rev().enumerate() {
            point.pitch = 65.0 - slide(at);
        }
        let (falls, rises) = (sent(&line, 0), sent(&line, 1));
        assert_eq!((falls.first(), falls.last()), (Some(&60.0), Some(&65.0)));
        assert_eq!((rises.first(), rises.last()), (Some(&60.0), Some(&65.0)));
    }

    #[test]
    fn the_turns_of_a_trill_are_its_own() {
        let mut line = leaking(true);
        let trill = Technique::Trill {
            rate_hz: 6.0,
            interval_cents: 500.0,
        };
        line.notes[1].note.techniques.push(trill);
        assert_eq!(sent(&line, 1).first(), Some(&60.0));
    }
}
