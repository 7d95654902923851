//! Fits what both pitch decoders believe beforehand: `PitchModel`.
//!
//! ```text
//! training/make.py LINES 320 7777          # lines with their truth, in random surroundings
//! cargo run --release --example fit_pitch_model -- LINES... [NUMBER=VALUE...]
//! ```
//!
//! Each number in turn is moved up and down, by ever smaller steps, as long as more moments are
//! right (coordinate ascent). A number that is named with a value is held there. There is no
//! chance in it.
//!
//! The score is the mean of two shares, live and in the full pass:
//!
//! - of moments, in lines without reverberation and chords: within 50 cents of the note's pitch, or
//!   no pitch in a rest, the overall accuracy of melody transcription (G. E. Poliner and others, IEEE
//!   Trans. Audio, Speech, Lang. Process. 15, 2007);
//! - of notes, in all lines: the median of the pitch within 50 cents of the note's. What a room
//!   still holds of other notes may have its moments, as long as a note is heard at its pitch.

#[path = "shared/coordinate_ascent.rs"]
mod coordinate_ascent;
#[path = "shared/made_lines.rs"]
mod made_lines;

use std::fmt::{Display, Formatter};
use std::path::Path;

use coordinate_ascent::{Number, fit, hold, number, values};
use leadpipe::internals::analysis::Analyser;
use leadpipe::internals::analysis::offline_decoder::OfflineDecoder;
use leadpipe::internals::analysis::pitch_model::PitchModel;
use leadpipe::internals::statistics::median;
use leadpipe::{Selection, Settings, Take};
use made_lines::{in_parallel, refuse, takes, truth};

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

/// What is right of moments and of notes, and how many count of each.
#[derive(Clone, Copy, Default)]
struct Right {
    moments: (usize, usize),
    notes: (usize, usize),
}

impl Right {
    fn add(&mut self, other: Right) {
        self.moments.0 += other.moments.0;
        self.moments.1 += other.moments.1;
        self.notes.0 += other.notes.0;
        self.notes.1 += other.notes.1;
    }

    /// Shares of moments and of notes.
    fn shares(&self) -> [f64; 2] {
        let share = |(right, all): (usize, usize)| right as f64 / all.max(1) as f64;
        [share(self.moments), share(self.notes)]
    }
}

/// What is right live and in the full pass.
#[derive(Clone, Copy, Default)]
struct Score {
    live: Right,
    full: Right,
}

impl coordinate_ascent::Score for Score {
    fn total(&self) -> f64 {
        let shares = [self.live.shares(), self.full.shares()].concat();
        shares.iter().sum::<f64>() / shares.len() as f64
    }
}

impl Display for Score {
    fn fmt(&self, f: &mut Formatter<'_>) -> std::fmt::Result {
        let total = coordinate_ascent::Score::total(self);
        let ([live, live_notes], [full, full_notes]) = (self.live.shares(), self.full.shares());
        write!(
            f,
            "{total:.5} (live moments {live:.4}, notes {live_notes:.4}; \
             full pass {full:.4}, {full_notes:.4})"
        )
    }
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (held, folders) = values(&arguments);
    let known = |name: &str| NUMBERS.iter().any(|number| number.name == name);
    if let Some((other, _)) = held.iter().find(|(name, _)| !known(name)) {
        let names = NUMBERS.map(|number| number.name).join(", ");
        refuse(&format!("{other}: not one of {names}"));
    }
    let lines = in_parallel(&takes(&folders), |path| read(path));
    let notes: usize = lines.iter().map(|line| line.notes.len()).sum();
    println!("{} lines, {notes} notes", lines.len());
    let mut model = PitchModel::FITTED;
    let free = hold(&mut model, &NUMBERS, &held);
    fit("pitch", model, &free, &STEPS, |model| {
        let mut score = Score::default();
        for (live, full) in in_parallel(&lines, |line| heard(model, line)) {
            score.live.add(live);
            score.full.add(full);
        }
        score
    });
}

fn read(path: &Path) -> Line {
    let mut take = Take::open(path, &Selection::default()).expect("a take");
    let rate_hz = take.sample_rate_hz();
    let (mut samples, mut block) = (Vec::new(), Vec::new());
    while take.next_block(&mut block).expect("sound") {
        samples.extend_from_slice(&block);
    }
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
    let list = |key: &str| -> Vec<f64> {
        let values = note["contour"][key].as_array();
        values.map_or(Vec::new(), |v| {
            v.iter().filter_map(|v| v.as_f64()).collect()
        })
    };
    let (times_s, midi) = (list("times_s"), list("midi"));
    let after = times_s.partition_point(|t| *t <= time_s);
    Some(match (after.checked_sub(1), midi.get(after)) {
        (Some(before), Some(next)) => {
            let span_s = times_s[after] - times_s[before];
            midi[before] + (next - midi[before]) * (time_s - times_s[before]) / span_s
        }
        (Some(before), None) => midi[before],
        (None, Some(first)) => *first,
        (None, None) => made_lines::number(note, "midi"),
    })
}

/// How the line's pitch is heard live, and in the full pass.
fn heard(model: &PitchModel, line: &Line) -> (Right, Right) {
    let settings = Settings::builder(line.rate_hz).build();
    let mut analyser = Analyser::with_pitch_model(settings.expect("a usual sample rate"), *model);
    let hop_s = analyser.hop_s();
    let mut decoder = OfflineDecoder::new(&analyser);
    let (mut live, mut full, mut first_s) = (Vec::new(), Vec::new(), None);
    analyser.push(&line.samples, &mut |frame| {
        first_s.get_or_insert(frame.time_s);
        live.push(frame.best_path.hypothesis.map(|best| f64::from(best.pitch)));
        decoder.push(frame, &mut full, &mut |_, _| {});
    });
    decoder.finish(&mut full, &mut |_, _| {});
    let full = full.iter().map(|frame| frame.pitch);
    let full: Vec<_> = full
        .map(|p| (!p.is_nan()).then_some(f64::from(p)))
        .collect();
    let hop = |time_s: f64| ((time_s - first_s.unwrap_or(0.0)) / hop_s).round().max(0.0) as usize;
    (right(line, &live, hop), right(line, &full, hop))
}

/// What is right of a line's pitch, which `hop` finds at a time in seconds.
fn right(line: &Line, pitches: &[Option<f64>], hop: impl Fn(f64) -> usize) -> Right {
    let mut right = Right::default();
    for (at, truth) in line.pitches.iter().enumerate().filter(|_| line.moments) {
        let Some(heard) = pitches.get(hop(at as f64 * STEP_S)) else {
            continue;
        };
        right.moments.1 += 1;
        right.moments.0 += usize::from(match (truth, heard) {
            (Some(truth), Some(heard)) => (truth - heard).abs() <= 0.5,
            (truth, heard) => truth.is_none() && heard.is_none(),
        });
    }
    for (onset_s, offset_s, pitch) in &line.notes {
        let within = &pitches[hop(*onset_s).min(pitches.len())..hop(*offset_s).min(pitches.len())];
        let heard = median(within.iter().copied().flatten());
        right.notes.1 += 1;
        right.notes.0 += usize::from(heard.is_some_and(|heard| (heard - pitch).abs() <= 0.5));
    }
    right
}
