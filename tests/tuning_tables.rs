//! Bundled tables against published figures.
#![cfg(feature = "cli")]

mod common;

use common::{fail, succeed};
use leadpipe::{Pitch, Reference, Tuning};

/// Cents above C of a table's twelve notes.
fn cents(name: &str) -> Vec<f64> {
    let table = Tuning::find(name, None, Reference::default()).unwrap();
    table.degrees_cents().to_vec()
}

fn close(got: &[f64], want: &[f64], within: f64) {
    assert_eq!(got.len(), want.len());
    for (got, want) in got.iter().zip(want) {
        assert!((got - want).abs() < within, "{got} against {want}");
    }
}

/// Commas and intervals: 1200 log2 of the ratio (Ellis's cents, in H. Helmholtz,
/// On the Sensations of Tone, 2nd English edition 1885, appendix XX).
#[test]
fn commas_and_pure_intervals() {
    let pythagorean = cents("pythagorean");
    let just = cents("just");
    // Pure fifth, Pythagorean third, just thirds and sixths.
    close(
        &[pythagorean[7], pythagorean[4]],
        &[701.955, 407.820],
        0.001,
    );
    close(
        &[just[4], just[3], just[9], just[8]],
        &[386.314, 315.641, 884.359, 813.686],
        0.001,
    );
    // Syntonic comma: Pythagorean third over the just one.
    close(&[pythagorean[4] - just[4]], &[21.506], 0.001);
    // Twelve fifths over seven octaves: the Pythagorean comma, here in the wolf.
    let wolf = 1200.0 - pythagorean[6] + pythagorean[1];
    close(&[701.955 - wolf], &[23.460], 0.001);
}

/// Quarter-comma meantone: fifths of 696.578, pure thirds (J. M. Barbour, Tuning
/// and Temperament, 1951; figures from memory, derivable from 5^(1/4)).
#[test]
fn meantone() {
    let quarter = cents("meantone-4");
    close(
        &[quarter[7], quarter[4], quarter[2], quarter[3]],
        &[696.578, 386.314, 193.157, 310.265],
        0.001,
    );
    let sixth = cents("meantone-6");
    close(&[sixth[7], sixth[4]], &[698.371, 393.482], 0.001);
}

/// Werckmeister III as deviations from equal temperament with A at 0, to a tenth
/// of a cent, as published for piano technicians (A. Sanderson's table, quoted on
/// the tuning list, 24 March 1998).
#[test]
fn werckmeister_as_technicians_set_it() {
    let published = [11.7, 2.0, 3.9, 5.9, 2.0, 9.8, 0.0, 7.8, 3.9, 0.0, 7.8, 3.9];
    let table = cents("werckmeister-3");
    let deviations: Vec<f64> = (0..12)
        .map(|i| table[i] - table[9] - (100.0 * i as f64 - 900.0))
        .collect();
    close(&deviations, &published, 0.06);
}

/// Kirnberger III: C-E pure over four fifths each narrowed by a quarter of the
/// syntonic comma (Kirnberger's letter to Forkel, printed in the Allgemeine
/// musikalische Zeitung, 1871).
#[test]
fn kirnberger_as_he_wrote_it() {
    let table = cents("kirnberger-3");
    close(&[table[4]], &[386.314], 0.001);
    let fifth = |from: usize| (table[(from + 7) % 12] - table[from]).rem_euclid(1200.0);
    for from in [0, 7, 2, 9] {
        close(&[fifth(from)], &[696.578], 0.001);
    }
    for from in [4, 11, 1, 8, 3, 10, 5] {
        close(&[fifth(from)], &[701.955], 0.001);
    }
    // What is left, the schisma, lies on F sharp to C sharp.
    close(&[fifth(6)], &[701.955 - 1.954], 0.001);
}

/// Vallotti: six fifths from F to B narrowed by a sixth of the Pythagorean comma,
/// 698.045 cents, six pure (from memory; the two must close twelve fifths).
#[test]
fn vallotti_closes_the_circle() {
    let table = cents("vallotti");
    let fifths: Vec<f64> = (0..12)
        .map(|i| (table[(i + 7) % 12] - table[i]).rem_euclid(1200.0))
        .collect();
    for from in [5, 0, 7, 2, 9, 4] {
        close(&[fifths[from]], &[698.045], 0.001);
    }
    close(&[fifths.iter().sum::<f64>()], &[8400.0], 0.001);
}

#[test]
fn equal_temperaments() {
    for steps in [12, 19, 24, 31] {
        let want: Vec<f64> = (0..steps)
            .map(|i| 1200.0 * f64::from(i) / f64::from(steps))
            .collect();
        close(&cents(&format!("equal-{steps}")), &want, 1e-5);
    }
    // The fifths of 19 and 31 (Barbour, from memory): 694.737 and 696.774.
    assert!((cents("equal-19")[11] - 694.737).abs() < 0.001);
    assert!((cents("equal-31")[18] - 696.774).abs() < 0.001);
}

/// Partials against equal temperament: 1200 log2 n. The 7th lies 31, the 11th 49,
/// the 13th 59 cents under the nearest note above or at it (common practice).
#[test]
fn partials() {
    let want = [
        0.0, 203.910, 386.314, 551.318, 701.955, 840.528, 968.826, 1088.269,
    ];
    close(&cents("partials"), &want, 0.001);
}

#[test]
fn the_reference_and_the_tonic_move_the_table() {
    let reference = Reference::new(415.0).unwrap();
    for name in ["werckmeister-3", "just", "equal-19", "vallotti"] {
        let table = Tuning::find(name, None, reference).unwrap();
        // Anchored on A: A4 is the reference itself.
        let a4 = table.nearest(Pitch::from_hz(415.0));
        assert!((a4.hz() - 415.0).abs() < 1e-9, "{name}");
    }
    // A selection moves with its tonic, without bending its notes.
    let blues = Tuning::find("blues", Some("Bb"), Reference::default()).unwrap();
    let got: Vec<f64> = [58.2, 60.9, 63.1, 63.9, 65.2, 68.1]
        .map(|p| blues.nearest(Pitch(p)).0)
        .to_vec();
    close(&got, &[58.0, 61.0, 63.0, 64.0, 65.0, 68.0], 1e-9);
}

#[test]
fn own_tables_and_dumps_go_in_and_out() {
    let folder = tempfile::tempdir().unwrap();
    let toml = folder.path().join("third.toml");
    // A table that repeats at the fifth, not the octave.
    std::fs::write(
        &toml,
        "name = \"third\"\ntitle = \"Thirds\"\nkind = \"table\"\ntonic = \"C4\"\nperiod = 701.955\ndegrees = [0, \"5/4\"]\n",
    )
    .unwrap();
    let table = Tuning::find(toml.to_str().unwrap(), None, Reference::default()).unwrap();
    close(
        &[table.nearest(Pitch(67.0)).0, table.nearest(Pitch(70.9)).0],
        &[60.0 + 7.01955, 60.0 + 7.01955 + 3.86314],
        1e-5,
    );
    let syx = folder.path().join("k.syx");
    succeed(&["tunings", "kirnberger-3", "--dump", syx.to_str().unwrap()]);
    let bytes = std::fs::read(&syx).unwrap();
    assert_eq!(bytes.len(), 408);
    let back = Tuning::find(syx.to_str().unwrap(), None, Reference::default()).unwrap();
    let table = Tuning::find("kirnberger-3", None, Reference::default()).unwrap();
    for key in 20..110 {
        let pitch = Pitch(f64::from(key));
        assert!(
            (back.nearest(pitch).0 - table.nearest(pitch).0).abs() < 0.0001,
            "{key}"
        );
    }
    std::fs::write(&syx, &bytes[..200]).unwrap();
    let (code, errors) = fail(&["tunings", syx.to_str().unwrap()]);
    assert_eq!(code, 4);
    assert!(errors.contains("200 bytes"), "{errors}");
}

#[test]
fn the_catalogue_reads_as_text_and_json() {
    let json: serde_json::Value = serde_json::from_str(&succeed(&["tunings", "--json"])).unwrap();
    assert_eq!(json.as_array().unwrap().len(), 17);
    assert!(succeed(&["tunings", "just"]).contains("386.314"));
    let (code, errors) = fail(&["tunings", "werkmeister"]);
    assert_eq!(code, 4);
    assert!(errors.contains("werckmeister-3"), "{errors}");
}
