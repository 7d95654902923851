//! The few statistics that are needed in several places, one of each.

/// Value at a share of the way from the smallest (0) to the largest (1): the nearest
/// rank of n - 1 (Hyndman and Fan, The American Statistician 50, 1996, discuss
/// the alternatives), so that the answer is one of the values. Halfway between two
/// ranks it is the upper one. Reorders the values; `None` of nothing.
pub fn quantile(values: &mut [f64], share: f64) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    let at = (share.clamp(0.0, 1.0) * last as f64).round() as usize;
    Some(*values.select_nth_unstable_by(at, f64::total_cmp).1)
}

/// Rank, from 0, of the value at a share of the way from the smallest (0) to the largest (1) of
/// so many: between two ranks the lower one. `None` of nothing.
pub fn rank_below(count: usize, share: f64) -> Option<usize> {
    Some((count.checked_sub(1)? as f64 * share) as usize)
}

/// Middle value, the mean of the middle two of an even number; `None` of nothing.
pub fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    median_in(&mut Vec::new(), values)
}

/// The same, with `scratch` for the values: where it has room for them, no memory is allocated.
pub fn median_in(scratch: &mut Vec<f64>, values: impl Iterator<Item = f64>) -> Option<f64> {
    scratch.clear();
    scratch.extend(values);
    median_of(scratch)
}

/// The same of a slice, which it reorders.
pub fn median_of(values: &mut [f64]) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    let (below, &mut upper, _) = values.select_nth_unstable_by(last.div_ceil(2), f64::total_cmp);
    let lower = match last % 2 {
        0 => None,
        _ => below.iter().copied().max_by(f64::total_cmp),
    };
    Some(lower.map_or(upper, |lower| 0.5 * (lower + upper)))
}

/// A straight line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StraightLine {
    /// Value at 0.
    pub at_zero: f64,
    /// Change of the value per unit.
    pub slope: f64,
}

impl StraightLine {
    /// Line through (x, y) points by least squares (Gauss, 1809): the smallest sum of
    /// squared distances in y. `None` where all x are the same, or there are none.
    pub fn fit(points: &[(f64, f64)]) -> Option<StraightLine> {
        Self::fit_weighted(points, |_| 1.0)
    }

    /// The same with squares that weigh as `weight` says of a point's index.
    pub fn fit_weighted(
        points: &[(f64, f64)],
        weight: impl Fn(usize) -> f64,
    ) -> Option<StraightLine> {
        let sum = |of: &dyn Fn(&(f64, f64)) -> f64| -> f64 {
            let terms = points.iter().enumerate().map(|(i, p)| weight(i) * of(p));
            terms.sum()
        };
        let total = sum(&|_| 1.0);
        let (mean_x, mean_y) = (sum(&|p| p.0) / total, sum(&|p| p.1) / total);
        let xy = sum(&|p| (p.0 - mean_x) * (p.1 - mean_y));
        let xx = sum(&|p| (p.0 - mean_x).powi(2));
        // Equal x may differ from their rounded mean.
        let rounding = total * (4.0 * f64::EPSILON * mean_x).powi(2);
        let slope = xy / xx;
        (slope.is_finite() && xx > rounding).then_some(StraightLine {
            at_zero: mean_y - slope * mean_x,
            slope,
        })
    }

    /// Value at a place.
    pub fn at(&self, x: f64) -> f64 {
        self.at_zero + self.slope * x
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn quantiles_are_values_by_rank() {
        let mut values = [3.0, 1.0, 4.0, 2.0];
        assert_eq!(quantile(&mut values, 0.0), Some(1.0));
        assert_eq!(quantile(&mut values, 0.3), Some(2.0));
        assert_eq!(quantile(&mut values, 1.0), Some(4.0));
        assert_eq!(quantile(&mut [], 0.5), None);
    }

    #[test]
    fn the_median_of_an_even_count_is_between_the_middle_two() {
        assert_eq!(median([4.0, 1.0, 3.0, 2.0].into_iter()), Some(2.5));
        assert_eq!(median([5.0, 1.0, 3.0].into_iter()), Some(3.0));
    }

    #[test]
    fn no_line_without_two_places() {
        assert_eq!(StraightLine::fit(&[]), None);
        assert_eq!(StraightLine::fit(&[(1.0, 2.0), (1.0, 3.0)]), None);
        let rounded = [(0.2, 1.0), (0.2, 1.1), (0.2, 1.2)];
        assert_eq!(StraightLine::fit(&rounded), None);
    }

    proptest! {
        #[test]
        fn a_line_is_found_again(
            at_zero in -100.0f64..100.0,
            slope in -10.0f64..10.0,
            xs in prop::collection::btree_set(-50i32..50, 2..20),
        ) {
            let points: Vec<(f64, f64)> =
                xs.iter().map(|x| (f64::from(*x), at_zero + slope * f64::from(*x))).collect();
            let line = StraightLine::fit(&points).unwrap();
            prop_assert!((line.slope - slope).abs() < 1e-9);
            prop_assert!((line.at_zero - at_zero).abs() < 1e-8);
            // A point that weighs nothing has no say.
            let mut bent = points.clone();
            bent.push((60.0, 1e6));
            let weight = |i: usize| if i < points.len() { 1.0 } else { 0.0 };
            let same = StraightLine::fit_weighted(&bent, weight).unwrap();
            prop_assert!((same.slope - slope).abs() < 1e-9);
        }
    }
}
