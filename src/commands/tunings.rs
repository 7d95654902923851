use std::path::PathBuf;

use clap::Args;
use leadpipe::Result;
use leadpipe::internals::output::StagedFile;
use leadpipe::internals::output::provenance::check_free;
use leadpipe::internals::tuning::tuning_file::{Kind, TuningFile};
use leadpipe::internals::tuning::{bulk_dump, catalogue};

use super::TuningOptions;

/// List the tunings, show one, or write one as a MIDI dump
#[derive(Args)]
#[command(after_help = "\
A tuning of your own is a TOML file; give its path as --tuning FILE.toml:

  name = \"mine\"
  title = \"My tuning\"
  kind = \"table\"          # or \"selection\": notes to quantise to
  tonic = \"C4\"
  anchor = \"A4\"           # note that --reference fixes; the tonic if left out
  period = 1200           # cents; leave out for octaves
  degrees = [\"1/1\", \"9/8\", 386.3, \"3/2\"]

A MIDI Tuning Standard bulk dump works as well: --tuning FILE.syx.

Examples:
  leadpipe tunings
  leadpipe tunings just --tonic Bb
  leadpipe tunings werckmeister-3 --dump werckmeister.syx")]
pub struct Options {
    /// Tuning to show
    name: Option<String>,
    /// Print as JSON
    #[arg(long)]
    json: bool,
    /// Tonic of the tuning, such as Bb
    #[arg(long, value_name = "PITCH", requires = "name")]
    tonic: Option<String>,
    /// Frequency of A4
    #[arg(long, value_name = "HZ", default_value_t = leadpipe::internals::units::A4_HZ)]
    reference: f64,
    /// Write a MIDI Tuning Standard bulk dump to this file
    #[arg(long, value_name = "FILE", requires = "name")]
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
    super::print(|to| {
        if options.json {
            let all: Vec<_> = tunings.iter().map(as_json).collect();
            serde_json::to_writer_pretty(&mut *to, &all)?;
            return writeln!(to);
        }
        for tuning in &tunings {
            let count = tuning.degrees.len();
            let scale = match tuning.kind {
                Kind::Table => "",
                Kind::Selection => " (a scale to play to)",
            };
            writeln!(
                to,
                "{:<18} {count:>3} notes  {}{scale}",
                tuning.name, tuning.title
            )?;
        }
        Ok(())
    })
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
        check_free(path)?;
        let bytes = bulk_dump::encode(&tuning, options.program);
        let path = StagedFile::write(path.clone(), |to| to.write_all(&bytes))?.commit()?;
        super::print_written(&[path]);
    }
    super::print(|to| {
        if options.json {
            let shown = serde_json::json!({
                "name": tuning.name(),
                "title": tuning.title(),
                "about": tuning.about(),
                "reference_hz": tuning.reference().a4_hz(),
                "period_cents": Some(tuning.period_cents()).filter(|p| p.is_finite()),
                "degrees_cents": tuning.degrees_cents(),
            });
            serde_json::to_writer_pretty(&mut *to, &shown)?;
            return writeln!(to);
        }
        writeln!(to, "{} ({})", tuning.title(), tuning.name())?;
        writeln!(to, "{}", tuning.about())?;
        writeln!(to, "A4 = {} Hz", tuning.reference().a4_hz())?;
        writeln!(to, "{:>6} {:>10}", "degree", "cents")?;
        for (degree, cents) in tuning.degrees_cents().iter().enumerate() {
            writeln!(to, "{degree:>6} {cents:>10.3}")?;
        }
        Ok(())
    })
}
