//! The correlator's inner loops, over many lags at once.
//!
//! They are compiled for several vector instruction sets, chosen at run time. Results
//! are the same to the last bit with any of them: the order of summation never changes.
//!
//! A kernel works on one band of lags, in arrays of a few registers: loops over a
//! variable length spend as much time in their prologue and epilogue as in between.
//! Where `f32` and `f64` meet, whole arrays are converted first and registers are
//! explicit: otherwise the compiler uses the `f64` width for everything, and square
//! roots and divisions of half a register cost as much as those of a whole one.

use pulp::{Simd, WithSimd};

use super::BAND;

/// Energy below which there is no sound to normalise.
const TINY: f32 = 1e-18;

/// Adds a band's newest products to its sums and subtracts the oldest.
#[inline(always)]
pub fn exchange<S: Simd>(
    simd: S,
    sums: &mut [f64; BAND],
    newest: &[f32; BAND],
    oldest: &[f32; BAND],
) {
    let (newest, oldest) = (newest.map(f64::from), oldest.map(f64::from));
    let (newest, _) = S::as_simd_f64s(&newest);
    let (oldest, _) = S::as_simd_f64s(&oldest);
    let (sums, _) = S::as_mut_simd_f64s(sums);
    for ((sum, &new), &old) in sums.iter_mut().zip(newest).zip(oldest) {
        *sum = simd.add_f64s(*sum, simd.sub_f64s(new, old));
    }
}

/// A band of running energies less those one window earlier.
#[inline(always)]
pub fn difference(a: &[f64], b: &[f64]) -> [f32; BAND] {
    let (a, b) = (&a[..BAND], &b[..BAND]);
    let mut past = [0.0; BAND];
    for i in 0..BAND {
        past[i] = (a[i] - b[i]) as f32;
    }
    past
}

/// A band's correlations from its sums of products, the energy of the newest sound
/// and those of the sound before at each lag.
#[inline(always)]
pub fn normalised<S: Simd>(
    simd: S,
    sums: &[f64; BAND],
    recent: f32,
    past: &[f32; BAND],
) -> [f32; BAND] {
    let mut rho = [0.0; BAND];
    for i in 0..BAND {
        rho[i] = sums[i] as f32;
    }
    let recent = simd.splat_f32s(recent);
    let tiny = simd.splat_f32s(TINY);
    let (out, _) = S::as_mut_simd_f32s(&mut rho);
    let (past, _) = S::as_simd_f32s(past);
    for (out, &past) in out.iter_mut().zip(past) {
        let geometric = simd.sqrt_f32s(simd.add_f32s(simd.mul_f32s(recent, past), tiny));
        *out = simd.div_f32s(*out, geometric);
    }
    rho
}

/// Sums of `newest` times the samples before them, at as many consecutive lags as
/// `N` registers hold, split into `PARTS` consecutive parts (a remainder is left
/// out). `past` begins with the newest sample at the first lag.
#[inline(always)]
pub fn products<S: Simd, const N: usize, const PARTS: usize>(
    simd: S,
    newest: &[f32],
    past: &[f32],
) -> [[S::f32s; N]; PARTS] {
    let long = newest.len() / PARTS;
    let parts: [_; PARTS] = std::array::from_fn(|part| {
        let past = &past[part * long..][..long + N * S::F32_LANES];
        (&newest[part * long..][..long], past)
    });
    let mut sums = [[simd.splat_f32s(0.0); N]; PARTS];
    for j in 0..long {
        for (sums, (newest, past)) in sums.iter_mut().zip(parts) {
            let sample = simd.splat_f32s(newest[j]);
            let lags = S::as_simd_f32s(&past[j..][..N * S::F32_LANES]).0;
            for (sum, &there) in sums.iter_mut().zip(lags) {
                *sum = simd.add_f32s(*sum, simd.mul_f32s(sample, there));
            }
        }
    }
    sums
}

/// Sums of products of the newest `window` samples with those at a band of lags from
/// `first`.
pub struct Lagged<'a> {
    pub past: &'a [f32],
    pub window: usize,
    pub first: usize,
}

/// Independent partial sums of a window: each addition must wait for the one before.
const PARTS: usize = 4;

impl WithSimd for Lagged<'_> {
    type Output = [f64; BAND];

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> [f64; BAND] {
        let newest = &self.past[..self.window];
        let past = &self.past[self.first..];
        let rest = self.window / PARTS * PARTS;
        // Two registers may hold more lags than a band.
        let mut parts = [[0f32; 2 * BAND]; PARTS + 1];
        for from in (0..BAND).step_by(2 * S::F32_LANES) {
            let past = &past[from..];
            let whole: [_; PARTS] = products(simd, newest, past);
            let left: [_; 1] = products(simd, &newest[rest..], &past[rest..]);
            for (part, sums) in parts.iter_mut().zip(whole.iter().chain(&left)) {
                let sums: &[_; 2] = sums;
                S::as_mut_simd_f32s(&mut part[from..]).0[..2].copy_from_slice(sums);
            }
        }
        let mut sums = [0.0; BAND];
        for part in parts {
            for (sum, part) in sums.iter_mut().zip(part) {
                *sum += f64::from(part);
            }
        }
        sums
    }
}
