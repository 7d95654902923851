//! Samples and commands in, events out.

use std::sync::OnceLock;

use proptest::prelude::*;

use super::*;
use crate::demo::brass::{Played, Room, play};
use crate::horn::Horn;
use crate::line::LineContext;
use crate::live::setup::{Choices, Setup};
use crate::notes::Attack;
use crate::sending::DynamicRange;
use crate::sending::note_source::NoteSource;
use crate::tuning::{Reference, Tuning};

const RATE_HZ: f64 = 48_000.0;

fn horn(name: &str) -> Arc<Horn> {
    Arc::new(crate::horn::Horn::find(name).unwrap())
}

/// Engine with two horns, the trumpet in hand, and two tables.
fn engine() -> Engine {
    let tuning = |name| Tuning::find(name, None, Reference::default()).unwrap();
    let context = LineContext {
        horn: Some((*horn("trumpet")).clone()),
        ..LineContext::new(tuning("equal-12"))
    };
    let choices = Choices {
        horns: vec![horn("trumpet"), horn("trumpet-c")],
        tunings: vec![Arc::new(tuning("equal-12")), Arc::new(tuning("just"))],
        sources: vec![NoteSource::Follow],
    };
    let setup = Setup::new(choices, context, -65.0, RATE_HZ).unwrap();
    Engine::new(setup, DynamicRange::default())
}

/// Two tongued notes, a slurred one, a rest, and a long one.
fn line(sample_rate_hz: f64) -> Vec<f32> {
    let notes = [
        Played::new(0.2, 0.5, 58.0, 0.6),
        Played::new(0.5, 0.8, 62.0, 0.6),
        Played::new(0.8, 1.1, 65.0, 0.6).slurred(),
        Played::new(1.5, 2.4, 60.0, 0.7),
    ];
    let room = Room {
        sample_rate_hz,
        ..Room::default()
    };
    play(&notes, 2.7, &room, 1)
}

/// The same, rendered once.
fn samples() -> &'static [f32] {
    static SAMPLES: OnceLock<Vec<f32>> = OnceLock::new();
    SAMPLES.get_or_init(|| line(RATE_HZ))
}

fn run(blocks: impl IntoIterator<Item = usize>) -> Vec<ControlEvent> {
    let (mut engine, mut out, mut rest) = (engine(), Vec::new(), samples());
    for block in blocks {
        let (now, later) = rest.split_at(block.min(rest.len()));
        engine.process(now, &mut out);
        rest = later;
    }
    engine.process(rest, &mut out);
    engine.finish(&mut out);
    out
}

fn note_ons(events: &[ControlEvent]) -> Vec<super::super::control_event::NoteOn> {
    let on = |event: &ControlEvent| match event {
        ControlEvent::NoteOn(on) => Some(*on),
        _ => None,
    };
    events.iter().filter_map(on).collect()
}

/// All that is sent, in order.
fn printed(events: &[ControlEvent]) -> Vec<String> {
    events.iter().map(|e| format!("{e:?}")).collect()
}

/// What every receiver relies on: updates and ends only of a note that sounds, and
/// times that never go back.
struct Receiver {
    sounding: bool,
    now_s: f64,
}

impl Receiver {
    fn new() -> Self {
        Receiver {
            sounding: false,
            now_s: 0.0,
        }
    }

    fn receive(&mut self, event: &ControlEvent) {
        let at_s = match event {
            ControlEvent::NoteOn(on) => {
                self.sounding = true;
                assert!(on.onset_s <= on.at_s, "{event:?}");
                on.at_s
            }
            ControlEvent::NoteRenamed { at_s, .. } => {
                assert!(self.sounding, "{event:?}");
                *at_s
            }
            ControlEvent::NoteUpdate(update) => {
                assert!(self.sounding, "{event:?}");
                update.at_s
            }
            ControlEvent::NoteOff { at_s } => {
                assert!(self.sounding, "{event:?}");
                self.sounding = false;
                *at_s
            }
            ControlEvent::Silence => {
                self.sounding = false;
                return;
            }
            ControlEvent::Gesture(_)
            | ControlEvent::NoteFinished { .. }
            | ControlEvent::Mark(_)
            | ControlEvent::Clock(_)
            | ControlEvent::SetupChanged(_) => return,
        };
        assert!(at_s >= self.now_s, "{event:?} after {}", self.now_s);
        self.now_s = at_s;
    }
}

#[test]
fn notes_come_out_named_and_in_time() {
    let events = run([]);
    let mut receiver = Receiver::new();
    events.iter().for_each(|event| receiver.receive(event));
    assert!(!receiver.sounding);
    let ons = note_ons(&events);
    let keys: Vec<u8> = ons.iter().map(|on| on.name.key).collect();
    assert_eq!(keys, [58, 62, 65, 60]);
    // A trumpet's part is a whole tone up.
    assert!(
        ons.iter()
            .all(|on| on.name.written.0 == on.name.concert.0 + 2)
    );
    assert_eq!(ons[2].attack, Attack::Slurred);
    for (on, onset_s) in ons.iter().zip([0.2, 0.5, 0.8, 1.5]) {
        assert!((on.onset_s - onset_s).abs() < 0.03, "{on:?}");
    }
    // A slur goes on from its note: none ends in between.
    let off = |e: &&ControlEvent| matches!(e, ControlEvent::NoteOff { .. });
    let tongued = ons.iter().filter(|on| !on.slurred()).count();
    assert_eq!(events.iter().filter(off).count(), tongued);
}

#[test]
fn the_same_comes_out_whatever_the_blocks() {
    let whole = printed(&run([]));
    for size in [1, 16, 100, 1_023, 48_000] {
        let blocks = std::iter::repeat_n(size, samples().len() / size);
        assert_eq!(printed(&run(blocks)), whole, "{size}");
    }
}

#[test]
fn a_muted_horn_sends_nothing_until_the_next_note() {
    let (mut engine, mut out) = (engine(), Vec::new());
    engine.process(&samples()[..30_000], &mut out);
    out.clear();
    engine.apply(&Command::Mute(true), &mut out);
    assert!(matches!(out[..], [ControlEvent::Silence]));
    out.clear();
    engine.process(&samples()[30_000..60_000], &mut out);
    assert!(
        out.iter()
            .all(|e| matches!(e, ControlEvent::NoteFinished { .. })),
        "{out:?}"
    );
    out.clear();
    engine.apply(&Command::ToggleMute, &mut out);
    engine.process(&samples()[60_000..], &mut out);
    engine.finish(&mut out);
    let keys: Vec<u8> = note_ons(&out).iter().map(|on| on.name.key).collect();
    assert_eq!(keys, [60]);
}

/// Receivers hear nothing of a note that they were not sent, even after it.
#[test]
fn a_note_that_was_muted_is_not_told() {
    let (mut engine, mut out) = (engine(), Vec::new());
    engine.apply(&Command::Mute(true), &mut out);
    engine.process(&samples()[..31_000], &mut out);
    engine.apply(&Command::Mute(false), &mut out);
    engine.process(&samples()[31_000..], &mut out);
    engine.finish(&mut out);
    for note in engine.take_finished() {
        note.describe(&mut out);
    }
    let told = out.iter().filter_map(|event| match event {
        ControlEvent::NoteFinished { note, sent } => Some((note.concert.0, *sent)),
        _ => None,
    });
    let told: Vec<_> = told.collect();
    assert_eq!(told, [(58, false), (62, false), (65, true), (60, true)]);
    let gestures = out
        .iter()
        .position(|e| matches!(e, ControlEvent::Gesture(_)));
    let start = out
        .iter()
        .position(|e| matches!(e, ControlEvent::NoteOn(_)));
    assert!(start < gestures, "{out:?}");
}

#[test]
fn panic_silences_at_once_and_the_next_note_sounds() {
    let (mut engine, mut out) = (engine(), Vec::new());
    // In the middle of the second note.
    engine.process(&samples()[..31_000], &mut out);
    out.clear();
    engine.apply(&Command::Panic, &mut out);
    assert!(matches!(out[..], [ControlEvent::Silence]));
    out.clear();
    engine.process(&samples()[31_000..37_000], &mut out);
    let silent = |e: &ControlEvent| {
        !matches!(
            e,
            ControlEvent::NoteUpdate(_) | ControlEvent::NoteOff { .. }
        )
    };
    assert!(out.iter().all(silent), "{out:?}");
    engine.process(&samples()[37_000..], &mut out);
    let keys: Vec<u8> = note_ons(&out).iter().map(|on| on.name.key).collect();
    assert_eq!(keys, [65, 60]);
}

#[test]
fn a_horn_switch_ends_the_note_and_renames_what_follows() {
    let (mut engine, mut out) = (engine(), Vec::new());
    engine.process(&samples()[..31_000], &mut out);
    out.clear();
    engine.apply(&Command::Horn("trumpet-c".into()), &mut out);
    assert!(
        out.iter()
            .any(|e| matches!(e, ControlEvent::NoteOff { .. })),
        "{out:?}"
    );
    engine.process(&samples()[31_000..], &mut out);
    let ons = note_ons(&out);
    assert!(
        ons.len() >= 2 && ons.iter().all(|on| on.name.written.0 == on.name.concert.0),
        "{ons:?}"
    );
    let last = ons[ons.len() - 1];
    assert!(
        last.name.key == 60 && (last.onset_s - 1.5).abs() < 0.03,
        "{last:?}"
    );
}

#[test]
fn times_and_pitches_go_on_at_another_sample_rate() {
    let (mut engine, mut out) = (engine(), Vec::new());
    engine.process(&samples()[..31_000], &mut out);
    engine.restart(44_100.0, &mut out).unwrap();
    let restarted_s = engine.now_s();
    assert!((restarted_s - 31_000.0 / RATE_HZ).abs() < 1e-4);
    // Silence first, then what has changed.
    assert!(matches!(out[out.len() - 2], ControlEvent::Silence));
    assert!(matches!(out[out.len() - 1], ControlEvent::SetupChanged(_)));
    out.clear();
    engine.process(&line(44_100.0), &mut out);
    engine.finish(&mut out);
    let ons = note_ons(&out);
    let keys: Vec<u8> = ons.iter().map(|on| on.name.key).collect();
    assert_eq!(keys, [58, 62, 65, 60]);
    assert!(
        (ons[3].onset_s - restarted_s - 1.5).abs() < 0.03,
        "{:?}",
        ons[3]
    );
    assert!(ons.iter().all(|on| on.name.cents.abs() < 30.0), "{ons:?}");
}

/// Dropouts are counted through a change of horn, which begins with another tracker.
#[test]
fn dropouts_are_counted() {
    let mut engine = engine();
    let mut out = Vec::new();
    let mut holed = samples()[..60_000].to_vec();
    holed[30_000..30_096].fill(0.0);
    engine.process(&holed, &mut out);
    assert_eq!(engine.dropouts(), 1);
    engine.apply(&Command::NextHorn, &mut out);
    engine.process(&holed, &mut out);
    assert_eq!(engine.dropouts(), 2);
}

fn command() -> impl Strategy<Value = Command> {
    prop_oneof![
        Just(Command::NextHorn),
        Just(Command::NextTuning),
        Just(Command::ToggleMute),
        any::<bool>().prop_map(Command::Mute),
        Just(Command::Panic),
        (-60i32..60).prop_map(Command::Shift),
        any::<i32>().prop_map(Command::ShiftBy),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Whatever is asked for and when: receivers get what they rely on, nothing while
    /// muted, and no note is left sounding.
    #[test]
    fn commands_at_any_time_leave_nothing_hanging(
        steps in prop::collection::vec((1usize..30_000, command()), 1..12),
    ) {
        let (mut engine, mut receiver, mut rest) = (engine(), Receiver::new(), samples());
        let mut out = Vec::new();
        for (block, command) in steps {
            let (now, later) = rest.split_at(block.min(rest.len()));
            rest = later;
            engine.process(now, &mut out);
            if engine.mapper().muted() {
                prop_assert!(out.iter().all(|e| matches!(e, ControlEvent::NoteFinished { .. })), "{out:?}");
            }
            engine.apply(&command, &mut out);
            out.drain(..).for_each(|event| receiver.receive(&event));
            prop_assert!(!(engine.mapper().muted() && receiver.sounding));
        }
        engine.process(rest, &mut out);
        engine.finish(&mut out);
        out.drain(..).for_each(|event| receiver.receive(&event));
        prop_assert!(!receiver.sounding);
    }
}

/// A hop is shorter than a period: its level depends on where in the wave it falls.
#[test]
fn notes_of_one_pitch_as_loud_are_as_strong() {
    use crate::transcriber::{Mode, Transcriber};
    let start_s = |i: usize| 0.2 + 0.5037 * i as f64;
    let pitch = |i: usize| 40.0 + 9.3 * (i % 4) as f64;
    let notes: Vec<Played> = (0..16)
        .map(|i| Played::new(start_s(i), start_s(i) + 0.35, pitch(i), 0.6))
        .collect();
    let sound = play(&notes, start_s(16), &Room::default(), 1);
    let (mut engine, mut out) = (engine(), Vec::new());
    engine.process(&sound, &mut out);
    engine.finish(&mut out);
    let started: Vec<f32> = note_ons(&out).iter().map(|on| on.level_db).collect();
    let levels = |mode| -> Vec<f32> {
        let settings = crate::Settings::builder(RATE_HZ).build().unwrap();
        let mut transcriber = Transcriber::new(settings, mode);
        transcriber.push(&sound);
        let notes = transcriber.finish().notes;
        notes.iter().map(|note| note.level_db).collect()
    };
    let (live, full) = (levels(Mode::Causal), levels(Mode::Full));
    assert_eq!((started.len(), live.len(), full.len()), (16, 16, 16));
    for of in 0..4 {
        let own = started.iter().skip(of).step_by(4);
        let (low, high) = own.fold((0f32, -120f32), |(low, high), db| {
            (low.min(*db), high.max(*db))
        });
        assert!(high - low < 4.0, "{of}: {started:?}");
    }
    assert!(
        live.iter().zip(&full).all(|(a, b)| (a - b).abs() < 0.7),
        "{live:?} {full:?}"
    );
}

/// A rig that plays harder for a higher velocity hears no softer player than the file shows.
#[test]
fn velocities_are_those_of_the_take() {
    let sound = crate::demo::line::render(RATE_HZ);
    let (mut engine, mut events) = (engine(), Vec::new());
    engine.process(&sound, &mut events);
    engine.finish(&mut events);
    let sent = events.iter().filter_map(|event| match event {
        ControlEvent::NoteOn(start) => Some(start.velocity),
        _ => None,
    });
    let sent: Vec<f32> = sent.collect();
    let mut described = Vec::new();
    (engine.take_finished()).for_each(|note| note.describe(&mut described));
    let finished = described.iter().filter_map(|event| match event {
        ControlEvent::NoteFinished { note, .. } => Some(note.note.level_db),
        _ => None,
    });
    let range = DynamicRange::default();
    let finished: Vec<f32> = finished.map(|level_db| range.strength(level_db)).collect();
    assert_eq!((sent.len(), finished.len()), (18, 18));
    let mean = |all: &[f32]| all.iter().sum::<f32>() / all.len() as f32;
    let (sent, finished) = (mean(&sent), mean(&finished));
    assert!((sent - finished).abs() < 0.08, "{sent} {finished}");
}
