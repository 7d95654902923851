use std::path::PathBuf;

use clap::Args;
use leadpipe::internals::horn::tube;
use leadpipe::internals::note_list;
use leadpipe::internals::output::provenance::keep_input;
use leadpipe::{Horn, Line, Result};

use super::files::FileOptions;
use super::{SendOptions, TuningOptions, stem};

/// Write outputs from a note list that you have corrected
#[derive(Args)]
#[command(after_help = "\
A list is a CSV or JSON file as `leadpipe transcribe` writes it, or a MIDI file. Of a
CSV file the columns onset_s and offset_s and one of midi, concert and frequency_hz
are enough; lines may be added, removed and changed. To correct a note, change midi or
concert: written follows from them, and frequency_hz holds only while it is that note.
To remove a scoop or a fall, empty its cell in technique.

The part has the rhythm of the columns meter, bar, beat and value: place in the bar and
length in quarter notes, or the value grace, or none for a note that is left out. Correct
them where the page is wrong. A note without them is placed by its time. With --tempo,
--meter, --pickup, --downbeat, --smallest-note, --swing or --tempo-map the rhythm is
estimated again, and the columns do not count. A MIDI file's own tempo, time signature and
key hold, if its notes keep to its beat.

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

pub fn run(options: &Options) -> Result<()> {
    let files = &options.files;
    keep_input(&options.list);
    let _folder_guard = files.check_folder()?;
    if files.report() {
        options.tuning.to_measure_against()?;
    }
    let horn = options.horn.as_deref().map(Horn::find).transpose()?;
    let context = options.tuning.context(horn, Some(&options.send))?;
    let list = note_list::read(&options.list, context.tuning.reference())?;
    let line = Line::new(&stem(&options.list), list.length_s, list.notes, context);
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
