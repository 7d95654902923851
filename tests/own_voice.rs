//! The promise: the doubling voice that comes back into the microphone is not taken for the horn.
#![cfg(feature = "live")]

#[path = "../examples/shared/closed_loop.rs"]
mod closed_loop;

use closed_loop::Session;
use leadpipe::Note;
use leadpipe::internals::demo::brass::{Played, Room, play};
use leadpipe::internals::demo::line;

const RATE_HZ: f64 = 48_000.0;

/// A session whose voice is at an interval, which the engine knows or not.
fn session(interval: f64, known: bool) -> Session {
    Session {
        rate_hz: RATE_HZ,
        interval,
        known,
    }
}

/// Pitches of notes, to a semitone.
fn pitches(notes: &[Note]) -> Vec<i32> {
    notes.iter().map(|n| n.pitch.round() as i32).collect()
}

#[test]
fn the_voice_at_another_interval_is_no_note() {
    let sound = line::render(RATE_HZ);
    let played: Vec<i32> = line::notes().iter().map(|n| n.pitch as i32).collect();
    for (interval, level_db) in [(12.0, -6.0), (7.0, -12.0), (-5.0, -12.0)] {
        let heard = session(interval, true).notes_beside(&sound, level_db);
        assert_eq!(pitches(&heard), played, "{interval:+} semitones");
    }
    // Which is not so by itself.
    let unknown = session(12.0, false).notes_beside(&sound, -6.0);
    assert!(unknown.len() > played.len(), "{}", unknown.len());
}

/// The player leaps onto the pitch that the voice has just played.
#[test]
fn the_horn_may_take_the_voice_s_pitch() {
    let played = [70, 58, 65, 53, 62, 50].repeat(3);
    let notes = played.iter().enumerate().map(|(at, &pitch)| {
        let onset_s = 0.5 + 0.4 * at as f64;
        Played::new(onset_s, onset_s + 0.33, f64::from(pitch), 0.6)
    });
    let notes: Vec<Played> = notes.collect();
    let room = Room {
        sample_rate_hz: RATE_HZ,
        ..Room::default()
    };
    let sound = play(&notes, 8.0, &room, 3);
    let session = session(-12.0, true);
    assert_eq!(pitches(&session.notes_beside(&sound, -12.0)), played);
    // On headphones, too.
    let heard = session.play(&sound, 0.0).0;
    assert_eq!(pitches(&heard), played);
    for (note, played) in heard.iter().zip(&notes) {
        let late_s = note.decided_s - played.onset_s;
        assert!((0.0..0.04).contains(&late_s), "{late_s} s");
    }
}
