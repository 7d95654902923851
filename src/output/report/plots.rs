//! Plots as SVG that print well. Each says in words what it shows.

use std::io;

use super::{IntonationReport, Sink, picture};
use crate::intonation::groups::BIN_CENTS;
use crate::units::cents_in_words;

/// Least width of the plot of pitches, in pixels.
const WIDTH: f64 = 720.0;
/// Cents a plot reaches to at least, either way.
const MIN_CENTS: f64 = 30.0;

/// Sounding time by cents.
pub fn histogram(report: &IntonationReport, to: &mut dyn Sink) -> io::Result<()> {
    let most_s = report
        .histogram
        .iter()
        .map(|b| b.time_s)
        .fold(0.0, f64::max);
    if most_s <= 0.0 {
        return Ok(());
    }
    let reach = (report.histogram.iter())
        .map(|b| b.from_cents.abs().max((b.from_cents + BIN_CENTS).abs()))
        .fold(MIN_CENTS, f64::max);
    let (width, height) = (720.0, 120.0);
    let x = |cents: f64| width * (cents + reach) / (2.0 * reach);
    write!(
        to,
        "<svg class=\"plot\" viewBox=\"0 0 {width} {}\" role=\"img\"><title>Sounding time by cents: \
         mean {}, spread {:.1}</title>",
        height + 34.0,
        cents_in_words(report.offset_cents),
        report.spread_cents
    )?;
    for bin in report.histogram.iter().filter(|b| b.time_s > 0.0) {
        let tall = (height - 10.0) * bin.time_s / most_s;
        let class = picture::tune(bin.from_cents + 0.5 * BIN_CENTS).0;
        let left = x(bin.from_cents);
        write!(
            to,
            "<rect class=\"{class}\" x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{tall:.1}\">\
             <title>{:+.0} to {:+.0} cents: {:.1} s</title></rect>",
            left + 0.5,
            height - tall,
            x(bin.from_cents + BIN_CENTS) - left - 1.0,
            bin.from_cents,
            bin.from_cents + BIN_CENTS,
            bin.time_s
        )?;
    }
    write!(
        to,
        "<line class=\"axis\" x1=\"0\" x2=\"{width}\" y1=\"{height}\" y2=\"{height}\"/>"
    )?;
    let ticks = (reach / 10.0) as i32;
    let every = (ticks / 5).max(1);
    for tick in (-ticks..=ticks).filter(|t| t % every == 0) {
        let cents = f64::from(tick) * 10.0;
        let anchor = if x(cents) < 12.0 {
            "start"
        } else if x(cents) > width - 12.0 {
            "end"
        } else {
            "middle"
        };
        write!(
            to,
            "<text x=\"{:.1}\" y=\"{}\" text-anchor=\"{anchor}\">{cents:+.0}</text>",
            x(cents),
            height + 14.0
        )?;
    }
    write!(
        to,
        "<text x=\"{}\" y=\"{}\" text-anchor=\"middle\">cents from the tuning; height is sounding time</text></svg>",
        0.5 * width,
        height + 30.0
    )
}

/// Mean and spread of each written pitch, and where the tube would put it.
pub fn pitches(report: &IntonationReport, to: &mut dyn Sink) -> io::Result<()> {
    let horn = |written: &str| report.shares.iter().find(|s| s.written == written);
    let reach = report
        .pitches
        .iter()
        .flat_map(|p| {
            let tube = horn(&p.written).and_then(|s| s.horn_cents).unwrap_or(0.0);
            [p.mean_cents.abs() + p.spread_cents, tube.abs()]
        })
        .fold(MIN_CENTS, f64::max);
    let (left, half) = (44.0, 70.0);
    let count = report.pitches.len().max(1) as f64;
    let step = ((WIDTH - left - 10.0) / count).max(24.0);
    let width = left + step * count + 10.0;
    let y = |cents: f64| half - cents / reach * (half - 10.0);
    write!(
        to,
        "<svg class=\"plot wide\" viewBox=\"0 0 {width} {}\" role=\"img\">\
         <title>Cents by written pitch, lowest first; the values are in the table below</title>",
        2.0 * half + 20.0
    )?;
    let unit = if reach > 60.0 { 50.0 } else { 20.0 };
    let lines = (reach / unit) as i32;
    for line in -lines..=lines {
        let cents = f64::from(line) * unit;
        write!(
            to,
            "<line class=\"{}\" x1=\"{left}\" x2=\"{width}\" y1=\"{y:.1}\" y2=\"{y:.1}\"/>\
             <text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{cents:+.0}</text>",
            if line == 0 { "axis" } else { "rail" },
            left - 6.0,
            y(cents) + 4.0,
            y = y(cents),
        )?;
    }
    for (i, pitch) in report.pitches.iter().enumerate() {
        let x = left + step * (i as f64 + 0.5);
        let class = picture::tune(pitch.mean_cents).0;
        if let Some(tube) = horn(&pitch.written).and_then(|share| share.horn_cents) {
            write!(
                to,
                "<line class=\"aim\" x1=\"{:.1}\" x2=\"{:.1}\" y1=\"{y:.1}\" y2=\"{y:.1}\"/>",
                x - 9.0,
                x + 9.0,
                y = y(tube)
            )?;
        }
        write!(
            to,
            "<line class=\"{class}\" x1=\"{x:.1}\" x2=\"{x:.1}\" y1=\"{:.1}\" y2=\"{:.1}\"/>\
             <circle class=\"{class}\" cx=\"{x:.1}\" cy=\"{:.1}\" r=\"4\"><title>{} {} cents</title>\
             </circle><text x=\"{x:.1}\" y=\"{}\" text-anchor=\"middle\">{}</text>",
            y(pitch.mean_cents + pitch.spread_cents),
            y(pitch.mean_cents - pitch.spread_cents),
            y(pitch.mean_cents),
            pitch.written,
            cents_in_words(pitch.mean_cents),
            2.0 * half + 14.0,
            pitch.written
        )?;
    }
    write!(
        to,
        "</svg><p class=\"hint\">Dots: as played, with the spread."
    )?;
    if !report.shares.is_empty() {
        write!(
            to,
            " Dashes: where the horn alone would put the note (theory)."
        )?;
    }
    write!(to, "</p>")
}
