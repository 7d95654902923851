//! Peaks of the correlation over lag: each is a possible period of the sound.

use super::candidates::MAX_CANDIDATES;

/// A possible period and how well the sound repeats at it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Peak {
    /// Lag in samples, with its fraction.
    pub lag: f32,
    /// Correlation there, at most 1.
    pub rho: f32,
}

/// Most peaks kept per window and hop, as many as there may be candidates. A brass
/// tone has one at each multiple of its period; the dozen shortest above the threshold
/// include the period itself.
pub const MAX_PEAKS: usize = MAX_CANDIDATES;

/// A later peak must be higher by this much to replace an earlier one: multiples of a short period
/// lie nearer to whole lags and so come out higher. At 0.05 a tone of 1137 Hz without its
/// fundamental is heard an octave off.
const TIE: f32 = 0.1;

/// Peaks in order of lag, without allocation.
#[derive(Debug, Clone, Copy, Default)]
pub struct Peaks {
    list: [Peak; MAX_PEAKS],
    count: usize,
}

impl Peaks {
    /// The peaks, shortest lag first.
    pub fn as_slice(&self) -> &[Peak] {
        &self.list[..self.count]
    }

    /// Finds local maxima of `rho` between two lags that reach `min_rho`.
    ///
    /// Each is interpolated by the parabola through three points, accurate to a few
    /// cents; precise pitch is measured once it is known which peak is the note. Once
    /// [`MAX_PEAKS`] are found, a later one takes the place of the weakest only if it is higher by
    /// more than [`TIE`].
    #[inline(always)]
    pub fn find(&mut self, rho: &[f32], shortest: usize, longest: usize, min_rho: f32) {
        self.count = 0;
        let first = shortest.max(1);
        let last = longest.min(rho.len() - 2);
        if last < first {
            return;
        }
        let (before, here, after) = (&rho[first - 1..last], &rho[first..=last], &rho[first + 1..]);
        let top = |b: f32, h: f32, a: f32| (h >= min_rho) & (h >= b) & (h > a);
        // Eight lags at a time: most have no peak, and that is found out without
        // branches.
        let eights = here.len() / 8 * 8;
        for from in (0..eights).step_by(8) {
            let at = from..from + 8;
            let (b, h, a) = (&before[at.clone()], &here[at.clone()], &after[at]);
            let mut any = false;
            for i in 0..8 {
                any |= top(b[i], h[i], a[i]);
            }
            if any {
                for i in (0..8).filter(|&i| top(b[i], h[i], a[i])) {
                    self.insert(interpolated(rho, first + from + i));
                }
            }
        }
        for i in eights..here.len() {
            if top(before[i], here[i], after[i]) {
                self.insert(interpolated(rho, first + i));
            }
        }
    }

    fn insert(&mut self, peak: Peak) {
        if self.count == MAX_PEAKS {
            let weakest = (0..MAX_PEAKS)
                .min_by(|&a, &b| self.list[a].rho.total_cmp(&self.list[b].rho))
                .unwrap_or(0);
            // Multiples of a period are as high as the period itself: the first are
            // kept.
            if self.list[weakest].rho + TIE >= peak.rho {
                return;
            }
            self.list.copy_within(weakest + 1.., weakest);
            self.count -= 1;
        }
        self.list[self.count] = peak;
        self.count += 1;
    }
}

/// Height of the peak at or next to a lag, or the highest of the three values if
/// there is none.
pub fn top_around(rho: &[f32], lag: usize) -> f32 {
    let near = lag - 1..=(lag + 1).min(rho.len() - 2);
    let highest = near
        .max_by(|&a, &b| rho[a].total_cmp(&rho[b]))
        .unwrap_or(lag);
    interpolated(rho, highest.max(1)).rho.max(rho[highest])
}

/// Top of the parabola through a peak and its neighbours.
fn interpolated(rho: &[f32], lag: usize) -> Peak {
    let (before, here, after) = (rho[lag - 1], rho[lag], rho[lag + 1]);
    let curve = before - 2.0 * here + after;
    let shift = if curve < 0.0 {
        (0.5 * (before - after) / curve).clamp(-0.5, 0.5)
    } else {
        0.0
    };
    Peak {
        lag: lag as f32 + shift,
        rho: (here - 0.25 * (before - after) * shift).min(1.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_the_tops_and_keeps_the_strongest() {
        let rho: Vec<f32> = (0..400)
            .map(|i| {
                let lag = i as f32;
                (lag * std::f32::consts::TAU / 20.3).cos() * (1.0 - lag / 1_000.0)
            })
            .collect();
        let mut peaks = Peaks::default();
        peaks.find(&rho, 5, 390, 0.2);
        assert_eq!(peaks.as_slice().len(), MAX_PEAKS);
        let first = peaks.as_slice()[0];
        assert!((first.lag - 20.3).abs() < 0.05, "{first:?}");
    }
}
