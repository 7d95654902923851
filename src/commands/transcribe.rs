use std::collections::HashMap;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use leadpipe::internals::audio::flac::Flac;
use leadpipe::internals::notation::LazyPart;
use leadpipe::internals::output::report::Html;
use leadpipe::internals::output::{self, csv, json, table};
use leadpipe::internals::text::{shown, shown_path};
use leadpipe::{
    ControlVoltage, Error, FULL_SCALE_V, Line, MidiFile, MusicXml, Output, Picture, Result,
};

use super::part::PartOptions;
use super::transcription::{NoteDetail, transcribe_line};
use super::{
    BatchOptions, ListFormat, PitchOptions, SendOptions, TuningOptions, batch, intonation, stem,
};

/// Transcribe takes: every note with pitch, cents and articulation
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
  leadpipe transcribe take.wav --out written --write report,svg --audio
  leadpipe transcribe takes/ --out written --write csv,midi    a whole folder
  leadpipe transcribe take.wav --causal      what the live engine would decide

Voltages: before a control-voltage file goes into modules, check that the
interface is DC-coupled, what its full scale is, and what voltage the
module's input accepts; if in doubt, follow their manuals.")]
pub struct Options {
    /// Print the schema of the JSON note list and exit
    #[arg(long, exclusive = true)]
    schema: bool,
    /// WAV, AIFF, CAF, FLAC, MP3 or OGG files, or folders of them; - for standard input
    #[arg(required_unless_present = "schema", value_name = "TAKE")]
    takes: Vec<PathBuf>,
    #[command(flatten)]
    many: BatchOptions,
    #[command(flatten)]
    pitch: PitchOptions,
    #[command(flatten)]
    tuning: TuningOptions,
    #[command(flatten)]
    send: SendOptions,
    #[command(flatten)]
    cv: CvOptions,
    #[command(flatten)]
    part: PartOptions,
    #[command(flatten)]
    page: intonation::PageOptions,
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

/// How voltages are written down.
#[derive(Args)]
pub struct CvOptions {
    /// Voltage that the interface puts out at digital full scale
    #[arg(long, value_name = "VOLTS", default_value_t = FULL_SCALE_V, value_parser = super::number(0.1..=100.0, "volts"))]
    pub volts_full_scale: f64,
    /// Sample rate of the control-voltage file
    #[arg(long, value_name = "HZ", default_value_t = 48_000, value_parser = clap::value_parser!(u32).range(1_000..=192_000))]
    pub cv_rate: u32,
}

/// A kind of file.
#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FileKind {
    /// Note list as CSV (comma-separated values)
    Csv,
    /// Note list as JSON
    Json,
    /// Standard MIDI File with pitch bend and breath control
    Midi,
    /// Control voltages as a 4-channel float WAV
    Cv,
    /// The written part as MusicXML
    Musicxml,
    /// Intonation report, one HTML file
    Report,
    /// Picture of the pitch over time
    Svg,
}

impl FileKind {
    /// All kinds.
    pub const ALL: [FileKind; 7] = [
        FileKind::Csv,
        FileKind::Json,
        FileKind::Midi,
        FileKind::Cv,
        FileKind::Musicxml,
        FileKind::Report,
        FileKind::Svg,
    ];

    /// The writer of this kind. `sound` reads the sound to embed in a report, if
    /// any.
    pub fn output(
        self,
        cv: &CvOptions,
        part: &LazyPart,
        cents_over: f64,
        temperature_c: f64,
        sound: impl FnOnce() -> Result<Option<Flac>>,
    ) -> Result<Box<dyn Output>> {
        Ok(match self {
            FileKind::Csv => Box::new(csv::Csv),
            FileKind::Json => Box::new(json::Json),
            FileKind::Midi => Box::new(MidiFile { part: part.clone() }),
            FileKind::Svg => Box::new(Picture),
            FileKind::Report => Box::new(Html {
                temperature_c,
                sound: sound()?,
            }),
            FileKind::Cv => Box::new(ControlVoltage {
                full_scale_v: cv.volts_full_scale,
                sample_rate_hz: cv.cv_rate,
            }),
            FileKind::Musicxml => Box::new(MusicXml {
                part: part.clone(),
                cents_over,
            }),
        })
    }
}

pub fn run(options: &Options) -> Result<()> {
    if options.schema {
        return super::print(|to| to.write_all(json::SCHEMA.as_bytes()));
    }
    options
        .page
        .check(options.write.contains(&FileKind::Report))?;
    let _folder_guard = options
        .out
        .as_deref()
        .map(super::check_folder)
        .transpose()?;
    // Names first: a misspelt tuning should not be discovered after a minute's
    // analysis.
    let horn = options.pitch.horn()?;
    let context = options.tuning.context(horn, Some(&options.send))?;
    let takes = batch::find_takes(&options.takes)?;
    let listen = |take: &Path, progress: bool| {
        let excerpt = &options.many.excerpt;
        check_outputs(options, take)?;
        let detail = options.note_detail();
        transcribe_line(take, excerpt, &options.pitch, &context, progress, detail)
    };
    if let [take] = &takes[..] {
        let line = listen(take, true)?;
        let part = LazyPart::new(options.part.notation());
        super::print_written(&save(options, take, &line, &part)?);
        return super::print(|to| match options.format {
            ListFormat::Table => table::write(&line, part.of(&line), to),
            ListFormat::Csv => csv::write(&line, to),
            ListFormat::Json => json::write(&line, to),
        });
    }
    if options.out.is_none() {
        return Err(Error::setting(
            format!(
                "{} takes, but no folder to write their files to",
                takes.len()
            ),
            "give one with --out",
        ));
    }
    check_distinct_names(&takes)?;
    let done = batch::process(&takes, options.many.jobs, |take| {
        let line = listen(take, false)?;
        let part = LazyPart::new(options.part.notation());
        let paths = save(options, take, &line, &part)?;
        Ok((stem(take), line.notes.len(), line.length_s, paths.len()))
    });
    super::print(|to| {
        for (name, notes, length_s, files) in &done.results {
            writeln!(
                to,
                "{}: {notes} notes in {length_s:.1} s, {files} files",
                shown(name)
            )?;
        }
        Ok(())
    })?;
    done.outcome
}

impl Options {
    /// Kinds of files to write; none without a folder.
    fn kinds(&self) -> &[FileKind] {
        match &self.out {
            None => &[],
            Some(_) => kinds(&self.write),
        }
    }

    fn note_detail(&self) -> NoteDetail {
        let list = |kind: &FileKind| matches!(kind, FileKind::Csv | FileKind::Json);
        if self.kinds().iter().all(list) {
            NoteDetail::List
        } else {
            NoteDetail::Contours
        }
    }
}

/// Kinds of files to write into a folder: those named, or the default ones.
pub fn kinds(named: &[FileKind]) -> &[FileKind] {
    match named {
        [] => &[FileKind::Csv, FileKind::Json, FileKind::Midi],
        named => named,
    }
}

/// The writers of a take's files; `sound` reads the sound to embed in a report.
fn outputs(
    options: &Options,
    part: &LazyPart,
    sound: impl Fn() -> Result<Option<Flac>>,
) -> Result<Vec<Box<dyn Output>>> {
    let output = |kind: &FileKind| {
        kind.output(
            &options.cv,
            part,
            options.part.cents_over,
            options.page.temperature,
            &sound,
        )
    };
    options.kinds().iter().map(output).collect()
}

/// Says, before a take is heard, what will keep its files from being written.
fn check_outputs(options: &Options, take: &Path) -> Result<()> {
    let Some(folder) = &options.out else {
        return Ok(());
    };
    let outputs = outputs(options, &LazyPart::default(), || Ok(None))?;
    output::check_all_free(folder, &stem(take), &outputs)?;
    options.page.check_sound(take, &options.many.excerpt)
}

/// Writes a take's files, if there is a folder for them.
fn save(options: &Options, take: &Path, line: &Line, part: &LazyPart) -> Result<Vec<PathBuf>> {
    let Some(folder) = &options.out else {
        return Ok(Vec::new());
    };
    let sound = || options.page.sound(take, &options.many.excerpt);
    let outputs = outputs(options, part, sound)?;
    output::save_all(line, folder, &stem(take), &outputs)
}

/// Refuses two takes of the same name, which would overwrite each other's files.
fn check_distinct_names(takes: &[PathBuf]) -> Result<()> {
    let mut seen = HashMap::new();
    for take in takes {
        if let Some(other) = seen.insert(stem(take), take) {
            return Err(Error::setting(
                format!(
                    "{} and {} would be written to the same files",
                    shown_path(other),
                    shown_path(take)
                ),
                "rename one, or give them one at a time",
            ));
        }
    }
    Ok(())
}
