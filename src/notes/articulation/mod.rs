//! Articulation in a player's terms: length, accent, vibrato, flutter, scoop, fall.
//!
//! Everything is measured in the finished note's contour and its neighbours, and each
//! decision keeps the measurement behind it.

mod length;
mod shape;
mod waves;

use std::ops::Range;

use super::contour::{Contour, Point};
use super::technique_model::TechniqueModel;
use super::{Attack, LEVEL_S, Note, STRAY, Technique, touch};
use crate::statistics::{median, median_in, median_of};
use crate::units::{db_power, power_db};
use length::{length, release};
use shape::{glides_s, linked, shape};
pub use waves::{WaveScratch, flutter, vibrato, vibrato_explaining};

/// Sets a note's pitch and confidence from its contour.
///
/// The pitch is a mean weighted by confidence, by amplitude (that of 20 ms, or it would depend on
/// where in a period a hop falls), by place in the note (a raised-cosine taper at either end: Tukey,
/// 1967) and by nearness to itself, from the median on (the biweight of Beaton and Tukey,
/// Technometrics 16, 1974). No hop counts wholly or not at
/// all by a hair, so that where the first hop falls hardly matters.
///
/// After one round it still leans to the median, and so on where the first hop falls; after
/// [`ROUNDS`] no more.
pub fn measure_pitch(note: &mut Note, rounds: usize, scratch: &mut PitchScratch) {
    let (pitch, confidence) = steady_pitch(&note.contour, rounds, scratch);
    if let Some(pitch) = pitch {
        note.pitch = pitch;
    }
    note.confidence = confidence;
}

/// What a note's pitch is measured with: no memory need be allocated for each note.
#[derive(Debug, Clone, Default)]
pub struct PitchScratch {
    /// Running sum of the points' power, full scale being 1; 0 before the first.
    sums: Vec<f64>,
    /// What a point that has a pitch weighs by its confidence and its place, and its index.
    voiced: Vec<(f64, usize)>,
    /// Pitches in the order of the median's search.
    sorted: Vec<f64>,
    /// What a point weighs in all, and its pitch.
    weighed: Vec<(f64, f64)>,
}

impl PitchScratch {
    /// Scratch for contours of up to so many hops; of longer ones than [`MAX_HOPS`] no more are read.
    pub fn for_hops(hops: usize) -> Self {
        PitchScratch {
            sums: Vec::with_capacity(hops + 1),
            voiced: Vec::with_capacity(hops),
            sorted: Vec::with_capacity(hops),
            weighed: Vec::with_capacity(hops),
        }
    }
}

/// Reads a note's brightness: the median over its body.
fn measure_brightness(note: &mut Note) {
    let points = &note.contour.points;
    let measured = (points.iter())
        .step_by(points.len().div_ceil(MAX_HOPS).max(1))
        .filter(|point| note.in_body(point))
        .map(|p| f64::from(p.brightness))
        .filter(|times| !times.is_nan());
    note.brightness = median(measured).map(|times| times as f32);
}

/// Length of the taper at either end of a note, in seconds; half of a note that is shorter
/// than two.
const TAPER_S: f64 = 0.08;
/// Hops that a note's pitch is read from at most, evenly spaced: some 40 s of them
/// tell no less than an hour, and the live engine waits for this.
pub const MAX_HOPS: usize = 1 << 15;
/// How much noise, as a share of a tone's power, moves the pitch of a hop as far as it wanders
/// by itself. Of 0.3, 0.1, 0.05 and 0.02 this is the least at which bends that are played by a
/// sampled trumpet are heard back within a cent (`tests/midi_playback.rs`); the less, the less
/// a pitch depends on where the hops fall.
const WANDER: f64 = 0.05;

/// Rounds of the biweight: with thirty no note of recorded lines is a tenth of a cent from where ten
/// leave it.
pub const ROUNDS: usize = 10;
/// Live a note holds more of its neighbours' sound, between whose pitches the median chooses better:
/// in noise and reverberation a pitch of ten rounds is more often another note's.
pub const LIVE_ROUNDS: usize = 1;

/// What a hop's pitch weighs, by how well the sound repeats: the inverse of its variance. Noise
/// adds its share of the power to that, 1 / r - 1 of a correlation r (P. Boersma, Accurate
/// short-term analysis of the fundamental frequency, Proc. Inst. Phonetic Sciences 17, 1993);
/// lips add the same at any level.
fn weight_of(confidence: f32) -> f64 {
    let repeats = f64::from(confidence);
    repeats / (1.0 - repeats + WANDER)
}

fn steady_pitch(
    contour: &Contour,
    rounds: usize,
    scratch: &mut PitchScratch,
) -> (Option<f64>, f32) {
    let PitchScratch {
        sums,
        voiced,
        sorted,
        weighed,
    } = scratch;
    let points = &contour.points;
    let count = points.len();
    let taper = (TAPER_S / contour.hop_s).min(0.5 * count as f64);
    let step = count.div_ceil(MAX_HOPS).max(1);
    sums.clear();
    sums.push(0.0);
    sums.extend(points.iter().step_by(step).scan(0.0, |sum, p| {
        *sum += f64::from(db_power(p.level_db));
        Some(*sum)
    }));
    let beside = (0.5 * LEVEL_S / (contour.hop_s * step as f64)).round() as usize;
    let power_at = |at: usize| {
        let from = (at / step).saturating_sub(beside);
        let to = (at / step + beside + 1).min(sums.len() - 1);
        ((sums[to] - sums[from]) / (to - from) as f64).max(0.0)
    };
    let own = (points.iter().enumerate())
        .step_by(step)
        .filter(|(_, p)| !p.pitch.is_nan());
    voiced.clear();
    voiced.extend(own.map(|(at, p)| {
        let edge = (at.min(count - 1 - at) as f64 + 0.5) / taper;
        let share = 0.5 - 0.5 * (std::f64::consts::PI * edge.min(1.0)).cos();
        (share * weight_of(p.confidence) + 1e-6, at)
    }));
    let pitch_of = |(_, at): &(f64, usize)| f64::from(points[*at].pitch);
    let inner = voiced.iter().filter(|(weight, _)| *weight > 0.05);
    let inner_pitches = median_in(sorted, inner.map(pitch_of));
    let all = || median_in(sorted, voiced.iter().map(pitch_of));
    let Some(median) = inner_pitches.or_else(all) else {
        return (None, 0.0);
    };
    weighed.clear();
    let weigh = |point: &(f64, usize)| (point.0 * power_at(point.1).sqrt(), pitch_of(point));
    weighed.extend(voiced.iter().map(weigh));
    let pitch = biweight(weighed, median, rounds).unwrap_or_else(|| {
        // The middle of two pitches that are as long: the one that is more surely heard.
        (voiced.iter().max_by(|a, b| a.0.total_cmp(&b.0))).map_or(median, pitch_of)
    });
    let confidence: f32 = voiced.iter().map(|(_, at)| points[*at].confidence).sum();
    (Some(pitch), confidence / voiced.len() as f32)
}

/// The biweight mean of weighed pitches (weight, semitones) next to `start`; none where no pitch
/// is within [`STRAY`] of it.
fn biweight(pitches: &[(f64, f64)], start: f64, rounds: usize) -> Option<f64> {
    let stray = f64::from(STRAY);
    let mut centre = start;
    for _ in 0..rounds {
        let (mut sum, mut weight) = (0.0, 0.0);
        for (share, pitch) in pitches {
            let off = pitch - centre;
            let near = (1.0 - (off / stray).powi(2)).max(0.0).powi(2);
            sum += share * near * off;
            weight += share * near;
        }
        if weight <= 0.0 {
            return None;
        }
        centre += sum / weight;
    }
    Some(centre)
}

/// Names the articulation of every note of a line.
pub fn describe(notes: &mut [Note], model: &TechniqueModel) {
    describe_range(notes, 0..notes.len(), model);
}

/// Names the articulation of some notes of a line, in order. It depends on up to
/// [`NEIGHBOURS`] after each.
pub fn describe_range(notes: &mut [Note], range: Range<usize>, model: &TechniqueModel) {
    let onsets: Vec<f64> = notes.iter().map(|n| n.onset_s).collect();
    for at in range {
        let after = notes.get(at + 1).map(|n| (n.attack, n.onset_s));
        let next = Next::of(notes[at].offset_s, after);
        describe_one(&mut notes[at], time_of_note_s(&onsets, at), next, model);
    }
}

/// How the next note follows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Next {
    /// Slurred from this one.
    Slurred,
    /// Immediately, with an attack of its own.
    Touching,
    /// After a gap, or not at all.
    Apart,
}

impl Next {
    /// How a note follows one that ends at `offset_s`, from its attack and onset (stream seconds).
    pub(crate) fn of(offset_s: f64, after: Option<(Attack, f64)>) -> Next {
        match after {
            Some((Attack::Slurred, _)) => Next::Slurred,
            Some((_, onset_s)) if touch(offset_s, onset_s) => Next::Touching,
            _ => Next::Apart,
        }
    }
}

/// Notes on either side whose pace counts.
pub const NEIGHBOURS: usize = 4;
/// Time of a single note, in seconds: a quarter at the tempo of a MIDI file that names none, 120
/// (Standard MIDI Files 1.0, 1996).
const DEFAULT_S: f64 = 0.5;

/// Time available to a note, in seconds: up to the next onset, but no more than the
/// typical time between onsets around it, because a rest says nothing about length.
pub fn time_of_note_s(onsets: &[f64], at: usize) -> f64 {
    let from = at.saturating_sub(NEIGHBOURS);
    let to = (at + NEIGHBOURS + 1).min(onsets.len());
    // An array, because the live engine asks at the end of each note.
    let (mut gaps, mut count) = ([0.0; 2 * NEIGHBOURS], 0);
    for pair in onsets[from..to].windows(2) {
        gaps[count] = pair[1] - pair[0];
        count += 1;
    }
    let typical_s = median_of(&mut gaps[..count]).unwrap_or(DEFAULT_S);
    let gap_s = onsets.get(at + 1).map(|next_s| next_s - onsets[at]);
    gap_s.map_or(typical_s, |gap_s| gap_s.min(typical_s))
}

/// Names the articulation of one note that had `time_s` seconds available.
pub fn describe_one(note: &mut Note, time_s: f64, next: Next, model: &TechniqueModel) {
    measure_level(note);
    measure_brightness(note);
    let played_s = f64::from(note.measured.body_s);
    let time_s = time_s.max(played_s).max(1e-3);
    note.measured.sounding = (played_s / time_s) as f32;
    note.length = length(played_s, time_s, next);
    note.accent = note.measured.accent_db > ACCENT_DB && note.attack != Attack::Slurred;
    if note.attack == Attack::Tongued && note.measured.rise_s > BREATH_RISE_S {
        note.attack = Attack::Breath;
    }
    // Trills, wide vibrato and glissandi from note to note were found by the
    // refinement; the rest is measured here.
    let scratch = &mut WaveScratch::default();
    let glides = |t: &Technique| matches!(t, Technique::Glissando { .. });
    let glided = note.techniques.iter().any(glides);
    if note.techniques.iter().all(glides) {
        let (slurred, glides_s) = (note.attack == Attack::Slurred, glides_s(note));
        let vibrato = vibrato(&note.contour, &model.waves, scratch);
        let slides = shape(&note.contour, note.pitch, model)
            .into_iter()
            .filter_map(|s| linked(s, slurred, next, glides_s, &model.slides))
            .filter(|s| !(glided && glides(s) || is_swing(s, vibrato.as_ref())));
        note.techniques.extend(slides);
        note.techniques.extend(vibrato);
    }
    note.techniques
        .extend(flutter(&note.contour, note.pitch, &model.waves, scratch));
}

/// Whether a slide goes no farther than the note's vibrato, whose first or last swing it is.
fn is_swing(slide: &Technique, vibrato: Option<&Technique>) -> bool {
    let Some(Technique::Vibrato { extent_cents, .. }) = vibrato else {
        return false;
    };
    match slide {
        Technique::Scoop { cents } | Technique::Fall { cents } | Technique::Doit { cents } => {
            cents.abs() < *extent_cents
        }
        // From one extreme to the other.
        Technique::Glissando { cents } => cents.abs() < 2.0 * extent_cents,
        _ => false,
    }
}

/// Early peak over the body from which a note is accented, in dB.
const ACCENT_DB: f32 = 5.0;
/// Rise time, from 20 to 3 dB under the peak, that is too slow for a tongued attack, in
/// seconds.
const BREATH_RISE_S: f32 = 0.085;

/// How long it is played, rise time and accent, from the note's level.
fn measure_level(note: &mut Note) {
    let hop_s = note.contour.hop_s;
    let smooth = (0.015 / hop_s).round().max(1.0) as usize;
    let mut levels = Vec::new();
    smoothed_db(&note.contour.points, smooth, &mut Vec::new(), &mut levels);
    let loudest_db = levels.iter().copied().fold(-120.0, f64::max);
    let attacked = levels.iter().position(|&l| l > loudest_db - 3.0);
    let released = release(&levels, attacked.unwrap_or(0), hop_s);
    // The average is over hops before and after; what lasts to the end has all of them.
    let played = match released == levels.len() {
        true => note.contour.points.len(),
        false => released + smooth / 2,
    };
    note.measured.body_s = (played as f64 * hop_s) as f32;
    let early = ((0.25 / hop_s) as usize).min(levels.len());
    let peak_db = levels[..early].iter().copied().fold(-120.0, f64::max);
    let up = levels.iter().position(|&l| l > peak_db - 3.0).unwrap_or(0);
    let down = levels[..up].iter().rposition(|&l| l < peak_db - 20.0);
    note.measured.rise_s = ((up - down.unwrap_or(0)) as f64 * hop_s) as f32;
    let attack = ((0.08 / hop_s) as usize + up).min(levels.len());
    let attack_db = levels[..attack].iter().copied().fold(-120.0, f64::max);
    let body = &levels[attack..released.max(attack)];
    let body_db = median(body.iter().copied()).unwrap_or(attack_db);
    note.measured.accent_db = (attack_db - body_db) as f32;
}

/// Replaces `levels` by those of points averaged over `hops` hops (all of them if there are
/// fewer), dBFS. `power` is scratch, for as many values as there are points.
fn smoothed_db(points: &[Point], hops: usize, power: &mut Vec<f64>, levels: &mut Vec<f64>) {
    let hops = hops.clamp(1, points.len().max(1));
    power.clear();
    power.extend(points.iter().map(|p| f64::from(db_power(p.level_db))));
    let mean = |w: &[f64]| f64::from(power_db((w.iter().sum::<f64>() / hops as f64) as f32));
    levels.clear();
    levels.extend(power.windows(hops).map(mean));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::HOP_S;
    use crate::notes::technique_model::WaveModel;

    const WAVES: &WaveModel = &TechniqueModel::DEFAULT.waves;

    fn steady_pitch(contour: &Contour) -> (Option<f64>, f32) {
        super::steady_pitch(contour, ROUNDS, &mut PitchScratch::default())
    }

    fn vibrato(contour: &Contour) -> Option<Technique> {
        super::vibrato(contour, WAVES, &mut WaveScratch::default())
    }

    fn flutter(contour: &Contour, pitch: f64) -> Option<Technique> {
        super::flutter(contour, pitch, WAVES, &mut WaveScratch::default())
    }

    fn contour(seconds: f64, pitch: impl Fn(f64) -> f64, level: impl Fn(f64) -> f64) -> Contour {
        let points = (0..(seconds / HOP_S) as usize).map(|i| {
            let t = i as f64 * HOP_S;
            Point {
                pitch: pitch(t) as f32,
                level_db: level(t) as f32,
                confidence: 1.0,
                brightness: f32::NAN,
            }
        });
        Contour {
            start_s: 0.0,
            hop_s: HOP_S,
            points: points.collect(),
        }
    }

    #[test]
    fn vibrato_is_measured() {
        for (rate, extent) in [(3.0, 100.0), (5.3, 30.0), (8.0, 10.0)] {
            let wave = |t: f64| 60.0 + extent / 100.0 * (std::f64::consts::TAU * rate * t).sin();
            let Some(Technique::Vibrato {
                rate_hz,
                extent_cents,
            }) = vibrato(&contour(1.2, wave, |_| -20.0))
            else {
                panic!("no vibrato at {rate} Hz, {extent} cents");
            };
            assert!((f64::from(rate_hz) - rate).abs() < 0.1, "{rate_hz} {rate}");
            assert!(
                (f64::from(extent_cents) - extent).abs() < 4.0,
                "{extent_cents} {extent}"
            );
        }
        assert_eq!(vibrato(&contour(1.2, |_| 60.0, |_| -20.0)), None);
    }

    #[test]
    fn an_hours_drone_is_described() {
        // An hour of hops, wavering as a player does.
        let wave = |t: f64| 45.0 + 0.2 * (std::f64::consts::TAU * 5.0 * t).sin();
        let contour = contour(3_600.0, wave, |_| -20.0);
        let (pitch, confidence) = steady_pitch(&contour);
        assert!((pitch.unwrap() - 45.0).abs() < 0.02, "{pitch:?}");
        assert_eq!(confidence, 1.0);
        let Some(Technique::Vibrato { rate_hz, .. }) = vibrato(&contour) else {
            panic!("no vibrato");
        };
        assert!((rate_hz - 5.0).abs() < 0.05, "{rate_hz}");
        assert_eq!(flutter(&contour, 45.0), None);
    }

    /// Within a period level and pitch of a hop depend on where in the wave it falls.
    #[test]
    fn a_notes_pitch_is_not_that_of_its_loudest_hops() {
        let turn = |t: f64| (std::f64::consts::TAU * 200.0 * t).sin();
        let contour = contour(0.5, |t| 60.0 + 0.1 * turn(t), |t| -20.0 + 10.0 * turn(t));
        let pitch = steady_pitch(&contour).0.unwrap();
        assert!((pitch - 60.0).abs() < 0.005, "{pitch}");
    }

    /// As many hops of one pitch as of another an octave away.
    #[test]
    fn a_note_of_two_pitches_has_one_of_them() {
        let leap_s = 29.5 * HOP_S;
        let pitch = |t: f64| if t < leap_s { 60.0 } else { 72.0 };
        let mut contour = contour(61.0 * HOP_S, pitch, |_| -20.0);
        contour.points.truncate(60);
        contour.points[40..]
            .iter_mut()
            .for_each(|p| p.confidence = 0.9);
        assert_eq!(steady_pitch(&contour).0, Some(60.0));
    }

    #[test]
    fn slides_are_named() {
        let names = |pitch: &dyn Fn(f64) -> f64| -> Vec<&str> {
            let c = contour(0.8, pitch, |_| -20.0);
            let home = steady_pitch(&c).0.unwrap();
            shape(&c, home, &TechniqueModel::DEFAULT)
                .iter()
                .map(Technique::name)
                .collect()
        };
        assert_eq!(names(&|t| 60.0 - 2.0 * (1.0 - t / 0.1).max(0.0)), ["scoop"]);
        assert_eq!(names(&|t| 60.0 - 10.0 * (t - 0.5).max(0.0)), ["fall"]);
        assert_eq!(names(&|t| 60.0 + 10.0 * (t - 0.5).max(0.0)), ["doit"]);
        assert_eq!(names(&|t| 60.0 + 5.0 * t), ["glissando"]);
        assert!(names(&|_| 60.0).is_empty());
    }

    #[test]
    fn flutter_is_not_vibrato() {
        let roll = |t: f64| -20.0 + 5.0 * (std::f64::consts::TAU * 25.0 * t).sin();
        let c = contour(0.8, |_| 60.0, roll);
        let Some(Technique::Flutter { rate_hz, depth_db }) = flutter(&c, 60.0) else {
            panic!("no flutter");
        };
        assert!(
            (rate_hz - 25.0).abs() < 0.5 && depth_db > 3.0,
            "{rate_hz} {depth_db}"
        );
        assert_eq!(vibrato(&c), None);
    }
}
