//! The promise: notes come in order and one at a time, within the take, none dated
//! after it was decided on; and it does not matter in what blocks the sound came.

use proptest::prelude::*;

use leadpipe::internals::demo::brass::{Played, Room, play};
use leadpipe::{Event, Mode, Note, NoteEvent, Settings, Tracker, Transcriber};

const RATE_HZ: f64 = 48_000.0;

/// A melody at random: lengths, rests, steps, slurs, dynamics.
fn melody() -> impl Strategy<Value = (Vec<Played>, u64)> {
    let note = (
        0.08f64..0.6,
        0.0f64..0.3,
        -9i32..10,
        any::<bool>(),
        0.2f64..1.0,
    );
    let melody = (50i32..70, prop::collection::vec(note, 1..10), any::<u64>());
    melody.prop_map(|(first, notes, seed)| {
        let (mut now_s, mut key) = (0.3, first);
        let mut played = Vec::new();
        for (length_s, rest_s, step, slurred, force) in notes {
            let slurred = slurred && !played.is_empty();
            now_s += if slurred { 0.0 } else { rest_s };
            key = (key + step).clamp(45, 77);
            let note = Played::new(now_s, now_s + length_s, f64::from(key), force);
            played.push(if slurred { note.slurred() } else { note });
            now_s += length_s;
        }
        (played, seed)
    })
}

fn render(played: &[Played], seed: u64) -> Vec<f32> {
    let length_s = played.last().map_or(0.0, |n| n.end_s) + 0.4;
    play(played, length_s, &Room::default(), seed)
}

fn transcribe(samples: &[f32], mode: Mode, blocks: &[usize]) -> Vec<Note> {
    let mut transcriber = Transcriber::new(Settings::builder(RATE_HZ).build().unwrap(), mode);
    let mut rest = samples;
    for block in blocks.iter().cycle() {
        if rest.is_empty() {
            break;
        }
        let (now, later) = rest.split_at((*block).min(rest.len()));
        transcriber.push(now);
        rest = later;
    }
    transcriber.finish().notes
}

/// A note that the end of the take cuts off ends there, to the sample, wherever that falls.
#[test]
fn a_note_that_is_cut_off_ends_with_the_take() {
    let samples = render(&[Played::new(0.3, 2.0, 58.0, 0.6)], 1);
    // Everywhere in a moment of some 522 samples, and in a hop of some 65.
    for length in (48_000..49_000).step_by(97) {
        for mode in [Mode::Full, Mode::Causal] {
            let notes = transcribe(&samples[..length], mode, &[4_096]);
            let [note] = &notes[..] else {
                panic!("{mode:?} {length}: {notes:?}");
            };
            let off_s = note.offset_s - length as f64 / RATE_HZ;
            assert!(off_s.abs() < 1e-9, "{mode:?} {length}: {off_s}");
            assert!(note.decided_s <= note.offset_s, "{mode:?} {length}");
        }
    }
    // One that has ended by itself ended when it did.
    for mode in [Mode::Full, Mode::Causal] {
        let notes = transcribe(&samples, mode, &[4_096]);
        assert!((notes[0].offset_s - 2.0).abs() < 0.1, "{mode:?}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn notes_are_in_order_one_at_a_time_and_within_the_take((played, seed) in melody()) {
        let samples = render(&played, seed);
        let length_s = samples.len() as f64 / RATE_HZ;
        for mode in [Mode::Full, Mode::Causal] {
            let notes = transcribe(&samples, mode, &[4_096]);
            prop_assert!(!notes.is_empty());
            for note in &notes {
                prop_assert!(note.onset_s >= 0.0 && note.offset_s <= length_s, "{mode:?} {note:?}");
                prop_assert!(note.onset_s < note.offset_s, "{mode:?} {note:?}");
                prop_assert!(note.onset_s <= note.decided_s, "{mode:?} {note:?}");
                prop_assert!(note.pitch.is_finite() && note.level_db.is_finite());
                prop_assert!((0.0..=1.0).contains(&note.confidence), "{mode:?} {note:?}");
            }
            for pair in notes.windows(2) {
                prop_assert!(pair[0].offset_s <= pair[1].onset_s + 1e-9, "{mode:?} {pair:?}");
            }
        }
    }

    #[test]
    fn blocks_of_any_size_give_the_same_notes(
        (played, seed) in melody(),
        blocks in prop::collection::vec(1usize..5_000, 1..8),
    ) {
        let samples = render(&played, seed);
        for mode in [Mode::Full, Mode::Causal] {
            let whole = transcribe(&samples, mode, &[samples.len()]);
            let blockwise = transcribe(&samples, mode, &blocks);
            // As text, for a contour has places that are not numbers.
            prop_assert_eq!(format!("{blockwise:?}"), format!("{whole:?}"));
        }
    }

    /// Live, every note that starts ends before the next one starts, and what is told
    /// is never told late: nothing is dated before what was told already.
    #[test]
    fn starts_and_ends_alternate((played, seed) in melody()) {
        let mut tracker = Tracker::new(Settings::builder(RATE_HZ).build().unwrap());
        let mut events = Vec::new();
        let mut keep = |event: Event| {
            if let Event::Note(event) = event {
                events.push(event);
            }
        };
        for block in render(&played, seed).chunks(128) {
            tracker.push(block, &mut keep);
        }
        tracker.finish(&mut keep);
        prop_assert!(events.len().is_multiple_of(2) && !events.is_empty());
        let mut decided_s = 0.0;
        for pair in events.chunks(2) {
            let [NoteEvent::Started(start), NoteEvent::Ended(note)] = pair else {
                return Err(TestCaseError::fail(format!("{pair:?}")));
            };
            prop_assert!(start.decided_s >= decided_s);
            decided_s = start.decided_s;
            prop_assert!(start.onset_s <= start.decided_s);
            prop_assert_eq!(note.decided_s, start.decided_s);
        }
    }
}
