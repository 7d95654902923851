//! Log-power spectra of four window lengths around one moment, from which the
//! harmonics of any pitch are read.
//!
//! No single window serves a horn family: two periods of a pedal note last 60 ms, in
//! which a trumpet tongues a new note. So each pitch is read from windows in proportion
//! to its period (see [`super::features`]); here all four are transformed.

use std::fmt;
use std::sync::Arc;

use pulp::{Arch, Simd, WithSimd};
use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use crate::analysis::vector_math::log2;

/// Window lengths in samples at the analysis rate: 12, 23, 46 and 93 ms.
pub const SIZES: [usize; 4] = [128, 256, 512, 1024];

/// Length of the longest.
pub const LONGEST: usize = SIZES[SIZES.len() - 1];

/// Where each window's spectrum begins in [`Spectrum::log_power`].
pub const STARTS: [usize; 4] = [0, 65, 65 + 129, 65 + 129 + 257];

/// Place in [`Spectrum::log_power`] of two values that stand for what is beyond the
/// spectrum: no power at all.
pub const NO_POWER_AT: usize = STARTS[3] + LONGEST / 2 + 1;

/// Values of all spectra together, and those two.
pub const LENGTH: usize = NO_POWER_AT + 2;

/// Base-2 logarithm of no power.
const NO_POWER: f32 = -1e6;

/// Power under which a spectrum is taken as empty, -150 dBFS: keeps its logarithm
/// finite in digital silence.
const MIN_POWER: f32 = 1e-15;

/// The spectra around one moment.
#[derive(Debug, Clone)]
pub struct Spectrum {
    /// Base-2 logarithms of power, one spectrum after another; a sine of amplitude 1
    /// on a bin reads -1.
    pub log_power: Box<[f32; LENGTH]>,
    /// Base-2 logarithm of the power of all that a horn sounds in.
    pub level: f32,
    /// The same of its upper part, where the tongue's noise shows.
    pub high: f32,
    /// Quietest part of the moment against its mean, as a base-2 logarithm: a tongue
    /// stroke may close the tone for less than the moment lasts.
    pub dip: f32,
}

impl Default for Spectrum {
    fn default() -> Self {
        Spectrum {
            log_power: Box::new([NO_POWER; LENGTH]),
            level: NO_POWER,
            high: NO_POWER,
            dip: 0.0,
        }
    }
}

/// Where windows lie around their moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Centring {
    /// In the middle: the sound after the moment is known.
    Centred,
    /// At the end: only what has sounded is known.
    Trailing,
}

/// One window length.
#[derive(Clone)]
struct Transform {
    plan: Arc<dyn RealToComplex<f32>>,
    /// Hann window (Harris, Proc. IEEE 66, 1978), scaled so that a sine on a bin has
    /// its own power there.
    window: Vec<f32>,
    input: Vec<f32>,
    output: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

impl Transform {
    fn new(planner: &mut RealFftPlanner<f32>, size: usize) -> Self {
        let plan = planner.plan_fft_forward(size);
        let turn = std::f64::consts::TAU / size as f64;
        // The window's sum is size / 2; a sine of amplitude 1 puts half of it on a bin,
        // and its power is 1/2.
        let scale = std::f64::consts::SQRT_2 / (size as f64 * 0.5);
        let window = (0..size).map(|i| ((0.5 - 0.5 * (turn * i as f64).cos()) * scale) as f32);
        Transform {
            window: window.collect(),
            input: plan.make_input_vec(),
            output: plan.make_output_vec(),
            scratch: plan.make_scratch_vec(),
            plan,
        }
    }

    /// Power on each bin of the windowed samples.
    fn power(&mut self, samples: &[f32], out: &mut [f32]) {
        for ((place, sample), weight) in self.input.iter_mut().zip(samples).zip(&self.window) {
            *place = sample * weight;
        }
        let done =
            self.plan
                .process_with_scratch(&mut self.input, &mut self.output, &mut self.scratch);
        debug_assert!(done.is_ok(), "lengths are the plan's own");
        for (power, c) in out.iter_mut().zip(&self.output) {
            *power = c.re * c.re + c.im * c.im;
        }
    }
}

/// Longest windows of samples that are kept until all but the newest are moved away: seldom, so
/// that it costs little.
const MOVED: usize = 8;

/// Makes a [`Spectrum`] every so many samples.
#[derive(Clone)]
pub struct Spectra {
    transforms: [Transform; SIZES.len()],
    centring: Centring,
    /// Samples between moments.
    step: usize,
    /// At least the newest samples of the longest window.
    recent: Vec<f32>,
    /// Samples until the next moment's windows are full.
    until_next: usize,
    level_bins: std::ops::Range<usize>,
    high_bins: std::ops::Range<usize>,
}

impl fmt::Debug for Spectra {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Spectra")
            .field("centring", &self.centring)
            .field("step", &self.step)
            .finish_non_exhaustive()
    }
}

/// Band in which a horn's tone is loud, in hertz.
const LEVEL_BAND_HZ: (f64, f64) = (40.0, 5_000.0);
/// Band in which the tongue's noise shows beside it, in hertz.
const HIGH_BAND_HZ: (f64, f64) = (2_500.0, 5_000.0);
/// Windows that they are read from.
const LEVEL: usize = 2;
const HIGH: usize = 1;

impl Spectra {
    /// Spectra every `step` samples at `rate_hz`, the first around sample `step / 2`.
    pub fn new(rate_hz: f64, step: usize, centring: Centring) -> Self {
        let mut planner = RealFftPlanner::new();
        let bins = |size: usize, (low, high): (f64, f64)| {
            let at = |hz: f64| (hz * size as f64 / rate_hz).round() as usize;
            at(low).max(1)..(at(high) + 1).min(size / 2)
        };
        let ahead = match centring {
            Centring::Centred => step / 2 + LONGEST / 2,
            Centring::Trailing => step,
        };
        Spectra {
            transforms: SIZES.map(|size| Transform::new(&mut planner, size)),
            centring,
            step,
            recent: {
                // Room until some are moved away, and for a block of less than the longest window.
                let mut recent = Vec::with_capacity((MOVED + 1) * LONGEST);
                recent.resize(LONGEST, 0.0);
                recent
            },
            until_next: ahead,
            level_bins: bins(SIZES[LEVEL], LEVEL_BAND_HZ),
            high_bins: bins(SIZES[HIGH], HIGH_BAND_HZ),
        }
    }

    /// Takes the next samples, and hands over each spectrum whose windows are full. It is
    /// written over one of `spare`, so that none is allocated while there are some.
    pub fn push(
        &mut self,
        samples: &[f32],
        spare: &mut Vec<Spectrum>,
        out: &mut impl FnMut(Spectrum),
    ) {
        for &sample in samples {
            self.recent.push(sample);
            self.until_next -= 1;
            if self.until_next == 0 {
                self.until_next = self.step;
                let mut spectrum = spare.pop().unwrap_or_default();
                self.transform(&mut spectrum);
                out(spectrum);
            }
        }
        if self.recent.len() > MOVED * LONGEST {
            self.recent.drain(..self.recent.len() - LONGEST);
        }
    }

    /// Writes the spectrum of the newest samples over `spectrum`.
    fn transform(&mut self, spectrum: &mut Spectrum) {
        let recent = &self.recent[self.recent.len() - LONGEST..];
        let power = &mut spectrum.log_power;
        for ((transform, size), start) in self.transforms.iter_mut().zip(SIZES).zip(STARTS) {
            let from = match self.centring {
                Centring::Centred => (LONGEST - size) / 2,
                Centring::Trailing => LONGEST - size,
            };
            let bins = start..start + size / 2 + 1;
            transform.power(&recent[from..from + size], &mut power[bins]);
        }
        let band = |start: usize, bins: &std::ops::Range<usize>| {
            let bins = start + bins.start..start + bins.end;
            // Hann's window counts each component one and a half times.
            log2(power[bins].iter().sum::<f32>() * (2.0 / 3.0) + MIN_POWER)
        };
        spectrum.level = band(STARTS[LEVEL], &self.level_bins);
        spectrum.high = band(STARTS[HIGH], &self.high_bins);
        let end = match self.centring {
            Centring::Centred => LONGEST / 2 + self.step / 2,
            Centring::Trailing => LONGEST,
        };
        spectrum.dip = dip(&recent[end - self.step..end]);
        Arch::new().dispatch(Logarithms(&mut power[..NO_POWER_AT]));
    }
}

/// Base-2 logarithms of powers, in vector registers.
struct Logarithms<'a>(&'a mut [f32]);

impl WithSimd for Logarithms<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) {
        for power in self.0 {
            *power = log2(*power + MIN_POWER);
        }
    }
}

/// Parts into which a moment is cut to look for a dip.
const PARTS: usize = 4;

/// Quietest part of some samples against the mean of all, as a base-2 logarithm.
fn dip(samples: &[f32]) -> f32 {
    let part = samples.len() / PARTS;
    let power = |s: &[f32]| s.iter().map(|x| x * x).sum::<f32>() / s.len() as f32 + MIN_POWER;
    let quietest = samples
        .chunks_exact(part)
        .map(power)
        .fold(f32::INFINITY, f32::min);
    log2(quietest) - log2(power(samples))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sine_reads_its_own_power() {
        let rate_hz = 12_000.0;
        // On a bin of all windows.
        let hz = 40.0 * rate_hz / 1024.0;
        let sine = |i: usize| (std::f64::consts::TAU * hz * i as f64 / rate_hz).sin() as f32;
        let samples: Vec<f32> = (0..4_096).map(sine).collect();
        for centring in [Centring::Centred, Centring::Trailing] {
            let mut found = Vec::new();
            let mut spectra = Spectra::new(rate_hz, 128, centring);
            spectra.push(&samples, &mut Vec::new(), &mut |s| found.push(s));
            let last = found.pop().unwrap();
            for (start, bin) in STARTS.iter().zip([5, 10, 20, 40]) {
                assert!((last.log_power[start + bin] + 1.0).abs() < 1e-3);
            }
            assert!((last.level + 1.0).abs() < 0.01, "{}", last.level);
        }
    }

    #[test]
    fn a_moment_is_in_the_middle_of_its_windows() {
        let mut samples = vec![0.0; 4_096];
        samples[1_984] = 1.0;
        let mut levels = Vec::new();
        let mut spectra = Spectra::new(12_000.0, 128, Centring::Centred);
        spectra.push(&samples, &mut Vec::new(), &mut |s| {
            levels.push(s.log_power[STARTS[HIGH] + 20]);
        });
        let top = (0..levels.len()).max_by(|&a, &b| levels[a].total_cmp(&levels[b]));
        assert_eq!(top, Some(1_984 / 128));
    }
}
