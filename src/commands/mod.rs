//! One file per command; this one holds what they share.

pub mod batch;
#[cfg(feature = "live")]
pub mod calibrate;
pub mod compare;
pub mod demo;
#[cfg(feature = "live")]
pub mod devices;
mod files;
pub mod first_minute;
pub mod horns;
pub mod intonation;
#[cfg(feature = "live")]
pub mod live;
pub mod manual;
mod part;
mod progress;
#[cfg(feature = "live")]
pub mod rig;
pub mod settings;
#[cfg(feature = "live")]
pub mod soundcheck;
pub mod track;
pub mod transcribe;
mod transcription;
pub mod tunings;
pub mod write;

use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use clap::builder::{PathBufValueParser, PossibleValue, TypedValueParser};
use clap::{Args, Subcommand, ValueEnum};
use leadpipe::internals::analysis::{DEFAULT_GATE_DB, GATES_DB};
use leadpipe::internals::output::cv::check_full_scale;
use leadpipe::internals::output::paint::Paint;
use leadpipe::internals::output::provenance::keep_input;
use leadpipe::internals::output::{StagedFile, stage, take_kept};
use leadpipe::internals::sending::SHIFTS;
use leadpipe::internals::sending::brightness::BrightnessRange;
use leadpipe::internals::sending::note_source::NoteSource;
use leadpipe::internals::text::{STDIN, shown, shown_path};
use leadpipe::internals::units::{A4_HZ, parse_key};
use leadpipe::{Error, Horn, LineContext, Reference, Result, Selection, Snap, Tuning};
use serde::Serialize;

use settings::Colour;

#[derive(Subcommand)]
pub enum Command {
    Demo(demo::Options),
    #[cfg(feature = "live")]
    Live(Box<live::Options>),
    #[cfg(feature = "live")]
    Soundcheck(soundcheck::Options),
    #[cfg(feature = "live")]
    Rig(rig::Options),
    #[cfg(feature = "live")]
    Devices(devices::Options),
    #[cfg(feature = "live")]
    Calibrate(calibrate::Options),
    Transcribe(transcribe::Options),
    Write(write::Options),
    Track(track::Options),
    Intonation(intonation::Options),
    Compare(compare::Options),
    Horns(horns::Options),
    Tunings(tunings::Options),
    Settings(settings::Options),
    Manual(manual::Options),
}

impl Command {
    /// Whether the player's settings decide anything of it.
    pub fn reads_settings(&self) -> bool {
        !matches!(
            self,
            Command::Settings(_) | Command::Horns(_) | Command::Manual(_)
        )
    }

    /// Whether it plays to a device, and handles an interrupt itself.
    pub fn plays(&self) -> bool {
        #[cfg(feature = "live")]
        return matches!(self, Command::Live(_) | Command::Calibrate(_));
        #[cfg(not(feature = "live"))]
        false
    }
}

/// Which take, and which part of it.
#[derive(Args)]
pub struct TakeOptions {
    /// WAV, AIFF, CAF, FLAC, MP3 or OGG file; - for standard input
    pub take: PathBuf,
    #[command(flatten)]
    pub excerpt: Excerpt,
}

/// Which part of each of many takes, and how many at a time.
#[derive(Args)]
pub struct BatchOptions {
    #[command(flatten)]
    pub excerpt: Excerpt,
    /// Takes processed at once; by default one per processor core
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    pub jobs: Option<u16>,
}

/// Which part of a take.
#[derive(Args, Default)]
pub struct Excerpt {
    /// Channel of the horn, counted from 1; by default all channels are mixed
    #[arg(long, value_name = "N")]
    pub channel: Option<usize>,
    /// Start here: seconds, or minutes:seconds such as 1:23.5
    #[arg(long, value_name = "TIME", value_parser = seconds)]
    pub start: Option<f64>,
    /// Stop here
    #[arg(long, value_name = "TIME", value_parser = seconds)]
    pub end: Option<f64>,
    /// What the names of these options begin with, where there are two takes.
    #[arg(skip)]
    pub prefix: &'static str,
}

/// Temperatures of the air in a horn, degrees Celsius.
pub const TEMPERATURES_C: std::ops::RangeInclusive<f64> = -20.0..=50.0;

/// How to listen.
#[derive(Args)]
pub struct PitchOptions {
    /// Your horn: a name from `leadpipe horns`, or a TOML file of your own (FILE.toml, or
    /// FILE.toml:NAME for one of several)
    #[arg(long, value_name = "NAME", value_parser = HORN, hide_possible_values = true)]
    pub horn: Option<String>,
    /// Decide as the live engine would, without looking ahead
    #[arg(long)]
    pub causal: bool,
    /// Pitch detector: built-in or that of the pitch-detection crate
    #[arg(long, value_enum, default_value_t = Estimator::Own)]
    pub estimator: Estimator,
    /// Ignore sound below this level, dBFS
    #[arg(long, value_name = "DB", default_value_t = DEFAULT_GATE_DB, value_parser = number(GATES_DB, "dBFS"))]
    pub gate: f64,
}

/// What to measure pitch against.
#[derive(Args)]
pub struct TuningOptions {
    /// Tuning: a name from `leadpipe tunings`, a TOML file or a .syx dump
    #[arg(long, value_name = "NAME", default_value = "equal-12", value_parser = TUNING, hide_possible_values = true)]
    pub tuning: String,
    /// Tonic of the tuning, such as Bb or F#3; by default the tuning's own
    #[arg(long, value_name = "PITCH")]
    pub tonic: Option<String>,
    /// Frequency of A4
    #[arg(long, value_name = "HZ", default_value_t = A4_HZ, value_parser = hertz)]
    pub reference: f64,
}

/// How pitch is sent on.
#[derive(Args)]
pub struct SendOptions {
    /// Send the tuning's pitch, the tuning's pitch with your bends, or what you played
    #[arg(long, value_enum, default_value_t = SnapArg::Off)]
    pub snap: SnapArg,
    /// Note at 0 V
    #[arg(long, value_name = "PITCH", default_value = "C4", value_parser = zero_volt_note)]
    pub zero_volt_note: f64,
    /// Semitones added to everything sent
    #[arg(long, value_name = "N", default_value_t = 0, value_parser = shift())]
    pub shift: i32,
    /// Notes to send instead of those played: one per attack, in turn
    #[arg(long, value_name = "PITCHES", value_delimiter = ',', value_parser = step)]
    pub sequence: Vec<i32>,
    /// Write the tone's brightness into MIDI (controller 74) and voltages (a fifth channel),
    /// from dark to bright in multiples of the fundamental, such as --brightness=1.5:6
    #[arg(long, value_name = "DARK:BRIGHT", num_args = 0..=1, require_equals = true, default_missing_value = "1:10", value_parser = brightness_range)]
    pub brightness: Option<BrightnessRange>,
}

/// Reads the ends of a brightness range, such as `1:10`.
fn brightness_range(text: &str) -> std::result::Result<BrightnessRange, String> {
    let ends = text.split_once(':').and_then(|(dark, bright)| {
        let number = |text: &str| text.trim().parse().ok();
        Some((number(dark)?, number(bright)?))
    });
    let (dark, bright) = ends.ok_or("give two multiples of the fundamental, such as 1:10")?;
    BrightnessRange::new(dark, bright).map_err(|e| e.to_string())
}

impl SendOptions {
    /// What a line is named and measured with, and sent as.
    fn context(&self, horn: Option<Horn>, tuning: Tuning) -> LineContext {
        LineContext {
            horn,
            snap: self.snap.into(),
            zero_volt_note: self.zero_volt_note,
            source: NoteSource::of_keys(&self.sequence, tuning.reference()),
            shift: self.shift,
            brightness: self.brightness,
            ..LineContext::new(tuning)
        }
    }
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Estimator {
    /// The built-in detector
    Own,
    /// The McLeod detector of the crate pitch-detection
    PitchDetection,
}

/// [`Snap`] on the command line.
#[derive(Clone, Copy, ValueEnum)]
pub enum SnapArg {
    /// Exactly the tuning's pitch
    Hard,
    /// The tuning's pitch, with the bends that were played
    Bend,
    /// What was played
    Off,
}

impl From<Snap> for SnapArg {
    fn from(snap: Snap) -> SnapArg {
        match snap {
            Snap::Hard => SnapArg::Hard,
            Snap::Bend => SnapArg::Bend,
            Snap::Off => SnapArg::Off,
        }
    }
}

impl From<SnapArg> for Snap {
    fn from(snap: SnapArg) -> Snap {
        match snap {
            SnapArg::Hard => Snap::Hard,
            SnapArg::Bend => Snap::Bend,
            SnapArg::Off => Snap::Off,
        }
    }
}

/// Form of lists on standard output.
#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ListFormat {
    Table,
    Csv,
    Json,
}

/// Form of a catalogue on standard output.
#[derive(Args)]
pub struct CatalogueOptions {
    /// Format of the list on standard output
    #[arg(long, value_enum, default_value_t = ListFormat::Table)]
    format: ListFormat,
    /// The same as --format json
    #[arg(long, conflicts_with = "format")]
    json: bool,
}

impl CatalogueOptions {
    pub fn format(&self) -> ListFormat {
        match self.json {
            true => ListFormat::Json,
            false => self.format,
        }
    }
}

/// Colour of tables on standard output, as the settings have it (no-color.org).
pub fn paint() -> Paint {
    let wanted = std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty());
    Paint::new(match settings::kept().colour {
        Colour::Auto => wanted && !is_dumb_terminal() && io::stdout().is_terminal(),
        Colour::Always => true,
        Colour::Never => false,
    })
}

/// Whether the terminal understands no escape codes, or nobody has said which it is. Windows
/// has no TERM, and its terminals do understand them.
pub fn is_dumb_terminal() -> bool {
    match std::env::var_os("TERM") {
        Some(name) => name.is_empty() || name == "dumb",
        None => cfg!(unix),
    }
}

/// Prints rows in one of the formats; `table` prints them for reading.
pub fn print_rows(
    format: ListFormat,
    rows: &[impl Serialize],
    table: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> Result<()> {
    print(|to| match format {
        ListFormat::Table => table(to),
        ListFormat::Csv => write_rows(rows, to),
        ListFormat::Json => write_json(&rows, to),
    })
}

/// Parser of a number within a range, in some unit.
pub fn number(
    range: std::ops::RangeInclusive<f64>,
    unit: &'static str,
) -> impl Fn(&str) -> std::result::Result<f64, String> + Clone + Send + Sync + 'static {
    move |text| match text.parse::<f64>() {
        Ok(value) if range.contains(&value) => Ok(value),
        _ => Err(format!("give {unit}, {} to {}", range.start(), range.end())),
    }
}

/// Parser of the file or folder that an option writes to. Files get their names when they are
/// whole, which standard output cannot do.
pub fn output_path() -> impl TypedValueParser<Value = PathBuf> {
    PathBufValueParser::new().try_map(|path| match path.as_os_str() == STDIN {
        true => Err("this is not written to standard output; give a name, or ./- for one called -"),
        false => Ok(path),
    })
}

/// Parser of a time: seconds, minutes and seconds, or hours too.
pub fn seconds(text: &str) -> std::result::Result<f64, String> {
    let wrong = || "give seconds or minutes:seconds, such as 12.5 or 1:23.5".to_owned();
    let mut whole_s = 0.0;
    let mut parts = text.split(':').peekable();
    let count = text.split(':').count();
    while let Some(part) = parts.next() {
        let digits = part.bytes().all(|b| b.is_ascii_digit());
        let value = part.parse::<f64>().map_err(|_| wrong())?;
        // Minutes are whole, and seconds after minutes below sixty.
        let sane = match (count, parts.peek()) {
            (1, _) => value.is_finite() && value >= 0.0,
            (_, Some(_)) => digits,
            (_, None) => (0.0..60.0).contains(&value),
        };
        if !sane || count > 3 {
            return Err(wrong());
        }
        whole_s = 60.0 * whole_s + value;
    }
    Ok(whole_s)
}

/// Parser of a frequency: hertz, with or without the unit.
pub fn hertz(text: &str) -> std::result::Result<f64, String> {
    let plain = text.trim().to_lowercase();
    let plain = plain.strip_suffix("hz").unwrap_or(&plain).trim_end();
    let value = plain.parse::<f64>().ok().filter(|hz| hz.is_finite());
    value.ok_or_else(|| "give hertz, such as 442 or 442.5".into())
}

/// Parser of a name, of which shells complete the known ones. Others may be files, or be
/// spelled otherwise.
#[derive(Clone)]
pub struct Named(fn() -> Vec<&'static str>);

/// Names of the horns.
pub const HORN: Named = Named(|| Horn::catalogue().iter().map(|h| h.name.as_str()).collect());
/// Names of the tunings.
pub const TUNING: Named = Named(|| Tuning::names().collect());

impl TypedValueParser for Named {
    type Value = String;

    fn parse_ref(
        &self,
        command: &clap::Command,
        arg: Option<&clap::Arg>,
        value: &std::ffi::OsStr,
    ) -> std::result::Result<String, clap::Error> {
        clap::builder::StringValueParser::new().parse_ref(command, arg, value)
    }

    fn possible_values(&self) -> Option<Box<dyn Iterator<Item = PossibleValue> + '_>> {
        Some(Box::new((self.0)().into_iter().map(PossibleValue::new)))
    }
}

/// Parser of a shift in semitones.
pub fn shift() -> clap::builder::RangedI64ValueParser<i32> {
    let (low, high) = SHIFTS.into_inner();
    clap::value_parser!(i32).range(i64::from(low)..=i64::from(high))
}

/// Parser of the voltage at digital full scale.
pub fn full_scale(text: &str) -> std::result::Result<f64, String> {
    let volts = text.parse().map_err(|_| "give volts".to_owned())?;
    check_full_scale(volts)?;
    Ok(volts)
}

/// Parser of a note of a sequence.
fn step(text: &str) -> std::result::Result<i32, String> {
    match text.split_whitespace().nth(1) {
        Some(_) => Err("separate the notes by commas, such as C4,E4,G4".into()),
        None => key(text),
    }
}

/// The same for what keeps notes by their names.
#[cfg(feature = "live")]
pub fn named_step(text: &str) -> std::result::Result<String, String> {
    step(text).map(|_| text.trim().to_owned())
}

/// Parser of a note's name that keeps it.
#[cfg(feature = "live")]
pub fn named_key(text: &str) -> std::result::Result<String, String> {
    key(text).map(|_| text.to_owned())
}

fn zero_volt_note(text: &str) -> std::result::Result<f64, String> {
    key(text).map(f64::from)
}

fn key(text: &str) -> std::result::Result<i32, String> {
    parse_key(text).ok_or_else(|| "give a note name, such as C4 or Bb3".into())
}

impl Excerpt {
    pub fn selection(&self) -> Selection {
        Selection {
            channel: self.channel,
            start_s: self.start,
            end_s: self.end,
        }
    }

    /// What is said of the take, with these options by their names.
    pub fn by_name(&self, said: &str) -> String {
        ["channel", "start", "end"]
            .iter()
            .fold(said.to_owned(), |said, name| {
                said.replace(&format!("--{name}"), &format!("--{}{name}", self.prefix))
            })
    }
}

/// Name of a take's file without folder and extension.
pub fn stem(take: &Path) -> String {
    if take.as_os_str() == STDIN {
        return "stdin".into();
    }
    let stem = take.file_stem().unwrap_or(take.as_os_str());
    stem.to_string_lossy().into_owned()
}

impl PitchOptions {
    pub fn horn(&self) -> Result<Option<Horn>> {
        self.horn.as_deref().map(Horn::find).transpose()
    }
}

impl TuningOptions {
    pub fn tuning(&self) -> Result<Tuning> {
        let reference = Reference::new(self.reference)?;
        // It may be a dump, which is what `tunings --dump` writes.
        keep_input(Path::new(&self.tuning));
        Tuning::find(&self.tuning, self.tonic.as_deref(), reference)
    }

    /// The same to measure intonation against: not a scale.
    pub fn to_measure_against(&self) -> Result<Tuning> {
        let tuning = self.tuning()?;
        check_measurable(&tuning, &self.tuning)?;
        Ok(tuning)
    }

    pub fn context(&self, horn: Option<Horn>, send: Option<&SendOptions>) -> Result<LineContext> {
        let tuning = self.tuning()?;
        Ok(match send {
            Some(send) => send.context(horn, tuning),
            None => LineContext {
                horn,
                ..LineContext::new(tuning)
            },
        })
    }
}

/// Refuses a scale, called `name`, for measuring intonation.
fn check_measurable(tuning: &Tuning, name: &str) -> Result<()> {
    match tuning.is_selection() {
        true => Err(Error::setting(
            format!(
                "\"{name}\" holds the notes of a scale, and cents against a scale say nothing of intonation"
            ),
            "give a whole tuning, such as equal-12 or just",
        )),
        false => Ok(()),
    }
}

/// Writes to standard output through one buffer.
pub fn print(write: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> Result<()> {
    let mut out = io::BufWriter::new(io::stdout().lock());
    write(&mut out)
        .and_then(|()| out.flush())
        .map_err(Error::Stdout)
}

/// Lists the files written on standard error: standard output is for notes.
pub fn print_written(paths: &[PathBuf]) {
    for path in paths {
        say(format_args!("wrote {}", shown_path(path)));
    }
    print_kept();
}

/// Says which note lists were replaced, perhaps with a person's corrections in them, and
/// where they are now.
pub fn print_kept() {
    for (list, kept) in take_kept() {
        say(format_args!(
            "leadpipe: {}: the list that was there differs; it is kept as {}",
            shown_path(&list),
            shown_path(&kept)
        ));
    }
}

/// A line on standard error. That may be a closed terminal: who is to be told is gone
/// then, and the program goes on (`eprintln!` would end it).
pub fn say(line: impl std::fmt::Display) {
    let _ = writeln!(io::stderr(), "{line}");
}

/// Whether standard output can take nothing more because its reader has gone: a closed
/// pipe, a closed terminal (EIO).
pub fn is_closed(error: &io::Error) -> bool {
    const EIO: i32 = 5;
    let inner = error.get_ref().and_then(|e| e.downcast_ref::<csv::Error>());
    match inner.map(csv::Error::kind) {
        Some(csv::ErrorKind::Io(inner)) => is_closed(inner),
        _ => {
            error.kind() == io::ErrorKind::BrokenPipe
                || cfg!(unix) && error.raw_os_error() == Some(EIO)
        }
    }
}

/// Ending of a page's name.
pub const PAGE: &str = ".html";

/// Checks that a page can be written, before long work starts: a name that is taken or a
/// folder that cannot be written to should not be discovered after a minute's analysis.
pub fn check_page(page: &Path) -> Result<()> {
    stage(page, PAGE, |_| Ok(())).map(drop)
}

/// A folder created for this run's files.
static CREATED_FOLDER: Mutex<Option<PathBuf>> = Mutex::new(None);

/// Checks that a folder can be written before long work starts. If this created the
/// folder, the guard removes it again unless files were written to it.
pub fn check_folder(folder: &Path) -> Result<EmptyFolder> {
    let made = (!folder.exists()).then(|| folder.to_owned());
    *CREATED_FOLDER
        .lock()
        .unwrap_or_else(PoisonError::into_inner) = made;
    let guard = EmptyFolder;
    StagedFile::check_folder(folder)?;
    Ok(guard)
}

/// Removes the folder again if it is still empty.
pub struct EmptyFolder;

impl Drop for EmptyFolder {
    fn drop(&mut self) {
        remove_empty_folder();
    }
}

fn remove_empty_folder() {
    let mut made = CREATED_FOLDER
        .lock()
        .unwrap_or_else(PoisonError::into_inner);
    if let Some(folder) = made.take() {
        // Fails where the folder is not empty, as it should.
        let _ = std::fs::remove_dir(folder);
    }
}

/// For an interrupt in the middle of the work: deletes unfinished files and an
/// empty new folder.
pub fn discard_unfinished() {
    leadpipe::internals::output::discard_staged();
    remove_empty_folder();
}

/// Rows of comma-separated values.
pub fn write_rows(rows: &[impl Serialize], to: &mut dyn Write) -> io::Result<()> {
    let mut csv = csv::Writer::from_writer(to);
    for row in rows {
        csv.serialize(row)?;
    }
    csv.flush()
}

/// Writes a value as JSON.
pub fn write_json(report: &impl Serialize, to: &mut dyn Write) -> io::Result<()> {
    serde_json::to_writer_pretty(&mut *to, report)?;
    writeln!(to)
}
