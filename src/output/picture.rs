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
use crate::units::{Concert, Pitch, cents_in_words};

/// The picture.
#[derive(Debug, Clone, Copy, Default)]
pub struct Picture;

/// Longest duration of a row, in seconds; a shorter take fills one row.
const ROW_S: f64 = 12.0;
/// Most times below a row.
const MAX_TIMES: f64 = 8.0;
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
/// Width of a letter of a label, on average, in pixels.
const LETTER_WIDTH: f64 = 6.2;
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

/// A note of a score that is drawn under what was played.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Target {
    /// When it was due, in seconds of the take.
    pub from_s: f64,
    /// When it was due to end.
    pub to_s: f64,
    /// Its pitch in semitones.
    pub pitch: f64,
    /// Whether it was played, and as it stands there.
    pub right: bool,
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
    range_with(line, &[])
}

fn range_with(line: &Line, targets: &[Target]) -> (f64, f64) {
    let played = line.notes.iter();
    let played = played.flat_map(|n| [n.note.pitch, n.tuning_pitch.0]);
    let pitches = played.chain(targets.iter().map(|t| t.pitch));
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
    let spelling = line.spelling_of(None);
    let within = |p: &&f64| (low..=high).contains(*p);
    let named = |p: &f64| {
        let key = Concert(tuning.reference().nearest_key(Pitch(*p)));
        (*p, spelling.written(line.context.written(key)))
    };
    tuning.pitches().iter().filter(within).map(named).collect()
}

/// The picture as SVG text.
pub fn svg(line: &Line) -> String {
    svg_with(line, &[])
}

/// The same over the notes of a score.
pub fn svg_with(line: &Line, targets: &[Target]) -> String {
    let rows = Rows::new(line, targets);
    let (count, height) = (rows.count, rows.height());
    let mut svg = opening(line, rows.height() * count as f64);
    for row in 0..count {
        let _ = write!(
            svg,
            "<g transform=\"translate(0 {:.1})\">",
            row as f64 * height
        );
        rows.draw(row, &mut svg);
        svg.push_str("</g>");
    }
    svg.push_str("</svg>\n");
    svg
}

/// The rows of the picture as SVG texts of their own, for a page that may break between
/// them.
pub fn svg_rows(line: &Line) -> impl Iterator<Item = String> {
    let rows = Rows::new(line, &[]);
    (0..rows.count).map(move |row| {
        let mut svg = opening(rows.line, rows.height());
        rows.draw(row, &mut svg);
        svg.push_str("</svg>\n");
        svg
    })
}

/// Start and end of each row, in seconds.
pub fn row_times(line: &Line) -> Vec<(f64, f64)> {
    let rows = Rows::new(line, &[]);
    let from_s = |row: usize| rows.from_s + row as f64 * rows.row_s;
    (0..rows.count)
        .map(|row| (from_s(row), from_s(row + 1)))
        .collect()
}

/// Where the plot begins and ends within a row's width, as shares of it.
pub const PLOT_SHARE: (f64, f64) = (NAMES_WIDTH / WIDTH, (NAMES_WIDTH + PLOT_WIDTH) / WIDTH);
/// Width of a row, in pixels.
const WIDTH: f64 = NAMES_WIDTH + PLOT_WIDTH + 12.0;

fn opening(line: &Line, height: f64) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH:.0} {height:.0}\" \
         width=\"{WIDTH:.0}\" height=\"{height:.0}\" class=\"still\" role=\"img\" \
         font-family=\"sans-serif\" font-size=\"11\">\
         <title>{} played against {}</title>",
        xml_escaped(&line.source),
        xml_escaped(line.context.tuning.title())
    )
}

/// How a take is laid out in rows.
struct Rows<'a> {
    line: &'a Line,
    targets: &'a [Target],
    lines: Vec<(f64, String)>,
    range: (f64, f64),
    semitone: f64,
    from_s: f64,
    row_s: f64,
    count: usize,
}

impl<'a> Rows<'a> {
    fn new(line: &'a Line, targets: &'a [Target]) -> Self {
        let range = range_with(line, targets);
        let height = ROW_HEIGHT / (range.1 - range.0);
        let starts = line.notes.first().map(|n| n.note.onset_s).into_iter();
        let starts = starts.chain(targets.iter().map(|t| t.from_s));
        let from_s = starts.reduce(f64::min).map_or(0.0, f64::floor);
        let ends = line.notes.last().map(|n| n.note.offset_s).into_iter();
        let ends = ends.chain(targets.iter().map(|t| t.to_s));
        let to_s = ends.reduce(f64::max).unwrap_or(ROW_S);
        let length_s = (to_s - from_s).ceil().max(1.0);
        let row_s = length_s.min(ROW_S);
        Rows {
            line,
            targets,
            lines: table_lines(line, range),
            range,
            semitone: height.clamp(SEMITONE_HEIGHT.0, SEMITONE_HEIGHT.1),
            from_s,
            row_s,
            count: (length_s / row_s).ceil() as usize,
        }
    }

    fn height(&self) -> f64 {
        self.semitone * (self.range.1 - self.range.0) + MARGIN_TOP + MARGIN_BOTTOM
    }

    fn draw(&self, row: usize, svg: &mut String) {
        let row = Row {
            line: self.line,
            targets: self.targets,
            lines: &self.lines,
            high: self.range.1,
            semitone: self.semitone,
            from_s: self.from_s + row as f64 * self.row_s,
            row_s: self.row_s,
            top: MARGIN_TOP,
            bottom: self.height() - MARGIN_BOTTOM,
        };
        row.draw(svg);
    }
}

struct Row<'a> {
    line: &'a Line,
    targets: &'a [Target],
    lines: &'a [(f64, String)],
    high: f64,
    semitone: f64,
    from_s: f64,
    row_s: f64,
    top: f64,
    bottom: f64,
}

/// A rectangle that is taken: left, right, top and bottom.
type Taken = (f64, f64, f64, f64);

fn free(one: Taken, taken: &[Taken]) -> bool {
    !(taken.iter()).any(|t| one.0 < t.1 && t.0 < one.1 && one.2 < t.3 && t.2 < one.3)
}

impl Row<'_> {
    fn x(&self, time_s: f64) -> f64 {
        NAMES_WIDTH + (time_s - self.from_s) / self.row_s * PLOT_WIDTH
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
                 stroke=\"#bbb5a8\" stroke-width=\"0.7\"/>",
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
        let every = [0.2, 0.5, 1.0, 2.0].into_iter();
        let every = every.clone().find(|s| self.row_s / s <= MAX_TIMES);
        let every = every.unwrap_or(2.0);
        for tick in 0..=(self.row_s / every).floor() as usize {
            let time_s = self.from_s + tick as f64 * every;
            let _ = write!(
                svg,
                "<text class=\"name\" x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\" \
                 fill=\"#6b675e\">{} s</text>",
                self.x(time_s),
                self.bottom + 14.0,
                (10.0 * time_s).round() / 10.0
            );
        }
        let to_s = self.from_s + self.row_s;
        let here = |n: &&LineNote| n.note.onset_s < to_s && n.note.offset_s > self.from_s;
        let due = |t: &&Target| t.from_s < to_s && t.to_s > self.from_s;
        for target in self.targets.iter().filter(due) {
            self.target(svg, target);
        }
        let notes = || self.line.notes.iter().filter(here);
        notes().for_each(|named| self.note(svg, named));
        let mut taken: Vec<Taken> = notes().map(|named| self.place(named)).collect();
        for named in notes().filter(|n| n.note.onset_s >= self.from_s) {
            self.label(svg, named, &mut taken);
        }
    }

    fn target(&self, svg: &mut String, target: &Target) {
        let x1 = self.x(target.from_s.max(self.from_s));
        let x2 = self.x(target.to_s.min(self.from_s + self.row_s));
        let (class, fill, stroke) = match target.right {
            true => ("target", "#dfe8d8", "#a9bd9a"),
            false => ("target missed", "#f3dcd4", "#b3401f"),
        };
        let _ = write!(
            svg,
            "<rect class=\"{class}\" x=\"{x1:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" \
             rx=\"2\" fill=\"{fill}\" stroke=\"{stroke}\" stroke-width=\"0.7\"/>",
            self.y(target.pitch) - 0.5 * self.semitone,
            (x2 - x1).max(1.0),
            self.semitone
        );
    }

    /// Where a note is drawn.
    fn place(&self, named: &LineNote) -> Taken {
        let to_s = self.from_s + self.row_s;
        let (x1, x2) = (
            self.x(named.note.onset_s.max(self.from_s)),
            self.x(named.note.offset_s.min(to_s)),
        );
        let y = self.y(named.tuning_pitch.0);
        (x1, x2, y - 2.0, y + 2.0)
    }

    /// A note's name and cents, above or below it, farther off or shifted to the left where
    /// others are in the way; none where there is no room.
    fn label(&self, svg: &mut String, named: &LineNote, taken: &mut Vec<Taken>) {
        let text = format!("{} {}", named.written_name(), cents_in_words(named.cents));
        let width = LETTER_WIDTH * text.len() as f64;
        let (x1, x2, top, bottom) = self.place(named);
        let lines = [top - 6.0, bottom + 12.0, top - 18.0, bottom + 24.0];
        let starts = [x1, x2 - width, x1 - width];
        let all = lines
            .iter()
            .flat_map(|y| starts.iter().map(move |x| (*x, *y)));
        let inside = |(x, y): &(f64, f64)| {
            *x >= NAMES_WIDTH - 2.0 && x + width <= WIDTH && *y >= 10.0 && *y <= self.bottom + 2.0
        };
        let around = |(x, y): (f64, f64)| (x, x + width, y - 9.0, y + 1.0);
        let Some(place) = all.filter(inside).find(|at| free(around(*at), taken)) else {
            return;
        };
        taken.push(around(place));
        let _ = write!(
            svg,
            "<text class=\"label\" x=\"{:.1}\" y=\"{:.1}\" fill=\"#20242b\">{text}</text>",
            place.0, place.1
        );
    }

    fn note(&self, svg: &mut String, named: &LineNote) {
        let (class, colour) = tune(named.cents);
        let to_s = self.from_s + self.row_s;
        let (x1, x2, ..) = self.place(named);
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
    }
}
