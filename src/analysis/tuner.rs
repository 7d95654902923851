//! Precise pitch, once it is known which period the sound has.
//!
//! A correlation peak read off a few samples is good to some cents. Two steps
//! bring that to a tenth of a cent on a steady tone: the peak is interpolated
//! as the band-limited function it is, and it is looked for at the highest
//! multiple of the period that still lies close by, where the same error in
//! samples is a smaller part of the lag.

use std::sync::LazyLock;

use super::correlator::{Correlator, Window};

/// Farthest multiple looked at, in seconds. A vibrato at 8 Hz is flattened by
/// 1.5 % over this reach: `1 - sinc(pi * 8 * 0.012)`.
const REACH_S: f64 = 0.012;
/// Least window compared, in seconds.
const WINDOW_S: f64 = 0.012;
/// Correlation below which a multiple is not trusted.
const LEAST_RHO: f32 = 0.8;
/// Half-width of the interpolating kernel in samples.
const HALF: usize = 6;
/// Lags computed around a peak: the kernel, and a sample on either side for the
/// peak to move.
const AROUND: usize = 2 * HALF + 4;

/// Refines a period, in samples, using the correlator's history. Gives the
/// period and the span of sound it was read from, in samples; `None` where
/// there is no clear peak.
///
/// `lag` must be right within a tenth of a sample or so, which the parabola
/// through a peak is: the multiple looked at is then the right one.
pub fn refine(correlator: &Correlator, rate_hz: f64, lag: f64) -> Option<(f64, f64)> {
    let window = (WINDOW_S * rate_hz).max(lag).round() as usize;
    let longest = (REACH_S * rate_hz).min((correlator.lags() - AROUND) as f64);
    let rho = correlator.rho(Window::Firm);
    let clear = |multiple: f64| rho[(multiple * lag).round() as usize] > LEAST_RHO;
    let mut multiple = (longest / lag).floor().max(1.0);
    while multiple > 1.0 && !clear(multiple) {
        multiple = (0.5 * multiple).floor();
    }
    let mut top = top_near(correlator, window, multiple * lag);
    if top.is_none() && multiple > 1.0 {
        // A pitch on the move, or a neighbour's peak: the period itself is safe.
        multiple = 1.0;
        top = top_near(correlator, window, lag);
    }
    let top = top?;
    Some((top / multiple, window as f64 + top))
}

/// Position of the correlation's top within a sample or so of `lag`.
fn top_near(correlator: &Correlator, window: usize, lag: f64) -> Option<f64> {
    let first = (lag.round() as usize).checked_sub(AROUND / 2)?;
    let mut products = [0.0; AROUND];
    let mut energies = [0.0; AROUND];
    let recent = correlator.lagged(window, first, &mut products, &mut energies)?;
    let rho_at = |lag: f64| {
        let (product, energy) = interpolate(lag - first as f64, &products, &energies);
        product / (recent * energy).max(1e-18).sqrt()
    };
    // Climb by parabolas over an ever finer step.
    let mut at = lag;
    for step in [0.7, 0.15, 0.03] {
        let (before, here, after) = (rho_at(at - step), rho_at(at), rho_at(at + step));
        let curve = before - 2.0 * here + after;
        let shift = if curve < 0.0 {
            (0.5 * (before - after) / curve).clamp(-1.0, 1.0)
        } else {
            (after - before).signum()
        };
        at += shift * step;
    }
    ((at - lag).abs() < 0.8).then_some(at)
}

/// Angle that the kernel's window turns by from sample to sample.
const TURN: f64 = std::f64::consts::PI / (HALF as f64 + 0.5);
static TURN_SIN_COS: LazyLock<(f64, f64)> = LazyLock::new(|| TURN.sin_cos());

/// Both sequences at a fractional index, by a sinc under a raised-cosine window.
fn interpolate(at: f64, products: &[f64; AROUND], energies: &[f64; AROUND]) -> (f64, f64) {
    let middle = at.floor();
    let fraction = at - middle;
    if fraction < 1e-9 {
        let i = middle as usize;
        return (products[i], energies[i]);
    }
    let first = middle as usize + 1 - HALF;
    let sine = (std::f64::consts::PI * fraction).sin();
    // The kernel's window at each sample, by turning one angle on.
    let (turn_sin, turn_cos) = *TURN_SIN_COS;
    let (mut window_sin, mut window_cos) = (TURN * (at - first as f64)).sin_cos();
    let mut sign = if HALF.is_multiple_of(2) { -1.0 } else { 1.0 };
    let (mut product, mut energy, mut total) = (0.0, 0.0, 0.0);
    for i in first..first + 2 * HALF {
        let x = at - i as f64;
        let weight = sign * sine / x * (1.0 + window_cos);
        product += weight * products[i];
        energy += weight * energies[i];
        total += weight;
        sign = -sign;
        (window_sin, window_cos) = (
            window_sin * turn_cos - window_cos * turn_sin,
            window_cos * turn_cos + window_sin * turn_sin,
        );
    }
    (product / total, energy / total)
}
