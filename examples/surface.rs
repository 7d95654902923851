//! What the library offers, against what its version promised:
//! `scripts/surface.sh` makes the JSON and calls this.
//!
//! ```text
//! surface JSON           # names what is gone; exit code 1 if anything is
//! surface JSON --keep    # writes the promise anew
//! ```
//!
//! The promise of version 0.N.x lies in `tests/surface/0.N.txt`, that of M.x.y from
//! 1.0 on in `tests/surface/M.txt`: the part of a version that must rise when
//! something is taken away (Cargo's reading of semantic versioning).

use std::collections::BTreeSet;
use std::process::ExitCode;

fn main() -> Result<ExitCode, Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let json = arguments.next().ok_or("name the JSON that rustdoc wrote")?;
    let surface = public_api::Builder::from_rustdoc_json(json)
        .omit_blanket_impls(true)
        .omit_auto_trait_impls(true)
        .omit_auto_derived_impls(true)
        .build()?;
    let offered: BTreeSet<String> = surface.items().map(ToString::to_string).collect();
    let offered: BTreeSet<String> = offered
        .iter()
        .filter(|l| !implied(l, &offered))
        .cloned()
        .collect();

    let (major, minor) = (
        env!("CARGO_PKG_VERSION_MAJOR"),
        env!("CARGO_PKG_VERSION_MINOR"),
    );
    let promise = match major {
        "0" => format!("tests/surface/0.{minor}.txt"),
        _ => format!("tests/surface/{major}.txt"),
    };
    if arguments.next().as_deref() == Some("--keep") {
        let lines: Vec<String> = offered.into_iter().collect();
        std::fs::write(&promise, lines.join("\n") + "\n")?;
        return Ok(ExitCode::SUCCESS);
    }
    let text = std::fs::read_to_string(&promise)
        .map_err(|e| format!("{promise}: {e}; for a new version: scripts/surface.sh --keep"))?;
    let promised: BTreeSet<String> = text.lines().map(str::to_owned).collect();
    let gone: Vec<_> = promised.difference(&offered).collect();
    let fresh = offered.difference(&promised).count();
    println!(
        "{} promised, {} gone or changed, {fresh} new",
        promised.len(),
        gone.len()
    );
    for line in &gone {
        println!("gone: {line}");
    }
    Ok(if gone.is_empty() {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    })
}

/// Whether a line promises nothing that another does not: the head of a block or of an
/// enum's variant whose methods or fields have lines of their own, and the method of a
/// trait that has a line as implemented.
fn implied(line: &str, offered: &BTreeSet<String>) -> bool {
    const METHODS: [(&str, &str); 5] = [
        ("default()", "core::default::Default"),
        ("fmt(", "core::fmt::Debug"),
        ("fmt(", "core::fmt::Display"),
        ("extension(", "leadpipe::Output"),
        ("write(", "leadpipe::Output"),
    ];
    let of_a_trait = || {
        METHODS.iter().any(|(method, of)| {
            let rest = line.strip_prefix("pub fn ").unwrap_or_default();
            rest.split_once(&format!("::{method}"))
                .is_some_and(|(owner, _)| offered.contains(&format!("impl {of} for {owner}")))
        })
    };
    let of_a_variant = || offered.iter().any(|l| l.starts_with(&format!("{line}::")));
    if line.starts_with("impl leadpipe::") {
        return !line.contains(" for ");
    }
    // All types are `Debug`: a lint sees to that.
    let debug = line.starts_with("impl core::fmt::Debug for");
    debug || line == "pub mod leadpipe" || of_a_variant() || of_a_trait()
}
