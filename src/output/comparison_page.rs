//! A comparison as one HTML file: the score's notes, what was played over them, and the
//! table of notes.

use std::fmt::Write as _;
use std::io;

use super::picture::{Target, svg_with};
use super::{Output, Sink};
use crate::compare::{Compared, Comparison, Verdict};
use crate::line::Line;
use crate::text::xml_escaped;
use crate::units::{cents_in_words, whole};

/// The page of a comparison.
#[derive(Debug, Clone)]
pub struct ComparisonPage {
    /// Name of what was to be played.
    pub reference: String,
    /// How it was played.
    pub found: Comparison,
}

const STYLE: &str = "body{font:15px/1.45 sans-serif;color:#20242b;background:#fbfaf7;\
max-width:1040px;margin:2em auto;padding:0 1em}svg{max-width:100%;height:auto}\
table{border-collapse:collapse}th,td{padding:.1em .7em;text-align:right}\
th{border-bottom:1px solid #20242b}td:last-child,th:last-child{text-align:left}\
tr.off{background:#f3dcd4}tr.way td{text-align:left;font-weight:bold}";

impl Output for ComparisonPage {
    fn extension(&self) -> &'static str {
        ".html"
    }

    fn write(&self, line: &Line, to: &mut dyn Sink) -> io::Result<()> {
        to.write_all(self.html(line).as_bytes())
    }
}

impl ComparisonPage {
    fn html(&self, line: &Line) -> String {
        let found = &self.found;
        let (take, reference) = (xml_escaped(&line.source), xml_escaped(&self.reference));
        let mut page = format!(
            "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
             <meta name=\"generator\" content=\"leadpipe\">\
             <title>{take} against {reference}</title><style>{STYLE}</style></head>\n\
             <body><h1>{take} against {reference}</h1>\n<p>{} right, {} wrong, {} missing, \
             {} extra. Timing within {:.0} ms of the local tempo; {} cents against the \
             tuning, spread {:.1}.</p>\n<p>Boxes are the notes of the score, when they were \
             due at the tempo played: green where they were played right, red where not. \
             Lines are what was played.</p>\n",
            found.right,
            found.wrong,
            found.missing,
            found.extra,
            found.timing_spread_ms,
            cents_in_words(found.mean_cents),
            found.spread_cents
        );
        let reference = line.context.tuning.reference();
        let target = |note: &Compared| {
            let (from_s, to_s) = note.due_s?;
            Some(Target {
                from_s,
                to_s,
                pitch: reference.equal(note.concert?.0).0,
                right: note.verdict == Verdict::Right,
            })
        };
        let targets: Vec<Target> = found.notes.iter().filter_map(target).collect();
        if !found.departures().is_empty() {
            let _ = writeln!(
                page,
                "<p><b>{}</b></p>",
                xml_escaped(&found.departures().join(", "))
            );
        }
        page += &svg_with(line, &targets);
        page += "<table><tr><th>bar</th><th>target</th><th>played</th><th>start (s)</th>\
                 <th>late (ms)</th><th>length (%)</th><th>cents</th><th></th></tr>\n";
        for note in &found.notes {
            row(note, &mut page);
        }
        page += "</table></body></html>\n";
        page
    }
}

fn row(note: &Compared, page: &mut String) {
    let text = |value: &Option<String>| value.as_deref().map_or("-".into(), xml_escaped);
    let number = |value: Option<f64>| value.map_or(String::new(), |v| format!("{:+.0}", whole(v)));
    let class = match note.verdict {
        Verdict::Right => "",
        _ => " class=\"off\"",
    };
    let _ = writeln!(
        page,
        "<tr{class}><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td>\
         <td>{}</td><td>{}</td></tr>",
        text(&note.bar),
        text(&note.target),
        text(&note.played),
        note.onset_s.map_or(String::new(), |s| format!("{s:.3}")),
        number(note.late_ms),
        note.length_percent
            .map_or(String::new(), |l| format!("{l:.0}")),
        number(note.cents),
        note.remark()
    );
    if let Some(departure) = &note.departure {
        let words = xml_escaped(departure);
        let _ = writeln!(
            page,
            "<tr class=\"way\"><td colspan=\"8\">{words}</td></tr>"
        );
    }
}
