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
//! A moment of a note is right where the pitch is within 50 cents of the note's, and a moment
//! of a rest where there is none: the overall accuracy of melody transcription (G. E. Poliner and
//! others, IEEE Trans. Audio, Speech, Lang. Process. 15, 2007). Rests count only in lines without
//! reverberation and chords, whose rests are not silent.

#[path = "shared/coordinate_ascent.rs"]
mod coordinate_ascent;
#[path = "shared/made_lines.rs"]
mod made_lines;

use std::path::{Path, PathBuf};

use coordinate_ascent::{Number, Search};
use leadpipe::internals::analysis::Analyser;
use leadpipe::internals::analysis::offline_decoder::OfflineDecoder;
use leadpipe::internals::analysis::pitch_model::PitchModel;
use leadpipe::{Selection, Settings, Take};
use made_lines::{in_parallel, refuse, takes, truth_of};

/// Moments that count are this far apart, in seconds.
const STEP_S: f64 = 0.01;

const NUMBERS: [Number<PitchModel>; 11] = [
    ("silence", |m| &mut m.silence, 0.0),
    ("start", |m| &mut m.start, 0.0),
    ("stop", |m| &mut m.stop, 0.0),
    ("jump", |m| &mut m.jump, 0.0),
    ("glide", |m| &mut m.glide, 0.0),
    ("octave_margin", |m| &mut m.octave_margin, 0.0),
    ("clear", |m| &mut m.clear, 9.0),
    ("octave_cost", |m| &mut m.octave_cost, 0.0),
    ("fade_in", |m| &mut m.fade_in, 0.01),
    ("edge", |m| &mut m.edge, 0.0),
    ("long_share", |m| &mut m.long_share, 0.5),
];

/// A line's sound, and its pitch from moment to moment: a rest has none.
struct Line {
    samples: Vec<f32>,
    rate_hz: f64,
    /// (seconds, MIDI semitones)
    truth: Vec<(f64, Option<f64>)>,
}

/// Moments that are right, live and in the full pass, and all that count.
#[derive(Clone, Copy, Default)]
struct Score {
    live: usize,
    full: usize,
    all: usize,
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
    let moments: usize = lines.iter().map(|line| line.truth.len()).sum();
    println!("{} lines, {moments} moments", lines.len());
    let search = Search {
        name: "pitch",
        numbers: &NUMBERS,
        held: &coordinate_ascent::held(&held, &coordinate_ascent::names(&NUMBERS)),
    };
    search.run(PitchModel::FITTED, |model| {
        let scores = in_parallel(&lines, |line| score(model, line));
        let sum = |of: fn(&Score) -> usize| scores.iter().map(of).sum::<usize>();
        let all = sum(|s| s.all) as f64;
        let (live, full) = (sum(|s| s.live) as f64 / all, sum(|s| s.full) as f64 / all);
        let total = 0.5 * (live + full);
        (total, format!("live {live:.5}, full pass {full:.5}"))
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
    let silent = surroundings["reverberation"].is_null() && surroundings["pad"].is_null();
    let notes = line["notes"].as_array().expect("notes");
    let count = (samples.len() as f64 / rate_hz / STEP_S) as usize;
    let pitches = (0..count).map(|at| {
        let time_s = at as f64 * STEP_S;
        (time_s, notes.iter().find_map(|note| pitch_at(note, time_s)))
    });
    Line {
        truth: pitches
            .filter(|(_, pitch)| silent || pitch.is_some())
            .collect(),
        samples,
        rate_hz,
    }
}

/// A note's pitch in MIDI semitones at a time, while it sounds.
fn pitch_at(note: &serde_json::Value, time_s: f64) -> Option<f64> {
    let number = |key: &str| note[key].as_f64().expect("a number");
    if !(number("onset_s")..number("offset_s")).contains(&time_s) {
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
        (None, None) => number("midi"),
    })
}

fn score(model: &PitchModel, line: &Line) -> Score {
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
    let mut score = Score::default();
    for (time_s, truth) in &line.truth {
        let at = ((time_s - first_s.unwrap_or(0.0)) / hop_s).round().max(0.0) as usize;
        let (Some(live), Some(full)) = (live.get(at), full.get(at)) else {
            continue;
        };
        let full = (!full.pitch.is_nan()).then_some(f64::from(full.pitch));
        let right = |heard: Option<f64>| match (truth, heard) {
            (Some(truth), Some(heard)) => (truth - heard).abs() <= 0.5,
            (truth, heard) => truth.is_none() && heard.is_none(),
        };
        score.all += 1;
        score.live += usize::from(right(*live));
        score.full += usize::from(right(full));
    }
    score
}
