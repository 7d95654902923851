//! Transpositions against published tables.
//!
//! Two references, each read on its page: OpenStax, "Transposing Instruments"
//! (C. Schmidt-Jones, CC BY), and "List of transposing instruments" (Wikipedia,
//! "a written C4 produces"). The rest of the family follows common practice.
#![cfg(feature = "cli")]

mod common;

use common::{fail, succeed};
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
    ] {
        assert_eq!(middle_c_on(horn), sounds, "{horn}");
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
fn players_add_their_own() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("mine.toml");
    let text = "[[horn]]\nname = \"conch\"\ntitle = \"Conch in A flat\"\nsounds = -4\nclef = \"treble\"\n\
                low = \"Ab3\"\nhigh = \"Ab5\"\nfundamental = \"Ab3\"\nvalves = 1\n";
    std::fs::write(&path, text).unwrap();
    assert!(succeed(&["horns", path.to_str().unwrap()]).contains("sounds a major third lower"));
    std::fs::write(&path, text.replace("sounds = -4", "sounds = minus four")).unwrap();
    let (code, errors) = fail(&["horns", path.to_str().unwrap()]);
    assert_eq!(code, 4);
    assert!(errors.contains("line 4, column 10"), "{errors}");
}
