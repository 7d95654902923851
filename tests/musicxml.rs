//! The promise: a line played at a steady tempo comes out as a part that can be
//! printed: written pitch, rhythm, bars, slurs and marks. Read back here by the
//! elements of MusicXML 4.0; `scripts/melodies.py` reads parts with music21.
#![cfg(feature = "cli")]

mod common;

use std::path::Path;

use common::succeed;
use leadpipe::internals::demo::brass::{Bend, Played, Room, play};
use quick_xml::Reader;
use quick_xml::events::Event;

/// A note or rest as it stands in the file.
#[derive(Debug, Clone, Default, PartialEq)]
struct Read {
    pitch: String,
    duration: u32,
    kind: String,
    dots: usize,
    tied_on: bool,
    marks: Vec<String>,
}

#[derive(Debug, Default)]
struct Part {
    notes: Vec<Read>,
    bars: Vec<u32>,
    text: std::collections::HashMap<String, String>,
}

fn read(path: &Path) -> Part {
    let text = std::fs::read_to_string(path).unwrap();
    let mut reader = Reader::from_str(&text);
    let (mut part, mut note, mut element) = (Part::default(), Read::default(), String::new());
    loop {
        match reader.read_event().expect("well-formed XML") {
            Event::Eof => return part,
            Event::Start(tag) => {
                element = tag.name().as_ref().to_owned();
                match element.as_str() {
                    "note" => note = Read::default(),
                    "measure" => part.bars.push(0),
                    _ => {}
                }
            }
            Event::Empty(tag) => {
                let what = tag.name().as_ref().to_owned();
                let kind = tag.try_get_attribute("type").unwrap();
                let kind = kind.map_or(String::new(), |a| a.value.to_string());
                match what.as_str() {
                    "rest" => note.pitch = "rest".into(),
                    "dot" => note.dots += 1,
                    "tie" if kind == "start" => note.tied_on = true,
                    "slur" | "tuplet" | "glissando" => note.marks.push(format!("{what} {kind}")),
                    "staccato" | "staccatissimo" | "accent" | "tenuto" | "falloff" | "doit" => {
                        note.marks.push(what)
                    }
                    _ => {}
                }
            }
            Event::Text(text) => {
                let text = text.trim().to_owned();
                match element.as_str() {
                    _ if text.is_empty() => {}
                    "step" | "octave" => note.pitch += &text,
                    "alter" => note.pitch += if text == "1" { "#" } else { "b" },
                    "duration" => note.duration = text.parse().unwrap(),
                    "type" => note.kind = text,
                    _ => drop(part.text.insert(element.clone(), text)),
                }
            }
            Event::End(tag) => {
                element.clear();
                if tag.name().as_ref() == "note" {
                    *part.bars.last_mut().unwrap() += note.duration;
                    part.notes.push(note.clone());
                }
            }
            _ => {}
        }
    }
}

const TEMPO: f64 = 96.0;

/// Plays a tune on the flugelhorn: written key, beats, share of them that sounds,
/// whether it is slurred to. The first note begins after a second.
fn part(tune: &[(i32, f64, f64, bool)], options: &[&str]) -> Part {
    let folder = tempfile::tempdir().unwrap();
    let beat_s = 60.0 / TEMPO;
    let mut at_s = 1.0;
    let mut notes = Vec::new();
    for (written, beats, share, slurred) in tune {
        // The flugelhorn sounds a whole tone lower.
        let note = Played::new(
            at_s,
            at_s + share * beats * beat_s,
            f64::from(written - 2),
            0.6,
        );
        notes.push(if *slurred { note.slurred() } else { note });
        at_s += beats * beat_s;
    }
    let last = notes.len() - 1;
    if options.contains(&"falling") {
        notes[last] = notes[last].bent(Bend::Fall {
            cents: 420.0,
            over_s: 0.35,
        });
    }
    if options.contains(&"sliding") {
        notes[1] = notes[1].bent(Bend::Slide { semitones: 7.0 });
    }
    let take = folder.path().join("tune.wav");
    common::write_wav(
        &take,
        48_000,
        &[&play(&notes, at_s + 0.5, &Room::default(), 3)],
    );
    let mut args = vec![
        "transcribe",
        take.to_str().unwrap(),
        "--horn",
        "flugelhorn",
        "--write",
        "musicxml",
    ];
    args.extend(["--out", folder.path().to_str().unwrap()]);
    args.extend(
        options
            .iter()
            .filter(|o| !["falling", "sliding"].contains(*o)),
    );
    succeed(&args);
    read(&folder.path().join("tune.musicxml"))
}

#[test]
fn a_tune_comes_back_as_it_was_written() {
    // Two bars and a half in common time; the long note crosses the bar line.
    let tune = [
        (60, 1.0, 0.9, false),
        (62, 0.5, 0.9, false),
        (64, 0.5, 0.9, false),
        (67, 1.5, 0.9, false),
        (65, 0.5, 0.9, false),
        (64, 1.0, 0.35, false),
        (62, 1.0, 0.35, false),
        (60, 1.0, 0.97, false),
        (66, 2.0, 0.97, false),
        (67, 1.0, 0.9, false),
    ];
    let part = part(
        &tune,
        &[
            "--tempo", "96", "--meter", "4/4", "--pickup", "0", "--key", "0",
        ],
    );
    let written: Vec<(&str, u32)> = part
        .notes
        .iter()
        .map(|n| (n.pitch.as_str(), n.duration))
        .collect();
    assert_eq!(
        written,
        [
            ("C4", 24),
            ("D4", 12),
            ("E4", 12),
            ("G4", 36),
            ("F4", 12),
            ("E4", 24),
            ("D4", 24),
            ("C4", 24),
            ("F#4", 24),
            ("F#4", 24),
            ("G4", 24),
            ("rest", 48),
        ]
    );
    assert_eq!(part.bars, [96, 96, 96]);
    assert!(part.notes[8].tied_on && !part.notes[9].tied_on);
    assert_eq!(
        (part.notes[3].kind.as_str(), part.notes[3].dots),
        ("quarter", 1)
    );
    assert_eq!(part.notes[5].marks, ["staccato"]);
    // It sounds a major second lower; 24 ticks to the quarter.
    for (element, value) in [
        ("chromatic", "-2"),
        ("diatonic", "-1"),
        ("divisions", "24"),
        ("per-minute", "96"),
    ] {
        assert_eq!(part.text[element], value);
    }
}

#[test]
fn triplets_slurs_and_falls_are_marked() {
    let third = 1.0 / 3.0;
    let tune = [
        (60, 1.0, 0.9, false),
        (62, third, 0.7, false),
        (64, third, 0.7, false),
        (65, third, 0.7, false),
        (67, 1.0, 1.0, false),
        (69, 1.0, 0.8, true),
        (72, 4.0, 0.55, false),
    ];
    let part = part(&tune, &["--tempo", "96", "--meter", "4/4", "falling"]);
    let lengths: Vec<u32> = part.notes.iter().take(6).map(|n| n.duration).collect();
    assert_eq!(lengths, [24, 8, 8, 8, 24, 24]);
    assert_eq!(part.notes[1].marks, ["tuplet start"]);
    assert_eq!(part.notes[3].marks, ["tuplet stop"]);
    assert!(part.notes[4].marks.contains(&"slur start".to_owned()));
    assert!(part.notes[5].marks.contains(&"slur stop".to_owned()));
    assert!(
        part.notes[6].marks.contains(&"falloff".to_owned()),
        "{:?}",
        part.notes[6]
    );
}

#[test]
fn slides_and_held_notes_are_marked() {
    let tune = [
        (60, 1.0, 0.5, false),
        (60, 1.0, 0.93, false),
        (67, 1.0, 0.7, false),
        (65, 1.0, 0.7, false),
        (64, 1.0, 0.7, false),
        (65, 1.0, 0.7, false),
        (64, 1.0, 0.95, false),
        (62, 1.0, 0.7, false),
    ];
    let part = part(&tune, &["--tempo", "96", "--meter", "4/4", "sliding"]);
    // The tune may begin within its bar, after a rest.
    let rests = part.notes.iter().take_while(|n| n.pitch == "rest").count();
    let notes = &part.notes[rests..];
    let marks = |at: usize, mark: &str| notes[at].marks.iter().any(|m| m == mark);
    assert!(
        marks(1, "glissando start") && marks(2, "glissando stop"),
        "{notes:?}"
    );
    // The slide is written where it begins.
    assert_eq!(notes[1].pitch, "C4");
    assert!(marks(1, "tenuto") && marks(6, "tenuto"), "{notes:?}");
    let tenuti = notes
        .iter()
        .filter(|n| n.marks.iter().any(|m| m == "tenuto"));
    assert_eq!(tenuti.count(), 2, "{notes:?}");
}

/// A slide over a bar line is a line from its last value, and no mark besides.
#[test]
fn a_tied_slide_is_one_line() {
    let tune = [
        (60, 3.0, 0.9, false),
        (60, 2.0, 0.97, false),
        (67, 1.0, 0.9, false),
        (65, 1.0, 0.9, false),
    ];
    let part = part(&tune, &["--tempo", "96", "--meter", "4/4", "sliding"]);
    let slide = &part.notes[1..3];
    assert_eq!(slide[0].pitch, slide[1].pitch, "{:?}", part.notes);
    assert!(slide[0].tied_on && !slide[1].tied_on);
    let of = |note: &Read, marks: [&str; 3]| {
        let found = note.marks.iter().filter(|m| marks.contains(&m.as_str()));
        found.cloned().collect::<Vec<_>>()
    };
    let marks = ["glissando start", "doit", "falloff"];
    assert_eq!(of(&slide[0], marks), [""; 0]);
    assert_eq!(of(&slide[1], marks), ["glissando start"]);
}

#[test]
fn tempo_and_key_are_estimated() {
    let scale = [65, 67, 69, 70, 72, 74, 76, 77, 76, 74, 72, 70, 69, 67, 65];
    let tune: Vec<_> = scale.iter().map(|key| (*key, 1.0, 0.9, false)).collect();
    let part = part(&tune, &[]);
    let tempo: f64 = part.text["per-minute"].parse().unwrap();
    assert!((tempo - TEMPO).abs() <= 1.0, "{tempo}");
    assert_eq!(part.text["fifths"], "-1", "F major");
    assert!(
        part.notes[..15].iter().all(|n| n.duration == 24),
        "{:?}",
        part.notes
    );
}

/// A key that is named with its mode keeps it; a signature alone has none.
#[test]
fn the_mode_of_a_key_is_kept() {
    for (key, fifths, mode) in [
        ("F#m", "3", Some("minor")),
        ("E flat major", "-3", Some("major")),
        ("3", "3", None),
    ] {
        let part = part(&[(60, 1.0, 0.9, false)], &["--key", key]);
        assert_eq!(part.text["fifths"], fifths, "{key}");
        assert_eq!(part.text.get("mode").map(String::as_str), mode, "{key}");
    }
}

#[test]
fn a_free_part_has_one_bar() {
    let part = part(
        &[(60, 1.3, 0.9, false), (64, 2.1, 0.9, false)],
        &["--meter", "free", "--tempo", "96"],
    );
    assert_eq!(part.bars.len(), 1);
    assert!(!part.text.contains_key("beats"));
}

#[test]
fn nonsense_is_refused() {
    for (option, value) in [
        ("--meter", "four"),
        ("--meter", "0/4"),
        ("--tempo", "0"),
        ("--key", "9"),
    ] {
        let (code, errors) = common::fail(&["transcribe", "x.wav", option, value]);
        assert_eq!(code, 2, "{errors}");
    }
}

/// A first bar that is whole is bar 1, whether it begins with a note or fills up with rests; a
/// shorter one is a pickup and not counted.
#[test]
fn only_a_shorter_first_bar_is_a_pickup() {
    let folder = tempfile::tempdir().unwrap();
    let list = folder.path().join("line.csv");
    let measures = |rows: &str| -> Vec<String> {
        let header = "onset_s,offset_s,midi,meter,bar,beat,value\n";
        std::fs::write(&list, format!("{header}{rows}")).unwrap();
        let out = folder.path().join("out");
        succeed(&[
            "write",
            list.to_str().unwrap(),
            "--out",
            out.to_str().unwrap(),
            "--write",
            "musicxml",
        ]);
        let page = std::fs::read_to_string(out.join("line.musicxml")).unwrap();
        let found = page.split("<measure ").skip(1);
        found
            .map(|rest| rest[..rest.find('>').unwrap()].to_owned())
            .collect()
    };
    let whole = "0,2,60,4/4,1,1,4\n2,4,62,4/4,2,1,4\n";
    assert_eq!(measures(whole), ["number=\"1\"", "number=\"2\""]);
    let later = "0.5,2,60,4/4,1,2,3\n2,4,62,4/4,2,1,4\n";
    assert_eq!(measures(later), ["number=\"1\"", "number=\"2\""]);
    let pickup = "0,0.5,60,4/4,0,4,1\n0.5,2.5,62,4/4,1,1,4\n";
    assert_eq!(
        measures(pickup),
        ["number=\"0\" implicit=\"yes\"", "number=\"1\""]
    );
}
