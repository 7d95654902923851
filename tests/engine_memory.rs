//! The promise: while it plays, the live engine allocates no memory, frees none, and holds no more
//! as time goes by. Who allocates may have to wait for a lock that another thread holds, or for the
//! system, and the wait is heard as a late note. The one exception is a note that has ended: it is
//! handed out, and owns its contour.
//!
//! What is around the engine in a session is not tested here: its snapshots for the screen, 25 a
//! second, are allocated.
#![cfg(feature = "live")]

use std::iter::repeat_n;

use allocation_counter::{AllocationInfo, measure};
use leadpipe::internals::demo::{line, shapes};
use leadpipe::internals::line::LineContext;
use leadpipe::internals::live::control_event::ControlEvent;
use leadpipe::internals::live::engine::Engine;
use leadpipe::internals::live::setup::{Choices, Setup};
use leadpipe::internals::sending::DynamicRange;
use leadpipe::internals::sending::note_source::{Draw, NoteSource, Sequence};
use leadpipe::{Pitch, Reference, Tuning};

/// Samples in a block: about two hops at 48 kHz.
const BLOCK: usize = 128;

fn equal() -> Tuning {
    Tuning::find("equal-12", None, Reference::default()).expect("a tuning")
}

fn engine(rate_hz: f64, source: NoteSource) -> Engine {
    let choices = Choices {
        horns: Vec::new(),
        tunings: Vec::new(),
        sources: vec![source],
    };
    let setup = Setup::new(choices, LineContext::new(equal()), -120.0, rate_hz).expect("a setup");
    let mut engine = Engine::new(setup, DynamicRange::default());
    // A doubling voice an octave below, whose bleed the engine expects.
    engine.set_voice_interval(Some(-12.0));
    engine
}

/// What a block led to.
struct Block {
    from_s: f64,
    starts: usize,
    gestures: usize,
    ended: usize,
    /// What the engine allocated and freed.
    memory: AllocationInfo,
}

/// Plays sound to a new engine. The bytes that are held in the end and were not at first are
/// those of the engine.
fn play(sound: &[f32], rate_hz: f64, source: NoteSource) -> (Vec<Block>, i64) {
    let mut engine = engine(rate_hz, source);
    let mut events = Vec::with_capacity(64);
    let mut blocks = Vec::new();
    let mut held = 0;
    for (number, samples) in sound.chunks(BLOCK).enumerate() {
        let memory = measure(|| engine.process(samples, &mut events));
        let mut ended = 0;
        let freed = measure(|| ended = engine.take_finished().count());
        held += memory.bytes_current + freed.bytes_current;
        let count = |of: fn(&ControlEvent) -> bool| events.iter().filter(|e| of(e)).count();
        blocks.push(Block {
            from_s: (number * BLOCK) as f64 / rate_hz,
            starts: count(|event| matches!(event, ControlEvent::NoteOn(_))),
            gestures: count(|event| matches!(event, ControlEvent::Gesture(_))),
            ended,
            memory,
        });
        events.clear();
    }
    (blocks, held)
}

/// Checks what was promised; gives how many notes ended.
fn check(sound: &[f32], rate_hz: f64, source: NoteSource) -> usize {
    let (blocks, held) = play(sound, rate_hz, source);
    for block in blocks.iter().filter(|block| block.ended == 0) {
        let (from_s, memory) = (block.from_s, block.memory);
        assert_eq!(
            memory,
            AllocationInfo::default(),
            "{rate_hz} Hz, {from_s:.3} s"
        );
    }
    assert_eq!(held, 0, "{rate_hz} Hz");
    // Notes begin for which nothing else ends.
    let begins = |block: &&Block| block.ended == 0 && block.starts > 0;
    assert!(blocks.iter().filter(begins).count() > 1);
    blocks.iter().map(|block| block.ended).sum()
}

#[test]
fn no_memory_is_allocated_until_a_note_has_ended() {
    for rate_hz in [8_000.0, 44_100.0, 48_000.0, 96_000.0] {
        let sound = line::render(rate_hz);
        assert!(check(&sound, rate_hz, NoteSource::Follow) > 5);
        // With dropouts of 4 ms, and samples that are no numbers.
        let mut holed = sound;
        let every = (0.3 * rate_hz) as usize;
        for (number, part) in holed.chunks_mut(every).enumerate() {
            let lost = if number % 2 == 0 { 0.0 } else { f32::NAN };
            let length = ((0.004 * rate_hz) as usize).min(part.len());
            part[..length].fill(lost);
        }
        assert!(check(&holed, rate_hz, NoteSource::Follow) > 5);
    }
}

/// Vibrato, flutter, trills and slides are measured while they last.
#[test]
fn nor_for_what_a_note_does() {
    let rate_hz = 48_000.0;
    let mut sound = Vec::new();
    for shape in shapes::all() {
        sound.extend(shape.render());
        sound.extend(repeat_n(0.0, 9_600));
    }
    assert!(check(&sound, rate_hz, NoteSource::Follow) > 5);
    let (blocks, _) = play(&sound, rate_hz, NoteSource::Follow);
    let gestures: usize = blocks.iter().map(|block| block.gestures).sum();
    let starts: usize = blocks.iter().map(|block| block.starts).sum();
    assert!(gestures > starts, "more than attacks: {gestures}, {starts}");
}

/// What is sent instead of the notes played costs nothing more.
#[test]
fn nor_for_notes_of_a_sequence_or_drawn_ones() {
    let (low, high) = (Pitch(48.0), Pitch(72.0));
    let sequence = Sequence::new(vec![low, high]).expect("a sequence");
    let draw = Draw::new(&equal(), low, high, &[], 1).expect("a draw");
    let sound = line::render(48_000.0);
    for source in [NoteSource::Sequence(sequence), NoteSource::Draw(draw)] {
        assert!(check(&sound, 48_000.0, source) > 5);
    }
}

#[test]
fn a_note_that_has_ended_costs_one_allocation() {
    let (blocks, _) = play(&line::render(48_000.0), 48_000.0, NoteSource::Follow);
    for block in blocks.iter().filter(|block| block.ended > 0) {
        let (from_s, memory) = (block.from_s, block.memory);
        assert_eq!(
            memory.count_total, block.ended as u64,
            "{from_s:.3} s: {memory:?}"
        );
        assert_eq!(memory.count_current, block.ended as i64, "{from_s:.3} s");
    }
    let ended: usize = blocks.iter().map(|block| block.ended).sum();
    assert!(ended > 5, "{ended} notes ended");
}
