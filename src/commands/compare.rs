use std::io;
use std::path::{Path, PathBuf};

use clap::Args;
use leadpipe::internals::audio::decode::NOT_AUDIO;
use leadpipe::internals::compare::{Compared, Comparison, better_shift, compare};
use leadpipe::internals::output::comparison_page::ComparisonPage;
use leadpipe::internals::output::provenance::keep_input;
use leadpipe::internals::reference::{self, ReferencePart};
use leadpipe::internals::text::{ending, shown};
use leadpipe::internals::units::{cents_in_words, whole};
use leadpipe::{Error, Line, Result, save};

use super::transcription::{NoteDetail, transcribe_line, warn};
use super::{Excerpt, ListFormat, PitchOptions, TakeOptions, TuningOptions};

/// Compare a take with a score or another take: right, wrong, missing, extra notes
#[derive(Args)]
#[command(after_help = "\
The target is a MIDI file, a MusicXML score or another take. Its notes are
aligned with what was played. --channel, --start and --end choose a part of the take;
of a target that is a take too, --target-channel, --target-start and --target-end do. Timing is measured against the tempo of the
neighbouring notes, so a steadily faster or slower tempo does not count as early or
late; late is positive. Length is in per cent of the written length at that tempo.
Cents are against the tuning and, if the target is a take, against that take too.

A score's transposition is followed. A MIDI file has none: if it holds the part as
written, give the horn's transposition with --shift (-2 for B flat). Repeats, da
capo and dal segno are followed; one that was left out, or a repeat too many, is named,
and its notes are neither missing nor extra. Of two notes of the same pitch that were
played as one, the second is missing, held over from the first.

Examples:
  leadpipe compare take.wav part.musicxml --horn trumpet
  leadpipe compare take.wav part.musicxml --horn trumpet --report practice.html
  leadpipe compare take.wav tune.mid --part 2 --format csv > practice.csv
  leadpipe compare today.wav yesterday.wav --horn trombone")]
pub struct Options {
    #[command(flatten)]
    take: TakeOptions,
    /// MIDI file, MusicXML score (.musicxml or .mxl) or take to compare with
    target: PathBuf,
    #[command(flatten)]
    target_excerpt: TargetExcerpt,
    /// Part of the score, counted from 1; by default the first that has notes
    #[arg(long, value_name = "N")]
    part: Option<usize>,
    /// Transpose the target by this many semitones
    #[arg(long, value_name = "SEMITONES", default_value_t = 0, value_parser = super::shift())]
    shift: i32,
    #[command(flatten)]
    pitch: PitchOptions,
    #[command(flatten)]
    tuning: TuningOptions,
    /// Also write a page with the score's notes under what was played, one HTML file
    #[arg(long, value_name = "FILE", value_parser = super::output_path())]
    report: Option<PathBuf>,
    /// Format of the comparison on standard output
    #[arg(long, value_enum, default_value_t = ListFormat::Table)]
    format: ListFormat,
}

/// [`Excerpt`] of the target.
#[derive(Args)]
struct TargetExcerpt {
    /// Channel of the horn in the target, if that is a take
    #[arg(long, value_name = "N")]
    target_channel: Option<usize>,
    /// Start here in the target, if that is a take
    #[arg(long, value_name = "TIME", value_parser = super::seconds)]
    target_start: Option<f64>,
    /// Stop here in the target, if that is a take
    #[arg(long, value_name = "TIME", value_parser = super::seconds)]
    target_end: Option<f64>,
}

impl TargetExcerpt {
    fn excerpt(&self) -> Excerpt {
        Excerpt {
            channel: self.target_channel,
            start: self.target_start,
            end: self.target_end,
            prefix: "target-",
        }
    }

    /// Refuses these options where the target is a score.
    fn check_unused(&self) -> Result<()> {
        let given = self.target_channel.is_some()
            || self.target_start.is_some()
            || self.target_end.is_some();
        match given {
            true => Err(Error::setting(
                "--target-channel, --target-start or --target-end with a score as target",
                "leave it out: a score is compared with as a whole",
            )),
            false => Ok(()),
        }
    }
}

pub fn run(options: &Options) -> Result<()> {
    options.tuning.to_measure_against()?;
    let context = options.tuning.context(options.pitch.horn()?, None)?;
    keep_input(&options.take.take);
    keep_input(&options.target);
    if let Some(page) = &options.report {
        super::check_page(page)?;
    }
    check_kinds(&options.take.take, &options.target)?;
    // A page shows every hop of what was played.
    let detail = NoteDetail {
        contours: options.report.is_some(),
        ..NoteDetail::NONE
    };
    let listen = |path: &PathBuf, excerpt: &Excerpt| {
        transcribe_line(path, excerpt, &options.pitch, &context, true, detail)
    };
    // The score first: a misspelt name should not be discovered after a minute's
    // analysis.
    let reference = if reference::is_score(&options.target) {
        options.target_excerpt.check_unused()?;
        let reference = ReferencePart::read(&options.target, options.part)?;
        for warning in &reference.warnings {
            warn(&options.target, warning);
        }
        reference
    } else {
        if options.part.is_some() {
            return Err(Error::setting(
                "--part with a take as target",
                "leave --part out: only scores have parts",
            ));
        }
        let played = listen(&options.target, &options.target_excerpt.excerpt());
        ReferencePart::played(&played.map_err(|e| not_a_target(e, &options.target))?)
    };
    let reference = reference.shifted(options.shift);
    let line = listen(&options.take.take, &options.take.excerpt)?;
    let found = compare(&line, &reference)?;
    if let Some(shift) = better_shift(&line, &reference, &found) {
        eprintln!(
            "leadpipe: the target matches better {} semitones {}: is it in another transposition? try --shift {}",
            shift.abs(),
            if shift < 0 { "lower" } else { "higher" },
            options.shift + shift
        );
    }
    if let Some(path) = &options.report {
        let page = ComparisonPage {
            reference: reference.name.clone(),
            found: found.clone(),
        };
        super::print_written(&[save(&line, path, &page)?]);
    }
    super::print(|to| match options.format {
        ListFormat::Table => table(&line, &reference, &found, to),
        ListFormat::Csv => super::write_rows(&found.notes, to),
        ListFormat::Json => super::write_json(&found, to),
    })
}

/// Refuses a score where the take should be, and a note list as a target, by their names.
fn check_kinds(take: &Path, target: &Path) -> Result<()> {
    if reference::is_score(take) {
        return Err(Error::input(
            take,
            "a score, not a take",
            "give the take first and the score after it: leadpipe compare TAKE SCORE",
        ));
    }
    let is_list = |path: &Path| ["csv", "json"].contains(&ending(path).as_str());
    if is_list(target) {
        return Err(Error::input(
            target,
            "a note list, neither a score nor a take",
            "make a MIDI file of it first: leadpipe write LIST --out DIR --write midi",
        ));
    }
    match is_list(take) {
        true => Err(Error::input(
            take,
            "a note list, not a take",
            "give the recording that it is of",
        )),
        false => Ok(()),
    }
}

/// The error of a target that is no take either.
fn not_a_target(error: Error, target: &Path) -> Error {
    match error {
        Error::Input { path, problem, .. } if path == target && problem == NOT_AUDIO => {
            Error::input(
                path,
                "neither a score nor a take that can be read",
                "give a score (.mid, .musicxml or .mxl) or a take (WAV, AIFF, CAF, FLAC, MP3 or OGG)",
            )
        }
        other => other,
    }
}

fn table(
    line: &Line,
    reference: &ReferencePart,
    found: &Comparison,
    to: &mut dyn io::Write,
) -> io::Result<()> {
    let horn = line.context.horn.as_ref();
    writeln!(
        to,
        "{} against {} · {}",
        shown(&line.source),
        shown(&reference.name),
        horn.map_or("concert pitch", |h| h.title.as_str())
    )?;
    let other = found.notes.iter().any(|n| n.cents_from_target.is_some());
    let heading = if other { "  from target" } else { "" };
    writeln!(
        to,
        "{:>5} {:>7} {:>7} {:>9} {:>9} {:>10} {:>6}{heading}",
        "bar", "target", "played", "start (s)", "late (ms)", "length (%)", "cents"
    )?;
    for note in &found.notes {
        writeln!(to, "{}", row(note, other).trim_end())?;
        if let Some(departure) = &note.departure {
            writeln!(to, "      {departure}")?;
        }
    }
    writeln!(
        to,
        "\n{} right, {} wrong, {} missing, {} extra, of {} notes",
        found.right,
        found.wrong,
        found.missing,
        found.extra,
        found.targets()
    )?;
    if !found.departures().is_empty() {
        writeln!(to, "{}", found.departures().join(", "))?;
    }
    if found.right == 0 {
        return Ok(());
    }
    writeln!(
        to,
        "timing within {:.0} ms of the local tempo (standard deviation); {} cents against the tuning, spread {:.1}",
        found.timing_spread_ms,
        cents_in_words(found.mean_cents),
        found.spread_cents
    )?;
    let percent = |ratio: f64| format!("{:.0} %", 100.0 * ratio);
    if let Some(ratio) = found.tempo_ratio {
        let tempo = match (found.tempo, reference.tempo) {
            (Some(played), Some(written)) => {
                format!(": {played:.0} quarter notes per minute, target {written:.0}")
            }
            _ => String::new(),
        };
        let ends = match (found.tempo_ratio_first, found.tempo_ratio_last) {
            (Some(first), Some(last)) => {
                format!(
                    "; {} at the start, {} at the end",
                    percent(first),
                    percent(last)
                )
            }
            _ => String::new(),
        };
        writeln!(to, "tempo {} of the target's{tempo}{ends}", percent(ratio))?;
    }
    Ok(())
}

fn row(note: &Compared, other: bool) -> String {
    let text = |value: &Option<String>| value.clone().unwrap_or_else(|| "-".into());
    let number = |value: Option<f64>, width: usize| match value {
        Some(v) => format!("{:>+width$.0}", whole(v)),
        None => format!("{:>width$}", ""),
    };
    let cents = |value: Option<f64>, width: usize| {
        format!("{:>width$}", value.map_or(String::new(), cents_in_words))
    };
    let start = note.onset_s.map_or(String::new(), |s| format!("{s:.3}"));
    let length = note
        .length_percent
        .map_or(String::new(), |l| format!("{l:.0}"));
    let from = if other {
        cents(note.cents_from_target, 13)
    } else {
        String::new()
    };
    let verdict = note.remark();
    format!(
        "{:>5} {:>7} {:>7} {:>9} {} {:>10} {}{from}  {verdict}",
        text(&note.bar),
        text(&note.target),
        text(&note.played),
        start,
        number(note.late_ms, 9),
        length,
        cents(note.cents, 6),
    )
}
