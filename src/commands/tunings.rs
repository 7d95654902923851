use std::path::PathBuf;

use clap::Args;
use leadpipe::Result;
use leadpipe::internals::output::provenance::DUMP;
use leadpipe::internals::output::stage;
use leadpipe::internals::tuning::tuning_file::{Kind, TuningFile};
use leadpipe::internals::tuning::{bulk_dump, catalogue};
use serde::Serialize;

use super::{CatalogueOptions, ListFormat, TuningOptions};

/// List the tunings, show one, or write one as a MIDI dump
#[derive(Args)]
#[command(after_help = "\
A tuning of your own is a TOML file; give its path as --tuning FILE.toml:

  name = \"mine\"
  title = \"My tuning\"
  kind = \"table\"          # or \"selection\": notes to quantise to
  tonic = \"C4\"
  anchor = \"A4\"           # one of its notes, which --reference fixes; the tonic if left out
  period = 1200           # cents; an octave if left out
  degrees = [\"1/1\", \"9/8\", 386.3, \"4/3\", \"3/2\", \"5/3\", \"15/8\"]   # ratios or cents

A MIDI Tuning Standard bulk dump works as well: --tuning FILE.syx.

Examples:
  leadpipe tunings
  leadpipe tunings just --tonic Bb
  leadpipe tunings werckmeister-3 --dump werckmeister.syx")]
pub struct Options {
    /// Tuning to show
    #[arg(value_parser = super::TUNING, hide_possible_values = true)]
    name: Option<String>,
    #[command(flatten)]
    list: CatalogueOptions,
    /// Tonic of the tuning, such as Bb
    #[arg(long, value_name = "PITCH", requires = "name")]
    tonic: Option<String>,
    /// Frequency of A4
    #[arg(long, value_name = "HZ", default_value_t = leadpipe::internals::units::A4_HZ, value_parser = super::hertz)]
    reference: f64,
    /// Write a MIDI Tuning Standard bulk dump to this file
    #[arg(long, value_name = "FILE", requires = "name", value_parser = super::output_path())]
    dump: Option<PathBuf>,
    /// Tuning program number in the dump
    #[arg(long, value_name = "N", default_value_t = 0, value_parser = clap::value_parser!(u8).range(0..=127))]
    program: u8,
}

pub fn run(options: &Options) -> Result<()> {
    match &options.name {
        Some(name) => show(name, options),
        None => list(options),
    }
}

fn list(options: &Options) -> Result<()> {
    let tunings = catalogue();
    super::print(|to| match options.list.format() {
        ListFormat::Json => super::write_json(&tunings.iter().map(as_json).collect::<Vec<_>>(), to),
        ListFormat::Csv => {
            let rows: Vec<Row> = tunings.iter().map(Row::new).collect();
            super::write_rows(&rows, to)
        }
        ListFormat::Table => tunings.iter().try_for_each(|tuning| {
            let scale = match tuning.kind {
                Kind::Table => "",
                Kind::Selection => " (a scale to play to)",
            };
            let (name, count) = (&tuning.name, tuning.degrees.len());
            writeln!(to, "{name:<18} {count:>3} notes  {}{scale}", tuning.title)
        }),
    })
}

/// A tuning in one row.
#[derive(Serialize)]
struct Row<'a> {
    name: &'a str,
    title: &'a str,
    kind: Kind,
    notes: usize,
}

impl Row<'_> {
    fn new(tuning: &TuningFile) -> Row<'_> {
        Row {
            name: &tuning.name,
            title: &tuning.title,
            kind: tuning.kind,
            notes: tuning.degrees.len(),
        }
    }
}

/// A degree of a tuning.
#[derive(Serialize)]
struct Degree {
    degree: usize,
    cents: f64,
}

fn as_json(tuning: &TuningFile) -> serde_json::Value {
    serde_json::json!({
        "name": tuning.name,
        "title": tuning.title,
        "about": tuning.about,
        "kind": tuning.kind,
        "tonic": tuning.tonic,
        "anchor": tuning.anchor,
        "period_cents": tuning.period,
        "degrees_cents": tuning.cents().unwrap_or_default(),
    })
}

fn show(name: &str, options: &Options) -> Result<()> {
    let selected = TuningOptions {
        tuning: name.to_owned(),
        tonic: options.tonic.clone(),
        reference: options.reference,
    };
    let tuning = selected.tuning()?;
    if let Some(path) = &options.dump {
        let bytes = bulk_dump::encode(&tuning, options.program);
        let path = stage(path, DUMP, |to| to.write_all(&bytes))?.commit()?;
        super::print_written(&[path]);
    }
    let degrees = tuning.degrees_cents().iter().enumerate();
    let degrees: Vec<Degree> = degrees
        .map(|(degree, cents)| Degree {
            degree,
            cents: *cents,
        })
        .collect();
    super::print(|to| match options.list.format() {
        ListFormat::Json => {
            let shown = serde_json::json!({
                "name": tuning.name(),
                "title": tuning.title(),
                "about": tuning.about(),
                "reference_hz": tuning.reference().a4_hz(),
                "period_cents": Some(tuning.period_cents()).filter(|p| p.is_finite()),
                "degrees_cents": tuning.degrees_cents(),
            });
            super::write_json(&shown, to)
        }
        ListFormat::Csv => super::write_rows(&degrees, to),
        ListFormat::Table => {
            writeln!(to, "{} ({})", tuning.title(), tuning.name())?;
            writeln!(to, "{}", tuning.about())?;
            writeln!(to, "A4 = {} Hz", tuning.reference().a4_hz())?;
            writeln!(to, "{:>6} {:>10}", "degree", "cents")?;
            for Degree { degree, cents } in &degrees {
                writeln!(to, "{degree:>6} {cents:>10.3}")?;
            }
            Ok(())
        }
    })
}
