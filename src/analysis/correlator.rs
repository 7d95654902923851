//! The running correlator: how well the newest sound repeats itself at every
//! lag, renewed each hop, at several window lengths at once.
//!
//! A pitch detector with one window is either late on a trumpet or blind on a
//! tuba. Here each lag has windows of its own, in proportion to the lag: one
//! about one period long (*fast*: the two periods it spans are the physical
//! floor of any answer, Derrien, DAFx 2014) and one a few periods long (*firm*).
//!
//! Products are summed per hop and lag once, and a window is the sum of its
//! hops, kept up to date by adding the newest and taking off the oldest. The
//! cost per sample is one multiply-add per lag however many windows there are,
//! which at a 1.3 ms hop is an order below a transform per hop and window.
//!
//! The measure is the normalised cross-correlation
//!
//! ```text
//! rho(lag) = sum x[j] x[j-lag] / sqrt(sum x[j]^2 * sum x[j-lag]^2)
//! ```
//!
//! over the window's j. It is one for a periodic sound and, unlike the
//! difference function it descends from (de Cheveigné and Kawahara, JASA 111,
//! 2002; McLeod and Wyvill, ICMC 2005), also for one that grows or dies away
//! exponentially, as every attack and release does.
//!
//! The arithmetic is compiled for the widest vector registers beside the plain ones
//! and chosen when it runs. The results are the same to the last bit with any: no sum
//! is taken in another order.

use pulp::{Arch, Simd, WithSimd};

use super::lanes::higher;

/// Which of the window sets to read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Window {
    /// About one period, at least 3.5 ms.
    Fast = 0,
    /// Two and a half periods, at least 12 ms.
    Firm = 1,
}

/// Number of window sets.
const SETS: usize = 2;

/// Window length per lag: periods, and the least length in seconds. A window
/// shorter than 3.5 ms has too few samples for a stable correlation whatever
/// the pitch (four at 1 kHz would span one formant's ring); 12 ms averages the
/// breath noise of a high note.
const WINDOWS: [(f64, f64); SETS] = [(1.0, 0.0035), (2.5, 0.012)];

/// An eighth: the correlation is taken at face value while the two sides of a
/// lag differ by less than 18 dB (where the geometric mean of their energies is
/// an eighth of their sum). Beyond, the louder side is mostly sound that the
/// quieter one knows nothing of.
const UNEVEN: f32 = 0.125;

/// Energy below which there is no sound to normalise.
const TINY: f32 = 1e-18;

/// Lags whose correlations are summed together.
const CHUNK: usize = 8;

/// Lags that share a window at least: whole vector registers.
const BAND: usize = 16;

/// A run of lags that share a window length, in hops, per set.
#[derive(Debug, Clone, Copy)]
struct Band {
    from: usize,
    to: usize,
    hops: usize,
}

/// Running normalised correlation over lags `0..lags()`.
#[derive(Debug, Clone)]
pub struct Correlator {
    hop: usize,
    lags: usize,
    bands: [Vec<Band>; SETS],
    /// Newest sample first, so that a rising lag reads rising addresses.
    reversed: Vec<f32>,
    head: usize,
    /// Running sum of squares at each sample, newest first, in step with
    /// `reversed`.
    energy: Vec<f64>,
    /// Samples of history that are always there.
    reach: usize,
    /// Lag products of recent hops, one row of `lags` a hop.
    products: Vec<f32>,
    rows: usize,
    row: usize,
    sums: [Vec<f64>; SETS],
    rho: [Vec<f32>; SETS],
    /// Eight partial sums of rho over the lags before each chunk of lags.
    before: [Vec<[f32; CHUNK]>; SETS],
}

impl Correlator {
    /// Correlator at `rate_hz` with `hop` samples between answers, for lags up
    /// to `longest_lag` samples.
    pub fn new(rate_hz: f64, hop: usize, longest_lag: usize) -> Self {
        let lags = (longest_lag + 1).next_multiple_of(CHUNK);
        let bands = WINDOWS.map(|(periods, least_s)| {
            let hops_at = |lag: usize| {
                let samples = (periods * lag as f64).max(least_s * rate_hz);
                (samples / hop as f64).ceil() as usize
            };
            let mut bands: Vec<Band> = Vec::new();
            for from in (0..lags).step_by(BAND) {
                let to = (from + BAND).min(lags);
                let hops = hops_at(to - 1);
                match bands.last_mut() {
                    Some(band) if band.hops == hops => band.to = to,
                    _ => bands.push(Band { from, to, hops }),
                }
            }
            bands
        });
        let rows = bands.iter().flatten().map(|b| b.hops).max().unwrap_or(1) + 1;
        let reach = rows * hop + 2 * lags + hop;
        // Room for 4 * reach samples to be laid down before the live part is
        // moved back to the end: moves are rare, reads are one slice.
        let length = 5 * reach;
        Correlator {
            hop,
            lags,
            bands,
            reversed: vec![0.0; length],
            head: length - reach,
            energy: vec![0.0; length],
            reach,
            products: vec![0.0; rows * lags],
            rows,
            row: 0,
            sums: [vec![0.0; lags], vec![0.0; lags]],
            rho: [vec![0.0; lags], vec![0.0; lags]],
            before: [
                vec![[0.0; CHUNK]; lags / CHUNK],
                vec![[0.0; CHUNK]; lags / CHUNK],
            ],
        }
    }

    /// Number of lags, a multiple of eight.
    pub fn lags(&self) -> usize {
        self.lags
    }

    /// Window length in samples for `lag` in a set.
    pub fn window(&self, set: Window, lag: usize) -> usize {
        let lag = lag.min(self.lags - 1);
        let bands = &self.bands[set as usize];
        let at = bands.partition_point(|b| b.to <= lag);
        bands[at].hops * self.hop
    }

    /// Takes one hop of samples, oldest first (`block.len()` must be the hop).
    /// Correlations are as of the last hop that was `wanted`: half the work is
    /// saved where nothing sounds.
    pub fn push(&mut self, block: &[f32], wanted: bool) {
        assert_eq!(block.len(), self.hop, "one hop at a time");
        self.lay_down(block);
        Arch::new().dispatch(Renew {
            correlator: self,
            wanted,
        });
        self.row = (self.row + 1) % self.rows;
    }

    /// Correlation per lag in a set, -1 to 1, after the last `push` that wanted it.
    pub fn rho(&self, set: Window) -> &[f32] {
        &self.rho[set as usize]
    }

    /// Mean of `1 - rho` over the lags up to one, after the last `push` that wanted it.
    ///
    /// The unexplained share at a period divided by this is YIN's cumulative
    /// mean normalised difference: rumble, which correlates at every short lag
    /// alike, comes out near one, and only what stands out as a period is small.
    pub fn contrast(&self, set: Window, lag: usize) -> f32 {
        let (chunk, set) = (lag / CHUNK, set as usize);
        let rest = &self.rho[set][chunk * CHUNK..=lag];
        let sum: f32 = self.before[set][chunk].iter().chain(rest).sum();
        ((lag + 1) as f32 - sum) / lag.max(1) as f32
    }

    /// Exact correlation sums of the newest `window` samples at consecutive lags
    /// from `first`: products into one slice, energies of the delayed sound
    /// into the other. Gives the energy of the undelayed sound, or `None` where
    /// the history does not reach that far.
    ///
    /// The running windows change length from lag to lag; where a peak is to be
    /// placed to a hundredth of a sample, all lags must share one.
    pub fn lagged(
        &self,
        window: usize,
        first: usize,
        products: &mut [f64],
        energies: &mut [f64],
    ) -> Option<f64> {
        let past = &self.reversed[self.head..];
        let energy = &self.energy[self.head..];
        if first + products.len() + window >= past.len() {
            return None;
        }
        Arch::new().dispatch(Dots {
            past,
            window,
            first,
            products,
        });
        for (lag, delayed) in (first..).zip(energies) {
            *delayed = energy[lag] - energy[lag + window];
        }
        Some(energy[0] - energy[window])
    }

    fn lay_down(&mut self, block: &[f32]) {
        if self.head < self.hop {
            let live = self.reach;
            let end = self.reversed.len();
            self.reversed
                .copy_within(self.head..self.head + live, end - live);
            // Restart the running sum at the oldest live sample: it would lose
            // digits if it grew for hours.
            let floor = self.energy[self.head + live - 1];
            for i in (0..live).rev() {
                self.energy[end - live + i] = self.energy[self.head + i] - floor;
            }
            self.head = end - live;
        }
        for &sample in block {
            let total = self.energy[self.head] + f64::from(sample) * f64::from(sample);
            self.head -= 1;
            self.reversed[self.head] = sample;
            self.energy[self.head] = total;
        }
    }

    /// Products of the newest hop at every lag, into the current row. The row
    /// held the hop that has just left the longest window.
    #[inline(always)]
    fn multiply<S: Simd>(&mut self, simd: S) {
        let row = &mut self.products[self.row * self.lags..][..self.lags];
        let past = &self.reversed[self.head..][..self.lags + self.hop];
        let newest = &past[..self.hop];
        // Several registers of lags at a time, so that a sample is fetched but once
        // for all of them.
        let (groups, rest) = S::as_mut_simd_f32s(row).0.as_chunks_mut::<4>();
        let mut from = 0;
        for group in groups {
            *group = products(simd, newest, &past[from..]);
            from += 4 * S::F32_LANES;
        }
        for register in rest {
            [*register] = products(simd, newest, &past[from..]);
            from += S::F32_LANES;
        }
    }

    #[inline(always)]
    fn slide(&mut self, set: usize) {
        for band in &self.bands[set] {
            // No remainder: a division for each band would show.
            let leaving = match self.row.checked_sub(band.hops) {
                Some(row) => row,
                None => self.row + self.rows - band.hops,
            };
            let newest = &self.products[self.row * self.lags..][band.from..band.to];
            let oldest = &self.products[leaving * self.lags..][band.from..band.to];
            let sums = &mut self.sums[set][band.from..band.to];
            for ((sum, &new), &old) in sums.iter_mut().zip(newest).zip(oldest) {
                *sum += f64::from(new) - f64::from(old);
            }
        }
    }

    #[inline(always)]
    fn normalise(&mut self, set: usize) {
        let energy = &self.energy[self.head..];
        for band in &self.bands[set] {
            let window = band.hops * self.hop;
            let recent = (energy[0] - energy[window]) as f32;
            let starts = &energy[band.from..band.to];
            let ends = &energy[band.from + window..band.to + window];
            let sums = &self.sums[set][band.from..band.to];
            let rho = &mut self.rho[set][band.from..band.to];
            for (((out, &sum), &start), &end) in rho.iter_mut().zip(sums).zip(starts).zip(ends) {
                let (sum, past) = (sum as f32, (start - end) as f32);
                let geometric = (recent * past + TINY).sqrt();
                let arithmetic = (recent + past) * UNEVEN;
                *out = sum / higher(geometric, arithmetic);
            }
        }
        let mut sums = [0.0; CHUNK];
        let chunks = self.rho[set].as_chunks::<CHUNK>().0;
        for (before, chunk) in self.before[set].iter_mut().zip(chunks) {
            *before = sums;
            for lane in 0..CHUNK {
                sums[lane] += chunk[lane];
            }
        }
    }
}

/// Sums of `newest` times the samples before them, at as many consecutive lags as
/// `N` registers hold. `past` begins with the newest sample at the first lag.
#[inline(always)]
fn products<S: Simd, const N: usize>(simd: S, newest: &[f32], past: &[f32]) -> [S::f32s; N] {
    let mut sums = [simd.splat_f32s(0.0); N];
    for (j, &sample) in newest.iter().enumerate() {
        let sample = simd.splat_f32s(sample);
        let lags = S::as_simd_f32s(&past[j..][..N * S::F32_LANES]).0;
        for (sum, &there) in sums.iter_mut().zip(lags) {
            *sum = simd.add_f32s(*sum, simd.mul_f32s(sample, there));
        }
    }
    sums
}

/// All that a hop renews at every lag.
struct Renew<'a> {
    correlator: &'a mut Correlator,
    wanted: bool,
}

impl WithSimd for Renew<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Renew { correlator, wanted } = self;
        correlator.multiply(simd);
        for set in 0..SETS {
            correlator.slide(set);
            if wanted {
                correlator.normalise(set);
            }
        }
    }
}

/// Products of the newest `window` samples with those at lags from `first`.
struct Dots<'a> {
    past: &'a [f32],
    window: usize,
    first: usize,
    products: &'a mut [f64],
}

impl WithSimd for Dots<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) {
        let newest = &self.past[..self.window];
        for (lag, product) in (self.first..).zip(self.products) {
            let mut sums = [0f32; 8];
            let (a, b) = (
                newest.chunks_exact(8),
                self.past[lag..lag + self.window].chunks_exact(8),
            );
            let rest = a.remainder().iter().zip(b.remainder());
            let rest: f32 = rest.map(|(x, y)| x * y).sum();
            for (x, y) in a.zip(b) {
                for lane in 0..8 {
                    sums[lane] += x[lane] * y[lane];
                }
            }
            *product = f64::from(sums.iter().sum::<f32>() + rest);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The same correlation, written as its definition.
    fn by_definition(x: &[f32], window: usize, lag: usize) -> f64 {
        let end = x.len();
        let (mut xy, mut xx, mut yy) = (0.0, 0.0, 0.0);
        for j in end - window..end {
            let a = f64::from(x[j]);
            let b = f64::from(x[j - lag]);
            xy += a * b;
            xx += a * a;
            yy += b * b;
        }
        let mean = (xx * yy).sqrt();
        xy / mean.max(f64::from(UNEVEN) * (xx + yy))
    }

    #[test]
    fn running_sums_equal_the_definition() {
        let hop = 16;
        let mut correlator = Correlator::new(12_000.0, hop, 200);
        // Noise whose level falls by 60 dB: what the running sums remember of
        // the loud part must not show in the quiet one.
        let mut state = 1u32;
        let x: Vec<f32> = (0..400 * hop)
            .map(|i| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let noise = (state >> 8) as f32 / 8_388_608.0 - 1.0;
                noise * if i < 200 * hop { 1.0 } else { 0.001 }
            })
            .collect();
        for (n, block) in x.chunks_exact(hop).enumerate() {
            let wanted = n % 3 != 1;
            correlator.push(block, wanted);
            let heard = &x[..(n + 1) * hop];
            if n % 37 == 0 && n > 80 && wanted {
                for set in [Window::Fast, Window::Firm] {
                    for lag in [1usize, 7, 60, 199] {
                        let window = correlator.window(set, lag);
                        let want = by_definition(heard, window, lag);
                        let got = f64::from(correlator.rho(set)[lag]);
                        assert!((got - want).abs() < 1e-4, "{set:?} {lag}: {got} {want}");
                    }
                }
            }
        }
    }
}
