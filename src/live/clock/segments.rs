//! A clock's ticks as straight lines: as few as its jitter allows, so that a steady clock has
//! one tempo and a change of tempo stands where it was.

use crate::statistics::{StraightLine, quantile};

/// A tick: its number, and when it came, in seconds.
pub type Tick = (f64, f64);

/// Ticks are this near to their lines at least, in multiples of the jitter's standard
/// deviation: one in 2000 of a normal distribution is not.
const REACH: f64 = 3.5;
/// Least and most of that, in seconds: a good clock is better than a millisecond, and one
/// that wanders by more than 10 ms can be heard to change its tempo.
const REACH_S: (f64, f64) = (0.001, 0.010);

/// A straight line through ticks: time in seconds by number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Segment {
    /// Numbers of the first and last tick.
    pub from: f64,
    pub to: f64,
    line: StraightLine,
}

impl Segment {
    /// Time of a tick by its number, in seconds.
    pub fn time_s(&self, number: f64) -> f64 {
        self.line.at(number)
    }

    /// Seconds from tick to tick.
    pub fn period_s(&self) -> f64 {
        self.line.slope
    }

    /// Where it goes over into the next: number and time of the place between their ticks at
    /// which they are nearest to each other.
    pub fn meets(&self, next: &Segment) -> (f64, f64) {
        let apart_s = next.time_s(self.to) - self.time_s(self.to);
        let closing_s = self.period_s() - next.period_s();
        let after = if closing_s == 0.0 {
            0.0
        } else {
            apart_s / closing_s
        };
        let number = (self.to + after).clamp(self.to, next.from.max(self.to));
        (number, 0.5 * (self.time_s(number) + next.time_s(number)))
    }

    /// The best line through some ticks, at least one; flat through a single one.
    fn fit(ticks: &[Tick]) -> Segment {
        let (first, last) = (ticks[0], ticks[ticks.len() - 1]);
        let flat = StraightLine {
            at_zero: first.1,
            slope: 0.0,
        };
        Segment {
            from: first.0,
            to: last.0,
            line: StraightLine::fit(ticks).unwrap_or(flat),
        }
    }

    fn holds(&self, ticks: &[Tick], reach_s: f64) -> bool {
        let near = |(number, time_s): &Tick| (self.time_s(*number) - time_s).abs() <= reach_s;
        ticks.iter().all(near)
    }
}

/// Standard deviation of the ticks' jitter in seconds, by the median of their second
/// differences, in which an even tempo cancels out.
fn jitter_s(ticks: &[Tick]) -> f64 {
    let second = |three: &[Tick]| (three[0].1 - 2.0 * three[1].1 + three[2].1).abs();
    let mut differences: Vec<f64> = ticks.windows(3).map(second).collect();
    let median = quantile(&mut differences, 0.5).unwrap_or(0.0);
    // A normal distribution's median is 0.6745 of its deviation; the variances of three
    // ticks add up as 1 + 4 + 1.
    median / 0.6745 / 6f64.sqrt()
}

/// Lines through ticks with rising numbers, each as long as all its ticks stay near it.
pub fn segments(ticks: &[Tick]) -> Vec<Segment> {
    let reach_s = (REACH * jitter_s(ticks)).clamp(REACH_S.0, REACH_S.1);
    let mut begins = Vec::new();
    let mut from = 0;
    while ticks.len() - from >= 2 {
        let rest = &ticks[from..];
        let holds = |count: usize| Segment::fit(&rest[..count]).holds(&rest[..count], reach_s);
        // Twice as many as long as they hold, then the most between.
        let (mut good, mut bad) = (2, rest.len() + 1);
        while good < rest.len() {
            let more = (2 * good).min(rest.len());
            if !holds(more) {
                bad = more;
                break;
            }
            good = more;
        }
        while good + 1 < bad {
            let middle = (good + bad) / 2;
            if holds(middle) {
                good = middle;
            } else {
                bad = middle;
            }
        }
        begins.push(from);
        from += good;
    }
    // A line that holds a little longer than its tempo is bent: each border goes where both
    // lines fit best.
    begins.push(from);
    for at in 1..begins.len().saturating_sub(1) {
        let (first, end) = (begins[at - 1], begins[at + 1]);
        let low = begins[at].saturating_sub(BORDER).max(first + 2);
        let high = (begins[at] + BORDER).min(end.saturating_sub(2));
        let off = |border: &usize| misfit(&ticks[first..*border]) + misfit(&ticks[*border..end]);
        let best = (low..=high).min_by(|a, b| off(a).total_cmp(&off(b)));
        begins[at] = best.unwrap_or(begins[at]);
    }
    let lines = begins.windows(2);
    lines
        .map(|two| Segment::fit(&ticks[two[0]..two[1]]))
        .collect()
}

/// Ticks either way that a border is moved by at most.
const BORDER: usize = 6;

/// Sum of squared distances from the best line, in seconds squared.
fn misfit(ticks: &[Tick]) -> f64 {
    let line = Segment::fit(ticks);
    let off = |(number, time_s): &Tick| (line.time_s(*number) - time_s).powi(2);
    ticks.iter().map(off).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Ticks of tempi that last for so many ticks each, with jitter.
    fn ticks(tempi: &[(f64, usize)], jitter: &mut impl FnMut() -> f64) -> Vec<Tick> {
        let (mut now_s, mut number) = (0.5, 0.0);
        let mut ticks = Vec::new();
        for (tempo, count) in tempi {
            for _ in 0..*count {
                ticks.push((number, now_s + jitter()));
                now_s += 60.0 / tempo / 24.0;
                number += 1.0;
            }
        }
        ticks
    }

    proptest! {
        /// A steady clock with 2 ms of jitter either way is one tempo, right to a 5000th.
        #[test]
        fn jitter_is_no_tempo(tempo in 40.0f64..240.0, seed: u64) {
            let mut random = fastrand::Rng::with_seed(seed);
            let ticks = ticks(&[(tempo, 2_400)], &mut || 0.004 * (random.f64() - 0.5));
            let found = segments(&ticks);
            prop_assert_eq!(found.len(), 1);
            let got = 60.0 / found[0].period_s() / 24.0;
            prop_assert!((got / tempo - 1.0).abs() < 2e-4, "{got} {tempo}");
        }

        /// A tempo that jumps is two, and the place of the jump is right to a few ticks.
        #[test]
        fn jumps_stand_where_they_are(
            before in 60.0f64..180.0,
            ratio in prop_oneof![0.6f64..0.9, 1.1f64..1.6],
            seed: u64,
        ) {
            let mut random = fastrand::Rng::with_seed(seed);
            let tempi = [(before, 480), (before * ratio, 480)];
            let ticks = ticks(&tempi, &mut || 0.004 * (random.f64() - 0.5));
            let found = segments(&ticks);
            let (first, last) = (found[0], found[found.len() - 1]);
            prop_assert!(found.len() <= 3, "{found:?}");
            prop_assert!((first.to - 479.0).abs() < 24.0, "{first:?}");
            prop_assert!((60.0 / first.period_s() / 24.0 / before - 1.0).abs() < 5e-3);
            prop_assert!((60.0 / last.period_s() / 24.0 / (before * ratio) - 1.0).abs() < 5e-3);
        }
    }
}
