//! Regular modulation: vibrato of the pitch, flutter of the level.

use std::ops::Range;

use pulp::{Arch, Simd, WithSimd};

use super::smoothed_db;
use crate::notes::Technique;
use crate::notes::contour::Contour;
use crate::notes::technique_model::WaveModel;
use crate::statistics::median_in;
use crate::units::Pitch;

/// What waves are measured with. While a note sounds they are measured again and again, for which
/// no memory is to be allocated: a scratch for so many hops has room for a contour of as many.
#[derive(Debug, Clone, Default)]
pub struct WaveScratch {
    /// Pitches in semitones or cents, or powers, hop by hop.
    hops: Vec<f64>,
    /// The series that a wave is looked for in, and the same without its linear trend.
    series: Vec<f64>,
    flat: Vec<f64>,
    /// Whether a value of the series is one that stands where the pitch was lost.
    held: Vec<bool>,
    /// Values with the cosine and the sine of the wave's phase there, and their weights.
    moments: Vec<(f64, f64, f64)>,
    weights: Vec<f64>,
    /// Values in the order of the median's search.
    sorted: Vec<f64>,
}

impl WaveScratch {
    /// Scratch for contours of up to so many hops.
    pub fn for_hops(hops: usize) -> Self {
        WaveScratch {
            hops: Vec::with_capacity(hops),
            series: Vec::with_capacity(hops),
            flat: Vec::with_capacity(hops),
            held: Vec::with_capacity(hops),
            moments: Vec::with_capacity(hops),
            weights: Vec::with_capacity(hops),
            sorted: Vec::with_capacity(hops),
        }
    }
}

/// The strongest sine in a series.
#[derive(Debug, Clone, Copy)]
struct Wave {
    rate_hz: f64,
    /// Half of peak to peak.
    amplitude: f64,
    /// Share of the series' variance that the wave explains.
    share: f64,
}

/// Fits one sine by least squares over a range of rates to evenly spaced
/// values, linear trend removed into `flat` (the Lomb periodogram's model; Lomb, Astrophysics and
/// Space Science 39, 1976). `None` where the best is at an end of the range: that is the
/// edge of something slower or faster.
fn fit_wave(values: &[f64], hop_s: f64, rates_hz: (f64, f64), flat: &mut Vec<f64>) -> Option<Wave> {
    let count = values.len() as f64;
    if values.len() < 8 {
        return None;
    }
    // Remove the linear trend.
    let middle = (count - 1.0) / 2.0;
    let mean = values.iter().sum::<f64>() / count;
    let moment: f64 = values
        .iter()
        .enumerate()
        .map(|(i, v)| (i as f64 - middle) * v)
        .sum();
    let slope = moment / (count * (count * count - 1.0) / 12.0);
    flat.clear();
    let level = |(i, v): (usize, &f64)| v - mean - slope * (i as f64 - middle);
    flat.extend(values.iter().enumerate().map(level));
    let total: f64 = flat.iter().map(|v| v * v).sum();
    if total <= 0.0 {
        return None;
    }
    let length_s = count * hop_s;
    let step_hz = (0.1 / length_s).max(0.01);
    let mut best = (rates_hz.0, 0.0, 0.0);
    let mut last_hz = rates_hz.0;
    let mut rate_hz = rates_hz.0;
    while rate_hz <= rates_hz.1 {
        let rates: [f64; RATES] = std::array::from_fn(|i| rate_hz + i as f64 * step_hz);
        let found = Arch::new().dispatch(ExplainedPower {
            values: flat,
            turns: rates.map(|r| r * hop_s),
        });
        for (rate_hz, (power, amplitude)) in rates.into_iter().zip(found) {
            if rate_hz > rates_hz.1 {
                break;
            }
            last_hz = rate_hz;
            if power > best.1 {
                best = (rate_hz, power, amplitude);
            }
        }
        rate_hz += RATES as f64 * step_hz;
    }
    let within = best.0 > rates_hz.0 && best.0 < last_hz;
    within.then_some(Wave {
        rate_hz: best.0,
        amplitude: best.2,
        share: best.1 / total,
    })
}

/// Amplitude of a sine of known rate in the evenly spaced values of the series, by the biweight of
/// Beaton and Tukey (Technometrics 16, 1974; six times the median deviation, three rounds), so
/// that what was measured of another sound does not flatten it. Values that are held count for
/// nothing.
fn robust_amplitude(scratch: &mut WaveScratch, hop_s: f64, rate_hz: f64) -> Option<f64> {
    let WaveScratch {
        series,
        held,
        moments,
        weights,
        sorted,
        ..
    } = scratch;
    let centre = median_in(sorted, series.iter().copied())?;
    let turn = std::f64::consts::TAU * rate_hz * hop_s;
    let own = series.iter().zip(&*held).enumerate();
    let own = own.filter(|(_, (_, held))| !**held);
    moments.clear();
    moments.extend(own.map(|(i, (value, _))| {
        let (s, c) = (turn * i as f64).sin_cos();
        (value - centre, c, s)
    }));
    weights.clear();
    weights.resize(moments.len(), 1.0);
    let mut amplitude = None;
    for _ in 0..4 {
        let [mut cc, mut ss, mut cs, mut vc, mut vs] = [0.0; 5];
        for ((v, c, s), weight) in moments.iter().zip(&*weights) {
            cc += weight * c * c;
            ss += weight * s * s;
            cs += weight * c * s;
            vc += weight * v * c;
            vs += weight * v * s;
        }
        let det = cc * ss - cs * cs;
        if det < 1e-9 {
            break;
        }
        let (a, b) = ((vc * ss - vs * cs) / det, (vs * cc - vc * cs) / det);
        amplitude = Some(f64::hypot(a, b));
        let off = |(v, c, s): &(f64, f64, f64)| (v - a * c - b * s).abs();
        let limit = 6.0 * median_in(sorted, moments.iter().map(off))?;
        if limit <= 0.0 {
            break;
        }
        for (weight, moment) in weights.iter_mut().zip(&*moments) {
            *weight = (1.0 - (off(moment) / limit).powi(2)).max(0.0).powi(2);
        }
    }
    amplitude
}

/// Rates that are tried at once: a vector register of them.
const RATES: usize = 4;

/// Power that sines explain of values, and their amplitudes. `turns` are their
/// frequencies in cycles per value.
struct ExplainedPower<'a> {
    values: &'a [f64],
    turns: [f64; RATES],
}

impl WithSimd for ExplainedPower<'_> {
    type Output = [(f64, f64); RATES];

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> Self::Output {
        // One sine and cosine per rate, rotated from value to value.
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

/// Longest stretch that a wave is looked for in, in seconds. No player keeps a wave
/// in step for longer, and the work grows with the square of the length.
const LONGEST_S: f64 = 20.0;

/// The middle of so many hops, no longer than [`LONGEST_S`].
fn middle_of(hops: usize, hop_s: f64) -> Range<usize> {
    let most = ((LONGEST_S / hop_s) as usize).min(hops);
    let from = (hops - most) / 2;
    from..from + most
}

/// Vibrato within a note.
pub fn vibrato(
    contour: &Contour,
    model: &WaveModel,
    scratch: &mut WaveScratch,
) -> Option<Technique> {
    vibrato_explaining(model.vibrato_share, contour, model, scratch)
}

/// Vibrato that explains so large a share of the pitch's motion.
pub fn vibrato_explaining(
    share: f64,
    contour: &Contour,
    model: &WaveModel,
    scratch: &mut WaveScratch,
) -> Option<Technique> {
    let (wave, cycles) = pitch_wave(contour, model, scratch)?;
    let real =
        wave.amplitude > model.vibrato_cents && wave.share > share && cycles > model.vibrato_cycles;
    real.then_some(Technique::Vibrato {
        rate_hz: wave.rate_hz as f32,
        extent_cents: wave.amplitude as f32,
    })
}

/// Strongest sine in a contour's pitch, in cents, without its edges, and the number of
/// its cycles.
fn pitch_wave(
    contour: &Contour,
    model: &WaveModel,
    scratch: &mut WaveScratch,
) -> Option<(Wave, f64)> {
    let WaveScratch {
        hops,
        series,
        flat,
        held,
        sorted,
        ..
    } = scratch;
    middle(contour, model.edge_s, hops)?;
    let steady = middle_of(hops.len(), contour.hop_s);
    let cents = &mut hops[steady];
    let home = median_in(sorted, cents.iter().copied())?;
    cents.iter_mut().for_each(|p| *p = (*p - home) * 100.0);
    // Every third hop is enough for 9 Hz.
    series.clear();
    series.extend(
        cents
            .chunks(3)
            .map(|c| c.iter().sum::<f64>() / c.len() as f64),
    );
    let mut wave = fit_wave(series, 3.0 * contour.hop_s, model.vibrato_hz, flat)?;
    // Where the pitch was lost, the last one stands, to the last digit.
    held.clear();
    held.extend(cents.chunks(3).map(|c| c[0] == c[c.len() - 1]));
    let cycles = wave.rate_hz * cents.len() as f64 * contour.hop_s;
    let robust = robust_amplitude(scratch, 3.0 * contour.hop_s, wave.rate_hz);
    wave.amplitude = robust.unwrap_or(wave.amplitude);
    Some((wave, cycles))
}

/// Replaces `out` by the pitches between the edges of a note's tone, gaps bridged by the value
/// before; none where there are too few.
fn middle(contour: &Contour, edge_s: f64, out: &mut Vec<f64>) -> Option<()> {
    let edge = (edge_s / contour.hop_s) as usize;
    let points = &contour.points;
    // Ringing after the tone has no pitch and no vibrato.
    let count = points.iter().rposition(|p| !p.pitch.is_nan())? + 1;
    if count < 4 * edge {
        return None;
    }
    let mut last = None;
    out.clear();
    for point in &points[edge..count - edge] {
        if !point.pitch.is_nan() {
            last = Some(f64::from(point.pitch));
        }
        out.extend(last);
    }
    (out.len() > 2 * edge).then_some(())
}

/// Tongue roll within a note of the given pitch (MIDI semitones).
pub fn flutter(
    contour: &Contour,
    pitch: f64,
    model: &WaveModel,
    scratch: &mut WaveScratch,
) -> Option<Technique> {
    let edge = (model.edge_s / contour.hop_s) as usize;
    let count = contour.points.len();
    if count < 5 * edge {
        return None;
    }
    // Powers are averaged over at least one period (whole hops, so seldom over just one), so that
    // little is left of the tone's own pulses.
    let period = 1.0 / Pitch(pitch).hz() / contour.hop_s;
    let width = (period.ceil() as usize).max(3);
    let tone = &contour.points[edge..count - edge];
    let tone = &tone[middle_of(tone.len(), contour.hop_s)];
    let (levels, modulation) = (&mut scratch.hops, &mut scratch.series);
    smoothed_db(tone, width, &mut scratch.sorted, levels);
    // What is slower than any roll is phrasing.
    let slow = (1.0 / model.flutter_hz.0 / contour.hop_s) as usize;
    modulation.clear();
    modulation.extend((0..levels.len()).map(|i| {
        let from = i.saturating_sub(slow / 2);
        let to = (i + slow / 2).min(levels.len());
        levels[i] - levels[from..to].iter().sum::<f64>() / (to - from).max(1) as f64
    }));
    let wave = fit_wave(
        modulation,
        contour.hop_s,
        model.flutter_hz,
        &mut scratch.flat,
    )?;
    (wave.amplitude > model.flutter_db && wave.share > model.flutter_share).then_some(
        Technique::Flutter {
            rate_hz: wave.rate_hz as f32,
            depth_db: wave.amplitude as f32,
        },
    )
}
