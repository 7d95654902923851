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

use std::path::{Path, PathBuf};

use coordinate_ascent::{Number, Search};
use leadpipe::internals::analysis::Analyser;
use leadpipe::internals::analysis::offline_decoder::OfflineDecoder;
use leadpipe::internals::analysis::pitch_model::PitchModel;
use leadpipe::internals::statistics::median;
use leadpipe::{Selection, Settings, Take};
use made_lines::{in_parallel, refuse, takes, truth_of};

/// Moments that count are this far apart, in seconds.
const STEP_S: f64 = 0.01;

const NUMBERS: [Number<PitchModel>; 10] = [
    ("silence", |m| &mut m.silence, 0.0),
    ("start", |m| &mut m.start, 0.0),
    ("stop", |m| &mut m.stop, 0.0),
    ("jump", |m| &mut m.jump, 0.0),
    ("glide", |m| &mut m.glide, 0.0),
    ("octave_margin", |m| &mut m.octave_margin, 0.0),
    ("clear", |m| &mut m.clear, 9.0),
    ("octave_cost", |m| &mut m.octave_cost, 0.0),
    ("fade_in", |m| &mut m.fade_in, 0.01),
    ("long_share", |m| &mut m.long_share, 0.5),
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
struct Score {
    moments: (usize, usize),
    notes: (usize, usize),
}

impl Score {
    fn add(&mut self, other: Score) {
        self.moments.0 += other.moments.0;
        self.moments.1 += other.moments.1;
        self.notes.0 += other.notes.0;
        self.notes.1 += other.notes.1;
    }

    /// Shares of moments and of notes.
    fn shares(&self) -> (f64, f64) {
        let share = |(right, all): (usize, usize)| right as f64 / all.max(1) as f64;
        (share(self.moments), share(self.notes))
    }
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (held, folders): (Vec<&String>, Vec<&String>) =
        arguments.iter().partition(|a| a.contains('='));
    let paths: Vec<PathBuf> = folders.iter().flat_map(|f| takes(Path::new(f))).collect();
    if paths.is_empty() {
        refuse("name a folder of lines that training/make.py wrote: no .wav file was found");
    }
    let lines = in_parallel(&paths, |path| read(path));
    let notes: usize = lines.iter().map(|line| line.notes.len()).sum();
    println!("{} lines, {notes} notes", lines.len());
    let search = Search {
        name: "pitch",
        numbers: &NUMBERS,
        held: &coordinate_ascent::held(&held, &coordinate_ascent::names(&NUMBERS)),
    };
    search.run(PitchModel::FITTED, |model| {
        let (mut live, mut full) = (Score::default(), Score::default());
        for line in in_parallel(&lines, |line| scores(model, line)) {
            live.add(line.0);
            full.add(line.1);
        }
        let (live, full) = (live.shares(), full.shares());
        let total = 0.25 * (live.0 + live.1 + full.0 + full.1);
        let about = format!(
            "live moments {:.4}, notes {:.4}; full pass {:.4}, {:.4}",
            live.0, live.1, full.0, full.1
        );
        (total, about)
    });
}

fn read(path: &Path) -> Line {
    let mut take = Take::open(path, &Selection::default()).expect("a take");
    let rate_hz = take.sample_rate_hz();
    let (mut samples, mut block) = (Vec::new(), Vec::new());
    while take.next_block(&mut block).expect("sound") {
        samples.extend_from_slice(&block);
    }
    let line = truth_of(path);
    let surroundings = &line["info"]["surroundings"];
    let notes = line["notes"].as_array().expect("notes");
    let count = (samples.len() as f64 / rate_hz / STEP_S) as usize;
    let pitch = |at| (notes.iter()).find_map(|note| pitch_at(note, at as f64 * STEP_S));
    let span = |note| {
        let number = |key| number(note, key);
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

fn number(note: &serde_json::Value, key: &str) -> f64 {
    note[key].as_f64().expect("a number")
}

/// A note's pitch in MIDI semitones at a time, while it sounds.
fn pitch_at(note: &serde_json::Value, time_s: f64) -> Option<f64> {
    if !(number(note, "onset_s")..number(note, "offset_s")).contains(&time_s) {
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
        (None, None) => number(note, "midi"),
    })
}

/// How the line's pitch is heard live, and in the full pass.
fn scores(model: &PitchModel, line: &Line) -> (Score, Score) {
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
    (score(line, &live, hop), score(line, &full, hop))
}

/// What is right of a line's pitch, which `hop` finds at a time in seconds.
fn score(line: &Line, pitches: &[Option<f64>], hop: impl Fn(f64) -> usize) -> Score {
    let mut score = Score::default();
    for (at, truth) in line.pitches.iter().enumerate().filter(|_| line.moments) {
        let Some(heard) = pitches.get(hop(at as f64 * STEP_S)) else {
            continue;
        };
        score.moments.1 += 1;
        score.moments.0 += usize::from(match (truth, heard) {
            (Some(truth), Some(heard)) => (truth - heard).abs() <= 0.5,
            (truth, heard) => truth.is_none() && heard.is_none(),
        });
    }
    for (onset_s, offset_s, pitch) in &line.notes {
        let within = &pitches[hop(*onset_s).min(pitches.len())..hop(*offset_s).min(pitches.len())];
        let heard = median(within.iter().copied().flatten());
        score.notes.1 += 1;
        score.notes.0 += usize::from(heard.is_some_and(|heard| (heard - pitch).abs() <= 0.5));
    }
    score
}
