//! The running correlator: how well the newest sound repeats itself at every lag,
//! updated at each hop, for two window lengths at once.
//!
//! A pitch detector with one window is either late on a trumpet or blind on a
//! tuba. Here each lag has windows of its own, in proportion to the lag: one
//! about one period long (*short*: the two periods that it spans are the physical
//! minimum for any detector, Derrien, DAFx 2014) and one a few periods long (*long*).
//!
//! Products are summed once per hop and lag, and a window is the sum of its hops,
//! updated by adding the newest and subtracting the oldest. The cost per sample is one
//! multiply-add per lag, whatever the number of windows; at a 1.4 ms hop that is an
//! order of magnitude less than a transform per hop and window.
//!
//! The measure is the normalised cross-correlation
//!
//! ```text
//! rho(lag) = sum x[j] x[j-lag] / sqrt(sum x[j]^2 * sum x[j-lag]^2)
//! ```
//!
//! over the window's j. It is one for a periodic sound and, unlike the
//! difference function it descends from (de Cheveigné and Kawahara, JASA 111,
//! 2002; McLeod and Wyvill, ICMC 2005), also for one that grows or decays
//! exponentially, as every attack and release does.

mod kernels;

use pulp::{Arch, Simd, WithSimd};

use kernels::{Lagged, difference, exchange, normalised, products};

/// Which of the two window lengths.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Window {
    /// About one period, at least 3.5 ms.
    Short = 0,
    /// Two and a half periods, at least 12 ms.
    Long = 1,
}

/// Number of window sets.
const SETS: usize = 2;

/// Window length per lag: periods, and the minimum in seconds. A window
/// shorter than 3.5 ms has too few samples for a stable correlation whatever
/// the pitch (four at 1 kHz would span the ringing of one formant); 12 ms averages
/// out the breath noise of a high note.
const WINDOWS: [(f64, f64); SETS] = [(1.0, 0.0035), (2.5, 0.012)];

/// Lags whose correlations are summed together.
const CHUNK: usize = 8;

/// Lags that share a window: whole vector registers.
pub const BAND: usize = 16;

/// A window for each band of lags, with its sums.
#[derive(Debug, Clone)]
struct WindowSet {
    /// Window length of each band, in hops.
    hops: Vec<usize>,
    /// Sums of products.
    sums: Vec<[f64; BAND]>,
    /// Correlations.
    rho: Vec<[f32; BAND]>,
    /// Eight partial sums of rho over the lags before each chunk of lags.
    before: Vec<[[f32; CHUNK]; BAND / CHUNK]>,
}

impl WindowSet {
    /// Windows of `periods` periods, at least `min` samples.
    fn new(periods: f64, min: f64, hop: usize, lags: usize) -> Self {
        let bands = lags / BAND;
        let longest = (1..=bands).map(|band| (band * BAND - 1) as f64);
        let hops = longest.map(|lag| ((periods * lag).max(min) / hop as f64).ceil() as usize);
        WindowSet {
            hops: hops.collect(),
            sums: vec![[0.0; BAND]; bands],
            rho: vec![[0.0; BAND]; bands],
            before: vec![[[0.0; CHUNK]; BAND / CHUNK]; bands],
        }
    }
}

/// Running normalised correlation over lags `0..lags()`.
#[derive(Debug, Clone)]
pub struct Correlator {
    hop: usize,
    lags: usize,
    sets: [WindowSet; SETS],
    /// Newest sample first, so that addresses rise with the lag.
    reversed: Vec<f32>,
    head: usize,
    /// Running sum of squares at each sample, newest first, in step with
    /// `reversed`.
    energy: Vec<f64>,
    /// Samples of history that are always available.
    reach: usize,
    /// Lag products of recent hops, one row of bands a hop.
    products: Vec<[f32; BAND]>,
    rows: usize,
    row: usize,
}

impl Correlator {
    /// Correlator at `rate_hz` with `hop` samples between updates, for lags up to
    /// `longest_lag` samples.
    pub fn new(rate_hz: f64, hop: usize, longest_lag: usize) -> Self {
        let lags = (longest_lag + 1).next_multiple_of(BAND);
        let sets =
            WINDOWS.map(|(periods, min_s)| WindowSet::new(periods, min_s * rate_hz, hop, lags));
        let longest = sets.iter().flat_map(|set| &set.hops).max();
        let rows = longest.unwrap_or(&1) + 1;
        let reach = rows * hop + 2 * lags + hop;
        // 4 * reach samples fit before the part in use is moved back to the end:
        // moves are rare, and reads are one slice.
        let length = 5 * reach;
        Correlator {
            hop,
            lags,
            sets,
            reversed: vec![0.0; length],
            head: length - reach,
            energy: vec![0.0; length],
            reach,
            products: vec![[0.0; BAND]; rows * lags / BAND],
            rows,
            row: 0,
        }
    }

    /// Number of lags, a multiple of sixteen.
    pub fn lags(&self) -> usize {
        self.lags
    }

    /// Window length in samples for `lag`.
    pub fn window(&self, set: Window, lag: usize) -> usize {
        let lag = lag.min(self.lags - 1);
        self.sets[set as usize].hops[lag / BAND] * self.hop
    }

    /// Takes one hop of samples, oldest first. Correlations are only updated if
    /// `update` is set: that saves half the work in silence.
    ///
    /// # Panics
    /// If `block` is not one hop long.
    pub fn push(&mut self, block: &[f32], update: bool) {
        assert_eq!(block.len(), self.hop, "one hop at a time");
        self.store(block);
        Arch::new().dispatch(Update {
            correlator: self,
            update,
        });
        self.row = (self.row + 1) % self.rows;
    }

    /// Correlation per lag, -1 to 1, after the last `push` with an update.
    pub fn rho(&self, set: Window) -> &[f32] {
        self.sets[set as usize].rho.as_flattened()
    }

    /// CMNDF normaliser: the mean of `1 - rho` over the lags up to `lag`, after the last
    /// `push` with an update.
    ///
    /// `1 - rho` divided by this is YIN's cumulative mean normalised difference: near
    /// one for rumble, which correlates equally at every short lag, and small only at a
    /// period that stands out.
    pub fn normaliser(&self, set: Window, lag: usize) -> f32 {
        let (chunk, set) = (lag / CHUNK, &self.sets[set as usize]);
        let rest = &set.rho.as_flattened()[chunk * CHUNK..=lag];
        let before = &set.before.as_flattened()[chunk];
        let sum: f32 = before.iter().chain(rest).sum();
        ((lag + 1) as f32 - sum) / lag.max(1) as f32
    }

    /// Exact correlation sums of the newest `window` samples at a band of lags
    /// from `first`: products into one array, energies of the delayed sound into the
    /// other. Returns the energy of the undelayed sound, or `None` if the history does
    /// not reach that far.
    ///
    /// The running windows change length from lag to lag; to locate a peak to a
    /// hundredth of a sample, all lags must share one.
    pub fn lagged(
        &self,
        window: usize,
        first: usize,
        products: &mut [f64; BAND],
        energies: &mut [f64; BAND],
    ) -> Option<f64> {
        let past = &self.reversed[self.head..];
        let energy = &self.energy[self.head..];
        if first + 2 * BAND + window >= past.len() {
            return None;
        }
        *products = Arch::new().dispatch(Lagged {
            past,
            window,
            first,
        });
        for (lag, delayed) in (first..).zip(energies) {
            *delayed = energy[lag] - energy[lag + window];
        }
        Some(energy[0] - energy[window])
    }

    fn store(&mut self, block: &[f32]) {
        if self.head < self.hop {
            let used = self.reach;
            let end = self.reversed.len();
            self.reversed
                .copy_within(self.head..self.head + used, end - used);
            // Restart the running sum at the oldest sample in use: it would lose
            // precision if it grew for hours.
            let floor = self.energy[self.head + used - 1];
            for i in (0..used).rev() {
                self.energy[end - used + i] = self.energy[self.head + i] - floor;
            }
            self.head = end - used;
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
        let bands = self.lags / BAND;
        let row = self.products[self.row * bands..][..bands].as_flattened_mut();
        let past = &self.reversed[self.head..][..self.lags + self.hop];
        let newest = &past[..self.hop];
        // Several registers of lags at a time, so that each sample is loaded only once
        // for all of them.
        let (groups, rest) = S::as_mut_simd_f32s(row).0.as_chunks_mut::<4>();
        let mut from = 0;
        for group in groups {
            [*group] = products(simd, newest, &past[from..]);
            from += 4 * S::F32_LANES;
        }
        for register in rest {
            [[*register]] = products(simd, newest, &past[from..]);
            from += S::F32_LANES;
        }
    }

    /// Advances the windows of a set by a hop.
    #[inline(always)]
    fn slide<S: Simd>(&mut self, simd: S, set: usize) {
        let WindowSet { hops, sums, .. } = &mut self.sets[set];
        let bands = hops.len();
        let newest = &self.products[self.row * bands..][..bands];
        let sums = sums.iter_mut().zip(newest);
        for (band, (&hops, (sums, newest))) in hops.iter().zip(sums).enumerate() {
            // No remainder operator: a division per band would cost time.
            let leaving = match self.row.checked_sub(hops) {
                Some(row) => row,
                None => self.row + self.rows - hops,
            };
            let oldest = &self.products[leaving * bands + band];
            exchange(simd, sums, newest, oldest);
        }
    }

    /// Correlations of a set from its sums.
    #[inline(always)]
    fn normalise<S: Simd>(&mut self, simd: S, set: usize) {
        let energy = &self.energy[self.head..];
        let mut so_far = [0.0; CHUNK];
        let set = &mut self.sets[set];
        let into = set.rho.iter_mut().zip(&mut set.before);
        let from = set.hops.iter().zip(&set.sums);
        for (band, ((rho, before), (&hops, sums))) in into.zip(from).enumerate() {
            let window = hops * self.hop;
            let recent = (energy[0] - energy[window]) as f32;
            let past = &energy[band * BAND..];
            let past = difference(past, &past[window..]);
            *rho = normalised(simd, sums, recent, &past);
            for (before, chunk) in before.iter_mut().zip(rho.as_chunks::<CHUNK>().0) {
                *before = so_far;
                for lane in 0..CHUNK {
                    so_far[lane] += chunk[lane];
                }
            }
        }
    }
}

/// All that a hop updates at every lag.
struct Update<'a> {
    correlator: &'a mut Correlator,
    update: bool,
}

impl WithSimd for Update<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Update { correlator, update } = self;
        correlator.multiply(simd);
        for set in 0..SETS {
            correlator.slide(simd, set);
            if update {
                correlator.normalise(simd, set);
            }
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
        xy / (xx * yy).sqrt()
    }

    /// The same noise each time.
    fn noise(length: usize) -> Vec<f32> {
        let mut state = 1u32;
        let next = |_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 8) as f32 / 8_388_608.0 - 1.0
        };
        (0..length).map(next).collect()
    }

    #[test]
    fn running_sums_equal_the_definition() {
        let hop = 16;
        let mut correlator = Correlator::new(12_000.0, hop, 200);
        // Noise whose level falls by 60 dB: rounding errors from the loud part must
        // not show in the quiet one.
        let mut x = noise(400 * hop);
        x[200 * hop..].iter_mut().for_each(|x| *x *= 0.001);
        for (n, block) in x.chunks_exact(hop).enumerate() {
            let update = n % 3 != 1;
            correlator.push(block, update);
            let heard = &x[..(n + 1) * hop];
            if n % 37 == 0 && n > 80 && update {
                for set in [Window::Short, Window::Long] {
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
    #[test]
    fn lagged_sums_equal_the_definition() {
        let mut correlator = Correlator::new(12_000.0, 16, 200);
        let x = noise(200 * 16);
        x.chunks_exact(16)
            .for_each(|block| correlator.push(block, true));
        let (mut products, mut energies) = ([0.0; BAND], [0.0; BAND]);
        for (window, first) in [(144, 3), (151, 100), (200, 190)] {
            let recent = correlator.lagged(window, first, &mut products, &mut energies);
            for i in 0..BAND {
                let got = products[i] / (recent.unwrap() * energies[i]).sqrt();
                let want = by_definition(&x, window, first + i);
                assert!(
                    (got - want).abs() < 1e-6,
                    "{window} {first}+{i}: {got} {want}"
                );
            }
        }
        let beyond = correlator.lagged(100_000, 0, &mut products, &mut energies);
        assert_eq!(beyond, None);
    }

    /// What the module's head promises.
    #[test]
    fn plain_registers_give_the_same_bits() {
        let mut widest = Correlator::new(11_025.0, 15, 390);
        let mut plain = widest.clone();
        for block in noise(300 * 15).chunks_exact(15) {
            widest.push(block, true);
            plain.store(block);
            Update {
                correlator: &mut plain,
                update: true,
            }
            .with_simd(pulp::Scalar);
            plain.row = (plain.row + 1) % plain.rows;
        }
        for set in [Window::Short, Window::Long] {
            assert_eq!(widest.rho(set), plain.rho(set));
            assert_eq!(widest.normaliser(set, 300), plain.normaliser(set, 300));
        }
        let lagged = |window, first| Lagged {
            past: &plain.reversed[plain.head..],
            window,
            first,
        };
        let wide = Arch::new().dispatch(lagged(151, 90));
        assert_eq!(wide, lagged(151, 90).with_simd(pulp::Scalar));
    }
}
