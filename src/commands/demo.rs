use std::path::PathBuf;

use clap::{Args, ValueEnum};
use leadpipe::internals::audio::flac::Flac;
use leadpipe::internals::demo::line;
use leadpipe::internals::horn::tube;
use leadpipe::internals::output::provenance::{TRACK, check_free};
use leadpipe::internals::output::{self, table, track, wav};
use leadpipe::internals::text::shown_path;
use leadpipe::internals::units::cents_in_words;
use leadpipe::intonation;
use leadpipe::{
    ControlVoltage, Heading, Horn, LazyPart, Line, LineContext, Mode, Reference, Result, Selection,
    Settings, Transcriber, Tuning,
};

use super::files::{FileKind, Writers};

/// Transcribe a built-in flugelhorn line and write every kind of output
#[derive(Args)]
#[command(after_help = "\
The line is made by the program itself: tongued, slurred and staccato notes, a
scoop, vibrato, one note begun without the tongue and a fall, with breath and
room noise. The take is written too, so that you can listen to it: start with
the volume low.

Example:
  leadpipe demo --out demo")]
pub struct Options {
    /// Folder for the take and the outputs
    #[arg(long, value_name = "DIR", default_value = "leadpipe-demo", value_parser = super::output_path())]
    out: PathBuf,
}

const SAMPLE_RATE_HZ: u32 = 48_000;
/// Ending of the take's name.
const TAKE: &str = ".wav";

pub fn run(options: &Options) -> Result<()> {
    let _folder_guard = super::check_folder(&options.out)?;
    let path = |ending: &str| options.out.join(format!("{}{ending}", line::NAME));
    let (take, pitches) = (path(TAKE), path(TRACK));
    check_free(&take, TAKE)?;
    check_free(&pitches, TRACK)?;
    let horn = Horn::find(line::HORN)?;
    let samples = line::render(f64::from(SAMPLE_RATE_HZ));
    let settings = Settings::builder(f64::from(SAMPLE_RATE_HZ))
        .horn(&horn)
        .build()?;
    let mut transcriber = Transcriber::new(settings, Mode::Full);
    transcriber.push(&samples);
    let transcription = transcriber.finish();
    let tuning = Tuning::find("equal-12", None, Reference::default())?;
    let context = LineContext::new(tuning).for_horn(horn);
    let staged_track = output::stage(&pitches, TRACK, |to| track::write(&transcription.track, to))?;
    let staged_take = output::stage(&take, TAKE, |to| {
        wav::write_mono(&samples, SAMPLE_RATE_HZ, to)
    })?;
    let line = Line::new(line::NAME, line::LENGTH_S, transcription.notes, context);
    let part = LazyPart::default();
    let writers = Writers {
        cv: ControlVoltage::default(),
        part: &part,
        heading: Heading::default(),
        temperature_c: tube::TEMPERATURE_C,
        sound: &|| Flac::read(staged_take.path(), &Selection::default()).map(Some),
    };
    // A page needs an engraver, which not everybody has.
    let kinds: Vec<FileKind> = FileKind::value_variants()
        .iter()
        .copied()
        .filter(|kind| *kind != FileKind::Pdf)
        .collect();
    let outputs = writers.of(&kinds)?;
    let mut staged = output::stage_all(&line, &options.out, line::NAME, &outputs)?;
    staged.splice(0..0, [staged_take, staged_track]);
    let paths = output::commit_all(staged)?;
    let measured = intonation(&line, tube::TEMPERATURE_C);
    super::print(|to| {
        table::write(&line, part.of(&line), super::paint(), to)?;
        writeln!(
            to,
            "\nOverall {} cents; best reference A4 = {:.1} Hz\n",
            cents_in_words(measured.offset_cents),
            measured.best_reference_hz
        )?;
        for path in &paths {
            writeln!(to, "{}", shown_path(path))?;
        }
        Ok(())
    })
}
