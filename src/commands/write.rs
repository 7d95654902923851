use std::path::PathBuf;

use clap::parser::ValueSource;
use clap::{ArgMatches, Args};
use leadpipe::internals::horn::tube;
use leadpipe::internals::note_list::{ListFile, MadeWith};
use leadpipe::internals::output::provenance::keep_input;
use leadpipe::{Horn, Line, LineContext, Reference, Result};

use super::files::FileOptions;
use super::transcription::warn;
use super::{SendOptions, TuningOptions, settings, stem};

/// Write outputs from a note list that you have corrected
#[derive(Args)]
#[command(after_help = "\
A list is a CSV or JSON file as `leadpipe transcribe` writes it, or a MIDI file. Of a
CSV file the columns onset_s and offset_s and one of midi, concert and frequency_hz
are enough; lines may be added, removed and changed. To correct a note, change midi or
concert: written follows from them, and frequency_hz holds only while it is that note.
To remove a scoop or a fall, empty its cell in technique.

A JSON list says what it was made with: horn, tuning, tonic and reference, key, and how
pitch is sent. It is written again with that, unless options say otherwise; your settings do
not. A CSV list or a MIDI file does not say: give --horn and --tuning again.

The part has the rhythm of the columns meter, bar, beat and value: place in the bar and
length in quarter notes, or the value grace, or none for a note that is left out. Correct
them where the page is wrong. A note without them is placed by its time. With --tempo,
--meter, --pickup, --downbeat, --smallest-note, --swing or --tempo-map the rhythm is
estimated again, and the columns do not count. A MIDI file's own tempo, time signature and
key hold, if its notes keep to its beat.

A horn plays one note at a time: each note ends where the next begins at the latest, and of a
chord in a MIDI file the highest note is kept.

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
    /// Part of a MIDI file, counted from 1; by default the first that has notes
    #[arg(long, value_name = "N")]
    part: Option<usize>,
    /// Your horn: a name from `leadpipe horns`, or a TOML file of your own (FILE.toml, or
    /// FILE.toml:NAME for one of several)
    #[arg(long, value_name = "NAME", value_parser = super::HORN, hide_possible_values = true)]
    horn: Option<String>,
    #[command(flatten)]
    tuning: TuningOptions,
    /// Temperature of the air in the horn for a report, degrees Celsius
    #[arg(long, value_name = "C", default_value_t = tube::TEMPERATURE_C, value_parser = super::number(super::TEMPERATURES_C, "degrees Celsius"))]
    temperature: f64,
    #[command(flatten)]
    send: SendOptions,
    #[command(flatten)]
    files: FileOptions,
}

pub fn run(options: &mut Options, matches: &ArgMatches) -> Result<()> {
    let given = Given::of(matches);
    keep_input(&options.list);
    if options.files.report() && given.has("tuning") {
        // A wrong option is said before the list is looked at.
        options.tuning.to_measure_against()?;
    }
    let list = ListFile::open(&options.list)?;
    let said = match list.made_with() {
        Some(made) => options.go_by(made, &given),
        None => Vec::new(),
    };
    settings::kept().say_what_decided(matches, &said);
    let files = &options.files;
    let _folder_guard = files.check_folder()?;
    let context = options.context(list.made_with(), &given)?;
    let changes = match list.made_with() {
        Some(made) => made.changes(&options.list, &context, |option| given.has(option))?,
        None => Vec::new(),
    };
    let list = list.read(context.tuning.reference(), options.part)?;
    for warning in &list.warnings {
        warn(&options.list, warning);
    }
    let name = stem(&options.list);
    let drawn = match given.has("sequence") {
        true => &[],
        false => &list.drawn[..],
    };
    let line = Line::with_drawn(&name, list.length_s, list.notes, drawn, context, changes);
    let line = match files.estimates_rhythm() {
        true => line,
        false => line.with_rhythms(list.rhythms),
    };
    let line = match list.key {
        Some((key, sounds)) => line.in_key_of(key, sounds),
        None => line,
    };
    let line = files.spelled(line);
    let part = files.part(&options.list, list.tempo_track)?;
    files.check_free(&line.source)?;
    let written = files.save(&line, &line.source, &part, options.temperature, &|| {
        Ok(None)
    })?;
    super::print_written(&written);
    files.print(&line, &part)
}

/// The options that were given on the command line: those alone outweigh the list.
struct Given<'a>(Option<&'a ArgMatches>);

impl Given<'_> {
    fn of(matches: &ArgMatches) -> Given<'_> {
        Given(matches.subcommand().map(|(_, given)| given))
    }

    fn has(&self, id: &str) -> bool {
        self.0
            .is_some_and(|given| given.value_source(id) == Some(ValueSource::CommandLine))
    }
}

impl Options {
    /// Goes by what a list says, as far as no option says otherwise; gives the names of the
    /// options that it decides.
    fn go_by(&mut self, made: &MadeWith, given: &Given<'_>) -> Vec<&'static str> {
        let mut decided = Vec::new();
        let mut decides = |id: &'static str, says: bool| {
            let decides = says && !given.has(id);
            decided.extend(decides.then_some(id));
            decides
        };
        decides("horn", made.horn.is_some());
        if decides("tuning", made.tuning.is_some()) && decides("tonic", true) {
            self.tuning.tonic = made.tonic();
        }
        if let Some(hz) = made.reference_hz.filter(|_| decides("reference", true)) {
            self.tuning.reference = hz;
        }
        if let Some(snap) = made.snap.filter(|_| decides("snap", true)) {
            self.send.snap = snap.into();
        }
        if let Some(note) = made
            .zero_volt_note
            .filter(|_| decides("zero_volt_note", true))
        {
            self.send.zero_volt_note = note;
        }
        if let Some(shift) = made.shift.filter(|_| decides("shift", true)) {
            self.send.shift = shift;
        }
        if let Some(keys) = made.sequence.as_ref().filter(|_| decides("sequence", true)) {
            self.send.sequence.clone_from(keys);
        }
        if let Some(range) = made.brightness().filter(|_| decides("brightness", true)) {
            self.send.brightness = range;
        }
        if decides("key", made.has_key()) {
            self.files.forget_key();
        }
        decided
    }

    /// What the line is named and measured with: the horn and tuning of the list, where no
    /// option names others.
    fn context(&self, made: Option<&MadeWith>, given: &Given<'_>) -> Result<LineContext> {
        let own = |id: &str| made.filter(|_| !given.has(id));
        let horn = match own("horn").filter(|made| made.horn.is_some()) {
            Some(made) => made.find_horn(&self.list)?,
            None => self.horn.as_deref().map(Horn::find).transpose()?,
        };
        let tuning = match own("tuning") {
            Some(made) => {
                let reference = Reference::new(self.tuning.reference)?;
                made.find_tuning(&self.list, self.tuning.tonic.as_deref(), reference)?
            }
            None => None,
        };
        let tuning = match tuning {
            Some(tuning) => tuning,
            None => self.tuning.tuning()?,
        };
        if self.files.report() {
            super::check_measurable(&tuning, tuning.name())?;
        }
        Ok(self.send.context(horn, tuning))
    }
}
