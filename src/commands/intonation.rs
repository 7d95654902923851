use std::io;

use clap::Args;
use leadpipe::error::Result;
use leadpipe::intonation::{Report, report};
use leadpipe::line::Line;

use super::{EarOptions, Form, TableOptions, TakeOptions};

/// Show how the playing sits against a tuning table
#[derive(Args)]
#[command(after_help = "\
Cents are against the nearest pitch of the table; positive is sharp. Spread is
the standard deviation, drift the change from a note's start to its end. The
best reference is the A4 that the take as a whole was played to.

Examples:
  leadpipe intonation take.wav --horn trumpet
  leadpipe intonation take.wav --tuning just --tonic Bb --format json")]
pub struct Options {
    #[command(flatten)]
    take: TakeOptions,
    #[command(flatten)]
    ear: EarOptions,
    #[command(flatten)]
    table: TableOptions,
    /// Form of the report on standard output
    #[arg(long, value_enum, default_value_t = Form::Table)]
    format: Form,
}

pub fn run(options: &Options) -> Result<()> {
    let line = super::listen_and_read(&options.take, &options.ear, &options.table, None)?;
    let report = report(&line);
    super::print(|to| match options.format {
        Form::Table => write_table(&line, &report, to),
        Form::Csv => write_csv(&report, to),
        Form::Json => {
            serde_json::to_writer_pretty(&mut *to, &report)?;
            writeln!(to)
        }
    })
}

fn write_table(line: &Line, report: &Report, to: &mut dyn io::Write) -> io::Result<()> {
    let table = &line.reading.table;
    let a4_hz = table.reference().a4_hz();
    writeln!(
        to,
        "{} against {} at A4 = {a4_hz} Hz",
        line.source,
        table.title()
    )?;
    if report.notes.is_empty() {
        return writeln!(to, "no notes");
    }
    writeln!(
        to,
        "\n{:>9} {:>7} {:>8} {:>8} {:>7} {:>7} {:>7}",
        "start s", "for s", "written", "concert", "cents", "spread", "drift"
    )?;
    for note in &report.notes {
        writeln!(
            to,
            "{:>9.3} {:>7.3} {:>8} {:>8} {:>+7.1} {:>7.1} {:>+7.1}",
            note.onset_s,
            note.duration_s,
            note.written,
            note.concert,
            note.mean_cents,
            note.spread_cents,
            note.drift_cents
        )?;
    }
    writeln!(
        to,
        "\n{:>8} {:>8} {:>6} {:>8} {:>7} {:>7}",
        "written", "concert", "notes", "for s", "cents", "spread"
    )?;
    for pitch in &report.pitches {
        writeln!(
            to,
            "{:>8} {:>8} {:>6} {:>8.2} {:>+7.1} {:>7.1}",
            pitch.written,
            pitch.concert,
            pitch.notes,
            pitch.time_s,
            pitch.mean_cents,
            pitch.spread_cents
        )?;
    }
    writeln!(
        to,
        "\nall in all {:+.1} cents, spread {:.1}; A4 = {:.1} Hz fits best",
        report.offset_cents, report.spread_cents, report.best_reference_hz
    )
}

fn write_csv(report: &Report, to: &mut dyn io::Write) -> io::Result<()> {
    let mut rows = csv::Writer::from_writer(to);
    for note in &report.notes {
        rows.serialize(note)?;
    }
    rows.flush()
}
