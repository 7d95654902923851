//! The promise: practice against a target tells right, wrong, missing and extra
//! notes apart and dates each against the beat. The playing here is Debian's
//! fluidsynth with its trumpet, so that every slip is known.
#![cfg(feature = "cli")]

mod common;

use std::io::Write;
use std::path::Path;

use common::{fail, render_midi, succeed};
use leadpipe::internals::demo::brass::{Played, Room, play};
use midly::num::{u4, u7, u15, u24, u28};
use midly::{Format, Header, MetaMessage, MidiMessage, Smf, Timing, TrackEvent, TrackEventKind};
use serde_json::Value;
use zip::write::SimpleFileOptions;

/// Start, length in quarters and key.
type Note = (f64, f64, u8);

/// A tune of our own: 32 notes over 24 quarters, with repeated notes.
fn tune() -> Vec<Note> {
    let keys = [
        60, 62, 64, 64, 67, 65, 64, 62, 60, 60, 67, 69, 71, 72, 69, 67, 65, 65, 69, 72, 71, 69, 67,
        64, 62, 65, 64, 62, 59, 60, 64, 60,
    ];
    let lengths = [1.0, 0.5, 0.5, 1.0, 0.5, 0.5, 1.0, 1.0];
    let mut at = 0.0;
    let note = |(i, key): (usize, &u8)| {
        let (start, length) = (at, lengths[i % lengths.len()]);
        at += length;
        (start, length, *key)
    };
    keys.iter().enumerate().map(note).collect()
}

const TICKS: f64 = 480.0;

/// Writes notes as a MIDI file at a tempo, each sounding for 85 % of its length.
fn write_midi(path: &Path, tempo: f64, notes: &[Note]) {
    let mut events: Vec<(u32, bool, u8)> = Vec::new();
    for (start, length, key) in notes {
        let tick = |quarters: f64| (quarters * TICKS).round() as u32;
        events.push((tick(*start), true, *key));
        events.push((tick(start + 0.85 * length), false, *key));
    }
    events.sort_by_key(|(tick, on, _)| (*tick, *on));
    let meta = |message| TrackEvent {
        delta: u28::from(0),
        kind: TrackEventKind::Meta(message),
    };
    let midi = |delta: u32, message| TrackEvent {
        delta: u28::from(delta),
        kind: TrackEventKind::Midi {
            channel: u4::from(0),
            message,
        },
    };
    let mut track = vec![
        meta(MetaMessage::Tempo(u24::from((60e6 / tempo) as u32))),
        midi(
            0,
            MidiMessage::ProgramChange {
                program: u7::from(56),
            },
        ),
    ];
    let mut last = 0;
    for (tick, on, key) in events {
        let (key, vel) = (u7::from(key), u7::from(if on { 90 } else { 0 }));
        track.push(midi(tick - last, MidiMessage::NoteOn { key, vel }));
        last = tick;
    }
    track.push(meta(MetaMessage::EndOfTrack));
    let smf = Smf {
        header: Header::new(
            Format::SingleTrack,
            Timing::Metrical(u15::from(TICKS as u16)),
        ),
        tracks: vec![track],
    };
    smf.save(path).unwrap();
}

/// Plays notes at a tempo and compares with the tune at 100.
fn practise(folder: &Path, tempo: f64, played: &[Note]) -> Value {
    let (score, midi, wav) = (
        folder.join("score.mid"),
        folder.join("played.mid"),
        folder.join("take.wav"),
    );
    write_midi(&score, 100.0, &tune());
    write_midi(&midi, tempo, played);
    render_midi(&midi, &wav);
    let args = [
        "compare",
        wav.to_str().unwrap(),
        score.to_str().unwrap(),
        "--format",
        "json",
    ];
    serde_json::from_str(&succeed(&args)).unwrap()
}

fn count(found: &Value, verdict: &str) -> u64 {
    found[verdict].as_u64().unwrap()
}

/// Verdicts that are not "right", with target and played names.
fn slips(found: &Value) -> Vec<(String, String, String)> {
    let text = |v: &Value| v.as_str().unwrap_or("-").to_owned();
    let notes = found["notes"].as_array().unwrap().iter();
    notes
        .filter(|n| n["verdict"] != "right")
        .map(|n| (text(&n["verdict"]), text(&n["target"]), text(&n["played"])))
        .collect()
}

#[test]
fn a_clean_run_is_right_at_any_tempo() {
    for tempo in [80.0, 100.0, 118.0] {
        let folder = tempfile::tempdir().unwrap();
        let found = practise(folder.path(), tempo, &tune());
        assert_eq!(slips(&found), [], "{tempo}");
        assert_eq!(count(&found, "right"), 32);
        let played = found["tempo"].as_f64().unwrap();
        assert!((played / tempo - 1.0).abs() < 0.01, "{tempo}: {played}");
        let spread = found["timing_spread_ms"].as_f64().unwrap();
        assert!(spread < 12.0, "{tempo}: {spread} ms");
    }
}

#[test]
fn a_take_may_be_shorter_or_longer_than_the_part() {
    let folder = tempfile::tempdir().unwrap();
    let found = practise(folder.path(), 100.0, &tune()[..20]);
    assert_eq!((count(&found, "right"), count(&found, "missing")), (20, 12));
    let mut twice = tune();
    let end = twice.iter().map(|n| n.0 + n.1).fold(0.0, f64::max);
    twice.extend(tune().iter().map(|n| (n.0 + end, n.1, n.2)));
    let found = practise(folder.path(), 100.0, &twice);
    assert_eq!((count(&found, "right"), count(&found, "extra")), (32, 32));
}

#[test]
fn every_slip_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let mut played = tune();
    // Wrong by a step; the second of two alike left out; a stray note put in
    // between; one note 120 ms late (0.2 quarters at 100).
    played[5].2 += 1;
    played.remove(17);
    played[24].0 += 0.2;
    played[24].1 -= 0.2;
    played[14].1 = 0.25;
    let stray = (played[14].0 + 0.25, 0.25, 74);
    played.insert(15, stray);
    let found = practise(folder.path(), 100.0, &played);
    let expected = [
        ("wrong", "F4", "F#4"),
        ("extra", "-", "D5"),
        ("missing", "F4", "-"),
    ];
    let expected: Vec<_> = expected
        .map(|(v, t, p)| (v.to_owned(), t.to_owned(), p.to_owned()))
        .into();
    assert_eq!(slips(&found), expected);
    let late: Vec<f64> = (found["notes"].as_array().unwrap().iter())
        .filter_map(|n| n["late_ms"].as_f64())
        .collect();
    // Index 24 of the tune stands after one wrong and one missing note.
    let most = late.iter().copied().fold(f64::MIN, f64::max);
    assert!((most - 120.0).abs() < 15.0, "{late:?}");
    assert!(
        late.iter().filter(|l| l.abs() > 40.0).count() == 1,
        "{late:?}"
    );
}

/// Compresses a score as the standard says and returns the file's path.
fn compress(score: &Path) -> String {
    let path = score.with_extension("mxl");
    let mut zip = zip::ZipWriter::new(std::fs::File::create(&path).unwrap());
    let mut add = |name: &str, content: &[u8]| {
        zip.start_file(name, SimpleFileOptions::default()).unwrap();
        zip.write_all(content).unwrap();
    };
    add(
        "META-INF/container.xml",
        b"<container><rootfiles><rootfile full-path=\"score.musicxml\"/></rootfiles></container>",
    );
    add("score.musicxml", &std::fs::read(score).unwrap());
    zip.finish().unwrap();
    path.to_str().unwrap().to_owned()
}

#[test]
fn a_part_comes_back_through_its_own_transposition() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().to_str().unwrap();
    succeed(&["demo", "--out", out]);
    let (take, part) = (
        folder.path().join("lamplight.wav"),
        folder.path().join("lamplight.musicxml"),
    );
    let args = [
        "compare",
        take.to_str().unwrap(),
        part.to_str().unwrap(),
        "--horn",
        "flugelhorn",
    ];
    let text = succeed(&args);
    assert!(
        text.contains("18 right, 0 wrong, 0 missing, 0 extra"),
        "{text}"
    );
    // The same compressed.
    let compressed = compress(&part);
    let args = args.map(|a| {
        if a == part.to_str().unwrap() {
            &compressed
        } else {
            a
        }
    });
    assert_eq!(succeed(&args), text.replace(".musicxml", ".mxl"));
    // The same by another take: nothing between them.
    let text = succeed(&["compare", take.to_str().unwrap(), take.to_str().unwrap()]);
    assert!(
        text.contains("18 right, 0 wrong, 0 missing, 0 extra"),
        "{text}"
    );
    assert!(text.contains("timing within 0 ms"), "{text}");
    // A MIDI file in another transposition is pointed out.
    let midi = folder.path().join("lamplight.mid");
    let output = common::leadpipe(&[
        "compare",
        take.to_str().unwrap(),
        midi.to_str().unwrap(),
        "--shift",
        "2",
    ]);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success() && errors.contains("try --shift 0"),
        "{errors}"
    );
}

/// Two of the same pitch that are played as one are named as that.
#[test]
fn a_repeated_note_that_is_held_over_is_said_to_be() {
    let folder = tempfile::tempdir().unwrap();
    let mut played = tune();
    // D4 twice, half a quarter and a quarter long: played as one.
    assert_eq!((played[2].2, played[3].2), (64, 64));
    played[2].1 += played[3].1;
    played.remove(3);
    let found = practise(folder.path(), 100.0, &played);
    assert_eq!(count(&found, "missing"), 1);
    let notes = found["notes"].as_array().unwrap();
    let held: Vec<bool> = notes
        .iter()
        .filter(|n| n["verdict"] == "missing")
        .map(|n| n["held_over"].as_bool().unwrap())
        .collect();
    assert_eq!(held, [true]);
    // One that is left out is not.
    let mut played = tune();
    played.remove(3);
    let found = practise(folder.path(), 100.0, &played);
    assert!(
        found["notes"]
            .as_array()
            .unwrap()
            .iter()
            .all(|n| n["held_over"] == false)
    );
}

/// The page has the score's notes, those that were not played in red.
#[test]
fn a_report_shows_the_score_under_the_playing() {
    let folder = tempfile::tempdir().unwrap();
    let mut played = tune();
    played.remove(20);
    practise(folder.path(), 100.0, &played);
    let path = |name: &str| folder.path().join(name).display().to_string();
    let page = path("practice.html");
    let args = [
        "compare",
        &path("take.wav"),
        &path("score.mid"),
        "--report",
        &page,
    ];
    succeed(&args);
    let html = std::fs::read_to_string(&page).unwrap();
    assert_eq!(html.matches("class=\"target").count(), 32);
    assert_eq!(html.matches("class=\"target missed\"").count(), 1);
    assert_eq!(html.matches("<tr class=\"off\">").count(), 1);
    // Its own page is replaced, another's is not.
    succeed(&args);
    std::fs::write(&page, "<html>").unwrap();
    let (code, errors) = fail(&args);
    assert_eq!(code, 5, "{errors}");
}

/// What a score holds and the comparison leaves out is said in one line each.
#[test]
fn what_of_a_score_is_not_compared_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let take = path("take.wav");
    let played = [
        Played::new(0.3, 0.8, 67.0, 0.6),
        Played::new(0.9, 1.4, 65.0, 0.6),
    ];
    let samples = play(&played, 1.8, &Room::default(), 1);
    common::write_wav(Path::new(&take), 48_000, &[&samples]);
    let note = |chord: &str, step: &str| {
        format!(
            "<note>{chord}<pitch><step>{step}</step><octave>4</octave></pitch>\
             <duration>1</duration></note>"
        )
    };
    let part = |number: u32, notes: &str| {
        format!(
            "<part id=\"P{number}\"><measure number=\"1\"><attributes><divisions>1</divisions>\
             </attributes><sound tempo=\"100\"/>{notes}</measure></part>"
        )
    };
    let chord = [note("", "E"), note("<chord/>", "G"), note("", "F")].concat();
    let score = path("two.musicxml");
    let parts = [part(1, &chord), part(2, &note("", "C"))].concat();
    std::fs::write(&score, format!("<score-partwise>{parts}</score-partwise>")).unwrap();
    let said = |more: &[&str]| {
        let output = common::leadpipe(&[&["compare", &take, &score][..], more].concat());
        assert!(output.status.success(), "{output:?}");
        let table = String::from_utf8(output.stdout).unwrap();
        assert!(table.contains("2 right, 0 wrong, 0 missing"), "{table}");
        String::from_utf8(output.stderr).unwrap()
    };
    let errors = said(&[]);
    let lines: Vec<&str> = errors
        .lines()
        .filter(|l| l.contains("musicxml: "))
        .collect();
    let [first, second] = lines[..] else {
        panic!("{errors}");
    };
    assert!(
        first.contains("only part 1 is read; choose --part from: 1 "),
        "{errors}"
    );
    assert!(second.contains("1 of 3 notes are left out"), "{errors}");
    // A part that was chosen is no news.
    let errors = said(&["--part", "1"]);
    assert!(
        !errors.contains("only part") && errors.contains("left out"),
        "{errors}"
    );
}

/// The tune as a score of four bars, the second half of them repeated.
fn score_with_a_repeat() -> String {
    let note = |(_, length, key): &Note| {
        let step = ["C", "", "D", "", "E", "F", "", "G", "", "A", "", "B"][usize::from(key % 12)];
        let (octave, duration) = (key / 12 - 1, 2.0 * length);
        format!(
            "<note><pitch><step>{step}</step><octave>{octave}</octave></pitch>\
             <duration>{duration}</duration></note>"
        )
    };
    let bar = |(at, notes): (usize, &[Note])| {
        let notes: String = notes.iter().map(note).collect();
        let sign = match at {
            2 => "<barline><repeat direction=\"forward\"/></barline>",
            3 => "<barline location=\"right\"><repeat direction=\"backward\"/></barline>",
            _ => "<attributes><divisions>2</divisions></attributes><sound tempo=\"100\"/>",
        };
        format!("<measure number=\"{}\">{sign}{notes}</measure>", at + 1)
    };
    let bars: String = tune().chunks(8).enumerate().map(bar).collect();
    format!("<score-partwise><part id=\"P1\">{bars}</part></score-partwise>")
}

/// A repeat that is left out is one line in the table, the list and the page, and not half of
/// the notes missing; nor does it count in tempo and timing.
#[test]
fn a_repeat_that_is_left_out_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let (score, midi, wav) = (path("score.musicxml"), path("played.mid"), path("take.wav"));
    std::fs::write(&score, score_with_a_repeat()).unwrap();
    let mut twice = tune();
    let again = tune().split_off(16);
    twice.extend(again.iter().map(|n| (n.0 + 12.0, n.1, n.2)));
    for (played, words) in [
        (twice, None),
        (tune(), Some("repeat of bars 3 to 4 not played")),
    ] {
        write_midi(Path::new(&midi), 110.0, &played);
        render_midi(Path::new(&midi), Path::new(&wav));
        let args = ["compare", &wav, &score];
        let page = path(&format!("{}.html", played.len()));
        let table = succeed(&[&args[..], &["--report", &page]].concat());
        let right = format!(
            "{0} right, 0 wrong, 0 missing, 0 extra, of {0} notes",
            played.len()
        );
        assert!(table.contains(&right), "{table}");
        assert!(
            table.contains(": 110 quarter notes per minute, target 100"),
            "{table}"
        );
        let html = std::fs::read_to_string(&page).unwrap();
        let csv = succeed(&[&args[..], &["--format", "csv"]].concat());
        let rows: Vec<&str> = csv.lines().collect();
        assert!(rows[0].ends_with(",departure"), "{csv}");
        assert_eq!(rows.len(), 1 + played.len());
        let Some(words) = words else {
            for text in [table, html, csv] {
                assert!(!text.contains("not played"), "{text}");
            }
            continue;
        };
        assert_eq!(table.matches(words).count(), 2, "{table}");
        assert_eq!(html.matches(words).count(), 2);
        // At the last note before it.
        let at = rows.iter().position(|row| row.ends_with(words));
        assert_eq!(at, Some(played.len()), "{csv}");
    }
}

#[test]
fn what_is_no_target_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    succeed(&["demo", "--out", folder.path().to_str().unwrap()]);
    let take = folder.path().join("lamplight.wav");
    let refused = |name: &str, content: &[u8], more: &[&str]| {
        let path = folder.path().join(name);
        std::fs::write(&path, content).unwrap();
        let mut args = vec!["compare", take.to_str().unwrap(), path.to_str().unwrap()];
        args.extend(more);
        fail(&args)
    };
    // What is something else altogether is told what to give instead.
    let (code, errors) = refused("g.txt", b"words", &[]);
    assert!(
        code == 3 && errors.contains("give a score (.mid"),
        "{errors}"
    );
    let (code, errors) = refused("h.csv", b"onset_s\n", &[]);
    assert!(
        code == 3 && errors.contains("leadpipe write LIST"),
        "{errors}"
    );
    let score = folder.path().join("lamplight.mid");
    let (score, sound) = (score.to_str().unwrap(), take.to_str().unwrap());
    let (code, errors) = fail(&["compare", score, sound]);
    assert!(code == 3 && errors.contains("take first"), "{errors}");
    let (code, errors) = fail(&["write", sound]);
    assert!(
        code == 3 && errors.contains("leadpipe transcribe TAKE"),
        "{errors}"
    );
    let midi = std::fs::read(folder.path().join("lamplight.mid")).unwrap();
    for (name, content, more, word) in [
        ("a.mid", &b"MThd"[..], &[][..], "MIDI"),
        (
            "b.mid",
            &midi[..],
            &["--part", "7"][..],
            "choose --part from: 1 lamplight",
        ),
        (
            "g.mid",
            &midi[..midi.len() / 2],
            &[],
            "cut off in track 1 of 1",
        ),
        ("h.mid", &midi[..14], &[], "0 of its 1 tracks are there"),
        ("c.musicxml", b"<score-partwise><part", &[], "byte"),
        ("d.musicxml", b"<html></html>", &[], "no part"),
        ("e.mxl", b"PK", &[], "ZIP"),
        ("f.xml", b"\xff\xfe", &[], "UTF-8"),
    ] {
        let (code, errors) = refused(name, content, more);
        // The score is sound, and the option is wrong.
        let expected = if more.is_empty() { 3 } else { 4 };
        assert_eq!(code, expected, "{name}: {errors}");
        assert!(errors.contains(word) && errors.contains(name), "{errors}");
        assert_eq!(errors.trim().lines().count(), 1, "{errors}");
    }
}
