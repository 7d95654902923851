//! Tempo over time: when each place of the part was played.

/// When places are due, by a Kalman filter whose state is the due time of the last place
/// and the period of a quarter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clock {
    /// Time at which the last place was due, in seconds.
    pub due_s: f64,
    /// Seconds of a quarter.
    pub period_s: f64,
    /// Variance of the due time, covariance of both, variance of the period.
    cov: [f64; 3],
}

impl Clock {
    /// Clock at an onset that strays by `jitter_s`, its period known to a share `doubt`.
    pub fn new(time_s: f64, period_s: f64, jitter_s: f64, doubt: f64) -> Clock {
        Clock {
            due_s: time_s,
            period_s,
            cov: [jitter_s * jitter_s, 0.0, (doubt * period_s).powi(2)],
        }
    }

    /// The clock so many quarters later. Over each quarter the period takes a random step
    /// with a standard deviation of the share `drift`.
    pub fn after(&self, quarters: f64, drift: f64) -> Clock {
        let walk = (drift * self.period_s).powi(2);
        let [time, both, period] = self.cov;
        Clock {
            due_s: self.due_s + quarters * self.period_s,
            period_s: self.period_s,
            cov: [
                time + quarters * (2.0 * both + quarters * period) + walk * quarters.powi(3) / 3.0,
                both + quarters * period + walk * quarters * quarters / 2.0,
                period + walk * quarters,
            ],
        }
    }

    /// The clock after an onset was heard, and the logarithm of the onset's probability;
    /// nothing if it is more than `gate` standard deviations away.
    pub fn corrected(&self, time_s: f64, jitter_s: f64, gate: f64) -> Option<(Clock, f64)> {
        let variance = self.variance(jitter_s);
        let off_s = time_s - self.due_s;
        if off_s * off_s > gate * gate * variance {
            return None;
        }
        Some((self.moved(off_s, variance), log_normal(off_s, variance)))
    }

    /// Variance of an onset around the due time, if onsets stray by `jitter_s`.
    pub fn variance(&self, jitter_s: f64) -> f64 {
        self.cov[0] + jitter_s * jitter_s
    }

    /// The clock after an onset `off_s` seconds from the due time, where onsets have a
    /// variance.
    pub fn moved(&self, off_s: f64, variance: f64) -> Clock {
        let [time, both, period] = self.cov;
        let (to_time, to_period) = (time / variance, both / variance);
        Clock {
            due_s: self.due_s + to_time * off_s,
            period_s: self.period_s + to_period * off_s,
            cov: [
                time - to_time * time,
                both - to_time * both,
                period - to_period * both,
            ],
        }
    }

    /// The clock set to a time, its period kept.
    pub fn restarted(&self, time_s: f64) -> Clock {
        Clock {
            due_s: time_s,
            ..*self
        }
    }
}

/// Logarithm of the normal density of a variance, so far from its mean.
pub fn log_normal(off: f64, variance: f64) -> f64 {
    -0.5 * (off * off / variance + (std::f64::consts::TAU * variance).ln())
}

/// When each place was played, smoothed over the player's jitter.
#[derive(Debug, Clone, PartialEq)]
pub struct TempoCurve {
    /// Quarters from the first bar line and seconds, both rising.
    knots: Vec<(f64, f64)>,
}

impl TempoCurve {
    /// The curve through onsets at places in quarters, both rising: the clock run forwards,
    /// then smoothed backwards (Rauch, Tung and Striebel, AIAA Journal 3(8), 1965; from
    /// memory).
    ///
    /// # Panics
    /// Without onsets.
    pub fn new(onsets: &[(f64, f64)], period_s: f64, jitter_s: f64, drift: f64) -> TempoCurve {
        /// Doubt about the period before the first note, as a share.
        const DOUBT: f64 = 0.1;
        let (first, first_s) = onsets[0];
        let mut heard = vec![Clock::new(first_s, period_s, jitter_s, DOUBT)];
        let mut due = vec![heard[0]];
        for pair in onsets.windows(2) {
            let clock = heard[heard.len() - 1].after(pair[1].0 - pair[0].0, drift);
            due.push(clock);
            let corrected = clock.corrected(pair[1].1, jitter_s, f64::INFINITY);
            heard.push(corrected.map_or(clock, |(clock, _)| clock));
        }
        let mut knots = vec![(first, first_s); onsets.len()];
        let mut smooth = heard[heard.len() - 1];
        for at in (0..onsets.len()).rev() {
            if let Some(due) = due.get(at + 1) {
                let quarters = onsets[at + 1].0 - onsets[at].0;
                let [time, both, period] = heard[at].cov;
                // Gain: covariance with the next state, over that state's own.
                let cross = [
                    time + quarters * both,
                    both,
                    both + quarters * period,
                    period,
                ];
                let [a, b, c] = due.cov;
                let det = (a * c - b * b).max(f64::MIN_POSITIVE);
                let gain = |x: f64, y: f64| ((x * c - y * b) / det, (y * a - x * b) / det);
                let (off_s, off) = (smooth.due_s - due.due_s, smooth.period_s - due.period_s);
                let (tt, tp) = gain(cross[0], cross[1]);
                let (pt, pp) = gain(cross[2], cross[3]);
                smooth = Clock {
                    due_s: heard[at].due_s + tt * off_s + tp * off,
                    period_s: heard[at].period_s + pt * off_s + pp * off,
                    cov: heard[at].cov,
                };
            }
            knots[at] = (onsets[at].0, smooth.due_s);
        }
        // Time goes on, however a player stumbles.
        let least_s = 1e-3 * period_s;
        for at in 1..knots.len() {
            let quarters = knots[at].0 - knots[at - 1].0;
            knots[at].1 = knots[at].1.max(knots[at - 1].1 + least_s * quarters);
        }
        if let [(place, time_s)] = knots[..] {
            knots.push((place + 1.0, time_s + period_s));
        }
        TempoCurve { knots }
    }

    /// The curve through knots that are known: quarters and seconds, both rising, two at
    /// least.
    pub fn through(knots: Vec<(f64, f64)>) -> TempoCurve {
        debug_assert!(knots.len() > 1 && knots.windows(2).all(|w| w[0].0 < w[1].0));
        TempoCurve { knots }
    }

    /// Time of a place in quarters. Beyond the ends the tempo stays.
    pub fn seconds(&self, quarters: f64) -> f64 {
        let (a, b) = self.around(self.knots.partition_point(|k| k.0 <= quarters));
        a.1 + (quarters - a.0) * (b.1 - a.1) / (b.0 - a.0)
    }

    /// Place of a time, in quarters.
    pub fn quarters(&self, time_s: f64) -> f64 {
        let (a, b) = self.around(self.knots.partition_point(|k| k.1 <= time_s));
        a.0 + (time_s - a.1) * (b.0 - a.0) / (b.1 - a.1)
    }

    /// Quarters a minute on the whole.
    pub fn tempo(&self) -> f64 {
        let (a, b) = (self.knots[0], self.knots[self.knots.len() - 1]);
        60.0 * (b.0 - a.0) / (b.1 - a.1)
    }

    fn around(&self, next: usize) -> ((f64, f64), (f64, f64)) {
        let next = next.clamp(1, self.knots.len() - 1);
        (self.knots[next - 1], self.knots[next])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A player who drifts by a sine and strays: the curve is nearer to the beat than the
    /// onsets are, and time and place are inverse.
    #[test]
    fn curves_follow_the_player() {
        let beat = |i: usize| {
            let x = i as f64;
            0.5 * x + 0.3 * (x / 6.0).sin()
        };
        let stray = |i: usize| 0.02 * ((i * i) as f64 * 1.7).sin();
        let onsets: Vec<(f64, f64)> = (0..60).map(|i| (i as f64, beat(i) + stray(i))).collect();
        let curve = TempoCurve::new(&onsets, 0.5, 0.015, 0.02);
        let error = |at: &dyn Fn(usize) -> f64| {
            (0..60)
                .map(|i| (at(i) - beat(i)).powi(2))
                .sum::<f64>()
                .sqrt()
        };
        let smoothed = error(&|i| curve.seconds(i as f64));
        assert!(smoothed < 0.8 * error(&|i| onsets[i].1), "{smoothed}");
        for i in 0..50 {
            let quarters = f64::from(i) * 1.3;
            assert!((curve.quarters(curve.seconds(quarters)) - quarters).abs() < 1e-9);
        }
    }

    #[test]
    fn one_note_has_a_tempo() {
        let curve = TempoCurve::new(&[(0.0, 1.0)], 0.5, 0.015, 0.02);
        assert!((curve.tempo() - 120.0).abs() < 1e-9);
        assert!((curve.seconds(2.0) - 2.0).abs() < 1e-9);
    }
}
