//! Standard MIDI File of a line: notes, pitch bend, breath.
//!
//! Bend range is set first by RPN 0,0 (MIDI 1.0 Detailed Specification), wide
//! enough for a fall of an octave; 14 bits over it give steps of 0.15 cents. The
//! file plays back at the pitch that was played, not at the nearest key.

use std::io;

use midly::num::{u4, u7, u15, u24, u28};
use midly::{
    Format, Header, MetaMessage, MidiMessage, PitchBend, Smf, Timing, Track, TrackEvent,
    TrackEventKind,
};

use super::{Output, Sink};
use crate::line::{Line, LineNote};
use crate::notes::contour::Point;
use crate::units::Pitch;

/// The MIDI file.
pub struct MidiFile;

/// Bend range, semitones either way.
pub const BEND_RANGE: u8 = 12;
/// Ticks per quarter note.
const TICKS_PER_QUARTER: u16 = 960;
/// Tempo of the file: 120 quarters per minute, so that a tick is 0.52 ms. The tempo
/// of the playing is not known here.
const MICROSECONDS_PER_QUARTER: u32 = 500_000;
/// Time between controller values, in seconds: a serial MIDI cable carries some
/// 1000 messages per second.
pub const CONTROL_STEP_S: f64 = 0.005;
/// Level range below the loudest note that maps to 7 bits, in dB.
const LEVEL_SPAN_DB: f32 = 48.0;
const CHANNEL: u8 = 0;

/// 14-bit bend for a distance in semitones, -8192 to 8191.
pub fn bend_value(semitones: f64) -> i16 {
    let steps = semitones / f64::from(BEND_RANGE) * 8192.0;
    steps.round().clamp(-8192.0, 8191.0) as i16
}

/// 7-bit value of a level, both levels in dBFS.
pub fn seven_bits(level_db: f32, loudest_db: f32) -> u8 {
    let share = 1.0 - (loudest_db - level_db) / LEVEL_SPAN_DB;
    (share * 127.0).round().clamp(1.0, 127.0) as u8
}

impl Output for MidiFile {
    fn extension(&self) -> &'static str {
        ".mid"
    }

    fn write(&self, line: &Line, to: &mut dyn Sink) -> io::Result<()> {
        let tempo = MetaMessage::Tempo(u24::from(MICROSECONDS_PER_QUARTER));
        let mut events = Events::default();
        events.add(
            0.0,
            TrackEventKind::Meta(MetaMessage::TrackName(line.source.as_bytes())),
        );
        events.add(0.0, TrackEventKind::Meta(tempo));
        // RPN 0,0 and its value, then the null RPN so that later data entry does
        // not change it.
        for (controller, value) in [
            (101, 0),
            (100, 0),
            (6, BEND_RANGE),
            (38, 0),
            (101, 127),
            (100, 127),
        ] {
            events.control(0.0, controller, value);
        }
        let loudest_db = line.loudest_db();
        for note in &line.notes {
            events.note(note, loudest_db);
        }
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

/// Events with their ticks, in the order they were added.
#[derive(Default)]
struct Events<'a> {
    list: Vec<(u32, TrackEventKind<'a>)>,
    bend: Option<i16>,
    breath: Option<u8>,
}

impl<'a> Events<'a> {
    fn add(&mut self, time_s: f64, kind: TrackEventKind<'a>) {
        let quarters = time_s * 1e6 / f64::from(MICROSECONDS_PER_QUARTER);
        let tick = (quarters * f64::from(TICKS_PER_QUARTER)).round().max(0.0) as u32;
        self.list.push((tick, kind));
    }

    fn message(&mut self, time_s: f64, message: MidiMessage) {
        let channel = u4::from(CHANNEL);
        self.add(time_s, TrackEventKind::Midi { channel, message });
    }

    fn control(&mut self, time_s: f64, controller: u8, value: u8) {
        let (controller, value) = (u7::from(controller), u7::from(value));
        self.message(time_s, MidiMessage::Controller { controller, value });
    }

    fn bend_to(&mut self, time_s: f64, semitones: f64) {
        let value = bend_value(semitones);
        if self.bend != Some(value) {
            self.bend = Some(value);
            let bend = PitchBend::from_int(value);
            self.message(time_s, MidiMessage::PitchBend { bend });
        }
    }

    fn breath_to(&mut self, time_s: f64, value: u8) {
        if self.breath != Some(value) {
            self.breath = Some(value);
            self.control(time_s, 2, value);
        }
    }

    fn note(&mut self, named: &'a LineNote, loudest_db: f32) {
        let note = &named.note;
        let key = u7::from(named.concert.0.clamp(0, 127) as u8);
        let above = |pitch: Pitch| pitch.0 - f64::from(named.concert.0);
        let velocity = seven_bits(note.level_db, loudest_db);
        let first = note.contour.voiced().map(|(_, p)| p.pitch).next();
        self.bend_to(
            note.onset_s,
            first.map_or(above(named.sent), |p| above(named.sent_at(p))),
        );
        self.breath_to(note.onset_s, velocity);
        self.message(
            note.onset_s,
            MidiMessage::NoteOn {
                key,
                vel: u7::from(velocity),
            },
        );
        let body_end_s = note.body_end_s();
        let step = ((CONTROL_STEP_S / note.contour.hop_s).round() as usize).max(1);
        let hops: Vec<(f64, &Point)> = note.contour.timed().collect();
        for hops in hops.chunks(step) {
            let time_s = hops[0].0.clamp(note.onset_s, note.offset_s);
            let pitches: Vec<f32> = hops
                .iter()
                .map(|(_, p)| p.pitch)
                .filter(|p| !p.is_nan())
                .collect();
            if !pitches.is_empty() && hops[0].0 <= body_end_s {
                let mean = pitches.iter().sum::<f32>() / pitches.len() as f32;
                self.bend_to(time_s, above(named.sent_at(mean)));
            }
            let loudest = hops.iter().map(|(_, p)| p.level_db).fold(-120.0, f32::max);
            self.breath_to(time_s, seven_bits(loudest, loudest_db));
        }
        self.message(
            note.offset_s,
            MidiMessage::NoteOff {
                key,
                vel: u7::from(64),
            },
        );
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
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn bends_come_back_within_a_fifth_of_a_cent(semitones in -11.9f64..11.9) {
            let back = f64::from(bend_value(semitones)) / 8192.0 * f64::from(BEND_RANGE);
            prop_assert!((back - semitones).abs() * 100.0 < 0.2);
        }

        #[test]
        fn seven_bits_are_seven(level in -200f32..50.0, loudest in -100f32..0.0) {
            prop_assert!((1..=127).contains(&seven_bits(level, loudest)));
        }
    }
}
