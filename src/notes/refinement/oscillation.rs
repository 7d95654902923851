//! Trills, shakes and wide vibrato: pitch that goes back and forth too fast to
//! be a melody.
//!
//! The note model takes the extremes of an oscillation for notes and misses some where
//! the lip is uneven. What they all share is that the pitch crosses the middle of its
//! range again and again and never stays on one side for long; a run or an arpeggio
//! crosses it once.

use std::ops::Range;

use super::range_quantiles::RangeQuantiles;
use crate::notes::articulation::{WaveScratch, vibrato_explaining};
use crate::notes::contour::Contour;
use crate::notes::technique_model::{SwingModel, TechniqueModel};
use crate::notes::timeline::Timeline;
use crate::notes::{Note, Technique};
use crate::statistics::{median_in, rank_below};

/// Longest run of notes looked at together.
const MAX_RUN: usize = 64;

/// Joins the notes of each oscillation to one.
pub(super) fn join(notes: &mut Vec<Note>, timeline: &Timeline, model: &TechniqueModel) {
    let swings = &model.swings;
    let reversals = Reversals::of(timeline, swings);
    let mut window = Window::default();
    let mut scratch = OscillationScratch::default();
    let mut at = 0;
    while at < notes.len() {
        let longest = run_length(&notes[at..], swings.dip_db);
        let found = (2..=longest).rev().find_map(|length| {
            let run = &notes[at..at + length];
            let (from_s, to_s) = (run[0].onset_s, run[length - 1].offset_s);
            if !reversals.allow(from_s, to_s, swings) {
                return None;
            }
            let range = timeline.range(from_s, to_s);
            window.cover(&range, &notes[at..], timeline);
            let swing = window.swing(&range, timeline, swings)?;
            let contour = || timeline.contour(from_s, to_s);
            let OscillationScratch { waves, sides, .. } = &mut scratch;
            let vibrato = || vibrato_explaining(swings.sine_share, &contour(), &model.waves, waves);
            Some((length, swing.heard(vibrato, swings, sides)?, contour()))
        });
        if let Some((length, oscillation, contour)) = found {
            let offset_s = notes[at + length - 1].offset_s;
            notes.drain(at + 1..at + length);
            let note = &mut notes[at];
            note.offset_s = offset_s;
            note.pitch = oscillation.pitch;
            note.techniques.push(oscillation.technique);
            note.contour = contour;
        } else {
            name_trill(&mut notes[at], model, &mut scratch);
        }
        at += 1;
    }
}

/// Names a trill so narrow that both its pitches were taken for one note.
fn name_trill(note: &mut Note, model: &TechniqueModel, scratch: &mut OscillationScratch) {
    let found = Oscillation::measure(&note.contour, model, scratch);
    let swings = &model.swings;
    let two_notes = |o: &Oscillation| match o.technique {
        Technique::Trill { interval_cents, .. } => interval_cents > 100.0 * swings.width.0,
        _ => true,
    };
    let trill = found.filter(|o| o.in_the_middle <= swings.middle_share && two_notes(o));
    if let Some(oscillation) = trill.filter(|_| note.techniques.is_empty()) {
        note.pitch = oscillation.pitch;
        note.techniques.push(oscillation.technique);
    }
}

/// The pitches of a stretch of the take with their quantiles, for all runs within it: a
/// run is looked at from every note and in every length.
#[derive(Default)]
struct Window {
    /// Frames of the take that it covers.
    frames: Range<usize>,
    pitches: Vec<f32>,
    quantiles: Option<RangeQuantiles>,
}

impl Window {
    /// Makes sure that a range is covered, and with it the runs that start soon after:
    /// twice the longest run from the first of `notes` on.
    fn cover(&mut self, range: &Range<usize>, notes: &[Note], timeline: &Timeline) {
        if self.frames.start <= range.start && range.end <= self.frames.end {
            return;
        }
        let last = &notes[notes.len().min(2 * MAX_RUN) - 1];
        let end = timeline.range(last.onset_s, last.offset_s).end;
        self.frames = range.start..end.max(range.end);
        let pitch = |at| timeline.frame(at).pitch.unwrap_or(f32::NAN);
        self.pitches = self.frames.clone().map(pitch).collect();
        self.quantiles = Some(RangeQuantiles::new(&self.pitches));
    }

    fn swing(
        &self,
        range: &Range<usize>,
        timeline: &Timeline,
        model: &SwingModel,
    ) -> Option<Swing<'_>> {
        if range.is_empty() {
            return None;
        }
        let within = range.start - self.frames.start..range.end - self.frames.start;
        let quantiles = self.quantiles.as_ref()?;
        let hops = Hops {
            start_s: timeline.frame(range.start).time_s,
            hop_s: timeline.hop_s,
            pitches: &self.pitches[within.clone()],
        };
        let count = quantiles.count(&within);
        Swing::find(
            hops,
            count,
            |share| quantiles.quantile(&within, share),
            model,
        )
    }
}

/// Where the pitch turns back by as much as the narrowest swing needs from one side
/// of its middle to the other. Few turns rule a swing out without a look at its
/// contour, so that a long slurred line is not sorted again for each of its notes.
struct Reversals {
    times_s: Vec<f64>,
    hop_s: f64,
}

impl Reversals {
    fn of(timeline: &Timeline, model: &SwingModel) -> Reversals {
        let least = 2.0 * model.margin * model.width.0;
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
        Reversals {
            times_s,
            hop_s: timeline.hop_s,
        }
    }

    /// Whether there can be enough crossings of a middle between two times: one in
    /// every [`SwingModel::longest_side_s`], but for the ends. Each crossing takes a reversal;
    /// the first and the last may have theirs outside.
    fn allow(&self, from_s: f64, to_s: f64, model: &SwingModel) -> bool {
        let before = |time_s: f64| self.times_s.partition_point(|t| *t <= time_s);
        // A run's first and last hop may lie outside its times by as much as one.
        let most = before(to_s + self.hop_s) - before(from_s - self.hop_s) + 2;
        let length_s = to_s - from_s;
        most >= model.crossings
            && length_s < most as f64 * model.longest_side_s + 2.0 * model.edge_s
    }
}

/// How many notes from the first on could be parts of one oscillation.
fn run_length(notes: &[Note], attack_dip_db: f32) -> usize {
    let linked = |note: &&Note| note.measured.dip_db < attack_dip_db;
    let linked = notes.iter().skip(1).take(MAX_RUN - 1).take_while(linked);
    1 + linked.count()
}

/// An oscillation and the pitch at which it is heard.
pub struct Oscillation {
    /// What it is heard as.
    pub technique: Technique,
    /// Pitch at which it is heard, MIDI semitones.
    pub pitch: f64,
    /// Its two pitches, MIDI semitones.
    pub lower: f32,
    pub upper: f32,
    /// Turns a second, in hertz.
    pub rate_hz: f64,
    /// Share of its time in the middle third of its range.
    in_the_middle: f64,
}

/// What oscillations are measured with, so that no memory need be allocated for each: a scratch
/// for so many hops has room for a contour of as many.
#[derive(Debug, Clone, Default)]
pub struct OscillationScratch {
    pitches: Vec<f32>,
    /// Those of hops that have a pitch, in the order of a quantile's search.
    sorted: Vec<f32>,
    /// Those of one side, in the order of a median's search.
    sides: Vec<f64>,
    waves: WaveScratch,
}

impl OscillationScratch {
    /// Scratch for contours of up to so many hops.
    pub fn for_hops(hops: usize) -> Self {
        OscillationScratch {
            pitches: Vec::with_capacity(hops),
            sorted: Vec::with_capacity(hops),
            sides: Vec::with_capacity(hops),
            waves: WaveScratch::for_hops(hops),
        }
    }
}

impl Oscillation {
    /// The oscillation in a contour.
    pub fn measure(
        contour: &Contour,
        model: &TechniqueModel,
        scratch: &mut OscillationScratch,
    ) -> Option<Oscillation> {
        let OscillationScratch {
            pitches,
            sorted,
            sides,
            waves,
        } = scratch;
        pitches.clear();
        pitches.extend(contour.points.iter().map(|p| p.pitch));
        sorted.clear();
        sorted.extend(contour.voiced().map(|(_, p)| p.pitch));
        let count = sorted.len();
        let share = |part: f64| {
            let at = rank_below(count, part)?;
            Some(*sorted.select_nth_unstable_by(at, f32::total_cmp).1)
        };
        let hops = Hops {
            start_s: contour.start_s,
            hop_s: contour.hop_s,
            pitches,
        };
        let swings = &model.swings;
        let vibrato = || vibrato_explaining(swings.sine_share, contour, &model.waves, waves);
        Swing::find(hops, count, share, swings)?.heard(vibrato, swings, sides)
    }
}

/// Pitch hop by hop, in semitones; NaN where there is none.
struct Hops<'a> {
    /// Stream time of the first, in seconds.
    start_s: f64,
    hop_s: f64,
    pitches: &'a [f32],
}

/// A pitch that crosses the middle of its range again and again.
struct Swing<'a> {
    pitches: &'a [f32],
    middle: f32,
    /// From the lower side to the upper, in semitones.
    width: f32,
    /// Turns back and forth, and the time that they take, in seconds.
    turns: f64,
    span_s: f64,
}

impl<'a> Swing<'a> {
    /// Swing of hops of which `count` have a pitch, with the quantiles of those.
    fn find(
        hops: Hops<'a>,
        count: usize,
        mut share: impl FnMut(f64) -> Option<f32>,
        model: &SwingModel,
    ) -> Option<Swing<'a>> {
        if count < 8 {
            return None;
        }
        let (low, high) = (share(0.1)?, share(0.9)?);
        let width = high - low;
        if !(model.width.0..model.width.1).contains(&width) {
            return None;
        }
        let middle = 0.5 * (low + high);
        let mut crossings = hops.crossings_s(middle, model.margin * width, model.shortest_side_s);
        let first_s = crossings.next()?;
        let start_s = first_s - hops.start_s;
        if start_s >= model.edge_s {
            return None;
        }
        let (mut last_s, mut count) = (first_s, 1);
        for crossing_s in crossings {
            if crossing_s - last_s >= model.longest_side_s {
                return None;
            }
            (last_s, count) = (crossing_s, count + 1);
        }
        let span_s = last_s - first_s;
        let end_s = hops.pitches.len() as f64 * hops.hop_s - start_s - span_s;
        let enough = count >= model.crossings && end_s < model.edge_s;
        enough.then_some(Swing {
            pitches: hops.pitches,
            middle,
            width,
            turns: (count - 1) as f64 / 2.0,
            span_s,
        })
    }

    /// What the swing is heard as, if it is heard as one note; `vibrato` is its own, looked for
    /// where there may be one. `sides` is scratch, for as many values as it has hops.
    fn heard(
        &self,
        vibrato: impl FnOnce() -> Option<Technique>,
        swings: &SwingModel,
        sides: &mut Vec<f64>,
    ) -> Option<Oscillation> {
        let voiced = || self.pitches.iter().filter(|p| !p.is_nan());
        let within = |p: &&f32| (**p - self.middle).abs() < swings.margin * self.width;
        let in_the_middle = voiced().filter(within).count() as f64 / voiced().count() as f64;
        let vibrato = (in_the_middle > swings.middle_share)
            .then(vibrato)
            .flatten();
        let rate_hz = self.turns / self.span_s;
        if vibrato.is_none() && rate_hz < swings.slowest_hz {
            return None;
        }
        let mut side = |above: bool| {
            let on_side = voiced().filter(move |p| (**p > self.middle) == above);
            median_in(sides, on_side.map(|p| f64::from(*p)))
        };
        let (lower, upper) = (side(false)?, side(true)?);
        let trill = Technique::Trill {
            rate_hz: rate_hz as f32,
            interval_cents: ((upper - lower) * 100.0) as f32,
        };
        Some(Oscillation {
            // A trill is heard at its lower note.
            pitch: vibrato.map_or(lower, |_| f64::from(self.middle)),
            technique: vibrato.unwrap_or(trill),
            lower: lower as f32,
            upper: upper as f32,
            rate_hz,
            in_the_middle,
        })
    }
}

impl Hops<'_> {
    /// Times at which the pitch crosses a middle by more than a margin and stays there for
    /// `shortest_s`.
    fn crossings_s(&self, middle: f32, margin: f32, shortest_s: f64) -> impl Iterator<Item = f64> {
        let shortest = shortest_s / self.hop_s;
        let mut side = None;
        let mut crossed_at = None;
        self.pitches
            .iter()
            .enumerate()
            .filter_map(move |(i, pitch)| {
                let off = pitch - middle;
                if off.is_nan() || off.abs() < margin {
                    return None;
                }
                let above = off > 0.0;
                if *side.get_or_insert(above) == above {
                    crossed_at = None;
                    return None;
                }
                let at = *crossed_at.get_or_insert(i);
                if ((i - at) as f64) < shortest {
                    return None;
                }
                side = Some(above);
                crossed_at = None;
                Some(self.start_s + at as f64 * self.hop_s)
            })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::HOP_S;
    use crate::notes::contour::Point;

    fn contour(pitch: impl Fn(f64) -> f64) -> Contour {
        let point = |i: i32| Point {
            pitch: pitch(f64::from(i) * HOP_S) as f32,
            level_db: -20.0,
            confidence: 1.0,
            brightness: f32::NAN,
        };
        Contour {
            start_s: 0.0,
            hop_s: HOP_S,
            points: (0..900).map(point).collect(),
        }
    }

    fn measure(contour: &Contour) -> Option<Oscillation> {
        let scratch = &mut OscillationScratch::default();
        Oscillation::measure(contour, &TechniqueModel::DEFAULT, scratch)
    }

    fn turn(t: f64, hz: f64) -> f64 {
        (std::f64::consts::TAU * hz * t).sin()
    }

    #[test]
    fn trill_vibrato_and_run_are_told_apart() {
        let trill = measure(&contour(|t| 60.5 + turn(t, 6.0).signum() * 0.5)).unwrap();
        let Technique::Trill {
            rate_hz,
            interval_cents,
        } = trill.technique
        else {
            panic!("{:?}", trill.technique);
        };
        assert!((rate_hz - 6.0).abs() < 0.1 && (interval_cents - 100.0).abs() < 1.0);
        assert!((trill.pitch - 60.0).abs() < 0.01);
        let wide = measure(&contour(|t| 60.0 + turn(t, 5.0))).unwrap();
        assert!(matches!(wide.technique, Technique::Vibrato { .. }));
        assert!((wide.pitch - 60.0).abs() < 0.1);
        // A run up, an arpeggio up and down, slow eighths back and forth.
        assert!(measure(&contour(|t| 60.0 + (t * 4.0).floor())).is_none());
        assert!(measure(&contour(|t| 60.0 + 2.0 * (t - 0.6).abs() * 3.0)).is_none());
        assert!(measure(&contour(|t| 60.0 + turn(t, 2.0).signum())).is_none());
    }

    /// Sixteenths at 120 to the minute are a melody, at 135 a trill.
    #[test]
    fn a_figure_of_two_notes_is_a_trill_from_some_speed_on() {
        let figure = |hz: f64| contour(move |t| 60.0 + turn(t, hz).signum());
        assert!(measure(&figure(4.0)).is_none());
        assert!(measure(&figure(4.5)).is_some());
        // A slur that slips back for a moment is one crossing.
        let slips = contour(|t| {
            let since_s = t % 0.125;
            let back = (0.02..0.03).contains(&since_s);
            60.0 + turn(t, 4.0).signum() * if back { -1.0 } else { 1.0 }
        });
        assert!(measure(&slips).is_none());
    }
}
