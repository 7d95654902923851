//! Standard MIDI File of a line: notes, pitch bend, breath, on the grid of its part.
//!
//! The tempo follows the player beat by beat, so that bars stand where the part has them
//! and every event sounds when it was played. What the take has before its first note is
//! counted in at the tempo of its beginning; where that is not whole bars, the file begins
//! with a shorter bar that has a time signature of its own.
//!
//! Bend range is set first by RPN 0,0 (MIDI 1.0 Detailed Specification), wide
//! enough for a fall of an octave; 14 bits over it give steps of 0.15 cents. The
//! file plays back at the pitch that was played, not at the nearest key.

use std::io;

use midly::live::LiveEvent;
use midly::num::{u4, u7, u15, u24, u28};
use midly::{
    Format, Header, MetaMessage, MidiMessage, Smf, Timing, Track, TrackEvent, TrackEventKind,
};

use super::midi_encoder::{Bytes, MidiEncoder};
use super::performance::{PerformedNote, is_slurred};
use super::{Output, Sink};
use crate::horn::Horn;
use crate::line::Line;
use crate::midi_values::LEVEL_SPAN_DB;
use crate::notation::pulse::Pulse;
use crate::notation::{LazyPart, Metre, Part, QUARTER};
use crate::sending::brightness::BrightnessFollower;
use crate::sending::{DynamicRange, Sent};
use crate::text::PROGRAM;

/// The MIDI file.
#[derive(Debug, Clone, Default)]
pub struct MidiFile {
    /// The part whose bars it has.
    pub part: LazyPart,
    /// What velocities and loudness are measured by: by default 48 dB up to the loudest
    /// note.
    #[doc(hidden)]
    pub dynamic_range: Option<DynamicRange>,
}

/// Ticks per quarter note.
const TICKS_PER_QUARTER: u16 = 960;
const CHANNEL: u8 = 0;

impl Output for MidiFile {
    fn extension(&self) -> &'static str {
        ".mid"
    }

    fn write(&self, line: &Line, to: &mut dyn Sink) -> io::Result<()> {
        let part = self.part.of(line);
        let grid = Grid::new(part, end_s(line));
        let signatures = grid.signatures(part.metre);
        let mut events = Events::new(grid);
        let meta = |events: &mut Events<'_>, message| events.push(0, TrackEventKind::Meta(message));
        events.push(
            0,
            TrackEventKind::Meta(MetaMessage::TrackName(line.source.as_bytes())),
        );
        meta(&mut events, MetaMessage::Text(PROGRAM.as_bytes()));
        for (tick, beats, power) in signatures {
            // A click each quarter, 8 32nds to it.
            let signature = MetaMessage::TimeSignature(beats, power, 24, 8);
            events.push(tick, TrackEventKind::Meta(signature));
        }
        let sounds = line.context.horn.as_ref().map_or(0, |h| h.sounds);
        let key = part.key.transposed(sounds);
        meta(
            &mut events,
            MetaMessage::KeySignature(key.fifths as i8, false),
        );
        events.tempi();
        let program = u7::from(program(line.context.horn.as_ref()));
        events.message(0.0, MidiMessage::ProgramChange { program });
        events.notes(line, self.dynamic_range(line));
        let smf = Smf {
            header: Header::new(
                Format::SingleTrack,
                Timing::Metrical(u15::from(TICKS_PER_QUARTER)),
            ),
            tracks: vec![events.into_track()],
        };
        smf.write_std(to)
    }
}

impl MidiFile {
    fn dynamic_range(&self, line: &Line) -> DynamicRange {
        let loud_db = line.loudest_db();
        self.dynamic_range.unwrap_or(DynamicRange {
            soft_db: loud_db - LEVEL_SPAN_DB,
            loud_db,
        })
    }
}

/// End of the last note, in stream seconds.
fn end_s(line: &Line) -> f64 {
    line.notes.last().map_or(0.0, |n| n.note.offset_s)
}

/// Program of a horn in the sound set of General MIDI 1, counted from 0.
fn program(horn: Option<&Horn>) -> u8 {
    const PROGRAMS: [(&str, u8); 8] = [
        ("trumpet", 56),
        ("trombone", 57),
        ("cimbasso", 57),
        ("tuba", 58),
        ("bass-", 58),
        ("euphonium", 58),
        ("mellophone", 60),
        ("tenor-horn", 60),
    ];
    const TRUMPET: u8 = 56;
    const FRENCH_HORN: u8 = 60;
    let Some(horn) = horn else { return TRUMPET };
    let found = PROGRAMS.iter().find(|(name, _)| horn.name.contains(name));
    match found {
        Some((_, program)) => *program,
        None if horn.name == "horn" || horn.name.starts_with("horn-") => FRENCH_HORN,
        None => TRUMPET,
    }
}

/// Where a file's ticks lie in time: the beats of the part, after what the take has before
/// its first note.
struct Grid {
    /// Quarters from the start of the file, and seconds, both rising.
    beats: Vec<(f64, f64)>,
    /// Quarters of the shorter bar that the file begins with; nought if it begins with a
    /// whole one, or without bars.
    first_bar: f64,
}

/// Smallest value that the first bar is made of, in quarters: a sixteenth.
const SMALLEST: f64 = 0.25;
/// How much the tempo of what is counted in may differ from the part's, as a share, for the
/// sake of a bar in longer values: no more than players take for the same tempo.
const SAME_TEMPO: f64 = 0.1;

impl Grid {
    fn new(part: &Part, end_s: f64) -> Grid {
        let quarters = |ticks: u32| f64::from(ticks) / f64::from(QUARTER);
        let first = part.pulse.beat(part.begins + part.rests_first()).0;
        let at = quarters(first);
        // What the tempo of its beginning makes of the time before.
        let wanted = (at - part.curve.quarters(0.0)).max(0.0);
        let (before, first_bar) = match part.metre {
            Some(_) => counted_in(wanted, at, &part.pulse),
            None => (wanted, 0.0),
        };
        let counts = before * f64::from(TICKS_PER_QUARTER) >= 1.0;
        let before = if counts { before } else { 0.0 };
        let mut beats = vec![(0.0, 0.0)];
        // The first note comes at once: the file begins with its beat.
        let mut beat = match counts {
            true => first,
            false => first + part.pulse.beat(first).1,
        };
        loop {
            let place = quarters(beat);
            let last = beats[beats.len() - 1];
            let time_s = part.curve.seconds(place);
            if time_s > last.1 {
                beats.push((place - at + before, time_s));
            }
            if time_s > end_s && beats.len() > 1 {
                return Grid { beats, first_bar };
            }
            beat += part.pulse.beat(beat).1;
        }
    }

    /// Time signatures of a metre: tick, beats, and their value as a power of two.
    fn signatures(&self, metre: Option<Metre>) -> Vec<(u32, u8, u8)> {
        let Some(metre) = metre else {
            return Vec::new();
        };
        let mut signatures = Vec::new();
        if self.first_bar > 0.0 {
            let (mut beats, mut power) = ((self.first_bar / SMALLEST).round() as u32, 4);
            while beats.is_multiple_of(2) && power > 2 {
                (beats, power) = (beats / 2, power - 1);
            }
            signatures.push((0, beats, power));
        }
        let tick = (self.first_bar * f64::from(TICKS_PER_QUARTER)).round() as u32;
        signatures.push((tick, metre.beats, metre.value.ilog2()));
        let small = |number: u32| u8::try_from(number).unwrap_or(u8::MAX);
        let signature = |(tick, beats, power)| (tick, small(beats), small(power));
        signatures.into_iter().map(signature).collect()
    }

    /// Tick of a time. The last tempo goes on.
    fn tick(&self, time_s: f64) -> u32 {
        let next = self.beats.partition_point(|b| b.1 <= time_s);
        let next = next.clamp(1, self.beats.len() - 1);
        let (a, b) = (self.beats[next - 1], self.beats[next]);
        let quarters = a.0 + (time_s - a.1) * (b.0 - a.0) / (b.1 - a.1);
        (quarters * f64::from(TICKS_PER_QUARTER)).round().max(0.0) as u32
    }

    /// Tempo of each beat: tick and microseconds a quarter, where it differs from the one
    /// before.
    fn tempi(&self) -> Vec<(u32, u32)> {
        let mut tempi: Vec<(u32, u32)> = Vec::new();
        for pair in self.beats.windows(2) {
            let quarter_s = (pair[1].1 - pair[0].1) / (pair[1].0 - pair[0].0);
            let micros = (1e6 * quarter_s).round().clamp(1.0, 16_777_215.0) as u32;
            if tempi.last().is_none_or(|(_, last)| *last != micros) {
                tempi.push((self.tick(pair[0].1), micros));
            }
        }
        tempi
    }
}

/// Quarters before a beat that is `at` quarters from a bar line, about as many as wanted, and
/// those of the shorter bar that they begin with. Whole bars if the tempo stays the same, or
/// else as long values as it allows.
fn counted_in(wanted: f64, at: f64, pulse: &Pulse) -> (f64, f64) {
    let bar = f64::from(pulse.bar()) / f64::from(QUARTER);
    let to_bar_line = (bar - at % bar) % bar;
    let beat = if pulse.compound() { 1.5 } else { 1.0 };
    let of = |unit: f64| ((wanted + to_bar_line) / unit).round() * unit - to_bar_line;
    let is_near = |before: &f64| (before / wanted - 1.0).abs() <= SAME_TEMPO;
    let units = [bar, beat, 0.5].into_iter();
    let before = units.map(of).find(|before| wanted > 0.0 && is_near(before));
    let before = before.unwrap_or_else(|| of(SMALLEST)).max(0.0);
    (before, (before + to_bar_line) % bar)
}

/// Events with their ticks, in the order they were added.
struct Events<'a> {
    grid: Grid,
    list: Vec<(u32, TrackEventKind<'a>)>,
}

impl<'a> Events<'a> {
    fn new(grid: Grid) -> Self {
        Events {
            grid,
            list: Vec::new(),
        }
    }

    fn push(&mut self, tick: u32, kind: TrackEventKind<'a>) {
        self.list.push((tick, kind));
    }

    fn add(&mut self, time_s: f64, kind: TrackEventKind<'a>) {
        self.push(self.grid.tick(time_s), kind);
    }

    fn tempi(&mut self) {
        for (tick, micros) in self.grid.tempi() {
            let tempo = MetaMessage::Tempo(u24::from(micros));
            self.push(tick, TrackEventKind::Meta(tempo));
        }
    }

    fn message(&mut self, time_s: f64, message: MidiMessage) {
        let channel = u4::from(CHANNEL);
        self.add(time_s, TrackEventKind::Midi { channel, message });
    }

    /// The notes as they are sent.
    fn notes(&mut self, line: &Line, dynamic_range: DynamicRange) {
        let notes = &line.notes;
        let mut encoder = MidiEncoder::new(CHANNEL, line.context.brightness);
        let mut brightness = BrightnessFollower::default();
        let mut messages = Vec::new();
        encoder.setup(&mut messages);
        self.messages(0.0, &mut messages);
        for (at, named) in notes.iter().enumerate() {
            let note = &named.note;
            let (mut performed, start) = PerformedNote::start(notes, at, dynamic_range, brightness);
            encoder.encode(&start, &mut messages);
            self.messages(note.onset_s, &mut messages);
            let hop_s = note.contour.hop_s;
            for (time_s, point) in note.contour.timed() {
                let time_s = time_s.clamp(note.onset_s, note.offset_s);
                let update = performed.update(time_s, point, hop_s);
                encoder.encode(&update, &mut messages);
                self.messages(time_s, &mut messages);
            }
            brightness = performed.brightness;
            if !notes.get(at + 1).is_some_and(is_slurred) {
                encoder.encode(&Sent::Stop, &mut messages);
                self.messages(note.offset_s, &mut messages);
            }
        }
    }

    fn messages(&mut self, time_s: f64, messages: &mut Vec<Bytes>) {
        for bytes in messages.drain(..) {
            // The encoder's messages are well-formed.
            if let Ok(LiveEvent::Midi { message, .. }) = LiveEvent::parse(&bytes) {
                self.message(time_s, message);
            }
        }
    }

    fn into_track(mut self) -> Track<'a> {
        // A stable sort: events of a tick keep their order, note-offs before the
        // next note's bend.
        self.list.sort_by_key(|(tick, _)| *tick);
        let mut track = Track::new();
        let mut last = 0;
        for (tick, kind) in self.list {
            track.push(TrackEvent {
                delta: u28::from(tick - last),
                kind,
            });
            last = tick;
        }
        let end = TrackEventKind::Meta(MetaMessage::EndOfTrack);
        track.push(TrackEvent {
            delta: u28::from(0),
            kind: end,
        });
        track
    }
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::super::generated::{line, shapes};
    use super::*;
    use crate::midi_values::CONTROL_STEP_S;
    use crate::notation::NotationOptions;
    use crate::notation::key::Key;
    use proptest::prelude::*;

    #[test]
    fn horns_have_programs() {
        for (name, expected) in [
            ("trumpet", 56),
            ("flugelhorn", 56),
            ("horn-bb", 60),
            ("bass-trombone", 57),
            ("tuba-f", 58),
            ("bass-eb", 58),
            ("tenor-horn", 60),
        ] {
            let horn = Horn::find(name).unwrap();
            assert_eq!(program(Some(&horn)), expected, "{name}");
        }
    }

    #[test]
    fn keys_sound_where_the_horn_does() {
        // A B flat trumpet's D major sounds in C.
        assert_eq!(Key { fifths: 2 }.transposed(-2).fifths, 0);
        assert_eq!(Key { fifths: -6 }.transposed(-2).fifths, 4);
    }

    #[test]
    fn what_comes_before_is_counted_in() {
        let metre = |beats, value| Pulse::of(Some(Metre { beats, value }));
        for (wanted, at, pulse, expected) in [
            // Whole bars where they fit, a beat, an eighth; nothing before a note at once.
            (7.7, 0.0, metre(4, 4), (8.0, 0.0)),
            (0.96, 0.0, metre(4, 4), (1.0, 1.0)),
            (9.3, 0.0, metre(4, 4), (9.0, 1.0)),
            (1.45, 0.0, metre(6, 8), (1.5, 1.5)),
            (1.3, 0.0, metre(4, 4), (1.25, 1.25)),
            (0.1, 0.0, metre(4, 4), (0.0, 0.0)),
            (0.0, 0.0, metre(4, 4), (0.0, 0.0)),
            // A pickup of a quarter.
            (2.1, 2.0, metre(3, 4), (2.0, 0.0)),
            (0.97, 2.0, metre(3, 4), (1.0, 2.0)),
            (0.0, 2.0, metre(3, 4), (0.0, 1.0)),
        ] {
            let found = counted_in(wanted, at, &pulse);
            assert_eq!(found, expected, "{wanted} before {at} of {}", pulse.bar());
        }
    }

    proptest! {
        /// The bars of the file are those of the part, and what is counted in before them has
        /// about the part's tempo.
        #[test]
        fn bars_stand_where_the_part_has_them(
            shapes in shapes(),
            later_s in 0.0f64..20.0,
            metre in prop::sample::select(vec![(2, 4), (3, 4), (4, 4), (6, 8), (12, 8), (5, 4), (7, 8), (2, 2)]),
            pickup in prop::sample::select(vec![None, Some(0.0), Some(0.5), Some(1.0)]),
            tempo in prop::option::of(40.0f64..200.0),
        ) {
            let mut shapes = shapes;
            shapes[0].rest_s += later_s;
            let line = line(&shapes);
            let metre = Metre { beats: metre.0, value: metre.1 };
            let options = NotationOptions {
                metre: Some(Some(metre)),
                pickup,
                tempo,
                ..NotationOptions::default()
            };
            let part = Part::new(&line, &options);
            let grid = Grid::new(&part, end_s(&line));
            let signatures = grid.signatures(part.metre);
            let (from, beats, power) = signatures[signatures.len() - 1];
            prop_assert_eq!((u32::from(beats), 1 << power), (metre.beats, metre.value));
            let ticks = metre.bar() * u32::from(TICKS_PER_QUARTER) / QUARTER;
            let first = part.begins.next_multiple_of(metre.bar());
            for bar in 0..part.bars.len() as u32 {
                let place = f64::from(first + bar * metre.bar()) / f64::from(QUARTER);
                let time_s = part.curve.seconds(place);
                if time_s < line.notes[0].note.onset_s || time_s > end_s(&line) {
                    continue;
                }
                prop_assert_eq!(grid.tick(time_s).abs_diff(from) % ticks, 0, "bar {}", bar);
            }
            // A beat or more before the first note.
            let (before, first_s) = grid.beats[1];
            let own = part.curve.quarters(first_s) - part.curve.quarters(0.0);
            prop_assert!(before < 2.5 || (before / own - 1.0).abs() < 0.11, "{before} for {own}");
        }

        /// A receiver that does as the file says holds one note at a time, each at its
        /// time, at the pitch that was played to a cent, and none at the end. At a slur the
        /// next note is there before the old one ends, and at once: receivers play legato.
        #[test]
        fn a_receiver_plays_what_was_played(shapes in shapes()) {
            let line = line(&shapes);
            let mut bytes = Cursor::new(Vec::new());
            MidiFile::default().write(&line, &mut bytes).unwrap();
            let bytes = bytes.into_inner();
            let smf = Smf::parse(&bytes).unwrap();
            // Half a tick of the slowest tempo and more.
            let near_s = 1e-3;
            // Where a file says nothing, a quarter takes half a second.
            let (mut now_s, mut quarter_s) = (0.0, 0.5);
            let (mut held, mut bend, mut range) = (Vec::new(), 0.0, 2.0);
            // What sounds from each change on: time, key with its bend.
            let mut sounding: Vec<(f64, Option<f64>)> = Vec::new();
            let mut notes = line.notes.iter();
            for event in &smf.tracks[0] {
                let ticks = f64::from(event.delta.as_int());
                prop_assert!(ticks == 0.0 || held.len() <= 1);
                now_s += ticks * quarter_s / f64::from(TICKS_PER_QUARTER);
                if let TrackEventKind::Meta(MetaMessage::Tempo(micros)) = event.kind {
                    quarter_s = f64::from(micros.as_int()) / 1e6;
                }
                let TrackEventKind::Midi { message, .. } = event.kind else {
                    continue;
                };
                match message {
                    MidiMessage::NoteOn { key, vel } => {
                        let named = notes.next().unwrap();
                        let legato = is_slurred(named) && !held.contains(&key.as_int());
                        prop_assert!(vel.as_int() > 0);
                        prop_assert!(held.is_empty() || legato && held.len() == 1);
                        held.push(key.as_int());
                        prop_assert!((now_s - named.note.onset_s).abs() <= near_s);
                    }
                    MidiMessage::NoteOff { key, .. } => {
                        prop_assert!(held.contains(&key.as_int()));
                        held.retain(|held| *held != key.as_int());
                    }
                    MidiMessage::PitchBend { bend: value } => {
                        bend = f64::from(value.as_int()) / 8192.0 * range;
                    }
                    MidiMessage::Controller { controller, value } if controller == 6 => {
                        range = f64::from(value.as_int());
                    }
                    _ => {}
                }
                sounding.push((now_s, held.last().map(|key| f64::from(*key) + bend)));
            }
            prop_assert!(notes.next().is_none() && held.is_empty());
            for (named, shape) in line.notes.iter().zip(&shapes) {
                let slope = shape.glide / shape.length_s;
                for (time_s, point) in named.note.contour.voiced() {
                    // Where a step of the controllers just ends, either value will do.
                    if time_s > named.note.offset_s - 2.0 * near_s {
                        continue;
                    }
                    let now = sounding.iter().rev().find(|(t, _)| *t <= time_s + near_s);
                    let got = now.and_then(|(_, pitch)| *pitch).unwrap();
                    let off = (got - f64::from(point.pitch)).abs();
                    prop_assert!(off < 0.01 + slope.abs() * 1.5 * CONTROL_STEP_S, "{off} at {time_s}");
                }
            }
        }

        /// And the reader of scores finds the same notes in it.
        #[test]
        fn a_score_reader_finds_the_notes(shapes in shapes()) {
            let line = line(&shapes);
            let mut bytes = Cursor::new(Vec::new());
            MidiFile::default().write(&line, &mut bytes).unwrap();
            let parts = crate::reference::midi::parts(&bytes.into_inner()).unwrap();
            prop_assert_eq!(parts.len(), 1);
            prop_assert_eq!(parts[0].notes.len(), line.notes.len());
            for (read, named) in parts[0].notes.iter().zip(&line.notes) {
                prop_assert_eq!(read.concert, named.concert);
                prop_assert!((read.start_s - named.note.onset_s).abs() < 1e-3);
                // Beginning and end are each rounded to a tick.
                prop_assert!((read.length_s - named.note.duration_s()).abs() < 2e-3);
            }
        }
    }
}
