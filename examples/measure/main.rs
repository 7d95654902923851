//! Measures the transcription and prints every figure, so that each change is seen:
//!
//! ```text
//! cargo run --release --example measure                 # what the project makes itself
//! cargo run --release --example measure -- FOLDER       # and recordings with known notes
//! ```
//!
//! FOLDER holds `manifest.json` (a list of files with `midi`, `cents`,
//! `articulation`), the files, and `lines2/line-NN.flac` with `line-NN.json`
//! (notes with `onset`, `offset`, `midi`, `attack`).

mod frames;
mod lines;
mod nothing;
mod phrases;
mod recordings;
mod rooms;
mod shapes;
mod speed;
mod tones;

use std::path::Path;

fn main() {
    tones::measure();
    shapes::measure();
    nothing::measure();
    speed::measure();
    if let Some(folder) = std::env::args().nth(1) {
        let folder = Path::new(&folder);
        frames::measure(folder);
        lines::measure(folder);
        rooms::measure(folder);
        phrases::measure(folder);
    } else {
        println!("\nname a folder of recordings with known notes to measure on those too");
    }
}

/// Value at a share of the sorted list, `NaN` of nothing.
fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let last = sorted.len().saturating_sub(1) as f64;
    sorted
        .get((last * share).round() as usize)
        .copied()
        .unwrap_or(f64::NAN)
}
