//! A MIDI file plays back at the pitch that was played, within a cent.
//!
//! The file is rendered with Debian's fluidsynth (an independent reader of
//! Standard MIDI Files) and tracked again. The sampled instrument has a tuning
//! of its own, so each note is held against the same key rendered unbent.
#![cfg(feature = "cli")]

mod common;

use common::{render_midi, rows, semitones, succeed, write_wav};
use leadpipe::internals::demo::brass::{Played, Room, play};

#[test]
fn bends_are_heard_back_within_a_cent() {
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str| folder.path().join(name);
    let offsets = [0.0, 0.23, -0.31, 0.42, -0.07];
    let keys = [58.0, 60.0, 62.0, 57.0, 65.0];
    let line = |bent: f64| -> Vec<Played> {
        (0..5)
            .map(|i| {
                let onset_s = 0.3 + 1.3 * i as f64;
                Played::new(onset_s, onset_s + 1.0, keys[i] + bent * offsets[i], 0.6)
            })
            .collect()
    };
    let replay = |bent: f64| {
        let (take, out) = (file("take.wav"), file("out"));
        write_wav(
            &take,
            48_000,
            &[&play(&line(bent), 7.0, &Room::default(), 11)],
        );
        let args = [
            "transcribe",
            take.to_str().unwrap(),
            "--out",
            out.to_str().unwrap(),
            "--write",
            "midi,csv",
        ];
        succeed(&args);
        let played = rows(&std::fs::read_to_string(out.join("take.csv")).unwrap());
        let wav = file("again.wav");
        render_midi(&out.join("take.mid"), &wav);
        let again = rows(&succeed(&[
            "transcribe",
            wav.to_str().unwrap(),
            "--format",
            "csv",
        ]));
        assert_eq!((played.len(), again.len()), (5, 5));
        (played, again)
    };
    let (straight_played, straight) = replay(0.0);
    let (bent_played, bent) = replay(1.0);
    for i in 0..5 {
        let asked =
            semitones(bent_played[i].frequency_hz) - semitones(straight_played[i].frequency_hz);
        let got = semitones(bent[i].frequency_hz) - semitones(straight[i].frequency_hz);
        assert!((asked - offsets[i]).abs() < 0.01, "{asked} {}", offsets[i]);
        assert!(
            (got - asked).abs() < 0.01,
            "note {i}: asked {asked:.4}, got {got:.4} semitones"
        );
        assert!((bent[i].onset_s - bent_played[i].onset_s).abs() < 0.04);
    }
}

#[test]
fn events_are_complete_and_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().to_str().unwrap();
    succeed(&["demo", "--out", out]);
    let bytes = std::fs::read(folder.path().join("lamplight.mid")).unwrap();
    let smf = midly::Smf::parse(&bytes).unwrap();
    assert_eq!(smf.tracks.len(), 1);
    let mut sounding = Vec::new();
    let (mut notes, mut bends, mut breath, mut slurs) = (0, 0, 0, 0);
    let mut controllers = Vec::new();
    for event in &smf.tracks[0] {
        // At a slur the next note is there before the old one ends, at the same time.
        assert!(sounding.len() <= 1 || event.delta == 0, "one voice");
        let midly::TrackEventKind::Midi { message, channel } = event.kind else {
            continue;
        };
        assert_eq!(channel.as_int(), 0);
        match message {
            midly::MidiMessage::NoteOn { key, vel } => {
                assert!(vel.as_int() > 0);
                slurs += sounding.len();
                sounding.push(key);
                notes += 1;
            }
            midly::MidiMessage::NoteOff { key, .. } => {
                assert!(sounding.contains(&key));
                sounding.retain(|held| *held != key);
            }
            midly::MidiMessage::PitchBend { .. } => bends += 1,
            midly::MidiMessage::Controller { controller, value } if notes > 0 => {
                // Breath ends with the note, and expression never stays at nothing.
                match controller.as_int() {
                    2 => assert!(value > 0 || sounding.is_empty()),
                    11 => assert!(value > 0),
                    other => panic!("controller {other} in a note"),
                }
                breath += usize::from(controller == 2);
            }
            midly::MidiMessage::Controller { controller, value } => {
                controllers.push((controller.as_int(), value.as_int()));
            }
            midly::MidiMessage::ProgramChange { .. } => assert_eq!(notes, 0, "before all notes"),
            other => panic!("{other:?}"),
        }
    }
    assert!(sounding.is_empty(), "nothing hangs");
    assert_eq!(notes, leadpipe::internals::demo::line::notes().len());
    assert!(bends > 100 && breath > 100 && slurs > 0);
    // RPN 0,0 with 12 semitones, then the null parameter; all at rest; the first note's.
    assert_eq!(
        controllers[..10],
        [
            (101, 0),
            (100, 0),
            (6, 12),
            (38, 0),
            (101, 127),
            (100, 127),
            (123, 0),
            (1, 0),
            (2, 0),
            (11, 127)
        ]
    );
    let first: Vec<u8> = controllers[10..].iter().map(|(c, _)| *c).collect();
    assert_eq!(first, [2, 11]);
}
