//! Precise pitch, once it is known which period the sound has.
//!
//! A correlation peak read off a few samples is good to some cents. Two steps
//! bring that to a tenth of a cent on a steady tone: the peak is interpolated
//! as the band-limited function it is, and it is looked for at the highest
//! multiple of the period that still lies close by, where the same error in
//! samples is a smaller part of the lag.

use super::correlator::Correlator;

/// Farthest multiple looked at, in seconds. A vibrato at 8 Hz is flattened by
/// 1.5 % over this reach: `1 - sinc(pi * 8 * 0.012)`.
const REACH_S: f64 = 0.012;
/// Least window compared, in seconds.
const WINDOW_S: f64 = 0.012;
/// Correlation below which a multiple is not trusted.
const LEAST_RHO: f64 = 0.8;
/// Half-width of the interpolating kernel in samples.
const HALF: usize = 8;
/// Lags computed around a peak: the kernel, and a sample on either side for the
/// peak to move.
const AROUND: usize = 2 * HALF + 4;

/// Refines a period, in samples, using the correlator's history. Gives the
/// period and the span of sound it was read from, in samples; `None` where
/// there is no clear peak.
pub fn refine(correlator: &Correlator, rate_hz: f64, lag: f64) -> Option<(f64, f64)> {
    let window = (WINDOW_S * rate_hz).max(lag).round() as usize;
    let longest = (REACH_S * rate_hz).min((correlator.lags() - AROUND) as f64);
    let (mut period, _) = top_near(correlator, window, lag)?;
    let mut multiple = 1.0;
    while 2.0 * multiple * period <= longest {
        let (far, rho) = top_near(correlator, window, 2.0 * multiple * period)?;
        // A far peak more than a few per cent of a period off belongs to a
        // neighbour, or to a pitch on the move.
        if rho < LEAST_RHO || (far - 2.0 * multiple * period).abs() > 0.1 * period {
            break;
        }
        multiple *= 2.0;
        period = far / multiple;
    }
    Some((period, window as f64 + multiple * period))
}

/// Position and height of the correlation's top within a sample or so of `lag`.
fn top_near(correlator: &Correlator, window: usize, lag: f64) -> Option<(f64, f64)> {
    let first = (lag.round() as usize).checked_sub(AROUND / 2)?;
    let mut products = [0.0; AROUND];
    let mut energies = [0.0; AROUND];
    let recent = correlator.lagged(window, first, &mut products, &mut energies)?;
    let rho_at = |lag: f64| {
        let (product, energy) = interpolate(lag - first as f64, &products, &energies);
        product / (recent * energy).max(1e-18).sqrt()
    };
    // Climb by parabolas over an ever finer step.
    let (mut at, mut top) = (lag, rho_at(lag));
    for step in [0.6, 0.2, 0.05] {
        let (before, after) = (rho_at(at - step), rho_at(at + step));
        let curve = before - 2.0 * top + after;
        let shift = if curve < 0.0 {
            (0.5 * (before - after) / curve).clamp(-1.0, 1.0)
        } else {
            (after - before).signum()
        };
        at += shift * step;
        if (at - lag).abs() > 1.2 {
            return None;
        }
        top = rho_at(at);
    }
    Some((at, top))
}

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
    let (mut product, mut energy, mut total) = (0.0, 0.0, 0.0);
    for i in first..first + 2 * HALF {
        let x = at - i as f64;
        let sign = if (middle as usize).abs_diff(i) % 2 == 0 {
            1.0
        } else {
            -1.0
        };
        let sinc = sign * sine / (std::f64::consts::PI * x);
        let weight = sinc * (0.5 + 0.5 * (std::f64::consts::PI * x / (HALF as f64 + 0.5)).cos());
        product += weight * products[i];
        energy += weight * energies[i];
        total += weight;
    }
    (product / total, energy / total)
}
