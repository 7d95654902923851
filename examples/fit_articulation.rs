//! Fits the numbers by which the full pass names techniques (`TechniqueModel`) to made lines.
//!
//! ```text
//! training/make.py LINES 300 9101          # lines with their truth
//! cargo run --release --example fit_articulation -- LINES... [NUMBER...] [NUMBER=VALUE...] [score]
//! ```
//!
//! Every line in which at least one note slides, wavers or flutters (the others are left out: in those
//! half of the notes are plain, too) is read once, up to the note model's notes and their pitch; then the numbers that are
//! named (all, if none is) are moved by coordinate ascent. NUMBER=VALUE sets one and leaves it there.
//! `score` fits nothing: it prints how well techniques are named now, with each NUMBER=VALUE alone,
//! and with all of them.
//!
//! What counts is the F measure of each technique over all notes; note F, because notes are joined by
//! these numbers too; and notes that are wrongly called a glissando, as a share of those that slide.
//! Made lines have no glissando that lasts for most of its note, so that the numbers of glissandi
//! are not fitted.

#[path = "shared/coordinate_ascent.rs"]
mod coordinate_ascent;
#[path = "shared/full_pass.rs"]
mod full_pass;
#[path = "shared/made_lines.rs"]
mod made_lines;
#[path = "shared/pairs.rs"]
mod pairs;
#[path = "shared/same_note.rs"]
#[expect(dead_code, reason = "where notes end does not count here")]
mod same_note;
#[path = "shared/sound.rs"]
mod sound;

use std::fmt::{Display, Formatter};
use std::path::Path;

use coordinate_ascent::{Number, Score, fit, hold, number, values};
use full_pass::full_pass;
use leadpipe::internals::analysis::Analyser;
use leadpipe::internals::analysis::tone::OFFLINE;
use leadpipe::internals::notes::note_model::{DraftNote, NoteModel};
use leadpipe::internals::notes::technique_model::TechniqueModel;
use leadpipe::internals::notes::timeline::Timeline;
use leadpipe::internals::notes::{articulation, refinement};
use leadpipe::{Note, Settings, Technique};
use made_lines::{contour, in_parallel, refuse_unknown, takes, truth};
use pairs::pairs;
use sound::samples;

/// Techniques that made lines have.
const NAMES: [&str; 6] = ["scoop", "fall", "doit", "vibrato", "trill", "flutter"];

/// How far a slide must go that can be asked for, in semitones: half of the shortest that is made.
const LEFT: f64 = 0.5;
/// A note that begins this soon after another goes on from it, in seconds.
const TOUCH_S: f64 = 0.03;
/// The shortest note whose vibrato and whose trill can be asked for, in seconds: two turns of the
/// slowest vibrato that is made, two and a half of the slowest trill.
const VIBRATO_S: f64 = 0.5;
const TRILL_S: f64 = 0.55;

/// A known note; times in seconds, pitch in MIDI semitones.
struct Known {
    onset_s: f64,
    offset_s: f64,
    pitch: f64,
    /// Whether it has each of [`NAMES`]; none where nobody can say: a slide is
    /// the way to or from a note that joins it, or was cut off nearly all; what wavers is too short.
    has: [Option<bool>; NAMES.len()],
    /// Whether its pitch was made to slide in any way.
    slides: bool,
}

/// A line as far as it does not depend on the model.
struct Line {
    known: Vec<Known>,
    drafts: Vec<DraftNote>,
    timeline: Timeline,
    /// With the notes' own pitches alone.
    own: Timeline,
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (set, rest) = values(&arguments);
    let (folders, named): (Vec<&String>, Vec<&String>) =
        rest.into_iter().partition(|a| Path::new(a).is_dir());
    let known: Vec<&str> = (NUMBERS.iter().map(|n| n.name)).chain(["score"]).collect();
    let given = (named.iter().map(|n| n.as_str())).chain(set.iter().map(|s| s.0));
    refuse_unknown(given, &known);
    let mut takes = takes(&folders);
    takes.retain(|take| truth(take).0.iter().any(is_shaped));
    let lines = in_parallel(&takes, |take| read(take));
    let notes = lines.iter().map(|l| l.known.len()).sum::<usize>();
    println!("{} lines, {notes} notes", lines.len());
    for (at, name) in NAMES.iter().enumerate() {
        let has = |known: &&Known| known.has[at] == Some(true);
        let count = lines.iter().flat_map(|l| &l.known).filter(has).count();
        println!("  {name}: {count}");
    }
    let score = |model: &TechniqueModel| {
        let counts = in_parallel(&lines, |line| count(line, &found(line, model)));
        Named(counts.into_iter().fold(Counts::default(), Counts::plus))
    };
    let mut model = TechniqueModel::DEFAULT;
    if named.iter().any(|name| *name == "score") {
        println!("now: {}", score(&model));
        for one in &set {
            let mut alone = TechniqueModel::DEFAULT;
            hold(&mut alone, &NUMBERS, std::slice::from_ref(one));
            println!("{} {}: {}", one.0, one.1, score(&alone));
        }
        hold(&mut model, &NUMBERS, &set);
        println!("together: {}", score(&model));
        return;
    }
    let mut free = hold(&mut model, &NUMBERS, &set);
    free.retain(|n| named.is_empty() || named.iter().any(|name| *name == n.name));
    fit("techniques", model, &free, &[1.5, 1.2, 1.1], score);
}

const NUMBERS: [Number<TechniqueModel>; 20] = [
    number!("least_cents", slides.least_cents, 0.0),
    number!("brief_s", slides.brief_s, 0.0),
    number!("passing_s", slides.passing_s, 0.0),
    number!("wave_edge_s", waves.edge_s, 0.0),
    number!("slowest_vibrato", waves.vibrato_hz.0, 1.0),
    number!("fastest_vibrato", waves.vibrato_hz.1, 15.0),
    number!("vibrato_cents", waves.vibrato_cents, 0.0),
    number!("vibrato_share", waves.vibrato_share, 0.0),
    number!("vibrato_cycles", waves.vibrato_cycles, 0.0),
    number!("flutter_db", waves.flutter_db, 0.0),
    number!("flutter_share", waves.flutter_share, 0.0),
    number!("narrowest", swings.width.0, 0.1),
    number!("widest", swings.width.1, 100.0),
    number!("margin", swings.margin, 0.0),
    number!("shortest_side_s", swings.shortest_side_s, 0.0),
    number!("longest_side_s", swings.longest_side_s, 10.0),
    number!("swing_edge_s", swings.edge_s, 10.0),
    number!("sine_share", swings.sine_share, 0.0),
    number!("middle_share", swings.middle_share, 0.0),
    number!("dip_db", swings.dip_db, 200.0),
];

/// Whether anything happens within a note.
fn is_shaped(note: &serde_json::Value) -> bool {
    note["shape"] != "plain" || note["flutter"] == true
}

/// Reads a take up to the note model's notes.
fn read(path: &Path) -> Line {
    let (samples, rate_hz) = samples(path);
    let settings = Settings::builder(rate_hz).build();
    let analyser = Analyser::new(settings.expect("a usual sample rate"));
    let hop_s = analyser.hop_s();
    let (timeline, tone) = full_pass(analyser, &samples, |_| ());
    let model = NoteModel::new(OFFLINE.moment_s(hop_s));
    let drafts = model.decode(&refinement::with_correlation(tone, &timeline, &model));
    let (notes, _) = truth(path);
    Line {
        known: (notes.iter().enumerate())
            .map(|(at, note)| known(note, notes.get(at + 1)))
            .collect(),
        own: timeline.of_notes(&drafts),
        drafts,
        timeline,
    }
}

/// A note of `training/make.py`, with what it should be called; `next` is the one after it.
fn known(note: &serde_json::Value, next: Option<&serde_json::Value>) -> Known {
    let number = |key| made_lines::number(note, key);
    let (onset_s, offset_s, pitch) = (number("onset_s"), number("offset_s"), number("midi"));
    // A line may begin in the middle of a note.
    let moving = contour(note).into_iter();
    let sounding = moving.filter(|(time_s, _)| *time_s >= onset_s);
    let off: Vec<f64> = sounding.map(|(_, midi)| midi - pitch).collect();
    let (first, last) = (off.first().unwrap_or(&0.0), off.last().unwrap_or(&0.0));
    let shape = note["shape"].as_str().expect("a shape");
    let length_s = offset_s - onset_s;
    let made = |is_made: bool, left: bool| match (is_made, left) {
        (true, true) => Some(true),
        (true, false) => None,
        (false, _) => Some(false),
    };
    let from_below = matches!(shape, "scoop" | "rip" | "scoop and vibrato");
    // The way from note to note is neither scoop nor fall.
    let apart = next.is_none_or(|n| made_lines::number(n, "onset_s") - offset_s > TOUCH_S);
    let scooped = *first < -LEFT && note["attack"] == "tongued";
    let has = |name: &str| match name {
        // What glides up from below for longer than a scoop may be called either.
        "scoop" if shape == "glissando" => None,
        "scoop" => made(from_below, scooped),
        "fall" => made(shape == "fall", *last < -LEFT && apart),
        "doit" => made(shape == "doit", *last > LEFT && apart),
        "vibrato" => made(shape.contains("vibrato"), length_s > VIBRATO_S),
        "trill" => made(shape == "shake", length_s > TRILL_S),
        _ => Some(note["flutter"] == true),
    };
    Known {
        onset_s,
        offset_s,
        pitch,
        has: NAMES.map(has),
        slides: from_below || matches!(shape, "fall" | "doit" | "glissando"),
    }
}

/// The notes of a line as a model names them.
fn found(line: &Line, model: &TechniqueModel) -> Vec<Note> {
    let mut notes = refinement::of_drafts(&line.drafts, &line.timeline, &line.own, model);
    articulation::describe(&mut notes, model);
    notes
}

/// How often a name was given where it belongs, where it does not, and missed.
#[derive(Clone, Copy, Default)]
struct Count {
    right: usize,
    wrong: usize,
    missed: usize,
}

impl Count {
    fn plus(self, other: Count) -> Count {
        Count {
            right: self.right + other.right,
            wrong: self.wrong + other.wrong,
            missed: self.missed + other.missed,
        }
    }

    fn f(&self) -> f64 {
        let all = 2 * self.right + self.wrong + self.missed;
        2.0 * self.right as f64 / all.max(1) as f64
    }
}

#[derive(Clone, Copy, Default)]
struct Counts {
    techniques: [Count; NAMES.len()],
    notes: Count,
    /// Notes called a glissando that do not slide, and those that do.
    glissandi: usize,
    slides: usize,
}

impl Counts {
    fn plus(self, other: Counts) -> Counts {
        let both = |at: usize| self.techniques[at].plus(other.techniques[at]);
        Counts {
            techniques: std::array::from_fn(both),
            notes: self.notes.plus(other.notes),
            glissandi: self.glissandi + other.glissandi,
            slides: self.slides + other.slides,
        }
    }
}

/// Time that two notes share, in seconds.
fn overlap_s(known: &Known, found: &Note) -> f64 {
    found.offset_s.min(known.offset_s) - found.onset_s.max(known.onset_s)
}

/// Index of what shares most, if anything shares any time.
fn most(shared_s: impl Iterator<Item = f64>) -> Option<usize> {
    let most = shared_s.enumerate().max_by(|a, b| a.1.total_cmp(&b.1));
    most.filter(|(_, s)| *s > 0.0).map(|(at, _)| at)
}

/// Holds the found notes of a line against the known ones. A known note is the found one that it
/// shares most time with, if that is half of it; a found one speaks of the known one that it shares
/// most time with.
fn count(line: &Line, found: &[Note]) -> Counts {
    let mut counts = Counts {
        slides: line.known.iter().filter(|known| known.slides).count(),
        ..Counts::default()
    };
    let own: Vec<Option<usize>> = (line.known.iter())
        .map(|known| {
            let at = most(found.iter().map(|note| overlap_s(known, note)))?;
            let half_s = 0.5 * (known.offset_s - known.onset_s);
            (overlap_s(known, &found[at]) > half_s).then_some(at)
        })
        .collect();
    let has = |note: &Note, name: &str| note.techniques.iter().any(|t| t.name() == name);
    for (at, note) in found.iter().enumerate() {
        let of = most(line.known.iter().map(|known| overlap_s(known, note)));
        let known = of.map(|of| &line.known[of]);
        let glissando = |t: &Technique| matches!(t, Technique::Glissando { .. });
        if note.techniques.iter().any(glissando) && !known.is_some_and(|k| k.slides) {
            counts.glissandi += 1;
        }
        for (which, name) in NAMES.iter().enumerate() {
            let count = &mut counts.techniques[which];
            match (has(note, name), known.map_or(Some(false), |k| k.has[which])) {
                (true, Some(false)) => count.wrong += 1,
                (true, Some(true)) if own[of.unwrap_or(0)] == Some(at) => count.right += 1,
                _ => {}
            }
        }
    }
    for (which, count) in counts.techniques.iter_mut().enumerate() {
        let all = line.known.iter().filter(|k| k.has[which] == Some(true));
        count.missed = all.count() - count.right;
    }
    let known: Vec<_> = (line.known.iter())
        .map(|known| (known.onset_s, known.pitch))
        .collect();
    let heard: Vec<_> = found
        .iter()
        .map(|note| (note.onset_s, note.pitch))
        .collect();
    let right = pairs(&known, &heard).len();
    counts.notes = Count {
        right,
        wrong: heard.len() - right,
        missed: known.len() - right,
    };
    counts
}

/// How well techniques are named: F of each, with how many are right, wrong and missed.
#[derive(Clone, Copy)]
struct Named(Counts);

impl Score for Named {
    fn total(&self) -> f64 {
        let sum: f64 = self.0.techniques.iter().map(Count::f).sum();
        let no_glissando = 1.0 - self.0.glissandi as f64 / self.0.slides.max(1) as f64;
        (sum + self.0.notes.f() + no_glissando) / (NAMES.len() + 2) as f64
    }
}

impl Display for Named {
    fn fmt(&self, f: &mut Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:.5} (", self.total())?;
        for (name, count) in NAMES.iter().zip(&self.0.techniques) {
            let (right, wrong, missed) = (count.right, count.wrong, count.missed);
            write!(f, "{name} {:.3} ({right}/{wrong}/{missed}), ", count.f())?;
        }
        let (notes, glissandi) = (self.0.notes.f(), self.0.glissandi);
        write!(f, "notes {notes:.4}; {glissandi} wrongly glissandi)")
    }
}
