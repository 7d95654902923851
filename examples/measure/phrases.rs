//! Labelled phrases and long notes: what the articulation comes out as.

use std::collections::BTreeMap;
use std::path::Path;

use leadpipe::{Attack, Length, Mode, Note, Technique};

use crate::recordings::{listen, manifest};
use crate::sound::samples;

/// Labels of the set, as one can hear them: a tremolo here is a lip trill
/// over more than a tone, and `tongued-slur` is portato, a soft nonlegato.
fn class(label: &str) -> Option<&'static str> {
    Some(match label {
        "legato" => "legato",
        "nonlegato" | "tongued-slur" | "double-tonguing" => "nonlegato",
        "staccato" => "staccato",
        "staccatissimo" => "staccatissimo",
        "glissando" => "glissando",
        "vibrato" => "vibrato",
        "major-trill" | "tremolo" => "trill",
        _ => return None,
    })
}

const CLASSES: [&str; 7] = [
    "legato",
    "nonlegato",
    "staccato",
    "staccatissimo",
    "glissando",
    "vibrato",
    "trill",
];

/// What a take as a whole is, from the verdicts on its notes. Nothing is fitted:
/// majorities, and the length and attack that the notes were given.
fn verdict(notes: &[Note]) -> &'static str {
    let total: f64 = notes.iter().map(Note::duration_s).sum();
    let share = |name: &str| {
        let named = |n: &&Note| n.techniques.iter().any(|t| t.name() == name);
        notes
            .iter()
            .filter(named)
            .map(Note::duration_s)
            .sum::<f64>()
            / total
    };
    if share("trill") > 0.5 {
        return "trill";
    }
    if share("vibrato") > 0.5 {
        return "vibrato";
    }
    if share("glissando") > 0.5 {
        return "glissando";
    }
    let most = |f: &dyn Fn(&Note) -> bool| 2 * notes.iter().filter(|n| f(n)).count() > notes.len();
    if most(&|n| n.length == Length::Staccatissimo) {
        return "staccatissimo";
    }
    if most(&|n| matches!(n.length, Length::Staccato | Length::Staccatissimo)) {
        return "staccato";
    }
    let later = &notes[1.min(notes.len())..];
    let bound = |n: &Note| n.attack == Attack::Slurred || n.measured.dip_db < BOUND_DB;
    let long = |n: &Note| n.measured.sounding > BOUND_SOUNDING;
    let pairs = notes.iter().zip(later);
    if 2 * pairs.filter(|(n, next)| long(n) && bound(next)).count() > later.len() {
        "legato"
    } else {
        "nonlegato"
    }
}

/// A dip shallower than this binds two notes: a trombone tongues its legato.
const BOUND_DB: f32 = 18.0;
/// And it sounds so much of its time.
const BOUND_SOUNDING: f32 = 0.8;

pub fn measure(folder: &Path) {
    println!(
        "\nphrases by label: notes; tongued; staccatissimo, staccato, normal, tenuto; techniques"
    );
    let mut by_label: BTreeMap<String, Vec<String>> = BTreeMap::new();
    let mut confusion: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    for take in manifest(folder)
        .iter()
        .filter(|r| r.file.starts_with("phrases/"))
    {
        let (sound, rate_hz) = samples(&folder.join(&take.file));
        let notes = listen(&sound, rate_hz, Mode::Full).notes;
        let heard = verdict(&notes);
        if let Some(truth) = class(&take.articulation) {
            *confusion.entry((truth, heard)).or_default() += 1;
        }
        let row = format!("{} -> {heard}", row(&take.file, &notes));
        by_label
            .entry(take.articulation.clone())
            .or_default()
            .push(row);
    }
    for (label, rows) in by_label {
        println!("  {label}");
        for row in rows {
            println!("    {row}");
        }
    }
    print_confusion(&confusion);
}

fn print_confusion(confusion: &BTreeMap<(&str, &str), usize>) {
    println!("  takes by label (rows) and verdict (columns)");
    print!("    {:<15}", "");
    CLASSES.iter().for_each(|c| print!("{c:>14}"));
    println!();
    let count = |t: &str, h: &str| confusion.get(&(t, h)).copied().unwrap_or(0) as f64;
    let mut sum = 0.0;
    for truth in CLASSES {
        print!("    {truth:<15}");
        CLASSES
            .iter()
            .for_each(|heard| print!("{:>14}", count(truth, heard)));
        let given: f64 = CLASSES.iter().map(|h| count(truth, h)).sum();
        let taken: f64 = CLASSES.iter().map(|t| count(t, truth)).sum();
        let f = 2.0 * count(truth, truth) / (given + taken).max(1.0);
        println!("   F {f:.2}");
        sum += f;
    }
    println!("    macro F {:.3}", sum / CLASSES.len() as f64);
}

fn row(file: &str, notes: &[Note]) -> String {
    let count = |f: &dyn Fn(&Note) -> bool| notes.iter().filter(|n| f(n)).count();
    let length = |l: Length| count(&|n| n.length == l);
    let mut techniques: BTreeMap<&str, usize> = BTreeMap::new();
    for technique in notes.iter().flat_map(|n| &n.techniques) {
        *techniques.entry(Technique::name(technique)).or_default() += 1;
    }
    format!(
        "{:<52} {:>3}; {:>3}; {:>2} {:>2} {:>2} {:>2}; {techniques:?}",
        file.trim_start_matches("phrases/"),
        notes.len(),
        count(&|n| n.attack != Attack::Slurred),
        length(Length::Staccatissimo),
        length(Length::Staccato),
        length(Length::Normal),
        length(Length::Tenuto),
    )
}
