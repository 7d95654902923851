//! What a player would call it: length, accent, vibrato, flutter, scoop, fall.
//!
//! Everything is read from the finished note's contour and its neighbours, and
//! each verdict keeps the quantity it came from.

use super::contour::{Contour, Point};
use super::{Attack, Length, Note, Technique};
use crate::units::{Pitch, db_power, power_db};
use pulp::{Arch, Simd, WithSimd};

/// Sets a note's pitch and confidence from its contour.
///
/// The pitch is the confidence-weighted mean over the steady part: the hops
/// within 60 cents of the median, attack and release left out where the note is
/// long enough to have a middle.
pub fn measure_pitch(note: &mut Note) {
    let (pitch, confidence) = steady_pitch(&note.contour);
    if let Some(pitch) = pitch {
        note.pitch = pitch;
    }
    note.confidence = confidence;
}

/// Part of a note, in seconds at either end, that its pitch is not read from.
const EDGE_S: f64 = 0.04;
/// Distance from the median, in semitones, up to which a hop is steady.
const STEADY: f64 = 0.6;

fn steady_pitch(contour: &Contour) -> (Option<f64>, f32) {
    let count = contour.points.len();
    let edge = (EDGE_S / contour.hop_s) as usize;
    let middle = if count > 4 * edge {
        edge..count - edge
    } else {
        0..count
    };
    let mut voiced: Vec<_> = contour.points[middle]
        .iter()
        .filter(|p| !p.pitch.is_nan())
        .collect();
    if voiced.is_empty() {
        voiced = contour.voiced().map(|(_, p)| p).collect();
    }
    let Some(median) = median(voiced.iter().map(|p| f64::from(p.pitch))) else {
        return (None, 0.0);
    };
    let (mut sum, mut weight, mut sure) = (0.0, 0.0, 0.0);
    for point in &voiced {
        let off = f64::from(point.pitch) - median;
        sure += point.confidence;
        if off.abs() < STEADY {
            let w = f64::from(point.confidence).powi(2) + 1e-6;
            sum += w * off;
            weight += w;
        }
    }
    (Some(median + sum / weight), sure / voiced.len() as f32)
}

/// Middle value, or `None` of nothing.
pub fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    let (_, value, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    Some(*value)
}

/// Names the articulation of every note of a line.
pub fn describe(notes: &mut [Note]) {
    let onsets: Vec<f64> = notes.iter().map(|n| n.onset_s).collect();
    for at in 0..notes.len() {
        let next = match notes.get(at + 1) {
            Some(n) if n.attack == Attack::Slurred => Next::Slurred,
            Some(n) if n.onset_s - notes[at].offset_s < TOUCH_S => Next::Touching,
            _ => Next::Apart,
        };
        describe_one(&mut notes[at], time_of_note_s(&onsets, at), next);
    }
}

/// How the next note follows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Next {
    /// Out of this one.
    Slurred,
    /// At once, with an attack of its own.
    Touching,
    /// After a gap, or not at all.
    Apart,
}

/// Notes closer than this touch, in seconds.
const TOUCH_S: f64 = 0.03;

/// Notes on either side whose pace counts.
const NEIGHBOURS: usize = 4;
/// A gap longer than the pace by this is a rest, and not the note's.
const REST: f64 = 1.5;
/// Pace of a note that stands alone, in seconds: a quarter at 120 to the minute.
const ALONE_S: f64 = 0.5;

/// Time that the player gave a note, in seconds: up to the next onset, but no
/// more than the pace around it allows, for silence before a rest says nothing
/// of length.
pub fn time_of_note_s(onsets: &[f64], at: usize) -> f64 {
    let from = at.saturating_sub(NEIGHBOURS);
    let to = (at + NEIGHBOURS + 1).min(onsets.len());
    let gaps = onsets[from..to].windows(2).map(|w| w[1] - w[0]);
    let pace_s = median(gaps).unwrap_or(ALONE_S);
    let gap_s = onsets.get(at + 1).map(|next_s| next_s - onsets[at]);
    gap_s.filter(|gap| *gap < REST * pace_s).unwrap_or(pace_s)
}

/// Names the articulation of one note that was given `time_s`.
pub fn describe_one(note: &mut Note, time_s: f64, next: Next) {
    measure_level(note);
    let body_s = f64::from(note.measured.body_s);
    let sounding = (body_s / time_s.max(body_s).max(1e-3)) as f32;
    note.measured.sounding = sounding;
    note.length = if body_s < STACCATISSIMO_S || sounding < STACCATISSIMO_SHARE {
        Length::Staccatissimo
    } else if sounding < STACCATO_SHARE && body_s < STACCATO_S {
        Length::Staccato
    } else if sounding > TENUTO_SHARE {
        Length::Tenuto
    } else {
        Length::Normal
    };
    // What runs on into a slur is not short, however quick.
    if matches!(note.length, Length::Staccatissimo | Length::Staccato) && next == Next::Slurred {
        note.length = Length::Normal;
    }
    note.accent = note.measured.accent_db > ACCENT_DB && note.attack != Attack::Slurred;
    if note.attack == Attack::Tongued && note.measured.rise_s > BREATH_RISE_S {
        note.attack = Attack::Breath;
    }
    // Swings, and glissandi from note to note, were found where the notes were
    // joined; the rest is read here.
    let glides = |t: &Technique| matches!(t, Technique::Glissando { .. });
    let glided = note.techniques.iter().any(glides);
    if note.techniques.iter().all(glides) {
        let (slurred, ways_s) = (note.attack == Attack::Slurred, ways_s(note));
        let slides = shape(&note.contour, note.pitch)
            .into_iter()
            .filter_map(|s| linked(s, slurred, next, ways_s))
            .filter(|s| !(glided && glides(s)));
        note.techniques.extend(slides);
        note.techniques.extend(vibrato(&note.contour));
    }
    note.techniques.extend(flutter(&note.contour, note.pitch));
}

/// Shares of a note's time in which it is within 10 dB of its loudest. Handbooks
/// have staccato sound half its value and staccatissimo a quarter (common
/// practice); a horn and its room ring on, so that the borders lie higher than
/// midway.
const STACCATISSIMO_SHARE: f32 = 0.22;
const STACCATO_SHARE: f32 = 0.6;
const TENUTO_SHARE: f32 = 0.93;
/// Shorter than this, a body is staccatissimo at any tempo, in seconds.
const STACCATISSIMO_S: f64 = 0.075;
/// A staccato note's body is never longer than this, in seconds.
const STACCATO_S: f64 = 0.4;
/// How far under its loudest a note's body reaches, in dB.
const BODY_DB: f64 = 10.0;
/// Early peak over the body from which a note is accented, in dB.
const ACCENT_DB: f32 = 5.0;
/// Rise from 20 dB under the peak to 3 dB under it that no tongue is as slow
/// as, in seconds.
const BREATH_RISE_S: f32 = 0.085;

/// Rise time and accent from the note's level.
fn measure_level(note: &mut Note) {
    let hop_s = note.contour.hop_s;
    let smooth = (0.015 / hop_s).round().max(1.0) as usize;
    let levels = smoothed_db(&note.contour.points, smooth);
    let loudest_db = levels.iter().copied().fold(-120.0, f64::max);
    let body = levels.iter().filter(|&&l| l > loudest_db - BODY_DB).count();
    note.measured.body_s = (body as f64 * hop_s) as f32;
    let early = ((0.25 / hop_s) as usize).min(levels.len());
    let peak_db = levels[..early].iter().copied().fold(-120.0, f64::max);
    let up = levels.iter().position(|&l| l > peak_db - 3.0).unwrap_or(0);
    let down = levels[..up].iter().rposition(|&l| l < peak_db - 20.0);
    note.measured.rise_s = ((up - down.unwrap_or(0)) as f64 * hop_s) as f32;
    let attack = ((0.08 / hop_s) as usize + up).min(levels.len());
    let attack_db = levels[..attack].iter().copied().fold(-120.0, f64::max);
    let body = &levels[attack..(levels.len() - levels.len() / 4).max(attack)];
    let body_db = median(body.iter().copied()).unwrap_or(attack_db);
    note.measured.accent_db = (attack_db - body_db) as f32;
}

/// Levels averaged over so many hops (fewer where there are not so many), dBFS.
fn smoothed_db(points: &[Point], hops: usize) -> Vec<f64> {
    let hops = hops.clamp(1, points.len().max(1));
    let power: Vec<f64> = points
        .iter()
        .map(|p| db_power(f64::from(p.level_db)))
        .collect();
    power
        .windows(hops)
        .map(|w| power_db(w.iter().sum::<f64>() / hops as f64))
        .collect()
}

/// How far under its loudest hop a note's shape is read, in dB.
const SHAPE_DB: f32 = 18.0;
/// Least slide that is named, in cents: more than an attack settles by.
const SLIDE_CENTS: f32 = 60.0;
/// In a note longer than this any such excursion is a glissando, in seconds: no
/// scoop or fall takes a second.
const SLOW_GLISS_S: f64 = 2.5;
/// An excursion this far is one, in cents: more than any vibrato.
const EXCURSION_CENTS: f32 = 100.0;
/// A pitch this near is at home, in semitones.
const HOME: f64 = 0.35;
/// A way this long from one note to the next is heard as a glissando, in seconds.
pub const GLISSANDO_S: f64 = 0.1;
/// A slide this long over most of a note is a glissando, in cents.
const GLISS_CENTS: f32 = 130.0;

/// Scoop, fall, doit or glissando: where the pitch comes from and goes to.
fn shape(contour: &Contour, home: f64) -> Vec<Technique> {
    let loudest_db = contour
        .points
        .iter()
        .map(|p| p.level_db)
        .fold(-120.0, f32::max);
    // The first breath and the last ring have a pitch that nobody plays.
    let loud = |at: &usize| contour.points[*at].level_db > loudest_db - SHAPE_DB;
    let range = 0..contour.points.len();
    let from = range.clone().find(loud).unwrap_or(0);
    let to = range.rev().find(loud).unwrap_or(0);
    let voiced: Vec<(f64, f32)> = contour
        .timed()
        .take(to + 1)
        .skip(from)
        .filter(|(_, p)| !p.pitch.is_nan())
        .map(|(t, p)| (t, p.pitch))
        .collect();
    let (Some(first), Some(last)) = (voiced.first(), voiced.last()) else {
        return Vec::new();
    };
    let length_s = last.0 - first.0;
    if length_s < 0.08 {
        return Vec::new();
    }
    let mean = |from_s: f64, to_s: f64| {
        median(
            voiced
                .iter()
                .filter(|(t, _)| (from_s..=to_s).contains(t))
                .map(|(_, p)| f64::from(*p)),
        )
        .unwrap_or(home)
    };
    let start = mean(first.0, first.0 + 0.02);
    let end = mean(last.0 - 0.02, last.0);
    let cents = |from: f64, to: f64| ((to - from) * 100.0) as f32;
    // A glissando never rests: each quarter goes on the way of the last.
    let quarter = |i: f64| {
        mean(
            first.0 + length_s * (i - 0.5) / 4.0,
            first.0 + length_s * (i + 0.5) / 4.0,
        )
    };
    let steps: Vec<f64> = (0..4)
        .map(|i| quarter(f64::from(i) + 1.0) - quarter(f64::from(i)))
        .collect();
    let way = end - start;
    if cents(start, end).abs() > GLISS_CENTS
        && steps.iter().all(|s| s * way.signum() > 0.08 * way.abs())
    {
        return vec![Technique::Glissando {
            cents: cents(start, end),
        }];
    }
    // Or it leaves its place for a while, however slowly.
    let away = excursion(&voiced, first.0 + 0.15 * length_s, last.0 - 0.15 * length_s);
    let returns = cents(start, end).abs() < SLIDE_CENTS;
    if away.abs() > EXCURSION_CENTS && (returns || length_s > SLOW_GLISS_S) {
        return vec![Technique::Glissando { cents: away }];
    }
    let mut found = Vec::new();
    let rise = cents(start, home);
    if rise > SLIDE_CENTS {
        found.push(Technique::Scoop { cents: rise });
    }
    let drop = cents(home, end);
    if drop < -SLIDE_CENTS {
        found.push(Technique::Fall { cents: drop });
    } else if drop > SLIDE_CENTS {
        found.push(Technique::Doit { cents: drop });
    }
    found
}

/// Farthest that the pitch goes from where it is at a time, up to another, in
/// cents, by medians over 60 ms.
fn excursion(voiced: &[(f64, f32)], from_s: f64, to_s: f64) -> f32 {
    let inner: Vec<f64> = voiced
        .iter()
        .filter(|(t, _)| (from_s..=to_s).contains(t))
        .map(|(_, p)| f64::from(*p))
        .collect();
    let places: Vec<f64> = inner
        .chunks(45)
        .filter_map(|c| median(c.iter().copied()))
        .collect();
    let Some(start) = places.first() else {
        return 0.0;
    };
    let away = places.iter().map(|p| p - start);
    let farthest = away.max_by(|a, b| a.abs().total_cmp(&b.abs()));
    (farthest.unwrap_or(0.0) * 100.0) as f32
}

/// A slide as it is called where the note is slurred from or to another: the step
/// between two notes is neither scoop nor fall, however many partials the lips
/// brush, and a long slide on to the next is a glissando.
fn linked(slide: Technique, slurred: bool, next: Next, ways_s: (f64, f64)) -> Option<Technique> {
    let long = |cents: f32, way_s| cents.abs() > GLISS_CENTS && way_s > GLISSANDO_S;
    match slide {
        Technique::Scoop { cents } if slurred => long(cents, ways_s.0).then_some(slide),
        Technique::Fall { cents } | Technique::Doit { cents } if next != Next::Apart => {
            long(cents, ways_s.1).then_some(Technique::Glissando { cents })
        }
        other => Some(other),
    }
}

/// How long a note takes to come home to its pitch, and how long it is away at its
/// end, in seconds.
fn ways_s(note: &Note) -> (f64, f64) {
    let home = |p: &Point| (f64::from(p.pitch) - note.pitch).abs() < HOME;
    let points = &note.contour.points;
    let first = points.iter().position(home).unwrap_or(0);
    let last = points.iter().rposition(home).map_or(0, |at| at + 1);
    let hop_s = note.contour.hop_s;
    (first as f64 * hop_s, (points.len() - last) as f64 * hop_s)
}

/// Strongest regular wavering in a series.
#[derive(Debug, Clone, Copy)]
struct Wave {
    rate_hz: f64,
    /// Half of peak to peak.
    amplitude: f64,
    /// Share of the series' variance that the wave explains.
    share: f64,
}

/// Fits one sine by least squares over a range of rates to evenly spaced
/// values, trend taken off (the Lomb periodogram's model; Lomb, Astrophysics and
/// Space Science 39, 1976).
fn fit_wave(values: &[f64], hop_s: f64, rates_hz: (f64, f64)) -> Option<Wave> {
    let count = values.len() as f64;
    if values.len() < 8 {
        return None;
    }
    // Straight trend off.
    let middle = (count - 1.0) / 2.0;
    let mean = values.iter().sum::<f64>() / count;
    let moment: f64 = values
        .iter()
        .enumerate()
        .map(|(i, v)| (i as f64 - middle) * v)
        .sum();
    let slope = moment / (count * (count * count - 1.0) / 12.0);
    let flat: Vec<f64> = values
        .iter()
        .enumerate()
        .map(|(i, v)| v - mean - slope * (i as f64 - middle))
        .collect();
    let total: f64 = flat.iter().map(|v| v * v).sum();
    if total <= 0.0 {
        return None;
    }
    let length_s = count * hop_s;
    let step_hz = (0.1 / length_s).max(0.01);
    let mut best = (0.0, 0.0, 0.0);
    let mut rate_hz = rates_hz.0;
    while rate_hz <= rates_hz.1 {
        let rates: [f64; RATES] = std::array::from_fn(|i| rate_hz + i as f64 * step_hz);
        let found = Arch::new().dispatch(Explained {
            values: &flat,
            turns: rates.map(|r| r * hop_s),
        });
        for (rate_hz, (power, amplitude)) in rates.into_iter().zip(found) {
            if power > best.1 && rate_hz <= rates_hz.1 {
                best = (rate_hz, power, amplitude);
            }
        }
        rate_hz += RATES as f64 * step_hz;
    }
    Some(Wave {
        rate_hz: best.0,
        amplitude: best.2,
        share: best.1 / total,
    })
}

/// Rates that are tried at once: a vector register of them.
const RATES: usize = 4;

/// Power that sines of so many turns a value explain of values, and their
/// amplitudes.
struct Explained<'a> {
    values: &'a [f64],
    turns: [f64; RATES],
}

impl WithSimd for Explained<'_> {
    type Output = [(f64, f64); RATES];

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> Self::Output {
        // One sine and cosine a rate, turned on from value to value.
        let (turn_s, turn_c) = (
            self.turns.map(|t| (std::f64::consts::TAU * t).sin()),
            self.turns.map(|t| (std::f64::consts::TAU * t).cos()),
        );
        let (mut s, mut c) = ([0.0; RATES], [1.0; RATES]);
        let [mut cc, mut ss, mut cs, mut vc, mut vs] = [[0.0; RATES]; 5];
        for v in self.values {
            for i in 0..RATES {
                cc[i] += c[i] * c[i];
                ss[i] += s[i] * s[i];
                cs[i] += c[i] * s[i];
                vc[i] += v * c[i];
                vs[i] += v * s[i];
                (s[i], c[i]) = (
                    s[i] * turn_c[i] + c[i] * turn_s[i],
                    c[i] * turn_c[i] - s[i] * turn_s[i],
                );
            }
        }
        std::array::from_fn(|i| {
            let det = (cc[i] * ss[i] - cs[i] * cs[i]).max(1e-12);
            let a = (vc[i] * ss[i] - vs[i] * cs[i]) / det;
            let b = (vs[i] * cc[i] - vc[i] * cs[i]) / det;
            (a * vc[i] + b * vs[i], a.hypot(b))
        })
    }
}

/// Rates of vibrato, in hertz.
const VIBRATO_HZ: (f64, f64) = (2.5, 9.0);
/// Least vibrato that is named, in cents: what the ear hears as motion.
const VIBRATO_CENTS: f64 = 7.0;
/// Share of the pitch's motion that a vibrato must explain.
const VIBRATO_SHARE: f64 = 0.45;
/// Fewest cycles from which a rate is believed.
const VIBRATO_CYCLES: f64 = 2.0;

/// Vibrato within a note.
pub fn vibrato(contour: &Contour) -> Option<Technique> {
    let wave = pitch_wave(contour, 0.06)?;
    named_vibrato(wave, VIBRATO_SHARE)
}

/// Vibrato so wide that its ends were taken for notes, if a sine explains this
/// share of the motion.
pub fn wide_vibrato(contour: &Contour, share: f64) -> Option<Technique> {
    named_vibrato(pitch_wave(contour, 0.02)?, share)
}

fn named_vibrato((wave, cycles): (Wave, f64), share: f64) -> Option<Technique> {
    let real = wave.amplitude > VIBRATO_CENTS && wave.share > share && cycles > VIBRATO_CYCLES;
    real.then_some(Technique::Vibrato {
        rate_hz: wave.rate_hz as f32,
        extent_cents: wave.amplitude as f32,
    })
}

/// Strongest sine in a contour's pitch, in cents, its edges left out, and how
/// many cycles of it there are.
fn pitch_wave(contour: &Contour, edge_s: f64) -> Option<(Wave, f64)> {
    let steady = middle(contour, edge_s)?;
    let home = median(steady.iter().copied())?;
    let cents: Vec<f64> = steady
        .iter()
        .map(|p| (p - home).clamp(-3.0, 3.0) * 100.0)
        .collect();
    // Every third hop is enough for 9 Hz.
    let thinned: Vec<f64> = cents
        .chunks(3)
        .map(|c| c.iter().sum::<f64>() / c.len() as f64)
        .collect();
    let wave = fit_wave(&thinned, 3.0 * contour.hop_s, VIBRATO_HZ)?;
    let cycles = wave.rate_hz * steady.len() as f64 * contour.hop_s;
    Some((wave, cycles))
}

/// Pitches between the edges of a note, gaps bridged by the value before.
fn middle(contour: &Contour, edge_s: f64) -> Option<Vec<f64>> {
    let edge = (edge_s / contour.hop_s) as usize;
    let count = contour.points.len();
    if count < 4 * edge {
        return None;
    }
    let mut last = None;
    let mut out = Vec::with_capacity(count);
    for point in &contour.points[edge..count - edge] {
        if !point.pitch.is_nan() {
            last = Some(f64::from(point.pitch));
        }
        out.extend(last);
    }
    (out.len() > 2 * edge).then_some(out)
}

/// Rates of the tongue's roll, in hertz (common practice: 20 to 30 a second).
const FLUTTER_HZ: (f64, f64) = (15.0, 36.0);
/// Least depth, half of peak to peak, in dB.
const FLUTTER_DB: f64 = 1.5;
/// Share of the level's motion that a flutter must explain.
const FLUTTER_SHARE: f64 = 0.2;
/// Lowest pitch, MIDI semitones, whose own pulses are clear of the roll.
const FLUTTER_LOWEST: f64 = 33.0;

/// Tongue roll within a note of the given pitch (MIDI semitones).
pub fn flutter(contour: &Contour, pitch: f64) -> Option<Technique> {
    let edge = (0.05 / contour.hop_s) as usize;
    let count = contour.points.len();
    if count < 5 * edge || pitch < FLUTTER_LOWEST {
        return None;
    }
    // Powers are averaged over whole periods, so that the tone's own pulses
    // cancel.
    let period = 1.0 / Pitch(pitch).hz() / contour.hop_s;
    let width = (period.ceil() as usize).max(3);
    let levels = smoothed_db(&contour.points[edge..count - edge], width);
    // Motion slower than the roll is phrasing.
    let slow = (0.08 / contour.hop_s) as usize;
    let fast: Vec<f64> = (0..levels.len())
        .map(|i| {
            let from = i.saturating_sub(slow / 2);
            let to = (i + slow / 2).min(levels.len());
            levels[i] - levels[from..to].iter().sum::<f64>() / (to - from).max(1) as f64
        })
        .collect();
    let wave = fit_wave(&fast, contour.hop_s, FLUTTER_HZ)?;
    (wave.amplitude > FLUTTER_DB && wave.share > FLUTTER_SHARE).then_some(Technique::Flutter {
        rate_hz: wave.rate_hz as f32,
        depth_db: wave.amplitude as f32,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn contour(seconds: f64, pitch: impl Fn(f64) -> f64, level: impl Fn(f64) -> f64) -> Contour {
        let hop_s = 0.004 / 3.0;
        let points = (0..(seconds / hop_s) as usize).map(|i| {
            let t = i as f64 * hop_s;
            Point {
                pitch: pitch(t) as f32,
                level_db: level(t) as f32,
                confidence: 1.0,
            }
        });
        Contour {
            start_s: 0.0,
            hop_s,
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
    fn slides_are_named() {
        let names = |pitch: &dyn Fn(f64) -> f64| -> Vec<&str> {
            let c = contour(0.8, pitch, |_| -20.0);
            let home = steady_pitch(&c).0.unwrap();
            shape(&c, home).iter().map(Technique::name).collect()
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
