//! The intonation report as text for the terminal.

use std::io;

use leadpipe::internals::horn::tube::tuning_slide_advice;
use leadpipe::internals::intonation::across::{Across, Row};
use leadpipe::internals::intonation::groups::Group;
use leadpipe::internals::intonation::shares::{
    Share, cents_or_dash, fingering_heading, partial_or_dash,
};
use leadpipe::internals::intonation::{IntonationReport, PitchReport, spread_in_words};
use leadpipe::internals::output::paint::Paint;
use leadpipe::internals::text::shown;
use leadpipe::internals::units::{cents_in_words, clock};
use leadpipe::{Line, LineContext};

/// One take.
pub fn one(
    line: &Line,
    report: &IntonationReport,
    paint: Paint,
    to: &mut dyn io::Write,
) -> io::Result<()> {
    let tuning = &line.context.tuning;
    let a4_hz = tuning.reference().a4_hz();
    writeln!(
        to,
        "{} against {} at A4 = {a4_hz} Hz",
        shown(&line.source),
        tuning.title()
    )?;
    if report.notes.is_empty() {
        return writeln!(to, "no notes");
    }
    let bright = report.notes.iter().any(|note| note.brightness.is_some());
    writeln!(
        to,
        "\n{:>9} {:>10} {:>8} {:>8} {:>7} {:>7} {:>7}{}",
        "start (s)",
        "length (s)",
        "written",
        "concert",
        "cents",
        "spread",
        "drift",
        if bright { "  bright" } else { "" }
    )?;
    for note in &report.notes {
        let brightness = match (bright, note.brightness) {
            (false, _) => String::new(),
            (true, Some(value)) => format!(" {value:>7.2}"),
            (true, None) => format!(" {:>7}", "-"),
        };
        let (spread, drift) = match note.movement() {
            Some((spread, drift)) => (format!("{spread:.1}"), format!("{drift:+.1}")),
            None => ("-".into(), "-".into()),
        };
        writeln!(
            to,
            "{:>9.3} {:>10.3} {:>8} {:>8} {} {spread:>7} {drift:>7}{brightness}",
            note.onset_s,
            note.duration_s,
            note.written,
            note.concert,
            cents(paint, note.mean_cents)
        )?;
    }
    write_pitches(&report.pitches, paint, to)?;
    let groups = &report.groups;
    writeln!(
        to,
        "\n{:<18} {:>6} {:>10} {:>7} {:>7}",
        "", "notes", "length (s)", "cents", "spread"
    )?;
    for kind in [
        &groups.register,
        &groups.dynamic,
        &groups.time,
        &groups.attack,
    ] {
        for group in kind {
            write_group(group, paint, to)?;
        }
    }
    write_shares(report, to)?;
    write_whole(report, to)
}

/// A mean in its column.
fn cents(paint: Paint, cents: f64) -> String {
    paint.cents(cents, &format!("{:>7}", cents_in_words(cents)))
}

fn write_group(group: &Group, paint: Paint, to: &mut dyn io::Write) -> io::Result<()> {
    writeln!(
        to,
        "{:<18} {:>6} {:>10.2} {} {:>7}",
        group.name,
        group.notes,
        group.time_s,
        cents(paint, group.mean_cents),
        spread_in_words(group.notes, group.spread_cents)
    )
}

fn write_shares(report: &IntonationReport, to: &mut dyn io::Write) -> io::Result<()> {
    if report.shares.is_empty() {
        return Ok(());
    }
    let heading = fingering_heading(&report.shares);
    let longest = report
        .shares
        .iter()
        .map(|share| share.fingering.len())
        .max();
    let width = longest.unwrap_or(0).max(heading.len());
    writeln!(
        to,
        "\n{:>8} {heading:<width$} {:>7} {:>8} {:>8} {:>8}  (horn: theory, from tube lengths at {} °C)",
        "written", "partial", "horn", "played", "player", report.temperature_c
    )?;
    for share in &report.shares {
        writeln!(
            to,
            "{:>8} {:<width$} {:>7} {:>8} {:>8} {:>8}{}",
            share.written,
            share.fingering,
            partial_or_dash(share.partial),
            cents_or_dash(share.horn_cents),
            cents_in_words(share.played_cents),
            cents_or_dash(share.player_cents),
            slide_in_words(share)
        )?;
    }
    Ok(())
}

fn slide_in_words(share: &Share) -> String {
    match share.slide_in_words() {
        None => String::new(),
        Some((None, advice)) => format!("  slide: {advice}"),
        Some((Some(place), advice)) => format!("  slide in tune at {place}: {advice}"),
    }
}

fn write_whole(report: &IntonationReport, to: &mut dyn io::Write) -> io::Result<()> {
    writeln!(
        to,
        "\nOverall {} cents, spread {}; best reference A4 = {:.1} Hz",
        cents_in_words(report.offset_cents),
        spread_in_words(report.notes.len(), report.spread_cents),
        report.best_reference_hz
    )?;
    if let Some(mm) = report.tuning_slide_mm {
        writeln!(to, "tuning slide: {}", tuning_slide_advice(mm))?;
    }
    if let Some(trend) = report.trend {
        writeln!(
            to,
            "drift {} cents per minute (±{:.1})",
            cents_in_words(trend.cents_per_minute),
            trend.uncertainty
        )?;
    }
    let watch = report.watch_in_words();
    if !watch.is_empty() {
        writeln!(to, "notes to watch: {watch}")?;
    }
    Ok(())
}

fn write_pitches(pitches: &[PitchReport], paint: Paint, to: &mut dyn io::Write) -> io::Result<()> {
    writeln!(
        to,
        "\n{:>8} {:>8} {:>6} {:>10} {:>7} {:>7}",
        "written", "concert", "notes", "length (s)", "cents", "spread"
    )?;
    for pitch in pitches {
        writeln!(
            to,
            "{:>8} {:>8} {:>6} {:>10.2} {} {:>7}",
            pitch.written,
            pitch.concert,
            pitch.notes,
            pitch.time_s,
            cents(paint, pitch.mean_cents),
            spread_in_words(pitch.notes, pitch.spread_cents)
        )?;
    }
    Ok(())
}

/// Several takes.
pub fn several(
    context: &LineContext,
    across: &Across,
    paint: Paint,
    to: &mut dyn io::Write,
) -> io::Result<()> {
    writeln!(
        to,
        "{} takes against {} at A4 = {} Hz",
        across.takes.len(),
        context.tuning.title(),
        context.tuning.reference().a4_hz()
    )?;
    write_rows("take", &across.takes, paint, to)?;
    if across.days.len() > 1 {
        write_rows("day", &across.days, paint, to)?;
    }
    write_pitches(&across.pitches, paint, to)?;
    let whole = &across.whole;
    writeln!(
        to,
        "\nOverall {} cents, spread {}; best reference A4 = {:.1} Hz",
        cents_in_words(whole.mean_cents),
        spread_in_words(whole.notes, whole.spread_cents),
        whole.best_reference_hz
    )?;
    if let Some(change) = across.spread_cents_per_week {
        writeln!(to, "change of spread: {change:+.1} cents per week")?;
    }
    Ok(())
}

fn write_rows(what: &str, rows: &[Row], paint: Paint, to: &mut dyn io::Write) -> io::Result<()> {
    let widest = rows.iter().map(|r| shown(&r.name).chars().count()).max();
    let width = widest.unwrap_or(0).max(10);
    writeln!(
        to,
        "\n{what:<width$} {:<10} {:>6} {:>8} {:>7} {:>7} {:>8}",
        if what == "day" { "takes" } else { "day" },
        "notes",
        "length",
        "cents",
        "spread",
        "A4 (Hz)"
    )?;
    for row in rows {
        writeln!(
            to,
            "{:<width$} {:<10} {:>6} {:>8} {} {:>7} {:>8.1}",
            shown(&row.name),
            if what == "day" {
                row.takes.to_string()
            } else {
                row.day.clone()
            },
            row.notes,
            clock(row.length_s),
            cents(paint, row.mean_cents),
            spread_in_words(row.notes, row.spread_cents),
            row.best_reference_hz
        )?;
    }
    Ok(())
}
