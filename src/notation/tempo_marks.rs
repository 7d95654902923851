//! Where a part says another tempo: where it changes for good, not where it breathes.

/// Bars on either side that a change is seen over.
const BARS: usize = 4;
/// Least change, as the logarithm of the tempi's ratio: from 100 to 118. A tempo that swings
/// by a tenth either way, in whatever period, stays below 0.13.
const LEAST: f64 = 0.165;

/// A tempo and the bar from which on it is played, by index.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TempoMark {
    pub bar: usize,
    /// Quarters a minute.
    pub tempo: f64,
}

/// The marks of bars, each with its quarters and the seconds they took. The first bar has
/// one.
///
/// # Panics
/// Without bars.
pub fn marks(bars: &[(f64, f64)]) -> Vec<TempoMark> {
    let tempo = |from: usize, to: usize| {
        let sum = |(a, b): (f64, f64), (q, s): &(f64, f64)| (a + q, b + s);
        let (quarters, seconds) = bars[from..to].iter().fold((0.0, 0.0), sum);
        60.0 * quarters / seconds
    };
    let mut changes = vec![0];
    loop {
        let apart = |at: &usize| changes.iter().all(|change| at.abs_diff(*change) >= BARS);
        let step = |at: usize| f64::ln(tempo(at, at + BARS) / tempo(at - BARS, at)).abs();
        let places = (BARS..(bars.len() + 1).saturating_sub(BARS)).filter(apart);
        let largest = places.max_by(|a, b| step(*a).total_cmp(&step(*b)));
        match largest.filter(|at| step(*at) > LEAST) {
            Some(at) => changes.push(at),
            None => break,
        }
    }
    changes.sort_unstable();
    let ends = changes[1..].iter().copied().chain([bars.len()]);
    let mark = |(from, to): (&usize, usize)| TempoMark {
        bar: *from,
        tempo: tempo(*from, to),
    };
    changes.iter().zip(ends).map(mark).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Bars of four quarters at tempi.
    fn bars(tempi: impl Iterator<Item = f64>) -> Vec<(f64, f64)> {
        tempi.map(|tempo| (4.0, 240.0 / tempo)).collect()
    }

    #[test]
    fn a_change_is_marked_where_it_is() {
        let tempo = |bar: usize| if bar < 9 { 96.0 } else { 132.0 };
        let found = marks(&bars((0..20).map(tempo)));
        assert_eq!(found.iter().map(|m| m.bar).collect::<Vec<_>>(), [0, 9]);
        assert!((found[1].tempo - 132.0).abs() < 1e-9);
        assert_eq!(marks(&bars([100.0].into_iter())).len(), 1);
    }

    proptest! {
        /// A tempo that swings by a tenth either way has one mark.
        #[test]
        fn breathing_is_not_marked(period in 2.0f64..30.0, phase in 0.0f64..6.3, count in 1usize..40) {
            let tempo = |bar: usize| {
                100.0 * (1.0 + 0.1 * (std::f64::consts::TAU * bar as f64 / period + phase).sin())
            };
            prop_assert_eq!(marks(&bars((0..count).map(tempo))).len(), 1);
        }
    }
}
