//! From correlation peaks to pitch candidates with a strength in nats.

use pulp::{Arch, Simd, WithSimd};

use super::candidates::{CLEAN, Candidate, Candidates, KEY_0_S, MAX_CANDIDATES};
use super::correlator::{Correlator, Window};
use super::octave_errors::{Fractions, PenaliseSubharmonics};
use super::peaks::{self, Peaks, top_around};
use super::pitch_model::PitchModel;
use super::vector_math::log2;

/// Peaks below this correlation are ignored. Without it church on recorded lines is 0.975 and not
/// 0.981, and 29 samples in front leave 0.988 of all notes as they are and not 0.991 (`examples/measure`).
const MIN_RHO: f32 = 0.4;

/// Strength in nats of a correlation: minus the logarithm of its aperiodicity.
///
/// Aperiodicity is the share of the sound that the period does not explain,
/// relative to the mean of that share over shorter lags. This is the cumulative mean
/// normalised difference function (CMNDF) of YIN (de Cheveigné and Kawahara, JASA
/// 111, 2002); `normaliser` is that mean, see [`Correlator::normaliser`].
///
/// The difference of two strengths is the log of the ratio of their residuals, which
/// is (up to the number of independent samples) the log likelihood ratio of the two
/// periods in Gaussian noise.
pub fn strength(rho: f32, normaliser: f32) -> f32 {
    nats(aperiodicity(rho, normaliser))
}

/// Share of the sound that a period does not explain (CMNDF), at most 1.
#[inline(always)]
fn aperiodicity(rho: f32, normaliser: f32) -> f32 {
    let unexplained = (1.0 - rho.min(1.0)) / normaliser.max(1e-3);
    (unexplained + CLEAN).min(1.0)
}

#[inline(always)]
fn nats(aperiodicity: f32) -> f32 {
    -std::f32::consts::LN_2 * log2(aperiodicity)
}

/// Finds the pitch candidates between two lags in a correlator's output.
#[derive(Debug, Clone)]
pub struct CandidateFinder {
    rate_hz: f32,
    shortest: usize,
    longest: usize,
    model: PitchModel,
    peaks: Peaks,
}

impl CandidateFinder {
    /// Finder of candidates between two frequencies in hertz, for a correlator that
    /// runs at `rate_hz`.
    pub fn new(rate_hz: f64, lowest_hz: f64, highest_hz: f64, model: PitchModel) -> Self {
        CandidateFinder {
            rate_hz: rate_hz as f32,
            shortest: (rate_hz / highest_hz).floor() as usize,
            longest: (rate_hz / lowest_hz).ceil() as usize,
            model,
            peaks: Peaks::default(),
        }
    }

    /// Fills `out` with the candidates after the correlator's last hop.
    pub fn find(&mut self, correlator: &Correlator, out: &mut Candidates) {
        Arch::new().dispatch(Find {
            finder: self,
            correlator,
            out,
        });
    }
}

/// Array length that holds the peaks of both windows in whole registers of eight.
const LANES: usize = (2 * peaks::MAX_PEAKS).next_multiple_of(8);

/// The peaks of both windows, one array per quantity, so that logarithms vectorise.
struct PeakArrays {
    count: usize,
    lag: [f32; LANES],
    /// Aperiodicity at the lag in each window, in the order of [`Window`].
    aperiodicity: [[f32; LANES]; 2],
}

impl PeakArrays {
    /// Whether there is a peak within half a semitone of a lag.
    #[inline(always)]
    fn contains(&self, lag: f32) -> bool {
        const HALF_SEMITONE: f32 = 1.029_302_2;
        let mut any = false;
        for peak in &self.lag {
            any |= (*peak < lag * HALF_SEMITONE) & (*peak * HALF_SEMITONE > lag);
        }
        any
    }

    /// The peaks as candidates.
    #[inline(always)]
    fn candidates(&self, rate_hz: f32) -> impl ExactSizeIterator<Item = Candidate> {
        let [mut pitch, mut short, mut long] = [[0.0; LANES]; 3];
        let a4 = rate_hz / 440.0;
        for i in 0..LANES {
            pitch[i] = 69.0 + 12.0 * log2(a4 / self.lag[i]);
            short[i] = nats(self.aperiodicity[Window::Short as usize][i]);
            long[i] = nats(self.aperiodicity[Window::Long as usize][i]);
        }
        (0..self.count).map(move |i| {
            let candidate = Candidate {
                pitch: pitch[i],
                period: self.lag[i] / (KEY_0_S * rate_hz),
                ..Candidate::default()
            };
            candidate.with_strengths(short[i], long[i])
        })
    }
}

/// [`CandidateFinder::find`] in vector registers.
struct Find<'a> {
    finder: &'a mut CandidateFinder,
    correlator: &'a Correlator,
    out: &'a mut Candidates,
}

impl WithSimd for Find<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Find {
            finder,
            correlator,
            out,
        } = self;
        out.clear();
        let mut arrays = PeakArrays {
            count: 0,
            lag: [f32::INFINITY; LANES],
            aperiodicity: [[1.0; LANES]; 2],
        };
        // The long window locates a peak better; the short one shows it sooner.
        for (set, other) in [(Window::Long, Window::Short), (Window::Short, Window::Long)] {
            finder.peaks.find(
                correlator.rho(set),
                finder.shortest,
                finder.longest,
                MIN_RHO,
            );
            for peak in finder.peaks.as_slice() {
                if set == Window::Short && arrays.contains(peak.lag) {
                    continue;
                }
                let lag = (peak.lag + 0.5) as usize;
                let top = top_around(correlator.rho(other), lag);
                let i = arrays.count;
                arrays.lag[i] = peak.lag;
                arrays.aperiodicity[set as usize][i] =
                    aperiodicity(peak.rho, correlator.normaliser(set, lag));
                arrays.aperiodicity[other as usize][i] =
                    aperiodicity(top, correlator.normaliser(other, lag));
                arrays.count += 1;
            }
        }
        let found = arrays.candidates(finder.rate_hz);
        if found.len() <= MAX_CANDIDATES {
            out.fill(found);
        } else {
            // Too many: subharmonics are penalised first, so that they are dropped.
            let mut fractions = Fractions::NONE;
            for mut candidate in found {
                candidate.penalty = fractions.penalty(&candidate, &finder.model);
                if let Some(at) = out.add(candidate) {
                    fractions.set(at, &candidate);
                }
            }
            for candidate in out.as_mut_slice() {
                candidate.penalty = 0.0;
            }
        }
        PenaliseSubharmonics {
            candidates: out,
            model: &finder.model,
        }
        .with_simd(simd);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lag_becomes_its_pitch() {
        let mut arrays = PeakArrays {
            count: 2,
            lag: [f32::INFINITY; LANES],
            aperiodicity: [[0.5; LANES]; 2],
        };
        arrays.lag[..2].copy_from_slice(&[12_000.0 / 440.0, 12_000.0 / 58.270_47]);
        let found: Vec<_> = arrays.candidates(12_000.0).collect();
        let [a4, b_flat_1] = found[..] else {
            panic!("{found:?}");
        };
        assert!((a4.pitch - 69.0).abs() < 1e-4, "{a4:?}");
        assert!((b_flat_1.pitch - 34.0).abs() < 1e-4, "{b_flat_1:?}");
        assert!((b_flat_1.period_s() * 58.270_47 - 1.0).abs() < 1e-6);
        assert!((a4.short - 2f32.ln()).abs() < 1e-6);
        let by_pitch = (-34f32 / 12.0).exp2();
        assert!((by_pitch / b_flat_1.period - 1.0).abs() < 1e-5);
        assert!(arrays.contains(27.3) && !arrays.contains(28.1) && !arrays.contains(26.4));
    }
}
