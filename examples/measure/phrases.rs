//! Labelled phrases and long notes: what the articulation comes out as.

use std::collections::BTreeMap;
use std::path::Path;

use leadpipe::ear::Mode;
use leadpipe::notes::{Attack, Length, Note, Technique};

use crate::recordings::{listen, manifest, samples};

pub fn measure(folder: &Path) {
    println!("\nphrases by label: notes; tongued; staccato, normal, tenuto; techniques");
    let mut by_label: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for take in manifest(folder)
        .iter()
        .filter(|r| r.file.starts_with("phrases/"))
    {
        let (sound, rate_hz) = samples(&folder.join(&take.file));
        let notes = listen(&sound, rate_hz, Mode::Full).notes;
        by_label
            .entry(take.articulation.clone())
            .or_default()
            .push(row(&take.file, &notes));
    }
    for (label, rows) in by_label {
        println!("  {label}");
        for row in rows {
            println!("    {row}");
        }
    }
}

fn row(file: &str, notes: &[Note]) -> String {
    let count = |f: &dyn Fn(&Note) -> bool| notes.iter().filter(|n| f(n)).count();
    let length = |l: Length| count(&|n| n.length == l);
    let mut techniques: BTreeMap<&str, usize> = BTreeMap::new();
    for technique in notes.iter().flat_map(|n| &n.techniques) {
        *techniques.entry(Technique::name(technique)).or_default() += 1;
    }
    format!(
        "{:<52} {:>3}; {:>3}; {:>2} {:>2} {:>2}; {techniques:?}",
        file.trim_start_matches("phrases/"),
        notes.len(),
        count(&|n| n.attack != Attack::Slurred),
        length(Length::Staccato),
        length(Length::Normal),
        length(Length::Tenuto),
    )
}
