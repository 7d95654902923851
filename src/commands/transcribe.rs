use std::path::PathBuf;

use clap::{Args, ValueEnum};
use leadpipe::error::Result;
use leadpipe::output::cv::{ControlVoltage, FULL_SCALE_V};
use leadpipe::output::midi::MidiFile;
use leadpipe::output::musicxml::{CENTS_OVER, MusicXml};
use leadpipe::output::{self, Output, csv, json, table};
use leadpipe::score::{Metre, Wish};

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
  leadpipe transcribe take.wav --horn flugelhorn --tempo 96 --meter 3/4 \\
      --out written --write musicxml      a printable part
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
    #[command(flatten)]
    part: PartOptions,
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

/// How the printable part is written.
#[derive(Args)]
pub struct PartOptions {
    /// Quarter notes a minute, for the part; estimated if left out
    #[arg(long, value_name = "BPM", value_parser = tempo)]
    pub tempo: Option<f64>,
    /// Metre of the part, such as 3/4, or "free" for unmeasured
    #[arg(long, value_name = "BEATS/VALUE", default_value = "4/4", value_parser = metre)]
    pub meter: Measured,
    /// Sharps, or flats if negative, in the part's signature; estimated if left out
    #[arg(long, value_name = "N", allow_negative_numbers = true, value_parser = clap::value_parser!(i32).range(-7..=7))]
    pub key: Option<i32>,
    /// Notes farther off the table than this carry their cents in the part
    #[arg(long, value_name = "CENTS", default_value_t = CENTS_OVER)]
    pub cents_over: f64,
}

/// A metre, or none.
#[derive(Clone, Copy)]
pub struct Measured(Option<Metre>);

impl PartOptions {
    /// A part of which nothing is known.
    pub fn plain() -> Self {
        PartOptions {
            tempo: None,
            meter: Measured(Some(Metre::COMMON)),
            key: None,
            cents_over: CENTS_OVER,
        }
    }
}

fn tempo(text: &str) -> std::result::Result<f64, String> {
    match text.parse::<f64>() {
        Ok(tempo) if (20.0..=400.0).contains(&tempo) => Ok(tempo),
        _ => Err("give quarter notes a minute, 20 to 400".into()),
    }
}

fn metre(text: &str) -> std::result::Result<Measured, String> {
    if text == "free" {
        return Ok(Measured(None));
    }
    let metre = Metre::parse(text).ok_or("give a metre such as 4/4, 3/4, 6/8, or free")?;
    Ok(Measured(Some(metre)))
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
    /// The written part as MusicXML
    Musicxml,
}

impl FileKind {
    /// All kinds there are.
    pub const ALL: [FileKind; 5] = [
        FileKind::Csv,
        FileKind::Json,
        FileKind::Midi,
        FileKind::Cv,
        FileKind::Musicxml,
    ];

    /// Its writer.
    pub fn output(self, cv: &CvOptions, part: &PartOptions) -> Box<dyn Output> {
        match self {
            FileKind::Csv => Box::new(csv::Csv),
            FileKind::Json => Box::new(json::Json),
            FileKind::Midi => Box::new(MidiFile),
            FileKind::Cv => Box::new(ControlVoltage {
                full_scale_v: cv.volts_full_scale,
                sample_rate_hz: cv.cv_rate,
            }),
            FileKind::Musicxml => Box::new(MusicXml {
                wish: Wish {
                    tempo: part.tempo,
                    metre: Some(part.meter.0),
                    fifths: part.key,
                },
                cents_over: part.cents_over,
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
        let outputs: Vec<_> = kinds
            .iter()
            .map(|kind| kind.output(&options.cv, &options.part))
            .collect();
        let paths = output::save_all(&line, folder, &take.stem(), &outputs)?;
        super::tell_files(&paths);
    }
    super::print(|to| match options.format {
        Form::Table => table::write(&line, to),
        Form::Csv => csv::write(&line, to),
        Form::Json => json::write(&line, to),
    })
}
