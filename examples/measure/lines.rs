//! Lines: notes, onsets, offsets, attacks, and how late the live engine is.
//!
//! The metrics are those of mir_eval's transcription module: each note is matched at most once, as
//! many as possible.

use std::path::Path;

use leadpipe::internals::analysis::Analyser;
use leadpipe::{Attack, Mode, Note, Settings};

use crate::quantile;
use crate::recordings::{Known, lines, listen};
use crate::same_note::{ONSET_S, same_offset, same_pitch};
use crate::sound::samples;

/// Sums for means over lines.
#[derive(Default)]
struct Tally {
    lines: f64,
    note: f64,
    onset: f64,
    offset: f64,
    attack: f64,
    late_ms: Vec<f64>,
}

pub fn measure(folder: &Path) {
    println!("\nlines");
    let lines = lines(folder);
    let sounds: Vec<_> = lines.iter().map(|(path, _)| samples(path)).collect();
    for (name, mode) in [("full pass", Mode::Full), ("causal", Mode::Causal)] {
        let mut tally = Tally::default();
        let mut delays: Vec<(f64, f64)> = Vec::new();
        for ((_, known), (sound, rate_hz)) in lines.iter().zip(&sounds) {
            let heard = listen(sound, *rate_hz, mode).notes;
            tally.add(known, &heard, &mut delays);
        }
        let mean = |sum: f64| sum / tally.lines;
        println!(
            "  {name}: note F {:.3}, onset F {:.3}, with offset {:.3}, onset error {:.1} ms, attack {:.1} %",
            mean(tally.note),
            mean(tally.onset),
            mean(tally.offset),
            quantile(&tally.late_ms, 0.5),
            100.0 * mean(tally.attack)
        );
        if mode == Mode::Causal {
            let floors: Vec<(f64, f64)> = lines
                .iter()
                .zip(&sounds)
                .flat_map(|((_, known), (sound, rate_hz))| floor(known, sound, *rate_hz))
                .collect();
            print_delays(&delays, &floors);
        }
    }
}

/// Note F, and that with offsets, of one line.
pub fn note_scores(known: &[Known], heard: &[Note]) -> (f64, f64) {
    let mut tally = Tally::default();
    tally.add(known, heard, &mut Vec::new());
    (tally.note, tally.offset)
}

impl Tally {
    fn add(&mut self, known: &[Known], heard: &[Note], delays: &mut Vec<(f64, f64)>) {
        let onset = |k: &Known, n: &Note| (k.onset - n.onset_s).abs() <= ONSET_S;
        let note = |k: &Known, n: &Note| onset(k, n) && same_pitch(k.midi, n.pitch);
        let whole = |k: &Known, n: &Note| note(k, n) && same_offset(k.onset, k.offset, n.offset_s);
        let f = |pairs: usize| 2.0 * pairs as f64 / (known.len() + heard.len()) as f64;
        self.lines += 1.0;
        self.onset += f(matched(known, heard, onset).len());
        self.offset += f(matched(known, heard, whole).len());
        let pairs = matched(known, heard, note);
        self.note += f(pairs.len());
        let slurred = |&&(k, n): &&(usize, usize)| {
            (known[k].attack == "slurred") == (heard[n].attack == Attack::Slurred)
        };
        self.attack += pairs.iter().filter(slurred).count() as f64 / pairs.len().max(1) as f64;
        for (k, n) in pairs {
            self.late_ms
                .push(1000.0 * (heard[n].onset_s - known[k].onset).abs());
            delays.push((
                known[k].midi,
                1000.0 * (heard[n].decided_s - known[k].onset),
            ));
        }
    }
}

/// Largest matching of known and heard notes that fit, by augmenting paths.
fn matched(
    known: &[Known],
    heard: &[Note],
    fits: impl Fn(&Known, &Note) -> bool,
) -> Vec<(usize, usize)> {
    let mut owner: Vec<Option<usize>> = vec![None; heard.len()];
    fn augment(
        k: usize,
        edges: &[Vec<usize>],
        owner: &mut [Option<usize>],
        seen: &mut [bool],
    ) -> bool {
        edges[k].iter().any(|&n| {
            !std::mem::replace(&mut seen[n], true) && {
                let free = match owner[n] {
                    None => true,
                    Some(other) => augment(other, edges, owner, seen),
                };
                if free {
                    owner[n] = Some(k);
                }
                free
            }
        })
    }
    let edges: Vec<Vec<usize>> = known
        .iter()
        .map(|k| (0..heard.len()).filter(|&n| fits(k, &heard[n])).collect())
        .collect();
    for k in 0..known.len() {
        augment(k, &edges, &mut owner, &mut vec![false; heard.len()]);
    }
    let mut pairs: Vec<_> = owner
        .iter()
        .enumerate()
        .filter_map(|(n, k)| k.map(|k| (k, n)))
        .collect();
    pairs.sort_unstable();
    pairs
}

/// The least delay there could be, pitch known in advance: until the fast window
/// is four fifths periodic at the known pitch and has been for 3 ms.
fn floor(known: &[Known], sound: &[f32], rate_hz: f64) -> Vec<(f64, f64)> {
    let mut frames = Vec::new();
    Analyser::new(Settings::builder(rate_hz).build().unwrap())
        .push(sound, &mut |f| frames.push(*f));
    let periodic = leadpipe::internals::analysis::candidate_finder::strength(0.8, 1.0);
    let mut floors = Vec::new();
    for note in known {
        let mut since_s = None;
        let found = frames
            .iter()
            .filter(|f| f.time_s >= note.onset)
            .find(|frame| {
                let there =
                    frame.candidates.as_slice().iter().any(|c| {
                        (f64::from(c.pitch) - note.midi).abs() < 0.5 && c.short >= periodic
                    });
                if !there {
                    since_s = None;
                    return false;
                }
                frame.time_s - *since_s.get_or_insert(frame.time_s) >= 0.0026
            });
        floors.extend(found.map(|f| (note.midi, 1000.0 * (f.time_s - note.onset))));
    }
    floors
}

/// Delays of decisions by octave, beside the floor.
fn print_delays(delays: &[(f64, f64)], floors: &[(f64, f64)]) {
    println!("  decided after the onset, ms (10th, 50th, 90th percentile), and the floor:");
    let bands = [
        ("all", 0.0, 128.0),
        ("from B flat 3 up", 58.0, 128.0),
        ("below", 0.0, 58.0),
        ("octave 2 and lower", 0.0, 48.0),
        ("octave 3", 48.0, 60.0),
        ("octave 4", 60.0, 72.0),
        ("octave 5 and up", 72.0, 128.0),
    ];
    for (name, from, to) in bands {
        let within = |list: &[(f64, f64)]| -> Vec<f64> {
            list.iter()
                .filter(|(k, _)| (from..to).contains(k))
                .map(|(_, ms)| *ms)
                .collect()
        };
        let (ours, least) = (within(delays), within(floors));
        let show = |v: &[f64]| {
            format!(
                "{:5.1} {:5.1} {:5.1}",
                quantile(v, 0.1),
                quantile(v, 0.5),
                quantile(v, 0.9)
            )
        };
        println!(
            "    {name:<20} {}   floor {}   ({} notes)",
            show(&ours),
            show(&least),
            ours.len()
        );
    }
}
