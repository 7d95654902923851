//! A written part read back.

use std::collections::HashMap;
use std::path::Path;

/// The part's texts by element, the last of each, and its notes: (place in the bar,
/// value) in quarters, ties joined.
pub fn read(path: &Path) -> (HashMap<String, String>, Vec<(f64, f64)>) {
    let text = std::fs::read_to_string(path).unwrap();
    let mut texts = HashMap::new();
    let mut notes: Vec<(f64, f64)> = Vec::new();
    for bar in text.split("<measure ").skip(1) {
        let mut at = 0.0;
        let mut here = Vec::new();
        for note in bar.split("<note>").skip(1) {
            if note.contains("<grace") {
                continue;
            }
            let number = |name: &str| -> f64 {
                let from = note.find(&format!("<{name}>")).unwrap() + name.len() + 2;
                note[from..].split('<').next().unwrap().parse().unwrap()
            };
            let value = number("duration") / 24.0;
            if !note.contains("<rest") {
                here.push((at, value, note.contains("<tie type=\"stop\"")));
            }
            at += value;
        }
        for element in [
            "beats",
            "beat-type",
            "per-minute",
            "first",
            "second",
            "fifths",
        ] {
            let open = format!("<{element}>");
            if let Some(found) = bar.find(&open) {
                let value = bar[found + open.len()..].split('<').next().unwrap();
                texts.insert(element.to_owned(), value.to_owned());
            }
        }
        let lead = if bar.contains("implicit=\"yes\"") {
            let beats: f64 = texts["beats"].parse().unwrap();
            let value: f64 = texts["beat-type"].parse().unwrap();
            beats * 4.0 / value - at
        } else {
            0.0
        };
        for (place, value, tied) in here {
            match notes.last_mut() {
                Some(last) if tied => last.1 += value,
                _ => notes.push((place + lead, value)),
            }
        }
    }
    (texts, notes)
}
