use std::io;

use clap::Args;
use leadpipe::error::Result;
use leadpipe::horn::tube;
use leadpipe::intonation::groups::Group;
use leadpipe::intonation::shares::Share;
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
    /// Temperature of the air in the horn, degrees Celsius
    #[arg(long, value_name = "C", default_value_t = tube::TEMPERATURE_C, allow_negative_numbers = true, value_parser = temperature)]
    temperature: f64,
    /// Form of the report on standard output
    #[arg(long, value_enum, default_value_t = Form::Table)]
    format: Form,
}

pub fn run(options: &Options) -> Result<()> {
    let line = super::listen_and_read(&options.take, &options.ear, &options.table, None)?;
    let report = report(&line, options.temperature);
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
    let groups = &report.groups;
    writeln!(
        to,
        "\n{:<18} {:>6} {:>8} {:>7} {:>7}",
        "", "notes", "for s", "cents", "spread"
    )?;
    for kind in [
        &groups.register,
        &groups.dynamic,
        &groups.time,
        &groups.attack,
    ] {
        for group in kind {
            write_group(group, to)?;
        }
    }
    write_shares(report, to)?;
    write_whole(report, to)
}

fn write_group(group: &Group, to: &mut dyn io::Write) -> io::Result<()> {
    writeln!(
        to,
        "{:<18} {:>6} {:>8.2} {:>+7.1} {:>7.1}",
        group.name, group.notes, group.time_s, group.mean_cents, group.spread_cents
    )
}

fn write_shares(report: &Report, to: &mut dyn io::Write) -> io::Result<()> {
    if report.shares.is_empty() {
        return Ok(());
    }
    writeln!(
        to,
        "\n{:>8} {:<12} {:>7} {:>8} {:>8} {:>8}  likely fingering; theory of tube lengths at {} °C",
        "written", "by", "partial", "horn", "played", "player", report.temperature_c
    )?;
    for share in &report.shares {
        writeln!(
            to,
            "{:>8} {:<12} {:>7} {:>+8.1} {:>+8.1} {:>+8.1}{}",
            share.written,
            share.fingering,
            share.partial,
            share.horn_cents,
            share.played_cents,
            share.player_cents,
            slide_in_words(share)
        )?;
    }
    Ok(())
}

fn slide_in_words(share: &Share) -> String {
    share.slide_mm.map_or(String::new(), |(out, farther)| {
        let way = if farther < 0.0 { "in" } else { "out" };
        format!(
            "  slide at {out:.0} mm, {:.0} mm farther {way}",
            farther.abs()
        )
    })
}

fn write_whole(report: &Report, to: &mut dyn io::Write) -> io::Result<()> {
    writeln!(
        to,
        "\nall in all {:+.1} cents, spread {:.1}; A4 = {:.1} Hz fits best",
        report.offset_cents, report.spread_cents, report.best_reference_hz
    )?;
    if let Some(mm) = report.tuning_slide_mm {
        let way = if mm < 0.0 { "in" } else { "out" };
        writeln!(to, "the tuning slide for that: {:.1} mm {way}", mm.abs())?;
    }
    if let Some(trend) = report.trend {
        writeln!(
            to,
            "over the take {:+.1} cents a minute (give or take {:.1})",
            trend.cents_per_minute, trend.uncertainty
        )?;
    }
    let watch: Vec<String> = report
        .watch()
        .iter()
        .map(|p| format!("{} {:+.0}", p.written, p.mean_cents))
        .collect();
    if !watch.is_empty() {
        writeln!(to, "notes to watch: {}", watch.join(", "))?;
    }
    Ok(())
}

fn temperature(text: &str) -> std::result::Result<f64, String> {
    match text.parse::<f64>() {
        Ok(celsius) if (-20.0..=50.0).contains(&celsius) => Ok(celsius),
        _ => Err("give degrees Celsius, -20 to 50".into()),
    }
}

fn write_csv(report: &Report, to: &mut dyn io::Write) -> io::Result<()> {
    let mut rows = csv::Writer::from_writer(to);
    for note in &report.notes {
        rows.serialize(note)?;
    }
    rows.flush()
}
