use std::path::{Path, PathBuf};

use clap::Args;
use leadpipe::internals::horn::tube;
use leadpipe::internals::notation::LazyPart;
use leadpipe::internals::note_list;
use leadpipe::internals::output::{self, csv, json, table};
use leadpipe::{Error, Horn, Line, Output, Result};

use super::part::PartOptions;
use super::transcribe::{CvOptions, FileKind, kinds};
use super::{ListFormat, SendOptions, TuningOptions, stem};

/// Write outputs from a note list that you have corrected
#[derive(Args)]
#[command(after_help = "\
A list is a CSV or JSON file as `leadpipe transcribe` writes it, or a MIDI file. Of a
CSV file the columns onset_s and offset_s and one of midi, concert and frequency_hz
are enough; lines may be added, removed and changed. Where midi and frequency_hz
disagree, midi decides.

Examples:
  leadpipe transcribe take.wav --horn trumpet --out written
  leadpipe write written/take.csv --horn trumpet --out corrected --write musicxml,midi
  leadpipe write line.mid --horn horn --tempo 66 --meter 3/4 --out part --write musicxml

Voltages: before a control-voltage file goes into modules, check that the
interface is DC-coupled, what its full scale is, and what the module's input
accepts; if in doubt, follow their manuals.")]
pub struct Options {
    /// Note list: .csv, .json or .mid
    #[arg(value_name = "NOTES")]
    list: PathBuf,
    /// Your horn: a name from `leadpipe horns`, or a TOML file of your own
    #[arg(long, value_name = "NAME")]
    horn: Option<String>,
    #[command(flatten)]
    tuning: TuningOptions,
    #[command(flatten)]
    send: SendOptions,
    #[command(flatten)]
    cv: CvOptions,
    #[command(flatten)]
    part: PartOptions,
    /// Format of the note list on standard output
    #[arg(long, value_enum, default_value_t = ListFormat::Table)]
    format: ListFormat,
    /// Folder to write files to
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Files to write, separated by commas
    #[arg(
        long,
        value_enum,
        value_delimiter = ',',
        value_name = "KINDS",
        requires = "out"
    )]
    write: Vec<FileKind>,
}

pub fn run(options: &Options) -> Result<()> {
    let _folder_guard = options
        .out
        .as_deref()
        .map(super::check_folder)
        .transpose()?;
    let horn = options.horn.as_deref().map(Horn::find).transpose()?;
    let context = options.tuning.context(horn, Some(&options.send))?;
    let list = note_list::read(&options.list, context.tuning.reference())?;
    let line = Line::new(&stem(&options.list), list.length_s, list.notes, context);
    let part = LazyPart::new(options.part.notation());
    if let Some(folder) = &options.out {
        let outputs: Vec<_> = kinds(&options.write)
            .iter()
            .map(|kind| {
                kind.output(
                    &options.cv,
                    &part,
                    options.part.cents_over,
                    tube::TEMPERATURE_C,
                    || Ok(None),
                )
            })
            .collect::<Result<_>>()?;
        check_apart(&options.list, folder, &outputs)?;
        super::print_written(&output::save_all(&line, folder, &line.source, &outputs)?);
    }
    super::print(|to| match options.format {
        ListFormat::Table => table::write(&line, part.of(&line), to),
        ListFormat::Csv => csv::write(&line, to),
        ListFormat::Json => json::write(&line, to),
    })
}

/// Refuses to write over the list itself, which a person has corrected.
fn check_apart(list: &Path, folder: &Path, outputs: &[Box<dyn Output>]) -> Result<()> {
    let same = |ending: &str| {
        let path = folder.join(format!("{}{ending}", stem(list)));
        matches!((path.canonicalize(), list.canonicalize()), (Ok(a), Ok(b)) if a == b)
    };
    match outputs.iter().any(|output| same(output.extension())) {
        true => Err(Error::setting(
            "the list itself would be written over",
            "give another folder with --out",
        )),
        false => Ok(()),
    }
}
