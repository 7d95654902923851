//! Arithmetic without branches, for arrays that the compiler keeps in vector registers.

/// The lower of two. One instruction; [`f32::min`] needs more to handle NaN.
#[inline(always)]
pub fn lower(a: f32, b: f32) -> f32 {
    if a < b { a } else { b }
}

/// The higher of two.
#[inline(always)]
pub fn higher(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

/// Sum of products, in eight partial sums for vector registers.
#[inline(always)]
pub fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut sums = [0f32; 8];
    let (a, a_rest) = a.as_chunks::<8>();
    let (b, b_rest) = b.as_chunks::<8>();
    for (a, b) in a.iter().zip(b) {
        for lane in 0..8 {
            sums[lane] += a[lane] * b[lane];
        }
    }
    let rest: f32 = a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum();
    sums.iter().sum::<f32>() + rest
}

/// Logarithm to base 2 of a finite number above 1e-37, good to 2e-7 (or 2e-7 of it):
/// twice the series of the inverse hyperbolic tangent (Abramowitz and Stegun 4.1.27)
/// on what remains beside a whole power of two. It has no branch and no table, so that
/// it vectorises, and gives the same bits on every machine.
#[inline(always)]
pub fn log2(x: f32) -> f32 {
    use std::f32::consts::{FRAC_1_SQRT_2, LOG2_E};
    // The power of two for which the rest lies within root two of one.
    let whole = (x.to_bits().wrapping_sub(FRAC_1_SQRT_2.to_bits()) as i32) >> 23;
    let rest = f32::from_bits(x.to_bits().wrapping_sub((whole << 23) as u32));
    let s = (rest - 1.0) / (rest + 1.0);
    let square = s * s;
    let series = 1.0 / 5.0 + square * (1.0 / 7.0 + square * (1.0 / 9.0));
    let series = 1.0 + square * (1.0 / 3.0 + square * series);
    whole as f32 + 2.0 * LOG2_E * s * series
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn logarithms() {
        for i in -80_000..80_000 {
            let x = (i as f32 * 1e-3).exp();
            let want = f64::from(x).log2();
            let error = (f64::from(log2(x)) - want).abs();
            assert!(error < 2e-7 * want.abs().max(1.0), "{x}: {error}");
        }
        assert_eq!(log2(1.0), 0.0);
        assert_eq!(log2(0.25), -2.0);
    }
}
