//! Measures the transcription and prints every figure, so that each change is seen:
//!
//! ```text
//! cargo run --release --example measure                 # what the project makes itself
//! cargo run --release --example measure -- FOLDER       # and recordings with known notes
//! cargo run --release --example measure -- FOLDER lines phrases     # some parts alone
//! ```
//!
//! FOLDER holds `manifest.json` (a list of files with `midi`, `cents`,
//! `articulation`), the files, `tones.json` (a list of single notes with `tone_on_s`,
//! `tone_off_s`), and `lines2/line-NN.flac` with `line-NN.json` (notes with `onset`, `offset`,
//! `midi`, `attack`).

#[path = "../shared/closed_loop.rs"]
mod closed_loop;
mod frames;
mod lines;
mod nothing;
mod own_voice;
mod phrases;
mod recordings;
mod rooms;
#[path = "../shared/same_note.rs"]
mod same_note;
mod shapes;
#[path = "../shared/sound.rs"]
mod sound;
mod speed;
mod tones;

use std::path::Path;

use leadpipe::internals::statistics;

fn main() {
    let mut arguments = std::env::args().skip(1);
    let folder = arguments.next();
    let named: Vec<String> = arguments.collect();
    let wanted = |name: &str| named.is_empty() || named.iter().any(|n| n == name);
    let made = |name: &str, measure: fn()| {
        if wanted(name) {
            measure();
        }
    };
    made("tones", tones::measure);
    made("shapes", shapes::measure);
    made("nothing", nothing::measure);
    made("speed", speed::measure);
    let Some(folder) = folder else {
        println!("\nname a folder of recordings with known notes to measure on those too");
        return;
    };
    let recorded = |name: &str, measure: fn(&Path)| {
        if wanted(name) {
            measure(Path::new(&folder));
        }
    };
    recorded("frames", frames::measure);
    recorded("lines", lines::measure);
    recorded("rooms", rooms::measure);
    recorded("own_voice", own_voice::measure);
    recorded("phrases", phrases::measure);
}

/// Value at a share of the sorted list, `NaN` of nothing.
fn quantile(values: &[f64], share: f64) -> f64 {
    statistics::quantile(&mut values.to_vec(), share).unwrap_or(f64::NAN)
}
