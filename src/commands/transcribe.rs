use std::path::PathBuf;

use clap::{Args, ValueEnum};
use leadpipe::error::Result;
use leadpipe::output::cv::{ControlVoltage, FULL_SCALE_V};
use leadpipe::output::midi::MidiFile;
use leadpipe::output::{self, Output, csv, json, table};

use super::{EarOptions, Form, SendOptions, TableOptions, TakeOptions};

/// Write down a take: every note with pitch, cents and articulation
#[derive(Args)]
#[command(after_help = "\
Examples:
  leadpipe transcribe take.wav --horn flugelhorn
  leadpipe transcribe take.flac --format csv > notes.csv
  leadpipe transcribe take.wav --out written --write csv,midi,cv
  leadpipe transcribe take.wav --tuning meantone-4 --reference 415 --snap bend \\
      --out written --write midi
  leadpipe transcribe take.wav --causal      what the live engine would decide

Voltages: before a control-voltage file goes into modules, check that the
interface is DC-coupled, what its full scale is, and what the module's input
may be given; its manual and the module's have the last word.")]
pub struct Options {
    /// Print the JSON note list's schema and do nothing else
    #[arg(long, exclusive = true)]
    schema: bool,
    #[command(flatten)]
    take: Option<TakeOptions>,
    #[command(flatten)]
    ear: EarOptions,
    #[command(flatten)]
    table: TableOptions,
    #[command(flatten)]
    send: SendOptions,
    #[command(flatten)]
    cv: CvOptions,
    /// Form of the note list on standard output
    #[arg(long, value_enum, default_value_t = Form::Table)]
    format: Form,
    /// Folder for files
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

/// How voltages are written down.
#[derive(Args)]
pub struct CvOptions {
    /// Voltage that the interface puts out at digital full scale
    #[arg(long, value_name = "VOLTS", default_value_t = FULL_SCALE_V, value_parser = full_scale)]
    pub volts_full_scale: f64,
    /// Sample rate of the control-voltage file
    #[arg(long, value_name = "HZ", default_value_t = 48_000, value_parser = clap::value_parser!(u32).range(1_000..=192_000))]
    pub cv_rate: u32,
}

fn full_scale(text: &str) -> std::result::Result<f64, String> {
    match text.parse::<f64>() {
        Ok(v) if (0.1..=100.0).contains(&v) => Ok(v),
        _ => Err("give volts between 0.1 and 100".into()),
    }
}

/// A kind of file.
#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FileKind {
    /// Note list, comma-separated
    Csv,
    /// Note list as JSON
    Json,
    /// Standard MIDI File with bends and breath
    Midi,
    /// Control voltages as a 4-channel float WAV
    Cv,
}

impl FileKind {
    /// All kinds there are.
    pub const ALL: [FileKind; 4] = [FileKind::Csv, FileKind::Json, FileKind::Midi, FileKind::Cv];

    /// Its writer.
    pub fn output(self, cv: &CvOptions) -> Box<dyn Output> {
        match self {
            FileKind::Csv => Box::new(csv::Csv),
            FileKind::Json => Box::new(json::Json),
            FileKind::Midi => Box::new(MidiFile),
            FileKind::Cv => Box::new(ControlVoltage {
                full_scale_v: cv.volts_full_scale,
                sample_rate_hz: cv.cv_rate,
            }),
        }
    }
}

pub fn run(options: &Options) -> Result<()> {
    // Without a take clap lets only --schema through.
    let Some(take) = &options.take else {
        return super::print(|to| to.write_all(json::SCHEMA.as_bytes()));
    };
    if let Some(folder) = &options.out {
        super::check_folder(folder)?;
    }
    let line = super::listen_and_read(take, &options.ear, &options.table, Some(&options.send))?;
    if let Some(folder) = &options.out {
        let kinds: &[FileKind] = if options.write.is_empty() {
            &[FileKind::Csv, FileKind::Json, FileKind::Midi]
        } else {
            &options.write
        };
        let outputs: Vec<_> = kinds.iter().map(|kind| kind.output(&options.cv)).collect();
        let paths = output::save_all(&line, folder, &take.stem(), &outputs)?;
        super::tell_files(&paths);
    }
    super::print(|to| match options.format {
        Form::Table => table::write(&line, to),
        Form::Csv => csv::write(&line, to),
        Form::Json => json::write(&line, to),
    })
}
