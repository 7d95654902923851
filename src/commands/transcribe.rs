use std::collections::HashMap;
use std::path::{Path, PathBuf};

use clap::Args;
use leadpipe::internals::output::json;
use leadpipe::internals::text::{counted, shown, shown_path};
use leadpipe::internals::units::rounded;
use leadpipe::{Error, LazyPart, Line, Result};
use serde::Serialize;

use super::files::FileOptions;
use super::transcription::transcribe_line;
use super::{BatchOptions, PitchOptions, SendOptions, TuningOptions, batch, intonation, stem};

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
  leadpipe transcribe take.wav --horn trumpet --report lesson.html
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
    page: intonation::PageOptions,
    #[command(flatten)]
    files: FileOptions,
}

pub fn run(options: &Options) -> Result<()> {
    if options.schema {
        return super::print(|to| to.write_all(json::SCHEMA.as_bytes()));
    }
    let files = &options.files;
    options.page.check(files.report())?;
    if files.report() {
        options.tuning.to_measure_against()?;
    }
    let takes = batch::find_takes(&options.takes)?;
    let _folder_guard = files.check_folder()?;
    // Names first: a misspelt tuning should not be discovered after a minute's
    // analysis.
    let horn = options.pitch.horn()?;
    let context = options.tuning.context(horn, Some(&options.send))?;
    files.check_takes(takes.len())?;
    let detail = files.note_detail();
    let excerpt = &options.many.excerpt;
    let listen = |take: &Path, progress: bool| -> Result<Line> {
        if files.has_folder() {
            files.check_free(&stem(take))?;
        }
        options.page.check_sound(take, excerpt)?;
        let line = transcribe_line(take, excerpt, &options.pitch, &context, progress, detail)?;
        Ok(files.spelled(line))
    };
    let save = |take: &Path, line: &Line, part: &LazyPart| {
        let sound = || options.page.sound(take, excerpt);
        files.save(line, &stem(take), part, options.page.temperature, &sound)
    };
    if let [take] = &takes[..] {
        let part = files.part_of_take(take)?;
        let line = listen(take, true)?;
        super::print_written(&save(take, &line, &part)?);
        return files.print(&line, &part);
    }
    if !files.has_folder() {
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
        let part = files.part_of_take(take)?;
        let line = listen(take, false)?;
        let paths = save(take, &line, &part)?;
        Ok(Row {
            name: stem(take),
            notes: line.notes.len(),
            length_s: rounded(line.length_s, 3),
            files: paths.len(),
        })
    });
    super::print_kept();
    super::print_rows(files.format(), &done.results, |to| {
        for row in &done.results {
            writeln!(
                to,
                "{}: {} in {:.1} s, {}",
                shown(&row.name),
                counted(row.notes as u64, "note"),
                row.length_s,
                counted(row.files as u64, "file")
            )?;
        }
        Ok(())
    })?;
    done.outcome
}

/// A take of several, in one row.
#[derive(Serialize)]
struct Row {
    name: String,
    notes: usize,
    length_s: f64,
    files: usize,
}

/// Refuses two takes of the same name, which would overwrite each other's files.
fn check_distinct_names(takes: &[PathBuf]) -> Result<()> {
    let mut seen = HashMap::new();
    for take in takes {
        if let Some(other) = seen.insert(stem(take), take) {
            if other == take {
                return Err(Error::setting(
                    format!("{} is given twice", shown_path(take)),
                    "leave one out",
                ));
            }
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
