//! The promise: a note list that a person has corrected is as good as a take: every
//! output can be written from it.
#![cfg(feature = "cli")]

mod common;

use std::path::Path;

use common::{fail, succeed};

fn written(folder: &Path, list: &str, kinds: &str) -> String {
    let out = folder.join("out");
    succeed(&[
        "write",
        folder.join(list).to_str().unwrap(),
        "--horn",
        "flugelhorn",
        "--out",
        out.to_str().unwrap(),
        "--write",
        kinds,
        "--format",
        "csv",
    ])
}

/// A folder with the demo's outputs, and its list.
fn demo() -> (tempfile::TempDir, String) {
    let folder = tempfile::tempdir().unwrap();
    succeed(&["demo", "--out", folder.path().to_str().unwrap()]);
    let list = std::fs::read_to_string(folder.path().join("lamplight.csv")).unwrap();
    (folder, list)
}

#[test]
fn a_list_comes_back_as_it_is() {
    let (folder, list) = demo();
    let path = folder.path();
    // The digits that a list keeps are the only ones that can come back.
    let names = |text: &str| -> Vec<String> {
        let mut rows = csv::Reader::from_reader(text.as_bytes());
        let row = |r: csv::StringRecord| {
            let keep = [0, 1, 3, 6, 7, 9, 10, 11, 14, 18];
            keep.map(|i| r[i].to_owned()).join(" ")
        };
        rows.records().map(|r| row(r.unwrap())).collect()
    };
    assert_eq!(names(&written(path, "lamplight.csv", "csv")), names(&list));
    assert_eq!(names(&written(path, "lamplight.json", "csv")), names(&list));
}

/// `--report` writes the page that `--write report` does, with or without a folder.
#[test]
fn a_report_needs_no_folder() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let out = path("demo");
    succeed(&["demo", "--out", &out]);
    let take = path("demo/lamplight.wav");
    let page = path("lesson.html");
    let horn = ["--horn", "flugelhorn"];
    succeed(&[&["transcribe", &take, "--report", &page][..], &horn].concat());
    let kind = ["--out", &path("out"), "--write", "report"];
    succeed(&[&["transcribe", &take][..], &horn, &kind].concat());
    let read = |name: &str| std::fs::read_to_string(path(name)).unwrap();
    assert_eq!(read("lesson.html"), read("out/lamplight.html"));
    let list = path("demo/lamplight.csv");
    succeed(&["write", &list, "--report", &page]);
    let (code, errors) = fail(&["transcribe", &take, &list, "--report", &page]);
    assert!(code == 4 && errors.contains("several takes"), "{errors}");
}

#[test]
fn corrections_reach_every_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path();
    let list = "onset_s,offset_s,midi,frequency_hz\n0.5,0.9,58,233.08\n1.0,1.4,63,261.6\n";
    std::fs::write(path.join("line.csv"), list).unwrap();
    let table = written(path, "line.csv", "csv,json,midi,cv,musicxml,report,svg");
    assert!(table.contains("Eb4") && table.contains("F4"), "{table}");
    for ending in ["csv", "json", "mid", "cv.wav", "musicxml", "html", "svg"] {
        let file = path.join(format!("out/line.{ending}"));
        assert!(file.metadata().is_ok_and(|m| m.len() > 0), "{ending}");
    }
    // Voltages are held at the corrected pitch: E flat 4, a quarter of a volt over C4.
    let mut cv = hound::WavReader::open(path.join("out/line.cv.wav")).unwrap();
    let samples: Vec<f32> = cv.samples::<f32>().map(Result::unwrap).collect();
    let at = (1.2 * 48_000.0) as usize * 4;
    assert!((samples[at] * 10.0 - 0.25).abs() < 1e-4, "{}", samples[at]);
    // A MIDI file is a list too.
    std::fs::copy(path.join("out/line.mid"), path.join("again.mid")).unwrap();
    let table = written(path, "again.mid", "csv");
    assert!(
        table.contains("Eb4") && table.lines().count() == 3,
        "{table}"
    );
}

/// A note that is corrected by any of its names is another note, or the name is refused; a
/// technique that is crossed out is gone.
#[test]
fn no_correction_is_passed_over() {
    let (folder, list) = demo();
    let path = folder.path();
    let corrected = |column: &str, from: &str, to: &str| {
        let mut rows = csv::Reader::from_reader(list.as_bytes());
        let header = rows.headers().unwrap().clone();
        let at = header.iter().position(|name| name == column).unwrap();
        let mut written = csv::Writer::from_path(path.join("corrected.csv")).unwrap();
        written.write_record(&header).unwrap();
        let mut done = false;
        for row in rows.records() {
            let row = row.unwrap();
            let here = !done && row[at] == *from;
            done |= here;
            let cells = row.iter().enumerate();
            let cells = cells.map(|(i, cell)| if here && i == at { to } else { cell });
            written.write_record(cells).unwrap();
        }
        assert!(done, "{column} {from}");
    };
    for (column, from, to) in [("midi", "67", "68"), ("concert", "G4", "Ab4")] {
        corrected(column, from, to);
        let table = written(path, "corrected.csv", "csv");
        let row = table.lines().nth(10).unwrap();
        assert!(row.contains(",68,") && row.contains(",Ab4,Bb4,"), "{row}");
    }
    corrected("technique", "scoop", "");
    assert!(!written(path, "corrected.csv", "csv").contains("scoop"));
    let list = path.join("corrected.csv");
    for (column, from, to, says) in [
        (
            "written",
            "A4",
            "Bb4",
            "line 11: written is Bb4, but G4 (midi 67) is written A4",
        ),
        (
            "technique",
            "fall",
            "growl",
            "line 19: technique is \"growl\"",
        ),
    ] {
        corrected(column, from, to);
        let (code, errors) = fail(&["write", list.to_str().unwrap()]);
        assert!(code == 3 && errors.contains(says), "{errors}");
    }
}

/// The rhythm columns of a list by its header.
fn rhythm(list: &str) -> Vec<[String; 5]> {
    let mut rows = csv::Reader::from_reader(list.as_bytes());
    let header = rows.headers().unwrap().clone();
    let columns = ["meter", "bar", "beat", "value", "swing"];
    let at = columns.map(|name| header.iter().position(|h| h == name).unwrap());
    let row = |row: csv::StringRecord| at.map(|at| row[at].to_owned());
    rows.records().map(|r| row(r.unwrap())).collect()
}

/// The page of a list is that of the take, and what is corrected in its rhythm columns is on
/// the page: here the second note is a quarter later, and the fifth a grace note.
#[test]
fn a_corrected_rhythm_is_what_is_written() {
    let (folder, list) = demo();
    let path = folder.path();
    let page = |folder: &Path| {
        let page = std::fs::read_to_string(folder.join("lamplight.musicxml")).unwrap();
        page[page.find("<part ").unwrap()..].to_owned()
    };
    assert_eq!(
        rhythm(&written(path, "lamplight.csv", "musicxml")),
        rhythm(&list)
    );
    assert_eq!(
        rhythm(&written(path, "lamplight.json", "csv")),
        rhythm(&list)
    );
    let notes = |page: &str| -> Vec<String> {
        let notes = page.split("<note").skip(1);
        let element = |note: &str, name: &str| {
            let from = note.find(&format!("<{name}>"))? + name.len() + 2;
            Some(note[from..from + note[from..].find('<')?].to_owned())
        };
        notes
            .map(|n| format!("{:?} {:?}", element(n, "step"), element(n, "duration")))
            .collect()
    };
    assert_eq!(notes(&page(&path.join("out"))), notes(&page(path)));

    let small = "onset_s,offset_s,midi,meter,bar,beat,value\n\
        0.5,0.9,60,3/4,0,3,1\n\
        1.0,1.4,62,3/4,1,2,1.5\n\
        1.9,1.95,64,3/4,,,grace\n\
        2.0,2.2,65,3/4,1,3.5,0.5\n\
        2.3,2.9,67,3/4,2,1,3\n";
    std::fs::write(path.join("small.csv"), small).unwrap();
    let again = written(path, "small.csv", "musicxml,midi");
    let columns = |list: &str| -> Vec<String> {
        let rows = rhythm(list).into_iter();
        rows.map(|[_, bar, beat, value, _]| format!("{bar} {beat} {value}"))
            .collect()
    };
    assert_eq!(
        columns(&again),
        ["0 3 1", "1 2 1.5", "  grace", "1 3.5 0.5", "2 1 3"]
    );
    let page = std::fs::read_to_string(path.join("out/small.musicxml")).unwrap();
    assert!(page.contains("<beats>3</beats>") && page.contains("<grace"));
    assert!(!page.contains("estimated"), "{page}");
    // What is asked for instead is estimated.
    let small = path.join("small.csv");
    let other = succeed(&[
        "write",
        small.to_str().unwrap(),
        "--meter",
        "4/4",
        "--format",
        "csv",
    ]);
    assert!(rhythm(&other).iter().all(|row| row[0] == "4/4"), "{other}");
}

/// A MIDI file that this program wrote has its tempo, bars and key, and the page has them too.
#[test]
fn a_midi_file_keeps_its_own_beat_and_key() {
    let (folder, list) = demo();
    let places = |list: &str| -> Vec<String> {
        let rows = rhythm(list).into_iter();
        rows.map(|[meter, bar, beat, ..]| format!("{meter} {bar} {beat}"))
            .collect()
    };
    let again = written(folder.path(), "lamplight.mid", "musicxml");
    assert_eq!(places(&again), places(&list));
    // In another key and metre than anybody would guess.
    let path = |name: &str| folder.path().join(name).display().to_string();
    let asked = [
        "--meter",
        "5/4",
        "--key",
        "B",
        "--out",
        &path("other"),
        "--write",
        "midi",
    ];
    succeed(
        &[
            &["write", &path("lamplight.csv"), "--horn", "flugelhorn"][..],
            &asked,
        ]
        .concat(),
    );
    let part = [
        "--horn",
        "flugelhorn",
        "--out",
        &path("page"),
        "--write",
        "musicxml",
    ];
    succeed(&[&["write", &path("other/lamplight.mid")][..], &part].concat());
    let page = std::fs::read_to_string(path("page/lamplight.musicxml")).unwrap();
    assert!(page.contains("<fifths>5</fifths>") && page.contains("<beats>5</beats>"));
}

/// A MIDI file that this program wrote is read as it was played: to a cent, slurred or tongued,
/// with the bends of each note and how loud it is.
#[test]
fn a_midi_file_of_ones_own_keeps_pitch_and_slurs() {
    let (folder, list) = demo();
    let rows = common::rows(&list);
    let read = common::rows(&written(folder.path(), "lamplight.mid", "midi"));
    assert_eq!(read.len(), rows.len());
    for (read, row) in read.iter().zip(&rows) {
        let cents = 1200.0 * (read.frequency_hz / row.frequency_hz).log2();
        assert!(cents.abs() < 1.0, "{cents} at {}", row.onset_s);
        assert_eq!(read.attack == "slurred", row.attack == "slurred");
    }
    // Written again it is the same music: keys, velocities and bends at the same times.
    let events = |path: std::path::PathBuf| -> Vec<(u32, String)> {
        let bytes = std::fs::read(path).unwrap();
        let smf = midly::Smf::parse(&bytes).unwrap();
        let mut tick = 0;
        let mut events = Vec::new();
        for event in &smf.tracks[0] {
            tick += event.delta.as_int();
            if let midly::TrackEventKind::Midi { message, .. } = event.kind
                && let midly::MidiMessage::NoteOn { key, vel } = message
            {
                events.push((tick, format!("{key} {vel}")));
            }
        }
        events
    };
    let first = events(folder.path().join("lamplight.mid"));
    let again = events(folder.path().join("out/lamplight.mid"));
    assert_eq!(again.len(), first.len());
    for (again, first) in again.iter().zip(&first) {
        assert_eq!(again.1, first.1);
    }
    // In the file of another program notes may overlap, and bends are none of a score's.
    let own = std::fs::read(folder.path().join("lamplight.mid")).unwrap();
    let at = own
        .windows(10)
        .position(|w| w == b"\x01\x08leadpipe")
        .unwrap();
    let mut other = own;
    other[at + 2] = b'L';
    std::fs::write(folder.path().join("other.mid"), other).unwrap();
    let read = common::rows(&written(folder.path(), "other.mid", "midi"));
    assert!(read.iter().all(|row| row.attack == "tongued"));
    assert!(read.iter().all(|row| row.cents.abs() < 0.05));
}

/// A MIDI file that is cut off is not taken for a shorter one.
#[test]
fn a_midi_file_that_is_cut_off_is_refused() {
    let (folder, _) = demo();
    let whole = std::fs::read(folder.path().join("lamplight.mid")).unwrap();
    let cut = folder.path().join("cut.mid");
    for length in [whole.len() - 1, whole.len() / 2, 30] {
        std::fs::write(&cut, &whole[..length]).unwrap();
        let (code, errors) = fail(&["write", cut.to_str().unwrap()]);
        assert_eq!(code, 3, "{errors}");
        assert!(
            errors.contains("cut.mid: cut off in track 1 of 1"),
            "{errors}"
        );
        assert_eq!(errors.trim().lines().count(), 1, "{errors}");
    }
}

/// The take of a JSON list.
fn take(list: &str) -> serde_json::Value {
    serde_json::from_str::<serde_json::Value>(list).unwrap()["take"].take()
}

/// A JSON list says what it was made with and is written again with it: nothing is to be said
/// twice. Options outweigh it.
#[test]
fn a_json_list_is_written_as_it_was_made() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let (out, list) = (path("first"), path("first/lamplight.json"));
    succeed(&["demo", "--out", &path("demo")]);
    let made = [
        "--horn",
        "flugelhorn",
        "--tuning",
        "just",
        "--tonic",
        "Eb",
        "--reference",
        "442",
        "--snap",
        "bend",
        "--zero-volt-note",
        "A3",
        "--shift",
        "-12",
        "--sequence",
        "C4,E4",
        "--brightness=1.5:6",
        "--key",
        "B",
    ];
    succeed(
        &[
            &["transcribe", &path("demo/lamplight.wav"), "--out", &out][..],
            &made,
        ]
        .concat(),
    );
    let first = std::fs::read_to_string(&list).unwrap();
    let said = take(&first);
    for (name, value) in [
        ("horn", serde_json::json!("flugelhorn")),
        ("transposition", serde_json::json!(-2)),
        ("tuning", serde_json::json!("just")),
        ("tonic", serde_json::json!("Eb4")),
        ("reference_hz", serde_json::json!(442.0)),
        ("snap", serde_json::json!("bend")),
        ("zero_volt_note", serde_json::json!(57.0)),
        ("shift", serde_json::json!(-12)),
        ("sequence", serde_json::json!([60, 64])),
        ("brightness", serde_json::json!([1.5, 6.0])),
        ("key_fifths", serde_json::json!(5)),
    ] {
        assert_eq!(said[name], value, "{name}");
    }
    let again = succeed(&["write", &list, "--format", "json"]);
    assert_eq!(take(&again), said);
    let names = |list: &str| -> Vec<String> {
        let list: serde_json::Value = serde_json::from_str(list).unwrap();
        let notes = list["notes"].as_array().unwrap().iter();
        let names =
            |n: &serde_json::Value| format!("{} {} {}", n["written"], n["cents"], n["volts"]);
        notes.map(names).collect()
    };
    assert_eq!(names(&again), names(&first));
    // Options outweigh it; a tonic belongs to its tuning, and a key moves with the horn.
    let other = [
        "--horn",
        "trumpet-c",
        "--tuning",
        "meantone-4",
        "--shift",
        "0",
    ];
    let other = succeed(&[&["write", &list, "--format", "json"][..], &other].concat());
    let other = take(&other);
    assert_eq!(other["horn"], "trumpet-c");
    assert_eq!(other["tuning"], "meantone-4");
    assert_eq!(other["tonic"], serde_json::Value::Null);
    assert_eq!(other["shift"], 0);
    assert_eq!(other["reference_hz"], 442.0);
    assert_eq!(other["key_fifths"], 3);
    // The player's settings do not.
    let config = folder.path().join("config/leadpipe");
    std::fs::create_dir_all(&config).unwrap();
    let settings = "horn = \"tuba-bb\"\nreference_hz = 415.0\ntuning = \"vallotti\"\n";
    std::fs::write(config.join("settings.toml"), settings).unwrap();
    let output = common::command()
        .env("XDG_CONFIG_HOME", folder.path().join("config"))
        .args(["write", &list, "--format", "json"])
        .output()
        .unwrap();
    assert_eq!(take(&String::from_utf8(output.stdout).unwrap()), said);
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
}

/// What a list says of its take is checked like what is said in options.
#[test]
fn what_a_list_was_made_with_must_be_there() {
    let folder = tempfile::tempdir().unwrap();
    let list = folder.path().join("line.json");
    let notes = "[{\"onset_s\": 0, \"offset_s\": 1, \"midi\": 60}]";
    for (take, says) in [
        (
            "\"horn\": \"ophicleide\"",
            "line.json: made with the horn \"ophicleide\", which is not built in; give the horn: --horn",
        ),
        (
            "\"horn\": \"trumpet\", \"transposition\": 3",
            "another transposition than the built-in one; give the horn: --horn",
        ),
        (
            "\"tuning\": \"mine\"",
            "made with the tuning \"mine\", which is not built in; give the tuning: --tuning",
        ),
        (
            "\"reference_hz\": 44",
            "take.reference_hz is 44; give A4 between",
        ),
        ("\"shift\": 100", "take.shift is 100; give -48 to 48"),
        (
            "\"sequence\": [60, 200]",
            "take.sequence is 200; give 0 to 127",
        ),
    ] {
        let text = format!("{{\"take\": {{{take}}}, \"notes\": {notes}}}");
        std::fs::write(&list, text).unwrap();
        let (code, errors) = fail(&["write", list.to_str().unwrap()]);
        assert_eq!(code, 3, "{errors}");
        assert!(errors.contains(says), "{errors}");
        assert_eq!(errors.trim().lines().count(), 1, "{errors}");
    }
    // With the horn and the tuning named, the list needs none.
    let text = "{\"take\": {\"horn\": \"x\", \"tuning\": \"y\"}, \"notes\": ";
    std::fs::write(&list, format!("{text}{notes}}}")).unwrap();
    let named = ["--horn", "trumpet", "--tuning", "just"];
    succeed(&[&["write", list.to_str().unwrap()][..], &named].concat());
}

/// A session's list goes through the horns that it was played with.
#[test]
fn changes_of_horn_are_gone_by() {
    let folder = tempfile::tempdir().unwrap();
    let list = folder.path().join("session.json");
    let text = "{\"take\": {\"horn\": \"trumpet\", \"tuning\": \"equal-12\", \"changes\": \
        [{\"time_s\": 1.5, \"horn\": \"tuba-bb\", \"tuning\": \"just\"}]}, \"notes\": \
        [{\"onset_s\": 0, \"offset_s\": 1, \"midi\": 70, \"written\": \"C5\"}, \
        {\"onset_s\": 2, \"offset_s\": 3, \"midi\": 41, \"written\": \"F2\"}]}";
    std::fs::write(&list, text).unwrap();
    let list = list.to_str().unwrap();
    let written = |more: &[&str]| -> Vec<String> {
        let text = succeed(&[&["write", list, "--format", "csv"][..], more].concat());
        let mut rows = csv::Reader::from_reader(text.as_bytes());
        rows.records()
            .map(|row| row.unwrap()[7].to_owned())
            .collect()
    };
    assert_eq!(written(&[]), ["C5", "F2"]);
    assert_eq!(written(&["--horn", "trumpet"]), ["C5", "G2"]);
    let again = take(&succeed(&["write", list, "--format", "json"]));
    assert_eq!(again["changes"][0]["horn"], "tuba-bb");
    assert_eq!(again["changes"][0]["tuning"], "just");
}

/// And through its shifts and sequences, once: the list has the notes as they were played.
#[test]
fn changes_of_what_is_sent_are_gone_by() {
    let folder = tempfile::tempdir().unwrap();
    let list = folder.path().join("session.json");
    let change = |time_s: f64, shift: i32| serde_json::json!({"time_s": time_s, "horn": null, "tuning": "equal-12", "tonic": null, "shift": shift});
    let (mut stepping, mut following) = (change(2.5, 5), change(4.5, 5));
    stepping["sequence"] = serde_json::json!([48, 55]);
    following["sequence"] = serde_json::json!([]);
    let changes = serde_json::json!([change(1.5, 5), stepping, change(3.5, -3), following]);
    let notes = (0..5)
        .map(|at| serde_json::json!({"onset_s": at, "offset_s": f64::from(at) + 0.9, "midi": 60}));
    let text = serde_json::json!({
        "take": {"horn": null, "tuning": "equal-12", "shift": 2, "changes": changes},
        "notes": notes.collect::<Vec<_>>(),
    });
    std::fs::write(&list, text.to_string()).unwrap();
    let list = list.to_str().unwrap();
    let sent = |text: &str| -> Vec<i64> {
        let list: serde_json::Value = serde_json::from_str(text).unwrap();
        let notes = list["notes"].as_array().unwrap().iter();
        let key = |n: &serde_json::Value| 60.0 + 12.0 * n["volts"].as_f64().unwrap();
        notes.map(|n| key(n).round() as i64).collect()
    };
    let again = succeed(&["write", list, "--format", "json"]);
    assert_eq!(sent(&again), [62, 62, 65, 53, 52]);
    assert_eq!(take(&again)["changes"], changes);
    // Options hold throughout.
    let unshifted = succeed(&["write", list, "--format", "json", "--shift", "0"]);
    assert_eq!(sent(&unshifted), [60, 60, 60, 48, 55]);
}

/// A drawn note is sent with the row that it was drawn for, beside a row that was added by hand;
/// a sequence that is asked for replaces it.
#[test]
fn drawn_notes_are_sent_again() {
    let folder = tempfile::tempdir().unwrap();
    let list = folder.path().join("session.json");
    let note = |at_s: u32, drawn: Option<f64>| {
        let mut note =
            serde_json::json!({"onset_s": at_s, "offset_s": f64::from(at_s) + 0.9, "midi": 60});
        if let Some(drawn) = drawn {
            note["drawn"] = drawn.into();
        }
        note
    };
    let drawn = [Some(64.0), None, Some(66.5), Some(48.0)];
    let notes: Vec<_> = (0..).zip(drawn).map(|(at_s, d)| note(at_s, d)).collect();
    let text = serde_json::json!({"take": {"shift": -12}, "notes": notes});
    std::fs::write(&list, text.to_string()).unwrap();
    let list = list.to_str().unwrap();
    let read = |text: &str, name: &str| -> Vec<Option<f64>> {
        let list: serde_json::Value = serde_json::from_str(text).unwrap();
        let notes = list["notes"].as_array().unwrap().iter();
        notes.map(|n| n[name].as_f64()).collect()
    };
    let again = succeed(&["write", list, "--format", "json"]);
    assert_eq!(read(&again, "drawn"), drawn);
    let sent = [-8.0, -12.0, -5.5, -24.0].map(|from_c4: f64| Some((from_c4 / 0.00012).round()));
    let volts = read(&again, "volts").into_iter();
    let semitones: Vec<_> = volts.map(|v| v.map(|v| (v * 1e5).round())).collect();
    assert_eq!(semitones, sent);
    let sequence = ["--sequence", "C4", "--shift", "0"];
    let other = succeed(&[&["write", list, "--format", "json"][..], &sequence].concat());
    assert_eq!(read(&other, "drawn"), [None; 4]);
    assert_eq!(read(&other, "volts"), [Some(0.0); 4]);
    let wrong = serde_json::json!({"notes": [note(0, Some(500.0))]});
    std::fs::write(list, wrong.to_string()).unwrap();
    let (code, errors) = fail(&["write", list]);
    assert_eq!(code, 3, "{errors}");
    assert!(errors.contains("note 1: drawn is outside"), "{errors}");
}

#[test]
fn mistakes_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let list = folder.path().join("line.csv");
    for (text, says) in [
        (
            "onset_s,offset_s,midi\n1,2,x\n",
            "line 2: midi is \"x\"; write a MIDI key",
        ),
        ("onset_s,offset_s,midi\n", "no notes in this list"),
        ("time\n", "no column onset_s"),
        (
            "onset_s;offset_s;midi\n0,5;1,5;60\n",
            "separated by semicolons; save it again with commas",
        ),
        (
            "onset_s,offset_s,midi\n0,5,1,5,60\n",
            "line 2: 5 values for 3 columns",
        ),
        (
            "onset_s,offset_s,midi,meter,bar,beat,value\n0,1,60,4/4,1,5,1\n",
            "line 2: beat is 5, in a bar of 4; write its place in the bar",
        ),
        (
            "onset_s,offset_s,midi,meter,bar,beat,value\n0,1,60,4/4,1,2,1\n1,2,62,4/4,1,1,1\n",
            "line 3: its place is not after that of line 2",
        ),
        (
            "onset_s,offset_s,midi,meter,bar,beat,value\n0,1,60,4/4,1,2,1\n1,2,62,3/4,2,1,1\n",
            "line 3: meter is 3/4, but 4/4 in line 2",
        ),
        (
            "onset_s,offset_s,midi,meter,bar,beat,value\n0,1,60,4/4,1,,1\n",
            "line 2: no beat; write bar, beat and value, or none of them",
        ),
        (
            "onset_s,offset_s,midi,meter,bar,beat,value\n0,1,60,4/4,one,1,1\n",
            "line 2: bar is \"one\"; write the number of its bar",
        ),
        // Blank lines and rows that a spreadsheet has emptied are no notes, but lines.
        (
            "onset_s,offset_s,midi\n\n,,\n1,2,60\n\nx,3,60\n",
            "line 6: onset_s is \"x\"",
        ),
    ] {
        std::fs::write(&list, text).unwrap();
        let (code, errors) = fail(&["write", list.to_str().unwrap()]);
        assert_eq!(code, 3);
        assert!(errors.contains(says), "{errors}");
    }
    for ending in ["csv", "json"] {
        let list = folder.path().join(format!("empty.{ending}"));
        std::fs::write(&list, "\n").unwrap();
        let (code, errors) = fail(&["write", list.to_str().unwrap()]);
        assert_eq!(code, 3);
        assert!(errors.contains("the file is empty; make"), "{errors}");
    }
    let score = folder.path().join("empty.mid");
    std::fs::write(&score, "").unwrap();
    let (code, errors) = fail(&["write", score.to_str().unwrap()]);
    assert_eq!(code, 3);
    assert!(errors.contains("the file is empty; export"), "{errors}");
    let (code, errors) = fail(&["write", "line.txt"]);
    assert_eq!(code, 3);
    assert!(errors.contains(".csv or .json"), "{errors}");
}

/// A MIDI file of another program: each track's notes as start, end (in quarters of a second)
/// and key.
fn midi(path: &Path, tracks: &[&[(u32, u32, u8)]]) {
    let header = midly::Header::new(midly::Format::Parallel, midly::Timing::Metrical(480.into()));
    let track = |notes: &&[(u32, u32, u8)]| {
        let mut events: Vec<(u32, bool, u8)> = notes
            .iter()
            .flat_map(|(start, end, key)| [(*start, true, *key), (*end, false, *key)])
            .collect();
        events.sort_unstable();
        let mut at = 0;
        let mut track: midly::Track = Vec::new();
        for (time, is_on, key) in events {
            let (key, vel) = (key.into(), 80.into());
            let message = match is_on {
                true => midly::MidiMessage::NoteOn { key, vel },
                false => midly::MidiMessage::NoteOff { key, vel },
            };
            track.push(midly::TrackEvent {
                delta: (240 * (time - at)).into(),
                kind: midly::TrackEventKind::Midi {
                    channel: 0.into(),
                    message,
                },
            });
            at = time;
        }
        track.push(midly::TrackEvent {
            delta: 0.into(),
            kind: midly::TrackEventKind::Meta(midly::MetaMessage::EndOfTrack),
        });
        track
    };
    let tracks = tracks.iter().map(track).collect();
    midly::Smf { header, tracks }.save(path).unwrap();
}

/// What a list holds and the line does not is said, in one line.
#[test]
fn no_note_is_left_out_without_a_word() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let written = |name: &str, more: &[&str]| {
        let list = path(name).display().to_string();
        let output = common::leadpipe(&[&["write", &list, "--format", "csv"][..], more].concat());
        assert!(output.status.success(), "{output:?}");
        let rows = common::rows(&String::from_utf8(output.stdout).unwrap());
        let keys: Vec<i32> = rows.iter().map(|row| row.midi).collect();
        (keys, String::from_utf8(output.stderr).unwrap())
    };
    let melody = [(0, 1, 60), (1, 2, 62)];
    midi(&path("two.mid"), &[&melody, &[(0, 2, 48)]]);
    let (keys, errors) = written("two.mid", &[]);
    assert_eq!(keys, [60, 62]);
    assert!(
        errors.ends_with("two.mid: only part 1 is read; choose --part from: 1 track 1, channel 1 (2 notes), 2 track 2, channel 1 (1 note)\n"),
        "{errors}"
    );
    for (part, notes) in [("1", &[60, 62][..]), ("2", &[48])] {
        let chosen = written("two.mid", &["--part", part]);
        assert_eq!(chosen, (notes.to_vec(), String::new()));
    }
    let two = path("two.mid").display().to_string();
    let (code, errors) = fail(&["write", &two, "--part", "3"]);
    assert!(
        code == 4 && errors.contains("part 3 has no notes"),
        "{errors}"
    );

    midi(
        &path("chords.mid"),
        &[&[(0, 2, 60), (0, 2, 64), (0, 2, 67), (2, 4, 65)]],
    );
    let (keys, errors) = written("chords.mid", &[]);
    assert_eq!(keys, [67, 65]);
    assert!(
        errors.contains("chords.mid: 2 of 4 notes are left out"),
        "{errors}"
    );
    assert_eq!(errors.lines().count(), 1, "{errors}");
    // Notes that only overlap, as slurs do, are all there.
    midi(&path("slurs.mid"), &[&[(0, 3, 60), (2, 4, 62)]]);
    assert_eq!(written("slurs.mid", &[]), (vec![60, 62], String::new()));

    // A note under a second voice is not.
    midi(
        &path("voices.mid"),
        &[&[(0, 1, 60), (1, 5, 62), (2, 3, 64), (3, 5, 65), (5, 6, 60)]],
    );
    let (keys, errors) = written("voices.mid", &[]);
    assert_eq!(keys, [60, 62, 64, 65, 60]);
    assert!(
        errors.ends_with("voices.mid: 1 note held under others shortened to where the next begins (the first is in bar 1), because a horn plays one at a time\n"),
        "{errors}"
    );
    assert_eq!(errors.lines().count(), 1, "{errors}");

    let list = "onset_s,offset_s,midi\n0,1,60\n0.5,1.0005,62\n1,2,64\n";
    std::fs::write(path("overlap.csv"), list).unwrap();
    let (_, errors) = written("overlap.csv", &[]);
    assert!(
        errors.contains(
            "overlap.csv: 1 note shortened to where the next begins (the first is at 0 s)"
        ),
        "{errors}"
    );
    let list = path("overlap.csv").display().to_string();
    let (code, errors) = fail(&["write", &list, "--part", "1"]);
    assert!(
        code == 4 && errors.contains("only MIDI files have parts"),
        "{errors}"
    );
}
