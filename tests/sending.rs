//! Files and sessions send the same: the same notes and frames, written to a file and
//! played by a session, give the same MIDI messages in the same order and the same
//! voltages, whatever source, snap, tuning and transposition, and the same brightness.
#![cfg(feature = "live")]

use std::io::Cursor;
use std::sync::Arc;

use leadpipe::internals::analysis::HOP_S;
use leadpipe::internals::live::control_event::ControlEvent;
use leadpipe::internals::live::note_mapper::NoteMapper;
use leadpipe::internals::output::cv_renderer::{CvRenderer, CvScale};
use leadpipe::internals::output::midi_encoder::{Bytes, MidiEncoder};
use leadpipe::internals::sending::DynamicRange;
use leadpipe::internals::sending::brightness::BrightnessRange;
use leadpipe::internals::sending::note_source::{Draw, NoteSource, Sequence};
use leadpipe::internals::tuning::catalogue;
use leadpipe::{
    Attack, Contour, ControlVoltage, Length, Line, LineContext, Measured, MidiFile, Note,
    NoteStart, Output, Pitch, PitchFrame, Point, Reference, Snap, Tuning,
};
use midly::{MetaMessage, MidiMessage, Smf, TrackEventKind};

/// A file rounds times to ticks: half of one, at the slowest tempo.
const NEAR_S: f64 = 1e-3;
/// Steps of a pitch bend that a centre followed while it is played may be off that of the
/// whole note, and half a one for rounding: 0.15 cents each.
const NEAR_BEND: i32 = 4;
const RANGE: DynamicRange = DynamicRange {
    soft_db: -50.0,
    loud_db: -10.0,
};
const LENGTH_S: f64 = 6.0;

/// Notes: tongued, slurred to another and to the same key, apart and close together;
/// some far from any pitch of a pentatonic.
const NOTES: [(f64, f64, f32, bool); 7] = [
    (0.3, 0.9, 58.0, false),
    (0.9, 1.4, 62.04, true),
    (1.4, 1.9, 62.1, true),
    (1.9, 2.6, 61.37, false),
    (2.602, 3.1, 66.21, false),
    (3.5, 4.6, 70.3, false),
    (4.6, 5.2, 69.9, true),
];

/// Points of a note: even pitch, longer ones with a doit at the end, quick enough that the
/// centre of a session hardly moves with it; a level that falls and rises.
fn points(from_s: f64, to_s: f64, pitch: f32) -> Vec<Point> {
    let hops = ((to_s - from_s) / HOP_S).floor() as usize;
    let point = |hop: usize| {
        let since_s = hop as f64 * HOP_S;
        let bent = hop.saturating_sub((0.6 / HOP_S) as usize) as f32;
        Point {
            pitch: pitch + (0.45 * bent).min(1.2),
            level_db: -20.0 - 4.0 * (5.0 * since_s as f32).sin(),
            confidence: 1.0,
            // It rises and falls in steps, with moments in which it is not measured.
            brightness: match hop / 16 % 5 {
                0 => f32::NAN,
                _ => 1.5 + 3.0 * (hop / 8 * 8) as f32 / hops as f32,
            },
        }
    };
    (0..hops).map(point).collect()
}

fn notes() -> Vec<Note> {
    let note = |(from_s, to_s, pitch, slurred): (f64, f64, f32, bool)| Note {
        onset_s: from_s,
        offset_s: to_s,
        decided_s: from_s,
        pitch: f64::from(pitch),
        attack: if slurred {
            Attack::Slurred
        } else {
            Attack::Tongued
        },
        level_db: -20.0,
        confidence: 1.0,
        brightness: None,
        length: Length::Normal,
        accent: false,
        techniques: Vec::new(),
        measured: Measured::default(),
        contour: Contour {
            start_s: from_s,
            hop_s: HOP_S,
            points: points(from_s, to_s, pitch),
        },
    };
    NOTES.map(note).to_vec()
}

/// Events of a session that hears these notes and frames, each with its time.
fn session(context: &LineContext) -> Vec<(f64, ControlEvent)> {
    let mut mapper = NoteMapper::new(Arc::new(context.clone()), RANGE);
    let (mut timed, mut events) = (Vec::new(), Vec::new());
    let mut take = |events: &mut Vec<ControlEvent>, now_s: f64| {
        timed.extend(events.drain(..).map(|event| (now_s, event)));
    };
    for (at, note) in notes().iter().enumerate() {
        if at > 0 && note.attack == Attack::Slurred {
            mapper.end(note.onset_s);
        }
        mapper.start(
            NoteStart {
                onset_s: note.onset_s,
                decided_s: note.onset_s,
                pitch: note.pitch as f32,
                level_db: note.level_db,
                attack: note.attack,
            },
            &mut events,
        );
        take(&mut events, note.onset_s);
        for (hop, point) in note.contour.points.iter().enumerate() {
            let time_s = note.contour.start_s + hop as f64 * HOP_S;
            let frame = PitchFrame {
                time_s,
                pitch: Some(point.pitch),
                margin: 5.0,
                confidence: 1.0,
                level_db: point.level_db,
                brightness: Some(point.brightness).filter(|times| !times.is_nan()),
                trills: false,
            };
            mapper.hop(frame, HOP_S, &mut events);
            take(&mut events, time_s);
        }
        if NOTES.get(at + 1).is_none_or(|(.., slurred)| !slurred) {
            mapper.end(note.offset_s);
            mapper.flush_note_off(&mut events);
            take(&mut events, note.offset_s);
        }
    }
    timed
}

fn session_midi(
    events: &[(f64, ControlEvent)],
    brightness: Option<BrightnessRange>,
) -> Vec<(f64, Bytes)> {
    let mut encoder = MidiEncoder::new(0, brightness);
    let (mut timed, mut messages) = (Vec::new(), Vec::new());
    encoder.setup(&mut messages);
    timed.extend(messages.drain(..).map(|bytes| (0.0, bytes)));
    for (time_s, event) in events {
        if let Some(sent) = event.sent() {
            encoder.encode(&sent, &mut messages);
        }
        timed.extend(messages.drain(..).map(|bytes| (*time_s, bytes)));
    }
    timed
}

fn file_midi(file: &MidiFile, line: &Line) -> Vec<(f64, Bytes)> {
    let mut written = Cursor::new(Vec::new());
    file.write(line, &mut written).unwrap();
    let written = written.into_inner();
    let smf = Smf::parse(&written).unwrap();
    let mut timed = Vec::new();
    // 960 ticks a quarter, and half a second a quarter until a tempo is given.
    let (mut now_s, mut quarter_s) = (0.0, 0.5);
    for event in &smf.tracks[0] {
        now_s += f64::from(u32::from(event.delta)) * quarter_s / 960.0;
        match event.kind {
            TrackEventKind::Meta(MetaMessage::Tempo(micros)) => {
                quarter_s = f64::from(u32::from(micros)) / 1e6;
            }
            TrackEventKind::Midi {
                message: MidiMessage::ProgramChange { .. },
                ..
            } => {}
            TrackEventKind::Midi { channel, message } => {
                let mut bytes = Vec::new();
                let live = midly::live::LiveEvent::Midi { channel, message };
                live.write_std(&mut bytes).unwrap();
                timed.push((now_s, bytes.try_into().unwrap()));
            }
            _ => {}
        }
    }
    timed
}

const CV_RATE_HZ: f64 = 4_000.0;
const FULL_SCALE_V: f64 = 10.0;

fn file_volts(line: &Line) -> Vec<[f64; 5]> {
    let cv = ControlVoltage {
        full_scale_v: FULL_SCALE_V,
        sample_rate_hz: CV_RATE_HZ as u32,
    };
    let mut written = Cursor::new(Vec::new());
    cv.write(line, &mut written).unwrap();
    written.set_position(0);
    let reader = hound::WavReader::new(written).unwrap();
    let volts = reader.into_samples::<f32>();
    let volts: Vec<f64> = volts
        .map(|v| FULL_SCALE_V * f64::from(v.unwrap()))
        .collect();
    volts.as_chunks().0.to_vec()
}

/// Voltages of the session, without an interface's smoothing.
fn session_volts(events: &[(f64, ControlEvent)], context: &LineContext) -> Vec<[f64; 5]> {
    let scale = CvScale {
        full_scale_v: FULL_SCALE_V,
        offset_v: 0.0,
        zero_volt_note: context.zero_volt_note,
    };
    let mut renderer = CvRenderer::new(scale, context.brightness.unwrap(), 1.0, 0);
    let mut events = events.iter().peekable();
    let sample = |at: usize| {
        let time_s = at as f64 / CV_RATE_HZ;
        while let Some((at_s, event)) = events.next_if(|(at_s, _)| *at_s <= time_s) {
            if let Some(sent) = event.sent() {
                renderer.handle(&sent, *at_s);
            }
        }
        let mut volts = [0.0; 5];
        renderer.next(time_s, |at, v| volts[at] = FULL_SCALE_V * f64::from(v));
        volts
    };
    (0..(LENGTH_S * CV_RATE_HZ) as usize).map(sample).collect()
}

fn sources(tuning: &Tuning) -> [NoteSource; 3] {
    let sequence = Sequence::new(vec![Pitch(48.0), Pitch(51.0), Pitch(51.0)]).unwrap();
    let draw = Draw::new(tuning, Pitch(47.5), Pitch(72.5), &[], 1).unwrap();
    [
        NoteSource::Follow,
        NoteSource::Sequence(sequence),
        NoteSource::Draw(draw),
    ]
}

/// Every context, by name.
fn contexts() -> impl Iterator<Item = (String, LineContext)> {
    let tunings = catalogue()
        .into_iter()
        .map(|table| Tuning::new(&table, None, Reference::default()).unwrap());
    tunings.flat_map(|tuning| {
        let mut all = Vec::new();
        for source in sources(&tuning) {
            for snap in [Snap::Off, Snap::Bend, Snap::Hard] {
                for shift in [0, -7] {
                    let mut context = LineContext::new(tuning.clone());
                    (context.source, context.snap, context.shift) = (source.clone(), snap, shift);
                    context.brightness = Some(BrightnessRange::default());
                    let name = format!("{} {} {snap:?} {shift}", tuning.name(), source.name());
                    all.push((name, context));
                }
            }
        }
        all
    })
}

fn bend(bytes: Bytes) -> Option<i32> {
    (bytes[0] & 0xf0 == 0xe0).then(|| i32::from(bytes[1]) | i32::from(bytes[2]) << 7)
}

#[test]
fn midi_is_the_same_event_by_event() {
    // All have the rhythm, and so the bars, of the first.
    let file = MidiFile {
        dynamic_range: Some(RANGE),
        ..MidiFile::default()
    };
    for (name, context) in contexts() {
        let live = session_midi(&session(&context), context.brightness);
        let bright = live.iter().filter(|(_, bytes)| bytes[..2] == [0xb0, 74]);
        assert!(bright.count() > 50, "{name}");
        let written = file_midi(&file, &Line::new("take", LENGTH_S, notes(), context));
        let starts = live.iter().filter(|(_, bytes)| bytes[0] == 0x90);
        assert_eq!(starts.count(), NOTES.len(), "{name}");
        let mut attacks = NOTES.iter().map(|note| note.3);
        for (at, ((live_s, live), (file_s, file))) in live.iter().zip(&written).enumerate() {
            let what = format!("{name}, {at}: {live_s} {live:?}, {file_s} {file:?}");
            assert!((live_s - file_s).abs() < NEAR_S, "{what}");
            match (bend(*live), bend(*file)) {
                (Some(live), Some(file)) => assert!((live - file).abs() <= NEAR_BEND, "{what}"),
                // Live a note's loudest is expected, in a file it is known: these begin with it.
                _ if live[0] == 0x90 => {
                    assert_eq!(live[..2], file[..2], "{what}");
                    let velocity = |share: f32| (127.0 * share).round() as u8;
                    assert_eq!(
                        live[2],
                        velocity(RANGE.velocity_ahead(-20.0, attacks.next().unwrap())),
                        "{what}"
                    );
                    assert_eq!(file[2], velocity(RANGE.strength(-20.0)), "{what}");
                }
                _ => assert_eq!(live, file, "{what}"),
            }
        }
        assert_eq!(live.len(), written.len(), "{name}");
    }
}

#[test]
fn voltages_are_the_same() {
    for (name, context) in contexts() {
        let live = session_volts(&session(&context), &context);
        let file = file_volts(&Line::new("take", LENGTH_S, notes(), context));
        assert_eq!(live.len(), file.len());
        // A file fills the time between frames with a straight line: after a step it may
        // be a hop and a sample early.
        let reach = (HOP_S * CV_RATE_HZ).ceil() as usize + 1;
        let first = (NOTES[0].0 * CV_RATE_HZ) as usize + 1;
        for at in first..live.len() {
            let near = &file[at.saturating_sub(reach)..(at + reach).min(file.len())];
            // A cent, and two hundredths of a volt of loudness and of brightness.
            for (channel, tolerance) in [(0, 1.0 / 1200.0), (3, 0.02), (4, 0.02)] {
                let volts = live[at][channel];
                let low = near.iter().fold(f64::MAX, |m, v| m.min(v[channel])) - tolerance;
                let high = near.iter().fold(f64::MIN, |m, v| m.max(v[channel])) + tolerance;
                assert!(
                    (low..=high).contains(&volts),
                    "{name}, {channel} at {}: {volts} not in {low}..{high}",
                    at as f64 / CV_RATE_HZ
                );
            }
            // Gate and trigger to the sample.
            assert_eq!(
                live[at][1..3],
                file[at][1..3],
                "{name} at {}",
                at as f64 / CV_RATE_HZ
            );
        }
    }
}
