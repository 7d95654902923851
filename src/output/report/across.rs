//! The report of several takes: by take, by day, by pitch.

use std::io;

use super::{Sink, picture, write_page};
use crate::intonation::across::{Across, Row};
use crate::intonation::spread_in_words;
use crate::line::LineContext;
use crate::text::xml_escaped;
use crate::units::{cents_in_words, clock};

/// The report.
#[derive(Debug)]
pub struct AcrossHtml<'a> {
    /// What it shows.
    pub across: &'a Across,
    /// Horn and tuning of the takes.
    pub context: &'a LineContext,
}

impl AcrossHtml<'_> {
    /// Writes the page.
    pub fn write(&self, to: &mut dyn Sink) -> io::Result<()> {
        let (across, tuning) = (self.across, &self.context.tuning);
        let horn = self.context.horn.as_ref();
        let horn = horn.map_or("concert pitch", |h| h.title.as_str());
        let title = format!("{} takes", across.takes.len());
        write_page(&title, to, |to| {
            write!(
                to,
                "<header><h1>{title}</h1><p>{} · {} at A4 = {} Hz</p></header>\
                 <section><h2>Overall</h2><dl class=\"facts\">\
                 <div><dt>notes</dt><dd>{}</dd></div>\
                 <div><dt>against the tuning</dt><dd>{} cents</dd></div>\
                 <div><dt>spread</dt><dd>{} cents</dd></div>\
                 <div><dt>best reference</dt><dd>A4 = {:.1} Hz</dd></div>",
                xml_escaped(horn),
                xml_escaped(tuning.title()),
                tuning.reference().a4_hz(),
                across.whole.notes,
                cents_in_words(across.whole.mean_cents),
                spread_in_words(across.whole.notes, across.whole.spread_cents),
                across.whole.best_reference_hz
            )?;
            if let Some(change) = across.spread_cents_per_week {
                write!(
                    to,
                    "<div><dt>change of spread</dt><dd>{change:+.1} cents per week</dd></div>"
                )?;
            }
            write!(to, "</dl></section>")?;
            if across.days.len() > 1 {
                section("By day", "day", &across.days, to)?;
            }
            section("By take", "take", &across.takes, to)?;
            pitches(across, to)
        })
    }
}

fn section(title: &str, what: &str, rows: &[Row], to: &mut dyn Sink) -> io::Result<()> {
    write!(to, "<section><h2>{title}</h2>")?;
    plot(rows, to)?;
    write!(
        to,
        "<div class=\"scroll\"><table><thead><tr><th scope=\"col\">{what}</th>\
         <th scope=\"col\">{}</th><th scope=\"col\" class=\"n\">notes</th>\
         <th scope=\"col\" class=\"n\">length</th><th scope=\"col\" class=\"n\">cents</th>\
         <th scope=\"col\" class=\"n\">spread</th><th scope=\"col\" class=\"n\">A4 (Hz)</th></tr></thead><tbody>",
        if what == "day" { "takes" } else { "day" }
    )?;
    for row in rows {
        write!(
            to,
            "<tr><th scope=\"row\">{}</th><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td>\
             <td class=\"n {}\">{}</td><td class=\"n\">{}</td><td class=\"n\">{:.1}</td></tr>",
            xml_escaped(&row.name),
            second_column(what, row),
            row.notes,
            clock(row.length_s),
            picture::tune(row.mean_cents).0,
            cents_in_words(row.mean_cents),
            spread_in_words(row.notes, row.spread_cents),
            row.best_reference_hz
        )?;
    }
    write!(to, "</tbody></table></div></section>")
}

/// Second column: the day of a take, or the number of takes of a day.
fn second_column(what: &str, row: &Row) -> String {
    match what {
        "day" => row.takes.to_string(),
        _ => row.day.clone(),
    }
}

/// Plot of means with their spread, in order.
fn plot(rows: &[Row], to: &mut dyn Sink) -> io::Result<()> {
    let reach = rows
        .iter()
        .map(|r| r.mean_cents.abs() + r.spread_cents)
        .fold(20.0, f64::max);
    let (half, width) = (80.0, 720.0);
    let step_from = |left: f64| (width - left) / rows.len() as f64;
    // Slanted names begin to the left of what they name.
    let left = f64::max(44.0, Names::new(rows, step_from(44.0)).overhang);
    let step = step_from(left);
    let names = Names::new(rows, step);
    let y = |cents: f64| half - cents / reach * (half - 8.0);
    write!(
        to,
        "<svg class=\"plot wide\" viewBox=\"0 0 {width} {}\" role=\"img\"><title>Mean cents and spread, \
         in order of time; the values are in the table below</title>",
        2.0 * half + names.height
    )?;
    for cents in [-reach, 0.0, reach].map(|c| (c / 10.0).trunc() * 10.0) {
        write!(
            to,
            "<line class=\"rail\" x1=\"{left}\" x2=\"{width}\" y1=\"{y:.1}\" y2=\"{y:.1}\"/>\
             <text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{cents:+.0}</text>",
            left - 6.0,
            y(cents) + 4.0,
            y = y(cents)
        )?;
    }
    let mut path = String::new();
    for (i, row) in rows.iter().enumerate().filter(|(_, r)| r.notes > 0) {
        let x = left + step * (i as f64 + 0.5);
        let pen = if path.is_empty() { 'M' } else { 'L' };
        path += &format!("{pen}{x:.1} {:.1}", y(row.mean_cents));
        write!(
            to,
            "<line class=\"mean\" x1=\"{x:.1}\" x2=\"{x:.1}\" y1=\"{:.1}\" y2=\"{:.1}\"/>\
             <circle class=\"{}\" cx=\"{x:.1}\" cy=\"{:.1}\" r=\"3.5\"><title>{}: {} cents, \
             spread {:.1}</title></circle>",
            y(row.mean_cents + row.spread_cents),
            y(row.mean_cents - row.spread_cents),
            picture::tune(row.mean_cents).0,
            y(row.mean_cents),
            xml_escaped(&row.name),
            cents_in_words(row.mean_cents),
            row.spread_cents
        )?;
    }
    for (i, row) in rows.iter().enumerate().step_by(names.every) {
        names.write(&row.name, left + step * (i as f64 + 0.5), 2.0 * half, to)?;
    }
    write!(to, "<path class=\"mean\" d=\"{path}\"/></svg>")
}

/// How the rows' names stand below a plot: side by side where there is room, or else
/// slanted, and then every so many of them.
struct Names {
    slanted: bool,
    every: usize,
    height: f64,
    /// How far a name reaches to the left of its place.
    overhang: f64,
}

/// Width of a letter and distance of slanted lines, in pixels.
const LETTER: f64 = 6.2;
const SLANTED: f64 = 15.0;
/// Longest name below a plot, in letters.
const LONGEST: usize = 24;

impl Names {
    fn new(rows: &[Row], step: f64) -> Names {
        let letters = rows
            .iter()
            .map(|row| short(&row.name).chars().count())
            .max();
        let longest = LETTER * letters.unwrap_or(0) as f64;
        match longest + LETTER <= step {
            true => Names {
                slanted: false,
                every: 1,
                height: 20.0,
                overhang: 0.5 * longest,
            },
            false => Names {
                slanted: true,
                every: (SLANTED / step).ceil() as usize,
                // At 40 degrees.
                height: 20.0 + 0.64 * longest,
                overhang: 0.77 * longest,
            },
        }
    }

    fn write(&self, name: &str, x: f64, y: f64, to: &mut dyn Sink) -> io::Result<()> {
        let name = xml_escaped(&short(name));
        match self.slanted {
            false => write!(
                to,
                "<text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{name}</text>",
                y + 14.0
            ),
            true => write!(
                to,
                "<text transform=\"translate({x:.1} {:.1}) rotate(-40)\" text-anchor=\"end\">{name}</text>",
                y + 10.0
            ),
        }
    }
}

/// A name that is not too long to stand below a plot.
fn short(name: &str) -> String {
    match name.chars().count() > LONGEST {
        true => name.chars().take(LONGEST - 1).chain(['…']).collect(),
        false => name.to_owned(),
    }
}

fn pitches(across: &Across, to: &mut dyn Sink) -> io::Result<()> {
    write!(
        to,
        "<section><h2>By written pitch</h2><div class=\"scroll\"><table><thead><tr>\
         <th scope=\"col\">written</th><th scope=\"col\">concert</th>\
         <th scope=\"col\" class=\"n\">notes</th><th scope=\"col\" class=\"n\">length (s)</th>\
         <th scope=\"col\" class=\"n\">cents</th><th scope=\"col\" class=\"n\">spread</th>\
         </tr></thead><tbody>"
    )?;
    for pitch in &across.pitches {
        write!(
            to,
            "<tr><th scope=\"row\">{}</th><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{:.1}</td>\
             <td class=\"n {}\">{}</td><td class=\"n\">{}</td></tr>",
            pitch.written,
            pitch.concert,
            pitch.notes,
            pitch.time_s,
            picture::tune(pitch.mean_cents).0,
            cents_in_words(pitch.mean_cents),
            spread_in_words(pitch.notes, pitch.spread_cents)
        )?;
    }
    write!(to, "</tbody></table></div></section>")
}
