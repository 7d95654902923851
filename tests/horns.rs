//! Transpositions against published tables.
//!
//! Two references, each read on its page: OpenStax, "Transposing Instruments"
//! (C. Schmidt-Jones, CC BY), and "List of transposing instruments" (Wikipedia,
//! "a written C4 produces"). The rest of the family follows common practice.
#![cfg(feature = "cli")]

mod common;

use common::{fail, succeed, write_wav};
use leadpipe::internals::units::parse_key;
use leadpipe::{Horn, Written};

/// What a written middle C sounds.
fn middle_c_on(horn: &str) -> String {
    Horn::find(horn)
        .unwrap()
        .concert(Written(parse_key("C4").unwrap()))
        .to_string()
}

#[test]
fn as_openstax_has_them() {
    assert_eq!(middle_c_on("trumpet"), "Bb3");
    assert_eq!(middle_c_on("cornet"), "Bb3");
    assert_eq!(middle_c_on("trumpet-c"), "C4");
    // "up a perfect fifth"
    assert_eq!(middle_c_on("horn"), "F3");
    // "two octaves and a major second higher than it sounds"
    assert_eq!(middle_c_on("bass-bb"), "Bb1");
    // "an octave and a major sixth higher than it sounds"
    assert_eq!(middle_c_on("bass-eb"), "Eb2");
}

#[test]
fn as_the_list_of_transposing_instruments_has_them() {
    assert_eq!(middle_c_on("cornet-eb"), "Eb4");
    assert_eq!(middle_c_on("cornet"), "Bb3");
    assert_eq!(middle_c_on("euphonium-treble-clef"), "Bb2");
    assert_eq!(middle_c_on("tenor-horn"), "Eb3");
    assert_eq!(middle_c_on("trombone"), "C4");
    assert_eq!(middle_c_on("tuba-f"), "C4");
}

/// Common practice.
#[test]
fn the_rest_of_the_family() {
    for (horn, sounds) in [
        ("trumpet-d", "D4"),
        ("trumpet-eb", "Eb4"),
        ("piccolo-trumpet-bb", "Bb4"),
        ("piccolo-trumpet-a", "A4"),
        ("flugelhorn", "Bb3"),
        ("horn-bb", "Bb3"),
        ("mellophone", "F3"),
        ("baritone", "Bb2"),
        ("baritone-bass-clef", "C4"),
        ("euphonium", "C4"),
        ("alto-trombone", "C4"),
        ("bass-trombone", "C4"),
        ("trombone-treble-clef", "Bb2"),
        ("tuba-eb", "C4"),
        ("tuba-c", "C4"),
        ("tuba-bb", "C4"),
        ("trombone-f-attachment", "C4"),
        ("contrabass-trombone", "C4"),
        ("cimbasso", "C4"),
        ("bass-trumpet-c", "C3"),
        ("bass-trumpet-eb", "Eb3"),
    ] {
        assert_eq!(middle_c_on(horn), sounds, "{horn}");
    }
}

/// "What is it?" (a bass trumpeter's web page): B flat treble clef, "transposing down an
/// interval of a ninth". "What is a Wagner tuba?" (a reference web page): the B flat tuba
/// "a major second lower than the written pitches", the F tuba "a perfect fifth lower".
#[test]
fn the_horns_between_the_families() {
    assert_eq!(middle_c_on("bass trumpet"), "Bb2");
    assert_eq!(middle_c_on("wagner tuba"), "Bb3");
    assert_eq!(middle_c_on("wagner-tuba-f"), "F3");
}

/// Published ranges lie inside those that the tracker listens in, as far as it goes down.
/// Wikipedia's articles, as read there: trombone ("Range of the tenor trombone": E2 to D5,
/// pedals from E1, from C1 with an F attachment), contrabass trombone (C1 to F4, citing
/// Herbert, Myers and Wallace, 2019); "Instruments of the Modern Symphony Orchestra"
/// (Wikisource), tuba: F1 to F4; a bass trumpeter's web page: E2 to D5.
#[test]
fn published_ranges_are_heard() {
    for (horn, low, high) in [
        ("trombone", "E1", "D5"),
        ("trombone-f-attachment", "C1", "D5"),
        ("contrabass-trombone", "C1", "F4"),
        ("bass-trumpet", "E2", "D5"),
        ("tuba", "F1", "F4"),
        ("tuba-f", "F1", "F4"),
        ("tuba-eb", "F1", "F4"),
        ("tuba-c", "F1", "F4"),
    ] {
        let found = Horn::find(horn).unwrap();
        assert!(found.low.0 <= parse_key(low).unwrap(), "{horn} {low}");
        assert!(found.high.0 >= parse_key(high).unwrap(), "{horn} {high}");
    }
}

/// The promise: a tuba's top is written where it sounds, by its plain name.
#[test]
fn a_high_note_on_the_tuba_keeps_its_octave() {
    let folder = tempfile::tempdir().unwrap();
    let take = folder.path().join("tuba.wav");
    let rate = 48_000;
    for (name, hz) in [("D4", 293.66), ("F4", 349.23), ("D2", 73.42)] {
        // Twelve partials that fall by 4 dB each, with a soft beginning and end.
        let sample = |i: usize| {
            let t = i as f64 / f64::from(rate);
            let edge = (t / 0.03).min((1.2 - t) / 0.03).clamp(0.0, 1.0);
            let partials = (1..=12).map(|p| {
                let phase = std::f64::consts::TAU * f64::from(p) * hz * t;
                10f64.powf(-4.0 * f64::from(p) / 20.0) * phase.sin()
            });
            (0.4 * edge * partials.sum::<f64>()) as f32
        };
        let sound: Vec<f32> = (0..rate as usize * 6 / 5).map(sample).collect();
        write_wav(&take, rate, &[&sound]);
        let list = succeed(&[
            "transcribe",
            take.to_str().unwrap(),
            "--horn",
            "tuba",
            "--format",
            "csv",
        ]);
        let notes: Vec<&str> = list.lines().skip(1).collect();
        assert_eq!(notes.len(), 1, "{list}");
        assert!(notes[0].contains(&format!(",{name},{name},")), "{list}");
    }
}

#[test]
fn the_catalogue_reads_as_text_and_json() {
    let text = succeed(&["horns"]);
    let json: serde_json::Value = serde_json::from_str(&succeed(&["horns", "--json"])).unwrap();
    assert_eq!(json.as_array().unwrap().len(), Horn::catalogue().len());
    for horn in Horn::catalogue() {
        assert!(text.contains(&horn.title), "{}", horn.name);
    }
    assert!(succeed(&["horns", "flugelhorn"]).contains("sounds a major second lower"));
}

#[test]
fn scales_are_no_measure_of_intonation() {
    for command in [
        &["intonation", "take.wav"][..],
        &["compare", "take.wav", "part.musicxml"],
        &["transcribe", "take.wav", "--report", "lesson.html"],
        &["write", "take.csv", "--report", "lesson.html"],
    ] {
        let (code, errors) = fail(&[command, &["--tuning", "dorian"]].concat());
        assert_eq!(code, 4);
        assert!(
            errors.contains("scale") && errors.contains("equal-12"),
            "{errors}"
        );
    }
}

#[test]
fn players_add_their_own() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("mine.toml");
    let text = "[[horn]]\nname = \"conch\"\ntitle = \"Conch in A flat\"\nsounds = -4\nclef = \"treble\"\n\
                low = \"Ab3\"\nhigh = \"Ab5\"\nfundamental = \"Ab3\"\nvalves = 1\n";
    std::fs::write(&path, text).unwrap();
    let listed = succeed(&["horns", path.to_str().unwrap()]);
    assert!(
        listed.contains("sounds a major third lower") && listed.ends_with(", 1 valve\n"),
        "{listed}"
    );
    std::fs::write(&path, text.replace("sounds = -4", "sounds = minus four")).unwrap();
    let (code, errors) = fail(&["horns", path.to_str().unwrap()]);
    assert_eq!(code, 4);
    assert!(errors.contains("line 4, column 10"), "{errors}");
}

/// A file of several says what to choose from, and lists them.
#[test]
fn one_of_several_in_a_file_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("band.toml");
    let entry = |name: &str, sounds: i32| {
        format!(
            "[[horn]]\nname = \"{name}\"\ntitle = \"{name} by the sea\"\nsounds = {sounds}\n\
             clef = \"treble\"\nlow = \"Ab3\"\nhigh = \"Ab5\"\nfundamental = \"Ab3\"\nvalves = 1\n"
        )
    };
    std::fs::write(&path, entry("conch", -4) + &entry("Post Horn", -3)).unwrap();
    let file = path.to_str().unwrap();
    let error = Horn::find(file).unwrap_err().to_string();
    let words = format!("holds 2 horns; name one of conch, Post Horn, as in {file}:conch");
    assert!(error.ends_with(&words), "{error}");
    for (name, sounds) in [("conch", -4), ("post horn", -3), ("Post Horn", -3)] {
        assert_eq!(
            Horn::find(&format!("{file}:{name}")).unwrap().sounds,
            sounds
        );
    }
    let error = Horn::find(&format!("{file}:tuba")).unwrap_err().to_string();
    assert!(error.contains("it holds conch, Post Horn"), "{error}");
    let listed = succeed(&["horns", file]);
    assert!(listed.contains("conch by the sea") && listed.contains("Post Horn by the sea"));
}
