//! The promise: a note has one name in the table, the lists, the report and the part, by
//! the key of the part, and the MIDI file has that key as it sounds.
#![cfg(feature = "cli")]

mod common;

use std::path::Path;

use common::succeed;

/// A tune that goes up and down the E major scale, home to E, as it sounds.
const TUNE: [i32; 16] = [
    64, 66, 68, 69, 71, 73, 75, 76, 75, 73, 71, 69, 68, 66, 63, 64,
];

fn written(folder: &Path, options: &[&str]) -> String {
    let mut rows = String::from("onset_s,offset_s,midi\n");
    for (i, key) in TUNE.iter().enumerate() {
        let from_s = 1.0 + 0.5 * i as f64;
        rows += &format!("{from_s},{},{key}\n", from_s + 0.42);
    }
    let list = folder.join("tune.csv");
    std::fs::write(&list, rows).unwrap();
    let out = folder.join("out");
    let mut args = vec![
        "write",
        list.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
    ];
    args.extend(["--write", "csv,json,midi,musicxml,report,svg"]);
    args.extend(options);
    succeed(&args)
}

/// Names as each output has them.
fn names(folder: &Path, table: &str) -> Vec<(&'static str, Vec<String>)> {
    let read = |ending: &str| std::fs::read_to_string(folder.join("out/tune.".to_owned() + ending));
    let csv = read("csv").unwrap();
    let csv = csv
        .lines()
        .skip(1)
        .map(|row| row.split(',').nth(7).unwrap().to_owned());
    let json: serde_json::Value = serde_json::from_str(&read("json").unwrap()).unwrap();
    let json = json["notes"].as_array().unwrap().iter();
    let json = json.map(|n| n["written"].as_str().unwrap().to_owned());
    let rows = table.lines().skip(2).take(TUNE.len());
    let table = rows.map(|row| row.split_whitespace().nth(3).unwrap().to_owned());
    let html = read("html").unwrap();
    let html = html.split("\"name\":\"").skip(1);
    let html = html.map(|rest| rest.split('"').next().unwrap().to_owned());
    let xml = read("musicxml").unwrap();
    let xml = xml.split("<pitch>").skip(1).map(|pitch| {
        let text = |name: &str| {
            let from = pitch.find(&format!("<{name}>"))? + name.len() + 2;
            pitch[..pitch.find("</pitch>")?]
                .get(from..)?
                .split('<')
                .next()
        };
        let alter = match text("alter") {
            Some("1") => "#",
            Some("-1") => "b",
            Some("2") => "##",
            _ => "",
        };
        format!(
            "{}{alter}{}",
            text("step").unwrap(),
            text("octave").unwrap()
        )
    });
    vec![
        ("csv", csv.collect()),
        ("json", json.collect()),
        ("table", table.collect()),
        ("report", html.take(TUNE.len()).collect()),
        ("musicxml", xml.collect()),
    ]
}

/// Sharps of the MIDI file's key signature.
fn midi_key(folder: &Path) -> i8 {
    let bytes = std::fs::read(folder.join("out/tune.mid")).unwrap();
    let smf = midly::Smf::parse(&bytes).unwrap();
    let key = smf.tracks[0].iter().find_map(|e| match e.kind {
        midly::TrackEventKind::Meta(midly::MetaMessage::KeySignature(fifths, _)) => Some(fifths),
        _ => None,
    });
    key.expect("a key signature")
}

#[test]
fn a_note_has_one_name() {
    let folder = tempfile::tempdir().unwrap();
    // In concert pitch; a trumpet reads F sharp; a horn B.
    for (options, first, sharps, sounds) in [
        (&[][..], "E4 F#4 G#4 A4", "4", 4),
        (&["--horn", "trumpet"], "F#4 G#4 A#4 B4", "6", 4),
        (&["--horn", "horn"], "B4 C#5 D#5 E5", "5", 4),
        // The same in flats where that was asked for.
        (
            &["--horn", "trumpet", "--key", "G flat"],
            "Gb4 Ab4 Bb4 Cb5",
            "-6",
            4,
        ),
    ] {
        let table = written(folder.path(), options);
        let names = names(folder.path(), &table);
        let expected = &names[0].1;
        assert_eq!(expected[..4].join(" "), first, "{options:?}");
        for (which, names) in &names {
            assert_eq!(names, expected, "{which} with {options:?}");
        }
        let (texts, _) = common::part::read(&folder.path().join("out/tune.musicxml"));
        assert_eq!(texts["fifths"], sharps, "{options:?}");
        assert_eq!(midi_key(folder.path()), sounds, "{options:?}");
    }
}

/// Where nothing is transposed a note sounds as it is written, with seven sharps too.
#[test]
fn a_note_that_is_not_transposed_sounds_as_it_is_written() {
    let folder = tempfile::tempdir().unwrap();
    for horn in ["trumpet-c", "trombone"] {
        let table = written(folder.path(), &["--horn", horn, "--key", "C#"]);
        let names = names(folder.path(), &table);
        assert_eq!(names[0].1[..4].join(" "), "E4 F#4 G#4 A4");
        for (which, names_there) in &names {
            assert_eq!(names_there, &names[0].1, "{which}");
        }
        let csv = std::fs::read_to_string(folder.path().join("out/tune.csv")).unwrap();
        for row in csv.lines().skip(1) {
            let row: Vec<&str> = row.split(',').collect();
            assert_eq!(row[6], row[7], "{horn}");
        }
        assert_eq!(midi_key(folder.path()), 7);
    }
}

#[test]
fn a_comparison_names_notes_as_the_score_does() {
    let folder = tempfile::tempdir().unwrap();
    written(folder.path(), &["--horn", "trumpet", "--key", "G flat"]);
    let demo = folder.path().join("demo");
    succeed(&["demo", "--out", demo.to_str().unwrap()]);
    let take = demo.join("lamplight.wav");
    let score = folder.path().join("out/tune.musicxml");
    let args = ["compare", take.to_str().unwrap(), score.to_str().unwrap()];
    let rows = succeed(&[&args[..], &["--horn", "trumpet", "--format", "csv"]].concat());
    let mut rows = csv::Reader::from_reader(rows.as_bytes());
    let targets: Vec<String> = rows
        .records()
        .map(|row| row.unwrap()[2].to_owned())
        .filter(|name| !name.is_empty())
        .collect();
    assert_eq!(targets[..4].join(" "), "Gb4 Ab4 Bb4 Cb5");
}
