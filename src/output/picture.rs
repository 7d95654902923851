//! A take as an SVG 1.1 picture: the played pitch over the lines of the tuning, in
//! rows like the systems of a score.
//!
//! Colours are plain attributes, which every SVG reader supports; the HTML report
//! restyles them by class.

use std::fmt::Write as _;
use std::io;

use super::{Output, Sink};
use crate::line::{Line, LineNote};
use crate::text::xml_escaped;
use crate::units::{Concert, Pitch, whole};

/// The picture.
#[derive(Debug, Clone, Copy, Default)]
pub struct Picture;

/// Duration of a row, in seconds.
const ROW_S: f64 = 12.0;
/// Width of a row's plot and of the note names to its left, in pixels.
const PLOT_WIDTH: f64 = 960.0;
const NAMES_WIDTH: f64 = 48.0;
/// Smallest and largest height of a semitone, and preferred height of a row, in
/// pixels.
const SEMITONE_HEIGHT: (f64, f64) = (5.0, 13.0);
const ROW_HEIGHT: f64 = 190.0;
/// Margins above and below the plot for note names and times, in pixels.
const MARGIN_TOP: f64 = 16.0;
const MARGIN_BOTTOM: f64 = 22.0;
/// Time between points of the trace, in seconds: a little under a pixel.
pub const STEP_S: f64 = 0.0107;
/// Largest deviation that is coloured as in tune, in cents: it is hard to hear on a
/// short note (from memory: about 10).
pub const IN_TUNE_CENTS: f64 = 10.0;

impl Output for Picture {
    fn extension(&self) -> &'static str {
        ".svg"
    }

    fn write(&self, line: &Line, to: &mut dyn Sink) -> io::Result<()> {
        to.write_all(svg(line).as_bytes())
    }
}

/// CSS class and colour of a deviation in cents.
pub fn tune(cents: f64) -> (&'static str, &'static str) {
    if cents > IN_TUNE_CENTS {
        ("sharp", "#b3401f")
    } else if cents < -IN_TUNE_CENTS {
        ("flat", "#3b50b0")
    } else {
        ("true", "#1f7a5c")
    }
}

/// Trace of a note: times in seconds and pitches in semitones, `None` where there
/// is no tone. Means over [`STEP_S`].
pub fn trace(named: &LineNote) -> Vec<(f64, Option<f64>)> {
    let contour = &named.note.contour;
    if contour.hop_s <= 0.0 {
        return Vec::new();
    }
    let hops = ((STEP_S / contour.hop_s).round() as usize).max(1);
    let end_s = named.note.body_end_s();
    let timed: Vec<(f64, f32)> = contour.timed().map(|(t, p)| (t, p.pitch)).collect();
    let mean = |chunk: &[(f64, f32)]| {
        let voiced = chunk.iter().filter(|(_, p)| !p.is_nan());
        let (count, sum) = voiced.fold((0, 0.0), |(n, s), (_, p)| (n + 1, s + f64::from(*p)));
        (
            chunk[chunk.len() / 2].0,
            (count > 0).then(|| sum / f64::from(count)),
        )
    };
    timed
        .chunks(hops)
        .map(mean)
        .filter(|(t, _)| (named.note.onset_s..=end_s).contains(t))
        .collect()
}

/// Lowest and highest pitch shown, in semitones.
pub fn range(line: &Line) -> (f64, f64) {
    let pitches = line
        .notes
        .iter()
        .flat_map(|n| [n.note.pitch, n.tuning_pitch.0]);
    let (low, high) = pitches.fold((f64::MAX, f64::MIN), |(l, h), p| (l.min(p), h.max(p)));
    if low > high {
        return (57.0, 69.0);
    }
    (low.floor() - 2.0, high.ceil() + 2.0)
}

/// The tuning's pitches within a range, each with the written name of its nearest
/// key.
pub fn table_lines(line: &Line, (low, high): (f64, f64)) -> Vec<(f64, String)> {
    let tuning = &line.context.tuning;
    let within = |p: &&f64| (low..=high).contains(*p);
    let named = |p: &f64| {
        let key = Concert(tuning.reference().nearest_key(Pitch(*p)));
        (*p, line.context.written(key).to_string())
    };
    tuning.pitches().iter().filter(within).map(named).collect()
}

/// The picture as SVG text.
pub fn svg(line: &Line) -> String {
    let range = range(line);
    let semitone = (ROW_HEIGHT / (range.1 - range.0)).clamp(SEMITONE_HEIGHT.0, SEMITONE_HEIGHT.1);
    let row_height = semitone * (range.1 - range.0) + MARGIN_TOP + MARGIN_BOTTOM;
    let from_s = line.notes.first().map_or(0.0, |n| n.note.onset_s);
    let first = (from_s / ROW_S).floor().max(0.0) as usize;
    let last_s = line.notes.last().map_or(ROW_S, |n| n.note.offset_s);
    let last = ((last_s / ROW_S).ceil() as usize).max(first + 1);
    let (width, height) = (
        NAMES_WIDTH + PLOT_WIDTH + 12.0,
        row_height * (last - first) as f64,
    );
    let mut svg = String::new();
    let _ = write!(
        svg,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width:.0} {height:.0}\" \
         width=\"{width:.0}\" height=\"{height:.0}\" class=\"still\" role=\"img\" \
         font-family=\"sans-serif\" font-size=\"11\">\
         <title>{} played against {}</title>",
        xml_escaped(&line.source),
        xml_escaped(line.context.tuning.title())
    );
    let lines = table_lines(line, range);
    for row in first..last {
        let row = Row {
            line,
            lines: &lines,
            high: range.1,
            semitone,
            from_s: row as f64 * ROW_S,
            top: (row - first) as f64 * row_height + MARGIN_TOP,
            bottom: (row - first) as f64 * row_height + row_height - MARGIN_BOTTOM,
        };
        row.draw(&mut svg);
    }
    svg.push_str("</svg>\n");
    svg
}

struct Row<'a> {
    line: &'a Line,
    lines: &'a [(f64, String)],
    high: f64,
    semitone: f64,
    from_s: f64,
    top: f64,
    bottom: f64,
}

impl Row<'_> {
    fn x(&self, time_s: f64) -> f64 {
        NAMES_WIDTH + (time_s - self.from_s) / ROW_S * PLOT_WIDTH
    }

    fn y(&self, pitch: f64) -> f64 {
        (self.top + (self.high - pitch) * self.semitone).clamp(self.top, self.bottom)
    }

    fn draw(&self, svg: &mut String) {
        let mut free = f64::INFINITY;
        for (pitch, name) in self.lines {
            let y = self.y(*pitch);
            let _ = write!(
                svg,
                "<line class=\"rail\" x1=\"{NAMES_WIDTH}\" x2=\"{}\" y1=\"{y:.1}\" y2=\"{y:.1}\" \
                 stroke=\"#d8d3c8\" stroke-width=\"0.7\"/>",
                NAMES_WIDTH + PLOT_WIDTH
            );
            // Lines are in rising order; names that would touch the one below are
            // omitted.
            if y < free {
                free = y - 11.0;
                let _ = write!(
                    svg,
                    "<text class=\"name\" x=\"{}\" y=\"{:.1}\" text-anchor=\"end\" \
                     fill=\"#6b675e\">{name}</text>",
                    NAMES_WIDTH - 6.0,
                    y + 3.5
                );
            }
        }
        for second in (0..=ROW_S as usize).step_by(2) {
            let x = NAMES_WIDTH + second as f64 / ROW_S * PLOT_WIDTH;
            let _ = write!(
                svg,
                "<text class=\"name\" x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\" \
                 fill=\"#6b675e\">{} s</text>",
                self.bottom + 14.0,
                self.from_s as usize + second
            );
        }
        let to_s = self.from_s + ROW_S;
        let here = |n: &&LineNote| n.note.onset_s < to_s && n.note.offset_s > self.from_s;
        let mut label_free = 0.0;
        for named in self.line.notes.iter().filter(here) {
            self.note(svg, named, &mut label_free);
        }
    }

    fn note(&self, svg: &mut String, named: &LineNote, label_free: &mut f64) {
        let (class, colour) = tune(named.cents);
        let to_s = self.from_s + ROW_S;
        let (x1, x2) = (
            self.x(named.note.onset_s.max(self.from_s)),
            self.x(named.note.offset_s.min(to_s)),
        );
        let y = self.y(named.tuning_pitch.0);
        let _ = write!(
            svg,
            "<line class=\"aim\" x1=\"{x1:.1}\" x2=\"{x2:.1}\" y1=\"{y:.1}\" y2=\"{y:.1}\" \
             stroke=\"#20242b\" stroke-width=\"1\" stroke-dasharray=\"2 2\"/>"
        );
        let mut path = String::new();
        let mut pen = 'M';
        for (time_s, pitch) in trace(named) {
            match pitch {
                Some(pitch) if (self.from_s..=to_s).contains(&time_s) => {
                    let _ = write!(path, "{pen}{:.1} {:.1}", self.x(time_s), self.y(pitch));
                    pen = 'L';
                }
                _ => pen = 'M',
            }
        }
        let _ = write!(
            svg,
            "<path class=\"{class}\" d=\"{path}\" fill=\"none\" stroke=\"{colour}\" \
             stroke-width=\"2\" stroke-linejoin=\"round\"/>"
        );
        if named.note.onset_s >= self.from_s && x1 >= *label_free {
            let label = format!("{} {:+.0}", named.written, whole(named.cents));
            *label_free = x1 + 6.2 * label.len() as f64;
            let above = if y - 10.0 < self.top { 16.0 } else { -8.0 };
            let _ = write!(
                svg,
                "<text class=\"label\" x=\"{x1:.1}\" y=\"{:.1}\" fill=\"#20242b\">{label}</text>",
                y + above
            );
        }
    }
}
