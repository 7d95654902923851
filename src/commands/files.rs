//! The files that a line is written to, and its list on standard output: what
//! `transcribe`, `write` and `demo` have in common.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use leadpipe::internals::audio::flac::Flac;
use leadpipe::internals::horn::tube::TEMPERATURE_C;
use leadpipe::internals::output::cv::FULL_SCALE_V;
use leadpipe::internals::output::pdf::check_engraver;
use leadpipe::internals::output::report::Html;
use leadpipe::internals::output::{self, csv, json, stage, table};
use leadpipe::{
    ControlVoltage, Csv, Error, Heading, Json, LazyPart, Line, MidiFile, MusicXml, NotationOptions,
    Output, Pdf, Picture, Result, TempoTrack, save_all,
};

use super::part::PartOptions;
use super::transcription::{NoteDetail, warn};
use super::{EmptyFolder, ListFormat, check_folder};

/// Which files are written, and how.
#[derive(Args)]
pub struct FileOptions {
    #[command(flatten)]
    cv: CvOptions,
    /// Format of the note list on standard output; of several takes, of their summary
    #[arg(long, value_enum, default_value_t = ListFormat::Table)]
    format: ListFormat,
    /// Folder to write files to
    #[arg(long, value_name = "DIR", value_parser = super::output_path())]
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
    /// Also write the intonation report as one HTML file
    #[arg(long, value_name = "FILE", value_parser = super::output_path())]
    report: Option<PathBuf>,
    // Last: its heading holds for all options after it.
    #[command(flatten)]
    part: PartOptions,
}

/// How voltages are written down.
#[derive(Args)]
struct CvOptions {
    /// Voltage that the interface puts out at digital full scale; negative if it inverts
    #[arg(long, value_name = "VOLTS", default_value_t = FULL_SCALE_V, value_parser = super::full_scale)]
    volts_full_scale: f64,
    /// Sample rate of the control-voltage file
    #[arg(long, value_name = "HZ", default_value_t = 48_000, value_parser = clap::value_parser!(u32).range(1_000..=192_000))]
    cv_rate: u32,
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
    /// The written part as a page to print (needs LilyPond)
    Pdf,
    /// Intonation report, one HTML file
    Report,
    /// Picture of the pitch over time
    Svg,
}

/// Written where no kinds are named.
const DEFAULT_KINDS: [FileKind; 3] = [FileKind::Csv, FileKind::Json, FileKind::Midi];

impl FileKind {
    /// Whether it is a note list.
    fn is_list(self) -> bool {
        matches!(self, FileKind::Csv | FileKind::Json)
    }
}

/// What the writers need besides the line.
pub struct Writers<'a> {
    pub cv: ControlVoltage,
    pub part: &'a LazyPart,
    pub heading: Heading,
    /// Temperature of the air in the horn for the report, degrees Celsius.
    pub temperature_c: f64,
    /// Reads the sound to embed in a report, if any.
    pub sound: &'a dyn Fn() -> Result<Option<Flac>>,
}

impl Writers<'_> {
    /// The writers of some kinds of file.
    pub fn of(&self, kinds: &[FileKind]) -> Result<Vec<Box<dyn Output>>> {
        kinds.iter().map(|kind| self.one(*kind)).collect()
    }

    fn one(&self, kind: FileKind) -> Result<Box<dyn Output>> {
        let part = self.part.clone();
        Ok(match kind {
            FileKind::Csv => Box::new(Csv { part: Some(part) }),
            FileKind::Json => Box::new(Json { part: Some(part) }),
            FileKind::Midi => Box::new(MidiFile {
                part,
                ..MidiFile::default()
            }),
            FileKind::Cv => Box::new(self.cv),
            FileKind::Musicxml => Box::new(MusicXml {
                part,
                heading: self.heading.clone(),
            }),
            FileKind::Pdf => Box::new(Pdf {
                part,
                heading: self.heading.clone(),
            }),
            FileKind::Report => Box::new(Html {
                temperature_c: self.temperature_c,
                sound: (self.sound)()?,
                spectrogram: None,
            }),
            FileKind::Svg => Box::new(Picture),
        })
    }
}

impl FileOptions {
    /// Whether there is a folder to write to.
    pub fn has_folder(&self) -> bool {
        self.out.is_some()
    }

    /// Format of what goes to standard output.
    pub fn format(&self) -> ListFormat {
        self.format
    }

    /// Checks, before long work starts, that the folder can be written and that there is an
    /// engraver for pages.
    pub fn check_folder(&self) -> Result<Option<EmptyFolder>> {
        if self.kinds().contains(&FileKind::Pdf) {
            check_engraver()?;
        }
        if let Some(page) = &self.report {
            super::check_page(page)?;
        }
        self.out.as_deref().map(check_folder).transpose()
    }

    /// Kinds of files to write; none without a folder.
    fn kinds(&self) -> &[FileKind] {
        match (&self.out, &self.write[..]) {
            (None, _) => &[],
            (Some(_), []) => &DEFAULT_KINDS,
            (Some(_), named) => named,
        }
    }

    /// Whether a report is to be written.
    pub fn report(&self) -> bool {
        self.report.is_some() || self.kinds().contains(&FileKind::Report)
    }

    /// Refuses one report of several takes.
    pub fn check_takes(&self, count: usize) -> Result<()> {
        match &self.report {
            Some(_) if count > 1 => Err(Error::setting(
                "--report with several takes",
                "give one take, or a report of each with --write report",
            )),
            _ => Ok(()),
        }
    }

    /// What the files and the list on standard output say of a note.
    pub fn note_detail(&self) -> NoteDetail {
        let lists = |kind: &FileKind| kind.is_list();
        let table = self.format == ListFormat::Table;
        NoteDetail {
            // How long a note is written shows in its level.
            contours: !table || self.report.is_some() || !self.kinds().is_empty(),
            decisions: !table || self.kinds().iter().any(lists),
            continuity: true,
        }
    }

    /// Whether options ask for another rhythm than a list's own.
    pub fn estimates_rhythm(&self) -> bool {
        self.part.estimates_rhythm()
    }

    /// Leaves the key to the list.
    pub fn forget_key(&mut self) {
        self.part.forget_key();
    }

    /// The part of a list as the options ask for it, with the list's own tempo and bars if
    /// they ask for no others.
    pub fn part(&self, list: &Path, own: Option<TempoTrack>) -> Result<LazyPart> {
        Ok(LazyPart::new(self.part.notation(list, own)?))
    }

    /// The part of a take: nobody has read its notes yet.
    pub fn part_of_take(&self, take: &Path) -> Result<LazyPart> {
        Ok(LazyPart::new(NotationOptions {
            leave_out_doubtful: true,
            ..self.part.notation(take, None)?
        }))
    }

    /// A line spelled in the key that was asked for.
    pub fn spelled(&self, line: Line) -> Line {
        match self.part.fifths() {
            Some(fifths) => line.in_key(fifths),
            None => line,
        }
    }

    fn control_voltage(&self) -> ControlVoltage {
        ControlVoltage {
            full_scale_v: self.cv.volts_full_scale,
            sample_rate_hz: self.cv.cv_rate,
        }
    }

    fn outputs(
        &self,
        part: &LazyPart,
        temperature_c: f64,
        sound: &dyn Fn() -> Result<Option<Flac>>,
    ) -> Result<Vec<Box<dyn Output>>> {
        let writers = Writers {
            cv: self.control_voltage(),
            part,
            heading: self.part.heading(),
            temperature_c,
            sound,
        };
        writers.of(self.kinds())
    }

    /// Says, before a take is heard, what will keep its files from being written.
    pub fn check_free(&self, name: &str) -> Result<()> {
        let Some(folder) = &self.out else {
            return Ok(());
        };
        let outputs = self.outputs(&LazyPart::default(), TEMPERATURE_C, &|| Ok(None))?;
        output::check_all_free(folder, name, &outputs)
    }

    /// Writes a line's files under a name, if there is a folder for them, and its report.
    /// `temperature_c` and `sound` are the report's.
    pub fn save(
        &self,
        line: &Line,
        name: &str,
        part: &LazyPart,
        temperature_c: f64,
        sound: &dyn Fn() -> Result<Option<Flac>>,
    ) -> Result<Vec<PathBuf>> {
        part.check_for(line)?;
        let staged = match &self.report {
            Some(page) => {
                let html = Html {
                    temperature_c,
                    sound: sound()?,
                    spectrogram: None,
                };
                Some(stage(page, html.extension(), |to| html.write(line, to))?)
            }
            None => None,
        };
        let mut written = match &self.out {
            Some(folder) => {
                let outputs = self.outputs(part, temperature_c, sound)?;
                let written = save_all(line, folder, name, &outputs)?;
                for (kind, path) in self.kinds().iter().zip(&written) {
                    if *kind == FileKind::Cv
                        && let Some(warning) = self.control_voltage().warning(line)
                    {
                        warn(path, &warning);
                    }
                }
                written
            }
            None => Vec::new(),
        };
        if let Some(staged) = staged {
            written.push(staged.commit()?);
        }
        Ok(written)
    }

    /// Prints the note list in the chosen format.
    pub fn print(&self, line: &Line, part: &LazyPart) -> Result<()> {
        super::print(|to| match self.format {
            ListFormat::Table => table::write(line, part.of(line), super::paint(), to),
            ListFormat::Csv => csv::write(line, Some(part.of(line)), to),
            ListFormat::Json => json::write(line, Some(part.of(line)), to),
        })
    }
}
