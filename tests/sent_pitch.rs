//! What is sent is what was played: the files of a take and the session that plays it
//! send the same keys at the same pitches, whatever table, snap and source.
#![cfg(feature = "live")]

use std::io::Cursor;
use std::sync::Arc;

use leadpipe::internals::demo::brass::{Played, Room, play};
use leadpipe::internals::live::command::Command;
use leadpipe::internals::live::control_event::ControlEvent;
use leadpipe::internals::live::engine::Engine;
use leadpipe::internals::live::setup::{Choices, Setup};
use leadpipe::internals::output::midi_encoder::MidiEncoder;
use leadpipe::internals::sending::DynamicRange;
use leadpipe::internals::sending::note_source::{Draw, NoteSource, Sequence};
use leadpipe::internals::tuning::catalogue;
use leadpipe::{
    ControlVoltage, Line, LineContext, MidiFile, Mode, Output, Pitch, Reference, Settings, Snap,
    Transcriber, Tuning,
};
use midly::{MetaMessage, MidiMessage, PitchBend, Smf, TrackEventKind};

const RATE_HZ: f64 = 48_000.0;
/// Played in a take: some of it far from any pitch of a pentatonic.
const PLAYED: [f64; 5] = [58.0, 62.04, 61.37, 64.8, 66.21];
/// How far file and session may be apart in the middle of a note, in cents: they read
/// the pitch with different windows.
const NEAR_CENTS: f64 = 4.0;

fn take() -> Vec<f32> {
    let note = |(i, pitch): (usize, &f64)| {
        let onset_s = 0.3 + 0.9 * i as f64;
        Played::new(onset_s, onset_s + 0.7, *pitch, 0.6)
    };
    let notes: Vec<Played> = PLAYED.iter().enumerate().map(note).collect();
    play(&notes, 5.0, &Room::default(), 3)
}

/// Middle of each note, seconds.
fn middles() -> impl Iterator<Item = f64> {
    (0..PLAYED.len()).map(|i| 0.3 + 0.9 * i as f64 + 0.4)
}

/// Key and sounding pitch at a time.
type Sounding = Vec<(f64, Option<u8>, f64)>;

fn at(sounding: &Sounding, time_s: f64) -> (Option<u8>, f64) {
    let last = sounding.iter().rev().find(|(t, ..)| *t <= time_s);
    last.map_or((None, 0.0), |(_, key, bend)| (*key, *bend))
}

/// Follows MIDI messages.
#[derive(Default)]
struct Receiver {
    key: Option<u8>,
    bend: f64,
    heard: Sounding,
}

impl Receiver {
    fn hear(&mut self, time_s: f64, message: MidiMessage) {
        match message {
            MidiMessage::NoteOn { key, .. } => self.key = Some(key.into()),
            MidiMessage::NoteOff { key, .. } if self.key == Some(key.into()) => self.key = None,
            MidiMessage::PitchBend {
                bend: PitchBend(bend),
            } => {
                self.bend = 12.0 * (f64::from(bend.as_int()) - 8192.0) / 8192.0;
            }
            _ => return,
        }
        self.heard.push((time_s, self.key, self.bend));
    }
}

fn session(samples: &[f32], setup: Setup, commands: &[(f64, Command)]) -> (Sounding, Vec<f64>) {
    let mut engine = Engine::new(setup, DynamicRange::default());
    let mut encoder = MidiEncoder::new(0, None);
    let mut receiver = Receiver::default();
    let (mut starts, mut bytes) = (Vec::new(), Vec::new());
    let mut commands = commands.iter().peekable();
    let mut hear = |events: &mut Vec<ControlEvent>, now_s: f64| {
        for event in events.drain(..) {
            if let ControlEvent::NoteOn(start) = &event {
                starts.push(start.name.pitch.0);
            }
            if let Some(sent) = event.sent() {
                encoder.encode(&sent, &mut bytes);
            }
            for [status, a, b] in bytes.drain(..) {
                let message = [status, a, b];
                let event = midly::live::LiveEvent::parse(&message);
                if let Ok(midly::live::LiveEvent::Midi { message, .. }) = event {
                    receiver.hear(now_s, message);
                }
            }
        }
    };
    let mut events = Vec::new();
    for block in samples.chunks(128) {
        while let Some((_, command)) = commands.next_if(|(at_s, _)| *at_s <= engine.now_s()) {
            engine.apply(command, &mut events);
        }
        engine.process(block, &mut events);
        hear(&mut events, engine.now_s());
    }
    engine.finish(&mut events);
    hear(&mut events, engine.now_s());
    (receiver.heard, starts)
}

fn setup(tunings: &[Tuning], snap: Snap, source: NoteSource) -> Setup {
    let mut context = LineContext::new(tunings[0].clone());
    context.snap = snap;
    let choices = Choices {
        horns: Vec::new(),
        tunings: tunings.iter().cloned().map(Arc::new).collect(),
        sources: vec![source],
    };
    Setup::new(choices, context, -65.0, RATE_HZ).unwrap()
}

fn file(line: &Line) -> (Sounding, Vec<f64>) {
    let mut written = Cursor::new(Vec::new());
    MidiFile::default().write(line, &mut written).unwrap();
    let written = written.into_inner();
    let smf = Smf::parse(&written).unwrap();
    let mut receiver = Receiver::default();
    // 960 ticks a quarter, and half a second a quarter until a tempo is given.
    let (mut now_s, mut quarter_s) = (0.0, 0.5);
    for event in &smf.tracks[0] {
        now_s += f64::from(u32::from(event.delta)) * quarter_s / 960.0;
        match event.kind {
            TrackEventKind::Midi { message, .. } => receiver.hear(now_s, message),
            TrackEventKind::Meta(MetaMessage::Tempo(micros)) => {
                quarter_s = f64::from(u32::from(micros)) / 1e6;
            }
            _ => {}
        }
    }
    let cv = ControlVoltage {
        full_scale_v: 10.0,
        sample_rate_hz: 4_000,
    };
    let mut written = Cursor::new(Vec::new());
    cv.write(line, &mut written).unwrap();
    written.set_position(0);
    let reader = hound::WavReader::new(written).unwrap();
    let samples: Vec<f32> = reader.into_samples().map(Result::unwrap).collect();
    let pitch = |frame: &[f32]| 60.0 + 120.0 * f64::from(frame[0]);
    (receiver.heard, samples.chunks(4).map(pitch).collect())
}

/// Whether a few cents decide which pitch of the tuning is nearer.
fn on_a_border(tuning: &Tuning, played: f64) -> bool {
    let mut off: Vec<f64> = tuning
        .pitches()
        .iter()
        .map(|p| (p - played).abs())
        .collect();
    off.sort_by(f64::total_cmp);
    off[1] - off[0] < 0.12
}

#[test]
fn file_and_session_send_the_same() {
    let samples = take();
    let settings = Settings::builder(RATE_HZ).build().unwrap();
    let mut transcriber = Transcriber::new(settings, Mode::Full);
    transcriber.push(&samples);
    let notes = transcriber.finish().notes;
    assert_eq!(notes.len(), PLAYED.len());
    for table in catalogue() {
        let tuning = Tuning::new(&table, None, Reference::default()).unwrap();
        for snap in [Snap::Off, Snap::Bend, Snap::Hard] {
            let mut context = LineContext::new(tuning.clone());
            context.snap = snap;
            let (midi, cv) = file(&Line::new("take", 5.0, notes.clone(), context));
            let live = setup(std::slice::from_ref(&tuning), snap, NoteSource::Follow);
            let (live, _) = session(&samples, live, &[]);
            for (middle_s, played) in middles().zip(PLAYED) {
                if snap != Snap::Off && on_a_border(&tuning, played) {
                    continue;
                }
                let what = format!("{} {snap:?} {played}", tuning.name());
                let ((key, bend), (live_key, live_bend)) =
                    (at(&midi, middle_s), at(&live, middle_s));
                let sent = f64::from(key.unwrap()) + bend;
                let live_sent = f64::from(live_key.unwrap()) + live_bend;
                assert_eq!(key, live_key, "{what}");
                assert!(
                    (sent - live_sent).abs() * 100.0 < NEAR_CENTS,
                    "{what}: {sent} {live_sent}"
                );
                let volts = cv[(middle_s * 4_000.0) as usize];
                assert!(
                    (volts - sent).abs() * 100.0 < NEAR_CENTS,
                    "{what}: {volts} {sent}"
                );
                let meant = match snap {
                    Snap::Off => played,
                    Snap::Bend | Snap::Hard => tuning.nearest(Pitch(played)).0,
                };
                assert!(
                    (sent - meant).abs() * 100.0 < NEAR_CENTS,
                    "{what}: {sent} {meant}"
                );
            }
        }
    }
}

#[test]
fn a_source_is_sent_at_its_own_pitch() {
    let samples = take();
    let sequence = || NoteSource::Sequence(Sequence::new(vec![Pitch(48.0), Pitch(51.0)]).unwrap());
    for table in catalogue() {
        let tuning = Tuning::new(&table, None, Reference::default()).unwrap();
        let draw = Draw::new(&tuning, Pitch(47.5), Pitch(72.5), &[], 1).unwrap();
        for (source, snap) in [
            (sequence(), Snap::Off),
            (sequence(), Snap::Bend),
            (sequence(), Snap::Hard),
            (NoteSource::Draw(draw.clone()), Snap::Off),
            (NoteSource::Draw(draw.clone()), Snap::Bend),
            (NoteSource::Draw(draw), Snap::Hard),
        ] {
            // The same source tells what is to come.
            let mut same = source.clone();
            let live = setup(std::slice::from_ref(&tuning), snap, source);
            let (live, starts) = session(&samples, live, &[]);
            assert_eq!(starts.len(), PLAYED.len());
            for (middle_s, start) in middles().zip(starts) {
                let meant = same.attack().unwrap().0;
                let (key, bend) = at(&live, middle_s);
                let sent = f64::from(key.unwrap()) + bend;
                let what = format!(
                    "{} {snap:?} {}: {sent} {start} {meant}",
                    tuning.name(),
                    same.name()
                );
                assert!((sent - meant).abs() * 100.0 < NEAR_CENTS, "{what}");
                assert!((start - meant).abs() * 100.0 < NEAR_CENTS, "{what}");
                assert!(
                    (f64::from(key.unwrap()) - meant).abs() <= 0.5 + 1e-9,
                    "{what}"
                );
            }
        }
    }
}

#[test]
fn draw_follows_the_tuning() {
    let tunings =
        ["major", "whole-tone"].map(|n| Tuning::find(n, Some("C"), Reference::default()).unwrap());
    let draw = Draw::new(&tunings[0], Pitch(47.5), Pitch(72.5), &[], 5).unwrap();
    let live = setup(&tunings, Snap::Hard, NoteSource::Draw(draw));
    let takes = [take(), take(), take(), take()].concat();
    let (_, starts) = session(&takes, live, &[(4.9, Command::NextTuning)]);
    let (before, after) = starts.split_at(PLAYED.len());
    let of = |tuning: &Tuning, p: &f64| (tuning.nearest(Pitch(*p)).0 - p).abs() < 1e-6;
    assert!(before.iter().all(|p| of(&tunings[0], p)), "{before:?}");
    assert!(after.iter().all(|p| of(&tunings[1], p)), "{after:?}");
    assert_eq!(after.len(), 3 * PLAYED.len());
}
