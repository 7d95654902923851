//! What must not shatter: a synthetic take for each, with the note count.

use leadpipe::internals::demo::shapes;
use leadpipe::{Mode, Technique};

use crate::recordings::listen;

const RATE_HZ: f64 = 48_000.0;

pub fn measure() {
    println!("shapes: notes heard, full pass and causal, of notes played");
    for shape in shapes::all() {
        let sound = shape.render();
        let full = listen(&sound, RATE_HZ, Mode::Full).notes;
        let causal = listen(&sound, RATE_HZ, Mode::Causal).notes;
        let first = full.first().map(|n| n.techniques.as_slice());
        let named: Vec<&str> = first
            .unwrap_or_default()
            .iter()
            .map(Technique::name)
            .collect();
        let right_kind = shape.technique.is_empty() || named.contains(&shape.technique);
        let right = full.len() == shape.count && right_kind;
        println!(
            "  {} {:<38} {:>3} {:>3} of {:>2}  {}",
            if right { "ok  " } else { "MISS" },
            shape.name,
            full.len(),
            causal.len(),
            shape.count,
            named.join(" ")
        );
    }
}
