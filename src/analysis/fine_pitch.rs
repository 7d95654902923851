//! Precise pitch, once it is known which period the sound has.
//!
//! A correlation peak interpolated from three samples is accurate to a few cents. Two
//! steps bring that to a tenth of a cent on a steady tone: the peak is interpolated as
//! the band-limited function it is, and it is located at the highest multiple of the
//! period within reach, where the same error in samples is a smaller part of the lag.

use std::sync::LazyLock;

use pulp::{Arch, Simd, WithSimd};

use super::correlator::{Correlator, Window};

/// Shortest window, and farthest multiple of the period that it is compared at, in seconds. The
/// period is a mean over that multiple and then over the window: where both last as long as this, a
/// vibrato at 8 Hz is flattened by 3.0 %, which is `1 - (sin(x) / x)^2` with `x = pi * 8 * 0.012`.
const REACH_S: f64 = 0.012;
/// Half-width of the interpolating kernel in samples.
const HALF: usize = 6;
/// Lags computed around a peak: the kernel, and a sample on either side for the
/// peak to move.
const AROUND: usize = 2 * HALF + 4;

/// Refines a period, in samples, using the correlator's history. Returns the period
/// and the span of sound that it was measured in, in samples, or `None` where there is
/// no clear peak.
///
/// `lag` must be accurate to about a tenth of a sample, as the parabola through a peak
/// is: its multiple then points at the right peak.
pub fn refine(correlator: &Correlator, rate_hz: f64, lag: f64) -> Option<(f64, f64)> {
    let window = (REACH_S * rate_hz).max(lag).round() as usize;
    let longest = (REACH_S * rate_hz).min((correlator.lags() - AROUND) as f64);
    let rho = correlator.rho(Window::Long);
    let clear = |multiple: f64| rho[(multiple * lag).round() as usize] > 0.0;
    let mut multiple = (longest / lag).floor().max(1.0);
    while multiple > 1.0 && !clear(multiple) {
        multiple = (0.5 * multiple).floor();
    }
    let mut top = top_near(correlator, window, multiple * lag);
    if top.is_none() && multiple > 1.0 {
        // A changing pitch, or a neighbouring peak: use the period itself.
        multiple = 1.0;
        top = top_near(correlator, window, lag);
    }
    let top = top?;
    Some((top / multiple, window as f64 + top))
}

/// Position of the correlation's maximum within about a sample of `lag`.
fn top_near(correlator: &Correlator, window: usize, lag: f64) -> Option<f64> {
    let first = (lag.round() as usize).checked_sub(AROUND / 2)?;
    let mut products = [0.0; AROUND];
    let mut energies = [0.0; AROUND];
    let recent = correlator.lagged(window, first, &mut products, &mut energies)?;
    let at = Arch::new().dispatch(Maximise {
        products,
        energies,
        recent,
        from: lag - first as f64,
    });
    let at = at + first as f64;
    ((at - lag).abs() < 0.8).then_some(at)
}

/// Finds the maximum of a correlation that is known at whole lags.
struct Maximise {
    products: [f64; AROUND],
    energies: [f64; AROUND],
    recent: f64,
    from: f64,
}

impl Maximise {
    #[inline(always)]
    fn rho_at(&self, at: f64) -> f64 {
        let (product, energy) = interpolate(at, &self.products, &self.energies);
        product / (self.recent * energy).max(1e-18).sqrt()
    }
}

impl WithSimd for Maximise {
    type Output = f64;

    /// By parabolas over ever smaller steps.
    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> f64 {
        let mut at = self.from;
        for step in [0.7, 0.15] {
            let before = self.rho_at(at - step);
            let here = self.rho_at(at);
            let after = self.rho_at(at + step);
            let curve = before - 2.0 * here + after;
            let shift = if curve < 0.0 {
                (0.5 * (before - after) / curve).clamp(-1.0, 1.0)
            } else {
                (after - before).signum()
            };
            at += shift * step;
        }
        at
    }
}

/// Samples under the kernel.
const TAPS: usize = 2 * HALF;
/// Angle between samples in the kernel's window.
const ANGLE_STEP: f64 = std::f64::consts::PI / (HALF as f64 + 0.5);
/// The window's cosine and sine at each sample under the kernel, for a point on the
/// middle sample, with the signs of the sinc.
static WINDOW: LazyLock<[[f64; TAPS]; 3]> = LazyLock::new(|| {
    let angle = |i: usize| ANGLE_STEP * (HALF as f64 - 1.0 - i as f64);
    let sign = |i: usize| if i.is_multiple_of(2) { -1.0 } else { 1.0 };
    [
        std::array::from_fn(sign),
        std::array::from_fn(|i| sign(i) * angle(i).cos()),
        std::array::from_fn(|i| sign(i) * angle(i).sin()),
    ]
});

/// Both sequences at a fractional index, by a sinc with a raised-cosine window.
///
/// The sinc's sine is the same at every sample except for its sign, and the sum of the
/// weights is divided out, so that only `sign / x` remains of it.
#[inline(always)]
fn interpolate(at: f64, products: &[f64; AROUND], energies: &[f64; AROUND]) -> (f64, f64) {
    let middle = at as usize;
    let fraction = at - middle as f64;
    if fraction < 1e-9 {
        return (products[middle], energies[middle]);
    }
    let first = middle + 1 - HALF;
    let [signs, cosines, sines] = &*WINDOW;
    let (sine, cosine) = small_sin_cos(ANGLE_STEP * fraction);
    let products = &products[first..][..TAPS];
    let energies = &energies[first..][..TAPS];
    // Four partial sums of each, for vector registers.
    let (mut product, mut energy, mut total) = ([0.0; 4], [0.0; 4], [0.0; 4]);
    for from in (0..TAPS).step_by(4) {
        for lane in 0..4 {
            let i = from + lane;
            let x = fraction + (HALF as f64 - 1.0 - i as f64);
            let weight = (signs[i] + cosine * cosines[i] - sine * sines[i]) / x;
            product[lane] += weight * products[i];
            energy[lane] += weight * energies[i];
            total[lane] += weight;
        }
    }
    let total: f64 = total.iter().sum();
    (
        product.iter().sum::<f64>() / total,
        energy.iter().sum::<f64>() / total,
    )
}

/// Sine and cosine of an angle from 0 to 0.5 rad, accurate to 2e-11, by their Taylor
/// series.
#[inline(always)]
fn small_sin_cos(x: f64) -> (f64, f64) {
    let square = x * x;
    let term = |rest: f64, n: f64| 1.0 - rest * square * (1.0 / n);
    let sine = x * term(term(term(term(1.0, 72.0), 42.0), 20.0), 6.0);
    let cosine = term(term(term(term(term(1.0, 90.0), 56.0), 30.0), 12.0), 2.0);
    (sine, cosine)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_angles() {
        for i in 0..=500 {
            let x = f64::from(i) * 0.001;
            let (sine, cosine) = small_sin_cos(x);
            assert!((sine - x.sin()).abs() < 2e-11, "{x}");
            assert!((cosine - x.cos()).abs() < 2e-11, "{x}");
        }
    }

    #[test]
    fn between_samples_of_a_sine() {
        let wave = |at: f64| (0.9 * at).sin();
        let samples = std::array::from_fn(|i| wave(i as f64));
        for i in 0..=20 {
            let at = 7.0 + f64::from(i) * 0.05;
            let (one, other) = interpolate(at, &samples, &samples);
            assert!((one - wave(at)).abs() < 2e-3, "{at}: {one}");
            assert_eq!(one, other);
        }
    }
}
