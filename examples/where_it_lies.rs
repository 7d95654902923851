//! The horn's own part of its intonation: fingerings, partials and cents of a
//! chromatic scale, by theory.
//!
//! `cargo run --release --example where_it_lies -- flugelhorn`

use leadpipe::{Concert, Horn};

fn main() -> leadpipe::Result<()> {
    let name = std::env::args().nth(1).unwrap_or("trumpet".into());
    let horn = Horn::find(&name)?;
    println!(
        "{}: {:.0} mm of tube",
        horn.title,
        1000.0 * horn.open_length_m()
    );
    for key in horn.low.0..=horn.high.0 {
        let concert = Concert(key);
        if let Some(fingering) = horn.fingerings(concert).first() {
            println!(
                "{:>4}  {:<11} partial {:>2}  {:+.0} cents",
                horn.written(concert).to_string(),
                fingering.name(),
                fingering.partial,
                fingering.cents
            );
        }
    }
    Ok(())
}
