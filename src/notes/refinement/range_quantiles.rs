//! Quantiles of any range of a series, without sorting the range.

use std::ops::Range;

use crate::statistics::rank_below;

/// A series in a wavelet matrix (Claude, Navarro and Ordóñez, Information Systems 47,
/// 2015): one row of bits for each binary digit of the values' ranks, the highest first.
/// The k-th smallest value of a range is found digit by digit (Gagie, Puglisi and Turpin,
/// SPIRE 2009), so a range costs the same whatever its length. Values that are not numbers
/// are left out. Both from memory.
pub struct RangeQuantiles {
    /// The values in rising order, each once.
    sorted: Vec<f32>,
    /// How many of the first values are numbers, for every number of first values.
    numbers: Vec<u32>,
    /// The digits of rank, the highest first.
    digits: Vec<Digit>,
}

/// One digit of every rank, in the order that sorting by the higher digits leaves.
struct Digit {
    bits: Vec<u64>,
    /// Ones before each word of `bits`.
    ones: Vec<u32>,
    /// Zeros in all.
    zeros: usize,
}

impl Digit {
    fn new(ranks: &[u32], shift: u32) -> Digit {
        let mut bits = vec![0u64; ranks.len() / 64 + 1];
        for (at, rank) in ranks.iter().enumerate() {
            bits[at / 64] |= u64::from(rank >> shift & 1) << (at % 64);
        }
        let mut total = 0;
        let mut before = |word: &u64| {
            let ones = total;
            total += word.count_ones();
            ones
        };
        let ones: Vec<u32> = bits.iter().map(&mut before).collect();
        Digit {
            zeros: ranks.len() - total as usize,
            bits,
            ones,
        }
    }

    /// Ones among the first digits.
    fn ones(&self, first: usize) -> usize {
        let below = self.bits[first / 64] & ((1u64 << (first % 64)) - 1);
        (self.ones[first / 64] + below.count_ones()) as usize
    }
}

impl RangeQuantiles {
    /// The quantiles of a series.
    pub fn new(values: &[f32]) -> RangeQuantiles {
        let mut numbers = vec![0];
        let mut counted = 0;
        for value in values {
            counted += u32::from(!value.is_nan());
            numbers.push(counted);
        }
        let present = || values.iter().copied().filter(|v| !v.is_nan());
        let mut sorted: Vec<f32> = present().collect();
        sorted.sort_unstable_by(f32::total_cmp);
        sorted.dedup_by(|a, b| a.total_cmp(b).is_eq());
        let rank = |value: f32| sorted.partition_point(|v| v.total_cmp(&value).is_lt()) as u32;
        let mut ranks: Vec<u32> = present().map(rank).collect();
        let count = usize::BITS - sorted.len().saturating_sub(1).leading_zeros();
        let mut digits = Vec::new();
        for shift in (0..count).rev() {
            digits.push(Digit::new(&ranks, shift));
            let digit = |rank: &u32| rank >> shift & 1;
            // A stable sort by this digit.
            let (mut zeros, ones): (Vec<u32>, Vec<u32>) =
                ranks.iter().partition(|rank| digit(rank) == 0);
            zeros.extend(ones);
            ranks = zeros;
        }
        RangeQuantiles {
            sorted,
            numbers,
            digits,
        }
    }

    /// How many values of a range are numbers.
    pub fn count(&self, range: &Range<usize>) -> usize {
        (self.numbers[range.end] - self.numbers[range.start]) as usize
    }

    /// Value at a share of the way from a range's smallest (0) to its largest (1), by
    /// the rank below. `None` where no value is a number.
    pub fn quantile(&self, range: &Range<usize>, share: f64) -> Option<f32> {
        let mut at = rank_below(self.count(range), share)?;
        let (mut from, mut to) = (
            self.numbers[range.start] as usize,
            self.numbers[range.end] as usize,
        );
        let mut rank = 0;
        for digit in &self.digits {
            let (ones_from, ones_to) = (digit.ones(from), digit.ones(to));
            let zeros = (to - from) - (ones_to - ones_from);
            let one = at >= zeros;
            rank = rank << 1 | usize::from(one);
            (from, to) = match one {
                false => (from - ones_from, to - ones_to),
                true => (digit.zeros + ones_from, digit.zeros + ones_to),
            };
            if one {
                at -= zeros;
            }
        }
        Some(self.sorted[rank])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_range_s_quantile_is_that_of_the_sorted_range(
            values in prop::collection::vec(prop_oneof![
                (-3i8..4).prop_map(f32::from), -50f32..50.0, Just(f32::NAN),
            ], 0..300),
            ends in (0usize..300, 0usize..300),
            share in 0.0f64..=1.0,
        ) {
            let (a, b) = (ends.0.min(values.len()), ends.1.min(values.len()));
            let range = a.min(b)..a.max(b);
            let mut among: Vec<f32> = values[range.clone()].to_vec();
            among.retain(|v| !v.is_nan());
            among.sort_by(f32::total_cmp);
            let quantiles = RangeQuantiles::new(&values);
            prop_assert_eq!(quantiles.count(&range), among.len());
            let at = (among.len().saturating_sub(1) as f64 * share) as usize;
            prop_assert_eq!(quantiles.quantile(&range, share), among.get(at).copied());
        }
    }
}
