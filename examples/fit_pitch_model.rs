//! Fits what both pitch decoders believe beforehand: `PitchModel`.
//!
//! ```text
//! training/make.py LINES 320 7777          # lines with their truth, in random surroundings
//! cargo run --release --example fit_pitch_model -- LINES... [NUMBER=VALUE...]
//! ```
//!
//! Each number in turn is moved up and down, by ever smaller steps, as long as the score rises
//! (coordinate ascent). A number that is named with a value is held there. There is no
//! chance in it.
//!
//! The score is the mean of three shares:
//!
//! - of moments, live and in the full pass, in lines without reverberation and chords: within 50
//!   cents of the note's pitch, or no pitch in a rest, the overall accuracy of melody
//!   transcription (G. E. Poliner and others, IEEE Trans. Audio, Speech, Lang. Process. 15, 2007);
//! - note F of the full pass, with offset for a third, in all lines: what a room still holds of
//!   other notes may have its moments, as long as notes are found.

#[path = "shared/coordinate_ascent.rs"]
mod coordinate_ascent;
#[path = "shared/full_pass.rs"]
mod full_pass;
#[path = "shared/made_lines.rs"]
mod made_lines;
#[path = "shared/pairs.rs"]
mod pairs;
#[path = "shared/same_note.rs"]
mod same_note;
#[path = "shared/sound.rs"]
mod sound;

use std::fmt::{Display, Formatter};
use std::path::Path;

use coordinate_ascent::{Number, fit, hold, number, values};
use full_pass::full_pass;
use leadpipe::Settings;
use leadpipe::internals::analysis::Analyser;
use leadpipe::internals::analysis::pitch_model::PitchModel;
use leadpipe::internals::notes::refinement;
use leadpipe::internals::notes::technique_model::TechniqueModel;
use made_lines::{contour, in_parallel, refuse_unknown, takes, truth};
use pairs::pairs;
use same_note::{same_offset, same_pitch};
use sound::samples;

/// Moments that count are this far apart, in seconds.
const STEP_S: f64 = 0.01;

/// Steps by which numbers are moved.
const STEPS: [f64; 4] = [2.0, 1.4, 1.2, 1.1];

const NUMBERS: [Number<PitchModel>; 10] = [
    number!("silence", silence, 0.0),
    number!("start", start, 0.0),
    number!("stop", stop, 0.0),
    number!("jump", jump, 0.0),
    number!("glide", glide, 0.0),
    number!("octave_margin", octave_margin, 0.0),
    number!("clear", clear, 9.0),
    number!("octave_cost", octave_cost, 0.0),
    number!("fade_in", fade_in, 0.01),
    number!("long_share", long_share, 0.5),
];

/// A line's sound and what is true of it.
struct Line {
    samples: Vec<f32>,
    rate_hz: f64,
    /// Pitch in MIDI semitones from moment to moment, [`STEP_S`] apart: none in a rest.
    pitches: Vec<Option<f64>>,
    /// Whether its moments count.
    moments: bool,
    /// From when to when each note sounds, in seconds, and its pitch in MIDI semitones.
    notes: Vec<(f64, f64, f64)>,
}

/// How many there are, and how many are right.
#[derive(Clone, Copy, Default)]
struct Share {
    right: usize,
    all: usize,
}

impl Share {
    fn add(&mut self, other: Share) {
        self.right += other.right;
        self.all += other.all;
    }

    fn value(self) -> f64 {
        self.right as f64 / self.all.max(1) as f64
    }
}

/// What is right of moments and of notes.
#[derive(Clone, Copy, Default)]
struct Score {
    live: Share,
    full: Share,
    /// Of known and found notes, two for each pair.
    notes: Share,
    with_offset: Share,
}

impl coordinate_ascent::Score for Score {
    fn total(&self) -> f64 {
        let notes = (2.0 * self.notes.value() + self.with_offset.value()) / 3.0;
        (self.live.value() + self.full.value() + notes) / 3.0
    }
}

impl Display for Score {
    fn fmt(&self, f: &mut Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{:.5} (moments live {:.4}, full pass {:.4}; note F {:.4}, with offset {:.4})",
            coordinate_ascent::Score::total(self),
            self.live.value(),
            self.full.value(),
            self.notes.value(),
            self.with_offset.value()
        )
    }
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (held, folders) = values(&arguments);
    let known = NUMBERS.map(|number| number.name);
    refuse_unknown(held.iter().map(|h| h.0), &known);
    let lines = in_parallel(&takes(&folders), |path| read(path));
    let notes: usize = lines.iter().map(|line| line.notes.len()).sum();
    println!("{} lines, {notes} notes", lines.len());
    let mut model = PitchModel::DEFAULT;
    let free = hold(&mut model, &NUMBERS, &held);
    fit("pitch", model, &free, &STEPS, |model| {
        let mut score = Score::default();
        for line in in_parallel(&lines, |line| heard(model, line)) {
            score.live.add(line.live);
            score.full.add(line.full);
            score.notes.add(line.notes);
            score.with_offset.add(line.with_offset);
        }
        score
    });
}

fn read(path: &Path) -> Line {
    let (samples, rate_hz) = samples(path);
    let (notes, info) = truth(path);
    let surroundings = &info["surroundings"];
    let count = (samples.len() as f64 / rate_hz / STEP_S) as usize;
    let pitch = |at| (notes.iter()).find_map(|note| pitch_at(note, at as f64 * STEP_S));
    let span = |note| {
        let number = |key| made_lines::number(note, key);
        (number("onset_s"), number("offset_s"), number("midi"))
    };
    Line {
        pitches: (0..count).map(pitch).collect(),
        moments: surroundings["reverberation"].is_null() && surroundings["pad"].is_null(),
        notes: notes.iter().map(span).collect(),
        samples,
        rate_hz,
    }
}

/// A note's pitch in MIDI semitones at a time, while it sounds.
fn pitch_at(note: &serde_json::Value, time_s: f64) -> Option<f64> {
    if !(made_lines::number(note, "onset_s")..made_lines::number(note, "offset_s"))
        .contains(&time_s)
    {
        return None;
    }
    let contour = contour(note);
    let after = contour.partition_point(|(at_s, _)| *at_s <= time_s);
    Some(match (after.checked_sub(1), contour.get(after)) {
        (Some(before), Some((next_s, next))) => {
            let (before_s, before) = contour[before];
            before + (next - before) * (time_s - before_s) / (next_s - before_s)
        }
        (Some(before), None) => contour[before].1,
        (None, Some((_, first))) => *first,
        (None, None) => made_lines::number(note, "midi"),
    })
}

/// How a line is heard.
fn heard(model: &PitchModel, line: &Line) -> Score {
    let settings = Settings::builder(line.rate_hz).build();
    let analyser = Analyser::with_pitch_model(settings.expect("a usual sample rate"), *model);
    let hop_s = analyser.hop_s();
    let (mut live, mut first_s) = (Vec::new(), None);
    let (mut timeline, tone) = full_pass(analyser, &line.samples, |frame| {
        first_s.get_or_insert(frame.time_s);
        live.push(frame.best_path.hypothesis.map(|best| best.pitch));
    });
    let path: Vec<_> = timeline.frames().map(|frame| frame.pitch).collect();
    let found = refinement::notes(&mut timeline, tone, &TechniqueModel::DEFAULT);
    let known: Vec<_> = line.notes.iter().map(|n| (n.0, n.2)).collect();
    let pairs = pairs(
        &known,
        &found
            .iter()
            .map(|n| (n.onset_s, n.pitch))
            .collect::<Vec<_>>(),
    );
    let ends = pairs.iter().filter(|(known, own)| {
        let (onset_s, offset_s, _) = line.notes[*known];
        same_offset(onset_s, offset_s, found[*own].offset_s)
    });
    let of_notes = |right: usize| Share {
        right: 2 * right,
        all: known.len() + found.len(),
    };
    let at = |time_s: f64| ((time_s - first_s.unwrap_or(0.0)) / hop_s).round().max(0.0) as usize;
    Score {
        live: moments(line, &live, at),
        full: moments(line, &path, at),
        notes: of_notes(pairs.len()),
        with_offset: of_notes(ends.count()),
    }
}

/// Which moments of a line are right, if they count; `hop` is the place of a time in seconds.
fn moments(line: &Line, pitches: &[Option<f32>], hop: impl Fn(f64) -> usize) -> Share {
    let mut share = Share::default();
    for (at, truth) in line.pitches.iter().enumerate().filter(|_| line.moments) {
        let Some(heard) = pitches.get(hop(at as f64 * STEP_S)) else {
            continue;
        };
        share.add(Share {
            right: usize::from(match (truth, heard) {
                (Some(truth), Some(heard)) => same_pitch(*truth, f64::from(*heard)),
                (truth, heard) => truth.is_none() && heard.is_none(),
            }),
            all: 1,
        });
    }
    share
}
