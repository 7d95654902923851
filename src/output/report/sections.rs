//! The report's sections, as tables that a screen reader can navigate.

use std::io;

use super::super::csv::detail;
use super::{IntonationReport, Sink, plots};
use crate::horn::tube::tuning_slide_advice;
use crate::intonation::groups::Group;
use crate::intonation::shares::{cents_or_dash, fingering_heading, partial_or_dash};
use crate::intonation::spread_in_words;
use crate::line::{Line, LineNote};
use crate::text::xml_escaped;
use crate::units::{cents_in_words, clock};

/// A note's articulation as text.
pub fn articulation_text(named: &LineNote) -> String {
    let note = &named.note;
    let mut words = vec![note.attack.name().to_owned(), note.length.name().to_owned()];
    if note.accent {
        words.push("accent".into());
    }
    words.extend(note.techniques.iter().map(detail));
    words.join(", ")
}

/// Title and figures of the whole take.
pub fn head(line: &Line, report: &IntonationReport, to: &mut dyn Sink) -> io::Result<()> {
    let context = &line.context;
    let horn = (context.horn.as_ref()).map_or("concert pitch", |h| h.title.as_str());
    write!(
        to,
        "<header><h1>{}</h1><p>{} · {} at A4 = {} Hz · {}</p></header>\
         <section><h2>Overall</h2><dl class=\"facts\">",
        xml_escaped(&line.source),
        xml_escaped(horn),
        xml_escaped(context.tuning.title()),
        context.tuning.reference().a4_hz(),
        clock(line.length_s)
    )?;
    let mut fact = |name: &str, value: String| {
        write!(
            to,
            "<div><dt>{name}</dt><dd>{}</dd></div>",
            xml_escaped(&value)
        )
    };
    fact("notes", report.notes.len().to_string())?;
    if report.notes.is_empty() {
        return write!(to, "</dl></section>");
    }
    fact(
        "against the tuning",
        format!("{} cents", cents_in_words(report.offset_cents)),
    )?;
    if report.notes.len() > 1 {
        fact("spread", format!("{:.1} cents", report.spread_cents))?;
    }
    fact(
        "best reference",
        format!("A4 = {:.1} Hz", report.best_reference_hz),
    )?;
    if let Some(mm) = report.tuning_slide_mm {
        fact("tuning slide", tuning_slide_advice(mm))?;
    }
    if let Some(trend) = report.trend {
        let (rise, error) = (trend.cents_per_minute, trend.uncertainty);
        let rise = cents_in_words(rise);
        fact("drift", format!("{rise} ±{error:.1} cents per minute"))?;
    }
    let watch = report.watch_in_words();
    if !watch.is_empty() {
        fact("notes to watch", watch)?;
    }
    write!(to, "</dl>")?;
    plots::histogram(report, to)?;
    write!(to, "</section>")
}

/// The note table. Its rows are in playing order until the script sorts them.
pub fn notes(line: &Line, report: &IntonationReport, to: &mut dyn Sink) -> io::Result<()> {
    write!(
        to,
        "<section><h2>Notes</h2><div class=\"scroll\"><table id=\"notes\"><caption>Every note in \
         order; choose a heading to sort by it.</caption><thead><tr>"
    )?;
    let bright = report.notes.iter().any(|note| note.brightness.is_some());
    let columns = [
        ("no", true),
        ("start (s)", true),
        ("length (s)", true),
        ("written", false),
        ("concert", false),
        ("cents", true),
        ("spread", true),
        ("drift", true),
        ("level (dBFS)", true),
        ("brightness", true),
        ("articulation", false),
    ];
    for (name, number) in columns {
        if name == "brightness" && !bright {
            continue;
        }
        let class = if number { " class=\"n\"" } else { "" };
        write!(to, "<th scope=\"col\"{class}>{name}</th>")?;
    }
    write!(to, "</tr></thead><tbody>")?;
    for (i, (named, measured)) in line.notes.iter().zip(&report.notes).enumerate() {
        let tune = super::picture::tune(named.cents).0;
        let (spread, drift) = match measured.movement() {
            Some((spread, drift)) => (format!("{spread:.1}"), format!("{drift:+.1}")),
            None => ("-".into(), "-".into()),
        };
        let brightness = match (bright, measured.brightness) {
            (false, _) => String::new(),
            (true, Some(value)) => format!("<td class=\"n\">{value:.2}</td>"),
            (true, None) => "<td class=\"n\">-</td>".into(),
        };
        // Note names sort by their key.
        write!(
            to,
            "<tr data-note=\"{i}\"><td class=\"n\">{}</td><td class=\"n\">{:.3}</td>\
             <td class=\"n\">{:.3}</td><td data-by=\"{}\">{}</td><td data-by=\"{}\">{}</td>\
             <td class=\"n {tune}\">{}</td><td class=\"n\">{spread}</td><td class=\"n\">{drift}</td>\
             <td class=\"n\">{:.1}</td>{brightness}<td>{}</td></tr>",
            i + 1,
            measured.onset_s,
            measured.duration_s,
            named.written.0,
            measured.written,
            named.concert.0,
            measured.concert,
            cents_in_words(measured.mean_cents),
            named.note.level_db,
            xml_escaped(&articulation_text(named)),
        )?;
    }
    write!(to, "</tbody></table></div></section>")
}

/// Cents by written pitch, and the shares of horn and player.
pub fn pitches(report: &IntonationReport, to: &mut dyn Sink) -> io::Result<()> {
    if report.pitches.is_empty() {
        return Ok(());
    }
    write!(to, "<section><h2>By written pitch</h2>")?;
    plots::pitches(report, to)?;
    let slide = report.shares.iter().any(|s| s.slide_mm.is_some());
    write!(
        to,
        "<div class=\"scroll\"><table><thead><tr><th scope=\"col\">written</th>\
         <th scope=\"col\">concert</th><th scope=\"col\" class=\"n\">notes</th>\
         <th scope=\"col\" class=\"n\">length (s)</th><th scope=\"col\" class=\"n\">played</th>\
         <th scope=\"col\" class=\"n\">spread</th><th scope=\"col\">{}</th>\
         <th scope=\"col\" class=\"n\">partial</th><th scope=\"col\" class=\"n\">horn (theory)</th>\
         <th scope=\"col\" class=\"n\">player</th>{}</tr></thead><tbody>",
        fingering_heading(&report.shares),
        if slide {
            "<th scope=\"col\" class=\"n\">slide in tune at</th>\
             <th scope=\"col\">next</th>"
        } else {
            ""
        }
    )?;
    for pitch in &report.pitches {
        write!(
            to,
            "<tr><th scope=\"row\">{}</th><td>{}</td><td class=\"n\">{}</td>\
             <td class=\"n\">{:.2}</td><td class=\"n {}\">{}</td><td class=\"n\">{}</td>",
            pitch.written,
            pitch.concert,
            pitch.notes,
            pitch.time_s,
            super::picture::tune(pitch.mean_cents).0,
            cents_in_words(pitch.mean_cents),
            spread_in_words(pitch.notes, pitch.spread_cents)
        )?;
        match report.shares.iter().find(|s| s.written == pitch.written) {
            None => write!(to, "<td colspan=\"4\"></td>")?,
            Some(share) => {
                write!(
                    to,
                    "<td>{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td>\
                     <td class=\"n\">{}</td>",
                    share.fingering,
                    partial_or_dash(share.partial),
                    cents_or_dash(share.horn_cents),
                    cents_or_dash(share.player_cents)
                )?;
                match share.slide_in_words() {
                    Some((place, advice)) => {
                        let place = place.unwrap_or("-".into());
                        write!(to, "<td class=\"n\">{place}</td><td>{advice}</td>")?;
                    }
                    None if slide => write!(to, "<td class=\"n\">-</td><td></td>")?,
                    None => {}
                }
            }
        }
        write!(to, "</tr>")?;
    }
    write!(to, "</tbody></table></div></section>")
}

/// Groups by register, dynamic, time and attack.
pub fn groups(report: &IntonationReport, to: &mut dyn Sink) -> io::Result<()> {
    let groups = &report.groups;
    write!(
        to,
        "<section><h2>By register, dynamic, time and attack</h2><div class=\"side\">"
    )?;
    for (name, kind) in [
        ("register", &groups.register),
        ("dynamic", &groups.dynamic),
        ("time", &groups.time),
        ("attack", &groups.attack),
    ] {
        group_table(name, kind, to)?;
    }
    write!(to, "</div><p>")?;
    let attacks = &report.attacks;
    let counts = |kind: &[(&'static str, usize)]| {
        let words: Vec<String> = kind.iter().map(|(name, n)| format!("{n} {name}")).collect();
        words.join(", ")
    };
    for (name, kind) in [
        ("Attacks", &attacks.attack),
        ("Lengths", &attacks.length),
        ("Techniques", &attacks.technique),
    ] {
        if !kind.is_empty() {
            write!(to, "{name}: {}. ", counts(kind))?;
        }
    }
    write!(to, "Accents: {}.</p></section>", attacks.accents)
}

fn group_table(name: &str, groups: &[Group], to: &mut dyn Sink) -> io::Result<()> {
    if groups.is_empty() {
        return Ok(());
    }
    write!(
        to,
        "<table><thead><tr><th scope=\"col\">{name}</th><th scope=\"col\" class=\"n\">notes</th>\
         <th scope=\"col\" class=\"n\">length (s)</th><th scope=\"col\" class=\"n\">cents</th>\
         <th scope=\"col\" class=\"n\">spread</th></tr></thead><tbody>"
    )?;
    for group in groups {
        write!(
            to,
            "<tr><th scope=\"row\">{}</th><td class=\"n\">{}</td><td class=\"n\">{:.1}</td>\
             <td class=\"n\">{}</td><td class=\"n\">{}</td></tr>",
            group.name,
            group.notes,
            group.time_s,
            cents_in_words(group.mean_cents),
            spread_in_words(group.notes, group.spread_cents)
        )?;
    }
    write!(to, "</tbody></table>")
}

/// Explains what is measured and what is theory.
pub fn explanation(report: &IntonationReport, to: &mut dyn Sink) -> io::Result<()> {
    write!(
        to,
        "<section class=\"meaning\"><h2>How to read this</h2><p>Measured: start, length, pitch, \
         level and articulation of each note. Cents are against the nearest pitch of the tuning; \
         positive is sharp. Spread is the standard deviation. A note's drift is the change from \
         its start to its end, the take's drift the change per minute.</p>"
    )?;
    if report.notes.iter().any(|note| note.brightness.is_some()) {
        write!(
            to,
            "<p>Brightness is the harmonic spectral centroid in units of the fundamental: where the \
             weight of the tone's first twenty harmonics lies, 1 for a sine, more the brassier. \
             It depends on the microphone and the room: compare takes made alike.</p>"
        )?;
    }
    if !report.shares.is_empty() {
        write!(
            to,
            "<p>Theory: fingering, partial and the horn's cents. They follow from the lengths of \
             an ideal tube in air of {} °C; a real horn, mouthpiece and hand in the bell move single \
             notes. The fingering or position shown is the usual one: alternates cannot be told \
             from the sound. Tuning slides, triggers and compensating valves are left out of the \
             theory; what you do with them is part of the player's cents.</p>",
            report.temperature_c
        )?;
    }
    write!(to, "</section>")
}
