//! Fits what the note models believe of notes before they hear any: `NoteModel` (full pass) and
//! `LiveModel`.
//!
//! ```text
//! training/make.py LINES 320 7777          # lines with their truth, in random surroundings
//! cargo run --release --example fit_note_models -- LINES... [offline] [causal] [NUMBER=VALUE...]
//! ```
//!
//! The evidence of every line is read once; then each number in turn is moved up and down, by
//! ever smaller steps, as long as that finds notes better (coordinate ascent). NUMBER=VALUE sets one
//! and leaves it there. For each number it prints what leaving it at its neutral value would cost.

#[path = "shared/coordinate_ascent.rs"]
mod coordinate_ascent;
#[path = "shared/full_pass.rs"]
mod full_pass;
#[path = "shared/made_lines.rs"]
#[expect(dead_code, reason = "how pitch moves does not count here")]
mod made_lines;
#[path = "shared/pairs.rs"]
mod pairs;
#[path = "shared/same_note.rs"]
mod same_note;
#[path = "shared/sound.rs"]
mod sound;

use std::fmt::{Display, Formatter};
use std::path::Path;

use coordinate_ascent::{Number, Score, fit, hold, number, values};
use full_pass::full_pass;
use leadpipe::Settings;
use leadpipe::internals::analysis::Analyser;
use leadpipe::internals::analysis::tone::{CAUSAL, OFFLINE, ToneReader, ToneTrack};
use leadpipe::internals::notes::live_model::{Decision, LiveDecoder, LiveModel};
use leadpipe::internals::notes::note_model::NoteModel;
use leadpipe::internals::notes::refinement::with_correlation;
use leadpipe::internals::notes::timeline::Timeline;
use leadpipe::internals::statistics::median;
use made_lines::{in_parallel, refuse_unknown, takes, truth};
use pairs::pairs;
use same_note::same_offset;
use sound::samples;

/// A note, known or found; times in seconds, pitch in MIDI semitones.
struct Span {
    onset_s: f64,
    offset_s: f64,
    pitch: f64,
    /// When the note was sure, if it was found live.
    decided_s: Option<f64>,
}

/// What the models read of a line, and what is true of it.
struct Line {
    truth: Vec<Span>,
    first_s: f64,
    hop_s: f64,
    timeline: Timeline,
    offline: ToneTrack,
    causal: ToneTrack,
}

/// What a millisecond of the median decision is worth, in note F: the choice that live playing asks
/// for.
const MILLISECOND: f64 = 0.001;

/// Steps by which numbers are moved.
const STEPS: [f64; 5] = [2.0, 1.4, 1.2, 1.1, 1.05];

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (held, rest) = values(&arguments);
    let (folders, named): (Vec<&String>, Vec<&String>) =
        rest.into_iter().partition(|a| Path::new(a).is_dir());
    let wanted = |name: &str| named.is_empty() || named.iter().any(|n| *n == name);
    let numbers =
        (OFFLINE_NUMBERS.iter().map(|n| n.name)).chain(CAUSAL_NUMBERS.iter().map(|n| n.name));
    let mut known: Vec<&str> = numbers.chain(["offline", "causal"]).collect();
    known.sort_unstable();
    known.dedup();
    let given = (named.iter().map(|n| n.as_str())).chain(held.iter().map(|h| h.0));
    refuse_unknown(given, &known);
    let lines = in_parallel(&takes(&folders), |take| read(take));
    println!(
        "{} lines, {} notes",
        lines.len(),
        lines.iter().map(|l| l.truth.len()).sum::<usize>()
    );
    if wanted("offline") {
        let mut model = NoteModel::new(OFFLINE.moment_s(lines[0].hop_s));
        let free = hold(&mut model, &OFFLINE_NUMBERS, &held);
        fit("full pass", model, &free, &STEPS, |model| {
            let found = in_parallel(&lines, |line| offline_notes(model, line));
            score(&lines, &found)
        });
    }
    if wanted("causal") {
        let mut model = LiveModel::DEFAULT;
        let free = hold(&mut model, &CAUSAL_NUMBERS, &held);
        fit("live", model, &free, &STEPS, |model| {
            let found = in_parallel(&lines, |line| causal_notes(model, line));
            score(&lines, &found)
        });
    }
}

const OFFLINE_NUMBERS: [Number<NoteModel>; 7] = [
    number!("tone_share", tone_share, 1.0),
    number!("start", start, 0.0),
    number!("max_onset", max_onset, 9.0),
    number!("onsets_seen", onsets_seen, 1.0),
    number!("glide", glide, 0.0),
    number!("missing", missing, 0.0),
    number!("correlation_share", correlation_share, 0.0),
];

const CAUSAL_NUMBERS: [Number<LiveModel>; 8] = [
    number!("young_share", young_share, 1.0),
    number!("start", start, 0.0),
    number!("unheard", unheard, 1e3),
    number!("end", end, 0.0),
    number!("max_glide", max_glide, 1e3),
    number!("missing", missing, 0.0),
    number!("sure", sure, 0.0),
    number!("one_attack_s", one_attack_s, 0.0),
];

/// How well notes are found.
#[derive(Clone, Copy)]
struct Found {
    note_f: f64,
    offset_f: f64,
    decision_ms: f64,
}

impl Score for Found {
    fn total(&self) -> f64 {
        (2.0 * self.note_f + self.offset_f) / 3.0 - MILLISECOND * self.decision_ms
    }
}

impl Display for Found {
    fn fmt(&self, f: &mut Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{:.5} (note F {:.4}, with offset {:.4}, decided after {:.1} ms)",
            self.total(),
            self.note_f,
            self.offset_f,
            self.decision_ms
        )
    }
}

/// Reads the evidence of a take, as both passes do.
fn read(path: &Path) -> Line {
    let (samples, rate_hz) = samples(path);
    let settings = Settings::builder(rate_hz).build();
    let analyser = Analyser::new(settings.expect("a usual sample rate"));
    let hop_s = analyser.hop_s();
    let mut reader = ToneReader::new(&CAUSAL, &analyser);
    let (mut causal, mut first_s) = (ToneTrack::default(), None);
    let (timeline, tone) = full_pass(analyser, &samples, |frame| {
        first_s.get_or_insert(frame.time_s);
        reader.push_samples(&frame.samples);
        reader.push_candidates(&frame.candidates, !frame.level.closed, &mut causal);
    });
    Line {
        truth: truth(path).0.iter().map(known).collect(),
        first_s: first_s.unwrap_or(0.0),
        hop_s,
        offline: tone,
        timeline,
        causal,
    }
}

/// A note of `training/make.py`.
fn known(note: &serde_json::Value) -> Span {
    Span {
        onset_s: made_lines::number(note, "onset_s"),
        offset_s: made_lines::number(note, "offset_s"),
        pitch: made_lines::number(note, "midi"),
        decided_s: None,
    }
}

fn offline_notes(model: &NoteModel, line: &Line) -> Vec<Span> {
    let tone = with_correlation(line.offline.clone(), &line.timeline, model);
    let drafts = model.decode(&tone).into_iter().map(|draft| Span {
        onset_s: line.timeline.moment_s(draft.onset),
        offset_s: line.timeline.moment_s(draft.offset),
        pitch: median(draft.pitches.iter().map(|&p| f64::from(p))).expect("a pitch in each moment"),
        decided_s: None,
    });
    drafts.collect()
}

fn causal_notes(model: &LiveModel, line: &Line) -> Vec<Span> {
    let step_s = CAUSAL.moment_s(line.hop_s);
    let mut decoder = LiveDecoder::new(*model, step_s);
    let mut notes: Vec<(Span, Vec<f64>)> = Vec::new();
    let mut sounding = false;
    for at in 0..line.causal.len() {
        let now_s = line.first_s + CAUSAL.hop_of(at) as f64 * line.hop_s;
        let decision = decoder.push(line.causal.cells(at).iter().copied(), |_| 0.0);
        if let Decision::Begun(note, age_s) = decision {
            let onset_s = now_s - f64::from(age_s);
            if let Some((last, _)) = notes.last_mut().filter(|_| sounding) {
                last.offset_s = onset_s;
            }
            let span = Span {
                onset_s,
                offset_s: now_s,
                pitch: f64::from(note.pitch),
                decided_s: Some(now_s),
            };
            notes.push((span, Vec::new()));
        }
        let now = decoder.sounding();
        sounding = now.is_some();
        if let (Some(now), Some((note, pitches))) = (now, notes.last_mut()) {
            note.offset_s = now_s;
            pitches.push(f64::from(now.pitch));
        }
    }
    for (note, pitches) in &mut notes {
        note.pitch = median(pitches.iter().copied()).unwrap_or(note.pitch);
    }
    notes.into_iter().map(|(note, _)| note).collect()
}

/// Note F over all lines together, and with the end of notes; live also how long notes take to be
/// sure.
fn score(lines: &[Line], found: &[Vec<Span>]) -> Found {
    let (mut right, mut with_offset, mut all) = (0, 0, 0);
    let mut waits = Vec::new();
    for (line, found) in lines.iter().zip(found) {
        all += line.truth.len() + found.len();
        let spans =
            |spans: &[Span]| -> Vec<_> { spans.iter().map(|s| (s.onset_s, s.pitch)).collect() };
        for (known, own) in pairs(&spans(&line.truth), &spans(found)) {
            let (note, own) = (&line.truth[known], &found[own]);
            right += 1;
            waits.extend(own.decided_s.map(|at_s| 1e3 * (at_s - note.onset_s)));
            let ends = same_offset(note.onset_s, note.offset_s, own.offset_s);
            with_offset += usize::from(ends);
        }
    }
    let f = |right: usize| 2.0 * right as f64 / all.max(1) as f64;
    Found {
        note_f: f(right),
        offset_f: f(with_offset),
        decision_ms: median(waits.iter().copied()).unwrap_or(0.0),
    }
}
