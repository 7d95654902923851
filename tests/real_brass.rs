//! Notes of real recordings that the registries carry come back.
//!
//! Trombone: four notes of a tenor trombone, University of Iowa Electronic Music
//! Studios, public domain, as the crate `pitch-detection` 0.3.0 carries them (see
//! `fixtures/README.md`). Trumpet, muted trumpet, trombone, tuba, French horn: sampled
//! brass of Debian's `fluid-soundfont-gm`, played by Debian's `fluidsynth` from
//! MIDI files written here.
#![cfg(feature = "cli")]

mod common;

use std::path::Path;

use common::{fixture, render_midi, rows, semitones, succeed};
use midly::num::{u4, u7, u15, u28};
use midly::{Format, Header, MidiMessage, Smf, Timing, TrackEvent, TrackEventKind};

#[test]
fn recorded_trombone_notes() {
    for (name, key) in [("Ab3", 56), ("B3", 59), ("C3", 48), ("Db3", 49)] {
        let path = fixture(&format!("tenor-trombone-{name}.wav"));
        for mode in [&[][..], &["--causal"]] {
            let args = [
                &[
                    "transcribe",
                    path.to_str().unwrap(),
                    "--horn",
                    "trombone",
                    "--format",
                    "csv",
                ],
                mode,
            ];
            let heard = rows(&succeed(&args.concat()));
            assert_eq!(heard.len(), 1, "{name}: {heard:?}");
            assert_eq!(heard[0].midi, key, "{name}");
            assert!(heard[0].cents.abs() < 35.0, "{name}: {heard:?}");
        }
    }
}

/// A note of a MIDI file: start and length in milliseconds, key, velocity.
type Event = (u32, u32, u8, u8);

/// Writes a one-track MIDI file at one tick a millisecond.
fn write_midi(path: &Path, program: u8, notes: &[Event]) {
    let channel = u4::from(0);
    let program = MidiMessage::ProgramChange {
        program: u7::from(program),
    };
    let mut events = vec![(0, program)];
    for &(start, length, key, velocity) in notes {
        let key = u7::from(key);
        events.push((
            start,
            MidiMessage::NoteOn {
                key,
                vel: u7::from(velocity),
            },
        ));
        events.push((
            start + length,
            MidiMessage::NoteOff {
                key,
                vel: u7::from(0),
            },
        ));
    }
    events.sort_by_key(|e| e.0);
    let mut last = 0;
    let mut track: Vec<TrackEvent> = Vec::new();
    for (tick, message) in events {
        let kind = TrackEventKind::Midi { channel, message };
        track.push(TrackEvent {
            delta: u28::from(tick - last),
            kind,
        });
        last = tick;
    }
    let end = TrackEventKind::Meta(midly::MetaMessage::EndOfTrack);
    track.push(TrackEvent {
        delta: u28::from(500),
        kind: end,
    });
    // 500 ticks a quarter at the default 120 quarters a minute.
    let timing = Timing::Metrical(u15::from(500));
    let smf = Smf {
        header: Header::new(Format::SingleTrack, timing),
        tracks: vec![track],
    };
    smf.save(path).unwrap();
}

/// General MIDI programs, counted from 0, and a line in each one's range.
const LINES: [(&str, u8, [u8; 8]); 5] = [
    ("trumpet", 56, [60, 62, 64, 67, 72, 70, 65, 58]),
    ("muted trumpet", 59, [60, 63, 65, 67, 70, 72, 69, 62]),
    ("trombone", 57, [46, 50, 53, 58, 60, 57, 51, 43]),
    ("tuba", 58, [34, 36, 39, 41, 46, 43, 38, 31]),
    ("French horn", 60, [53, 55, 58, 60, 65, 62, 57, 48]),
];

#[test]
fn sampled_brass_lines() {
    let folder = tempfile::tempdir().unwrap();
    for (name, program, keys) in LINES {
        let (midi, wav) = (
            folder.path().join("line.mid"),
            folder.path().join("line.wav"),
        );
        let notes: Vec<Event> = keys
            .iter()
            .enumerate()
            .map(|(i, &key)| (200 + 500 * i as u32, 380, key, 96))
            .collect();
        write_midi(&midi, program, &notes);
        render_midi(&midi, &wav);
        let heard = rows(&succeed(&[
            "transcribe",
            wav.to_str().unwrap(),
            "--format",
            "csv",
        ]));
        let got: Vec<i32> = heard.iter().map(|r| r.midi).collect();
        assert_eq!(got, keys.map(i32::from), "{name}: {heard:#?}");
        for (row, &(start, ..)) in heard.iter().zip(&notes) {
            let late_s = row.onset_s - f64::from(start) / 1000.0;
            assert!((-0.02..0.06).contains(&late_s), "{name}: {row:?}");
            assert!(
                (semitones(row.frequency_hz) - f64::from(row.midi)).abs() < 0.35,
                "{name}: {row:?}"
            );
        }
    }
}
