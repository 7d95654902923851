use std::path::{Path, PathBuf};

use clap::Args;
use leadpipe::internals::audio::flac::Flac;
use leadpipe::internals::horn::tube;
use leadpipe::internals::intonation::across::{Across, Kept, day};
use leadpipe::internals::output::report::{Html, Spectrogram, across::AcrossHtml};
use leadpipe::internals::output::stage;
use leadpipe::internals::text::shown_path;
use leadpipe::intonation;
use leadpipe::{Error, Result, save};

use super::transcription::{NoteDetail, transcribe_line};
use super::{BatchOptions, Excerpt, ListFormat, PitchOptions, TuningOptions, batch};

mod text;

/// Measure how in tune the playing is
#[derive(Args)]
#[command(after_help = "\
Cents are against the nearest pitch of the tuning; positive is sharp. Spread is
the standard deviation, a note's drift the change from its start to its end, the
take's drift the change per minute. The best reference is the A4 that fits the
whole take best.

With --horn each pitch has its likely fingering or slide position, the cents that
tube lengths and partials predict for it (theory), and the rest, which is the
player's. For several takes, or a folder, the report shows each take, each day
and each pitch over all takes; the day comes from the file's name (such as
2031-05-09) or, without one, from the file's date.

Examples:
  leadpipe intonation take.wav --horn trumpet
  leadpipe intonation take.wav --tuning just --tonic Bb --format json
  leadpipe intonation take.wav --horn trombone --temperature 16
  leadpipe intonation take.wav --horn horn --report lesson.html --audio
  leadpipe intonation take.wav --horn tuba --spectrum --report lesson.html
  leadpipe intonation takes/ --horn trumpet --report weeks.html")]
pub struct Options {
    /// WAV, AIFF, CAF, FLAC, MP3 or OGG files, or folders of them; - for standard input
    #[arg(required = true, value_name = "TAKE")]
    takes: Vec<PathBuf>,
    #[command(flatten)]
    many: BatchOptions,
    #[command(flatten)]
    pitch: PitchOptions,
    #[command(flatten)]
    tuning: TuningOptions,
    #[command(flatten)]
    page: PageOptions,
    /// Also write the report as one HTML file
    #[arg(long, value_name = "FILE", value_parser = super::output_path())]
    report: Option<PathBuf>,
    /// Add a spectrogram under the report's pitch trace; the take is read twice
    #[arg(long)]
    spectrum: bool,
    /// Format of the report on standard output
    #[arg(long, value_enum, default_value_t = ListFormat::Table)]
    format: ListFormat,
}

/// What a report takes into account and holds.
#[derive(Args)]
pub struct PageOptions {
    /// Temperature of the air in the horn, degrees Celsius
    #[arg(long, value_name = "C", default_value_t = tube::TEMPERATURE_C, value_parser = super::number(super::TEMPERATURES_C, "degrees Celsius"))]
    pub temperature: f64,
    /// Embed the take's sound in the report, to play it with a cursor
    #[arg(long)]
    audio: bool,
}

impl PageOptions {
    /// Refuses `--audio` without a report.
    pub fn check(&self, report: bool) -> Result<()> {
        if self.audio && !report {
            return Err(Error::setting(
                "--audio without a report to embed the sound in",
                "ask for a report, or leave --audio out",
            ));
        }
        Ok(())
    }

    /// Refuses, before the take is heard, a sound that will not be embedded.
    pub fn check_sound(&self, take: &Path, excerpt: &Excerpt) -> Result<()> {
        match self.audio {
            true => Flac::check(take, &excerpt.selection()),
            false => Ok(()),
        }
    }

    /// The take's sound, if it is to be embedded.
    pub fn sound(&self, take: &Path, excerpt: &Excerpt) -> Result<Option<Flac>> {
        let read = || Flac::read(take, &excerpt.selection());
        self.audio.then(read).transpose()
    }
}

impl Options {
    /// Refuses, before the take is heard, one that cannot be heard again.
    fn check_spectrum(&self, take: &Path) -> Result<()> {
        match self.spectrum && !take.is_file() {
            true => Err(Error::setting(
                format!(
                    "{}: read from a pipe, so not again for its spectrum",
                    shown_path(take)
                ),
                "save it to a file first, or leave --spectrum out",
            )),
            false => Ok(()),
        }
    }
}

pub fn run(options: &Options) -> Result<()> {
    options.tuning.to_measure_against()?;
    let context = options.tuning.context(options.pitch.horn()?, None)?;
    options.page.check(options.report.is_some())?;
    let takes = batch::find_takes(&options.takes)?;
    if let Some(page) = &options.report {
        super::check_page(page)?;
    }
    let excerpt = &options.many.excerpt;
    let listen = |take: &Path, progress: bool| {
        let detail = NoteDetail {
            contours: true,
            ..NoteDetail::NONE
        };
        transcribe_line(take, excerpt, &options.pitch, &context, progress, detail)
    };
    if let [take] = &takes[..] {
        options.page.check_sound(take, excerpt)?;
        options.check_spectrum(take)?;
        let line = listen(take, true)?;
        let temperature_c = options.page.temperature;
        let report = intonation(&line, temperature_c);
        if let Some(page) = &options.report {
            let sound = options.page.sound(take, excerpt)?;
            let hear = || Spectrogram::read(take, &excerpt.selection());
            let spectrogram = options.spectrum.then(hear).transpose()?;
            let html = Html {
                temperature_c,
                sound,
                spectrogram,
            };
            super::print_written(&[save(&line, page, &html)?]);
        }
        return super::print(|to| match options.format {
            ListFormat::Table => text::one(&line, &report, super::paint(), to),
            ListFormat::Csv => super::write_rows(&report.notes, to),
            ListFormat::Json => super::write_json(&report, to),
        });
    }
    if options.page.audio {
        return Err(Error::setting(
            "--audio with several takes",
            "give one take, or leave --audio out",
        ));
    }
    if options.spectrum {
        return Err(Error::setting(
            "--spectrum with several takes",
            "give one take, or leave --spectrum out",
        ));
    }
    let done = batch::process(&takes, options.many.jobs, |take| {
        let line = listen(take, false)?;
        Ok(Kept::new(&line, day(take)))
    });
    // Failures have been reported; the rest is still useful.
    if !done.results.is_empty() {
        let across = Across::new(done.results, context.tuning.reference().a4_hz());
        if let Some(page) = &options.report {
            let html = AcrossHtml {
                across: &across,
                context: &context,
            };
            let staged = stage(page, super::PAGE, |to| html.write(to))?;
            super::print_written(&[staged.commit()?]);
        }
        super::print(|to| match options.format {
            ListFormat::Table => text::several(&context, &across, super::paint(), to),
            ListFormat::Csv => super::write_rows(&across.takes, to),
            ListFormat::Json => super::write_json(&across, to),
        })?;
    }
    done.outcome
}
