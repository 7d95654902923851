//! Trills, shakes and wide vibrato: pitch that goes back and forth too fast to
//! be a melody.
//!
//! The segmenter takes the extremes of an oscillation for notes and misses some where
//! the lip is uneven. What they all share is that the pitch crosses the middle of its
//! range again and again and never stays on one side for long; a run or an arpeggio
//! crosses it once.

use crate::notes::articulation::wide_vibrato;
use crate::notes::contour::Contour;
use crate::notes::timeline::Timeline;
use crate::notes::{Note, Technique};
use crate::statistics::median;

/// A note within an oscillation is at most this long, in seconds: two of the slowest
/// turns that the segmenter missed.
const NOTE_S: f64 = 0.67;
/// Fewest notes that make one.
const NOTES: usize = 3;
/// Narrowest and widest oscillation, in semitones: a semitone played narrow, a shake
/// from the second partial to the third, a fifth, overshot.
const WIDTH: std::ops::Range<f32> = 0.7..8.5;
/// An oscillation around a note's pitch is not cut by the segmenter up to this width,
/// in semitones: twice what it allows to either side.
const MISSED_WIDTH: f32 = 1.3;
/// Slowest trill, in hertz. Eighth notes at 180 to the minute alternate at 3.
const SLOWEST_HZ: f64 = 3.2;
/// Longest time on one side of the middle, in seconds.
const LONGEST_SIDE_S: f64 = 0.3;
/// Fewest crossings of the middle: two turns and a half.
const CROSSINGS: usize = 5;
/// Share of its motion that a sine explains in a vibrato. A trill is square, of
/// which a sine explains 8/pi^2, or 0.81; where it takes a third of its time to go
/// from note to note, 0.93.
const SINE_SHARE: f64 = 0.93;
/// Share of its time that a vibrato spends in the middle third of its range; a
/// sine spends 0.2, a trill passes through.
const MIDDLE_SHARE: f64 = 0.09;
/// A lip trill dips more than a slur; this much is a new attack, in dB.
const DIP_DB: f32 = 18.0;
/// Longest run of notes looked at together.
const MAX_RUN: usize = 64;

/// Joins the notes of each oscillation to one.
pub(super) fn join(notes: &mut Vec<Note>, timeline: &Timeline) {
    let reversals = Reversals::of(timeline);
    let mut at = 0;
    while at + 1 < notes.len() {
        let longest = run_length(&notes[at..]);
        let found = (2..=longest).rev().find_map(|length| {
            let run = &notes[at..at + length];
            if run.iter().map(turns).sum::<usize>() < NOTES {
                return None;
            }
            let (from_s, to_s) = (run[0].onset_s, run[length - 1].offset_s);
            if !reversals.allow(from_s, to_s) {
                return None;
            }
            let contour = timeline.contour(from_s, to_s);
            Some((length, Oscillation::measure(&contour)?, contour))
        });
        if let Some((length, oscillation, contour)) = found {
            let offset_s = notes[at + length - 1].offset_s;
            notes.drain(at + 1..at + length);
            let note = &mut notes[at];
            note.offset_s = offset_s;
            note.pitch = oscillation.pitch;
            note.techniques.push(oscillation.technique);
            note.contour = contour;
        }
        at += 1;
    }
}

/// Where the pitch turns back by as much as the narrowest swing needs from one side
/// of its middle to the other. Few turns rule a swing out without a look at its
/// contour, so that a long slurred line is not sorted again for each of its notes.
struct Reversals {
    times_s: Vec<f64>,
}

/// Margin either side of the middle that a swing must leave, as a share of its
/// width.
const MARGIN: f32 = 0.15;

impl Reversals {
    fn of(timeline: &Timeline) -> Reversals {
        let least = 2.0 * MARGIN * WIDTH.start;
        let mut times_s = Vec::new();
        let (mut low, mut high, mut rising) = (f32::INFINITY, f32::NEG_INFINITY, None);
        for frame in timeline.frames() {
            let Some(pitch) = frame.pitch else { continue };
            (low, high) = (low.min(pitch), high.max(pitch));
            let turned = match rising {
                Some(true) => high - pitch >= least,
                Some(false) => pitch - low >= least,
                None => high - low >= least,
            };
            if turned {
                rising = Some(rising.map_or(pitch - low >= high - pitch, |rising: bool| !rising));
                (low, high) = (pitch, pitch);
                times_s.push(frame.time_s);
            }
        }
        Reversals { times_s }
    }

    /// Whether there can be enough crossings of a middle between two times: one in
    /// every [`LONGEST_SIDE_S`], but for the ends. Each crossing takes a reversal;
    /// the first and the last may have theirs outside.
    fn allow(&self, from_s: f64, to_s: f64) -> bool {
        let before = |time_s: f64| self.times_s.partition_point(|t| *t <= time_s);
        let most = before(to_s + NEAR_S) - before(from_s - NEAR_S) + 2;
        let length_s = to_s - from_s;
        most >= CROSSINGS && length_s < most as f64 * LONGEST_SIDE_S + 2.0 * EDGE_S
    }
}

/// Hops at the edges of a contour may lie so far outside its times, in seconds.
const NEAR_S: f64 = 0.01;
/// Longest time to the first crossing and from the last, in seconds.
const EDGE_S: f64 = LONGEST_SIDE_S + 0.1;

/// How many notes from the first on could be parts of one oscillation: short ones, and
/// longer ones in which the segmenter missed every turn.
fn run_length(notes: &[Note]) -> usize {
    let fits = |(i, note): &(usize, &Note)| {
        let linked = *i == 0 || note.measured.dip_db < DIP_DB;
        linked && (note.duration_s() < NOTE_S || missed(note))
    };
    notes
        .iter()
        .take(MAX_RUN)
        .enumerate()
        .take_while(fits)
        .count()
}

/// Whether a long note oscillates so widely that the segmenter should have cut it.
fn missed(note: &Note) -> bool {
    Oscillation::measure(&note.contour).is_some_and(|oscillation| oscillation.width > MISSED_WIDTH)
}

/// How many notes one counts for: a long one is several that the segmenter missed.
fn turns(note: &Note) -> usize {
    if note.duration_s() < NOTE_S { 1 } else { 2 }
}

/// An oscillation and the pitch at which it is heard.
struct Oscillation {
    technique: Technique,
    pitch: f64,
    /// From the lower side to the upper, in semitones.
    width: f32,
}

impl Oscillation {
    fn measure(contour: &Contour) -> Option<Oscillation> {
        let mut pitches: Vec<f32> = contour.voiced().map(|(_, p)| p.pitch).collect();
        if pitches.len() < 8 {
            return None;
        }
        let mut share = |part: f64| {
            let at = ((pitches.len() - 1) as f64 * part) as usize;
            *pitches.select_nth_unstable_by(at, f32::total_cmp).1
        };
        let (low, high) = (share(0.1), share(0.9));
        let width = high - low;
        if !WIDTH.contains(&width) || share(0.98) - share(0.02) > WIDTH.end {
            return None;
        }
        let middle = 0.5 * (low + high);
        let crossings = crossings_s(contour, middle, MARGIN * width);
        let span_s = crossings.last()? - crossings.first()?;
        let turns = (crossings.len() - 1) as f64 / 2.0;
        let length_s = contour.points.len() as f64 * contour.hop_s;
        let start_s = crossings[0] - contour.start_s;
        let end_s = length_s - start_s - span_s;
        let longest_s = crossings
            .windows(2)
            .map(|w| w[1] - w[0])
            .fold(0.0, f64::max);
        let steady = longest_s < LONGEST_SIDE_S && start_s.max(end_s) < EDGE_S;
        if crossings.len() < CROSSINGS || !steady {
            return None;
        }
        let within = |p: &&f32| (**p - middle).abs() < width / 6.0;
        let in_the_middle = pitches.iter().filter(within).count() as f64 / pitches.len() as f64;
        let vibrato = wide_vibrato(contour, SINE_SHARE);
        if let Some(technique) = vibrato.filter(|_| in_the_middle > MIDDLE_SHARE) {
            let pitch = f64::from(middle);
            return Some(Oscillation {
                technique,
                pitch,
                width,
            });
        }
        if turns / span_s < SLOWEST_HZ {
            return None;
        }
        // A trill is heard at its lower note.
        let side = |above: bool| {
            let on_side = pitches.iter().filter(move |p| (**p > middle) == above);
            median(on_side.map(|p| f64::from(*p)))
        };
        let (lower, upper) = (side(false)?, side(true)?);
        let technique = Technique::Trill {
            rate_hz: (turns / span_s) as f32,
            interval_cents: ((upper - lower) * 100.0) as f32,
        };
        Some(Oscillation {
            technique,
            pitch: lower,
            width,
        })
    }
}

/// Times at which the pitch crosses a middle by more than a margin.
fn crossings_s(contour: &Contour, middle: f32, margin: f32) -> Vec<f64> {
    let mut side = 0;
    let mut crossings = Vec::new();
    for (time_s, point) in contour.voiced() {
        let off = point.pitch - middle;
        if off.abs() < margin {
            continue;
        }
        let now = if off > 0.0 { 1 } else { -1 };
        if side != 0 && now != side {
            crossings.push(time_s);
        }
        side = now;
    }
    crossings
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notes::contour::Point;

    fn contour(pitch: impl Fn(f64) -> f64) -> Contour {
        let hop_s = 0.004 / 3.0;
        let point = |i: i32| Point {
            pitch: pitch(f64::from(i) * hop_s) as f32,
            level_db: -20.0,
            confidence: 1.0,
        };
        Contour {
            start_s: 0.0,
            hop_s,
            points: (0..900).map(point).collect(),
        }
    }

    fn turn(t: f64, hz: f64) -> f64 {
        (std::f64::consts::TAU * hz * t).sin()
    }

    #[test]
    fn trill_vibrato_and_run_are_told_apart() {
        let trill = Oscillation::measure(&contour(|t| 60.5 + turn(t, 6.0).signum() * 0.5)).unwrap();
        let Technique::Trill {
            rate_hz,
            interval_cents,
        } = trill.technique
        else {
            panic!("{:?}", trill.technique);
        };
        assert!((rate_hz - 6.0).abs() < 0.1 && (interval_cents - 100.0).abs() < 1.0);
        assert!((trill.pitch - 60.0).abs() < 0.01);
        let wide = Oscillation::measure(&contour(|t| 60.0 + turn(t, 5.0))).unwrap();
        assert!(matches!(wide.technique, Technique::Vibrato { .. }));
        assert!((wide.pitch - 60.0).abs() < 0.1);
        // A run up, an arpeggio up and down, slow eighths back and forth.
        assert!(Oscillation::measure(&contour(|t| 60.0 + (t * 4.0).floor())).is_none());
        assert!(Oscillation::measure(&contour(|t| 60.0 + 2.0 * (t - 0.6).abs() * 3.0)).is_none());
        assert!(Oscillation::measure(&contour(|t| 60.0 + turn(t, 2.0).signum())).is_none());
    }
}
