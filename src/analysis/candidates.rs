//! From correlation peaks to pitch candidates with a strength in nats.

use pulp::{Arch, Simd, WithSimd};

use super::correlator::{Correlator, Window};
use super::lanes::{LANES, higher, log2, lower};
use super::peaks::{self, Peaks, top_around};

/// A pitch the sound may have at a moment, and how strongly it says so.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Candidate {
    /// Pitch in MIDI semitones.
    pub pitch: f32,
    /// Strength in nats by the short window, see [`strength`].
    pub short: f32,
    /// Strength in nats by the long window.
    pub long: f32,
    /// Both together, less what doubts take off. About 0 for noise, 3.5 for a
    /// clean tone.
    pub strength: f32,
    /// Period, in units that only compare: `2^(-pitch / 12)`.
    period: f32,
}

/// The combined strength that the live decision uses.
///
/// The short window has four fifths of the say: it is what an answer within
/// two periods rests on. The long window's fifth settles near ties.
fn live_strength(short: f32, long: f32) -> f32 {
    0.8 * short + 0.2 * long
}

impl Candidate {
    /// The same pitch as strong as two windows say.
    pub fn heard(&self, short: f32, long: f32) -> Self {
        Candidate {
            short,
            long,
            strength: live_strength(short, long),
            ..*self
        }
    }

    /// Moves the candidate to another's pitch, better placed.
    pub fn place(&mut self, better: &Candidate) {
        self.pitch = better.pitch;
        self.period = better.period;
    }

    /// What the combined strength has lost to doubts, in nats.
    pub fn penalty(&self) -> f32 {
        live_strength(self.short, self.long) - self.strength
    }

    /// The candidate's period in seconds.
    pub fn period_s(&self) -> f32 {
        KEY_0_S * self.period
    }

    /// Whether the period is a whole multiple, two or more, of another's.
    pub fn is_multiple_of(&self, part: &Candidate) -> bool {
        whole_multiple(self.period / part.period)
    }

    /// Share of the sound that the period explains, 0 to 1.
    pub fn confidence(&self) -> f32 {
        (1.0 + CLEAN - (-self.short.max(self.long)).exp()).clamp(0.0, 1.0)
    }
}

/// The period of key 0 in seconds, 2^(69/12) / 440 (A4 is key 69).
const KEY_0_S: f32 = 0.122_312_2;

/// Most candidates per hop.
pub const MAX_CANDIDATES: usize = 12;

/// The candidates of one moment in fixed room.
#[derive(Debug, Clone, Copy, Default)]
pub struct Candidates {
    list: [Candidate; MAX_CANDIDATES],
    count: usize,
}

#[cfg(test)]
impl Candidates {
    /// Candidates of such pitches and strengths, the same by both windows.
    pub fn of(pitches_and_strengths: &[(f32, f32)]) -> Self {
        let mut candidates = Candidates::default();
        for &(pitch, strength) in pitches_and_strengths {
            let place = Candidate {
                pitch,
                period: (-pitch / 12.0).exp2(),
                ..Candidate::default()
            };
            candidates.add(place.heard(strength, strength));
        }
        candidates
    }
}

impl Candidates {
    /// The candidates, in no order.
    pub fn as_slice(&self) -> &[Candidate] {
        &self.list[..self.count]
    }

    /// Forgets all.
    pub fn clear(&mut self) {
        self.count = 0;
    }

    /// Adds one; where the room is full the weakest of all goes. Gives its place,
    /// if it was not itself the weakest.
    pub fn add(&mut self, candidate: Candidate) -> Option<usize> {
        let mut at = self.count;
        if at < MAX_CANDIDATES {
            self.count += 1;
        } else {
            at = 0;
            for i in 1..MAX_CANDIDATES {
                if self.list[i].strength < self.list[at].strength {
                    at = i;
                }
            }
            if self.list[at].strength >= candidate.strength {
                return None;
            }
        }
        self.list[at] = candidate;
        Some(at)
    }

    /// Gives each candidate a new strength.
    pub fn weigh(&mut self, strength: impl Fn(&Candidate) -> f32) {
        for candidate in &mut self.list[..self.count] {
            candidate.strength = strength(candidate);
        }
    }

    /// The candidate nearest to a pitch, if within `reach` semitones.
    pub fn near(&mut self, pitch: f32, reach: f32) -> Option<&mut Candidate> {
        let (mut nearest, mut at) = (reach, None);
        for (i, candidate) in self.as_slice().iter().enumerate() {
            let distance = (candidate.pitch - pitch).abs();
            if distance < nearest {
                (nearest, at) = (distance, Some(i));
            }
        }
        Some(&mut self.list[at?])
    }

    /// Lowers each candidate whose whole fraction explains the sound nearly as
    /// well: a period twice as long explains any sound at least as well. No
    /// multiple must beat its part by more than `most` octaves' worth: where
    /// evidence is thin, some weak peak lies at a fraction of every long period.
    pub fn penalise_multiples(&mut self, most: f32) {
        Arch::new().dispatch(PenaliseMultiples(self, most));
    }
}

/// [`Candidates::penalise_multiples`] in vector registers.
struct PenaliseMultiples<'a>(&'a mut Candidates, f32);

impl WithSimd for PenaliseMultiples<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) {
        let PenaliseMultiples(candidates, most) = self;
        let parts = Parts::of(candidates);
        for candidate in &mut candidates.list[..candidates.count] {
            candidate.strength -= parts.multiple_penalty(candidate, most);
        }
    }
}

/// What is asked of each candidate by all others, side by side. Places without a
/// candidate have a rate of nothing: no period is a multiple of it.
struct Parts {
    /// One over the period.
    rate: [f32; LANES],
    pitch: [f32; LANES],
    strength: [f32; LANES],
}

impl Parts {
    const NONE: Parts = Parts {
        rate: [0.0; LANES],
        pitch: [f32::NEG_INFINITY; LANES],
        strength: [0.0; LANES],
    };

    #[inline(always)]
    fn of(candidates: &Candidates) -> Self {
        let mut parts = Parts::NONE;
        for (at, candidate) in candidates.as_slice().iter().enumerate() {
            parts.set(at, candidate);
        }
        parts
    }

    #[inline(always)]
    fn set(&mut self, at: usize, candidate: &Candidate) {
        self.rate[at] = candidate.period.recip();
        self.pitch[at] = candidate.pitch;
        self.strength[at] = candidate.strength;
    }

    /// What a candidate loses, in nats, for being a multiple of one of these.
    #[inline(always)]
    fn multiple_penalty(&self, candidate: &Candidate, most: f32) -> f32 {
        let strength = lower(candidate.strength, ENOUGH);
        let mut penalties = [0f32; 8];
        for from in (0..LANES).step_by(8) {
            for (lane, penalty) in penalties.iter_mut().enumerate() {
                let at = from + lane;
                let octaves = lower((self.pitch[at] - candidate.pitch) * (1.0 / 12.0), most);
                let excess = self.strength[at] - (strength - MULTIPLE_MARGIN * octaves);
                let this = higher(lower(excess * (1.0 / MULTIPLE_SOFT), 1.0), 0.0);
                let multiple = whole_multiple(candidate.period * self.rate[at]);
                *penalty = higher(*penalty, if multiple { this } else { 0.0 });
            }
        }
        MULTIPLE_PENALTY * penalties.into_iter().fold(0.0, higher)
    }
}

/// Whether a pitch this many octaves lower has a period a whole multiple, two
/// or more, as long.
pub fn multiple_of(octaves: f32) -> bool {
    whole_multiple(octaves.exp2())
}

/// Whether a ratio of periods is a whole number from two on. A third of a
/// semitone, 2 %, is allowed for peaks that are not yet well placed.
#[inline(always)]
fn whole_multiple(ratio: f32) -> bool {
    let whole = (ratio + 0.5).floor();
    (ratio > 1.9) & ((ratio - whole).abs() < 0.019 * whole)
}

/// Peaks below this correlation are not looked at.
const MIN_RHO: f32 = 0.4;

/// Noise share that a clean tone is allowed: keeps the strength of a perfect
/// tone finite, at -ln(0.03) = 3.5 nats.
const CLEAN: f32 = 0.03;

/// Strength in nats of a correlation: minus the logarithm of the share of the
/// sound that the period leaves unexplained, measured against the mean of that
/// share over shorter lags (YIN's cumulative mean normalised difference).
///
/// The difference of two strengths is then the log of the ratio of their
/// residuals, which is (up to the number of independent samples) the log
/// likelihood ratio of the two periods in Gaussian noise.
pub fn strength(rho: f32, normaliser: f32) -> f32 {
    nats(aperiodicity(rho, normaliser))
}

/// Share of the sound that a period leaves unexplained, at most 1.
#[inline(always)]
fn aperiodicity(rho: f32, normaliser: f32) -> f32 {
    let unexplained = (1.0 - rho.min(1.0)) / normaliser.max(1e-3);
    (unexplained + CLEAN).min(1.0)
}

#[inline(always)]
fn nats(aperiodicity: f32) -> f32 {
    -std::f32::consts::LN_2 * log2(aperiodicity)
}

/// Nats by which a multiple of a period must beat it, per octave, to be
/// believed. A residual lowered by less than 40 % is what noise alone gives.
const MULTIPLE_MARGIN: f32 = 0.55;
/// Octaves beyond which that margin grows no more; the second decoding, which
/// hears each moment from three sides, asks for less.
const MAX_OCTAVES: f32 = 2.0;
/// Strength beyond which a multiple gains nothing over its part: lips at
/// fortissimo swing a little differently every other time, and a period that
/// explains nine tenths of the sound is the one that is heard.
const ENOUGH: f32 = 2.6;
/// What an unproved multiple loses.
const MULTIPLE_PENALTY: f32 = 2.0;
/// Margin over which the penalty fades in.
const MULTIPLE_SOFT: f32 = 0.3;

/// Reads the candidates between two lags from a correlator.
#[derive(Debug, Clone)]
pub struct CandidateFinder {
    rate_hz: f32,
    shortest: usize,
    longest: usize,
    peaks: Peaks,
}

impl CandidateFinder {
    /// Candidates between two frequencies in hertz at a correlator's rate.
    pub fn new(rate_hz: f64, lowest_hz: f64, highest_hz: f64) -> Self {
        CandidateFinder {
            rate_hz: rate_hz as f32,
            shortest: (rate_hz / highest_hz).floor() as usize,
            longest: (rate_hz / lowest_hz).ceil() as usize,
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

/// Room for the peaks of both windows, in whole registers of eight.
const ROOM: usize = (2 * peaks::MAX_PEAKS).next_multiple_of(8);

/// The peaks of both windows, side by side, so that their logarithms are taken at once.
struct Seen {
    count: usize,
    lag: [f32; ROOM],
    /// What each window leaves unexplained at the lag, in the order of [`Window`].
    aperiodicity: [[f32; ROOM]; 2],
}

impl Seen {
    /// Whether a lag has been seen within half a semitone.
    #[inline(always)]
    fn knows(&self, lag: f32) -> bool {
        const HALF_SEMITONE: f32 = 1.029_302_2;
        let mut any = false;
        for there in &self.lag {
            any |= (*there < lag * HALF_SEMITONE) & (*there * HALF_SEMITONE > lag);
        }
        any
    }

    /// What was seen, as candidates.
    #[inline(always)]
    fn candidates(&self, rate_hz: f32) -> impl ExactSizeIterator<Item = Candidate> {
        let [mut pitch, mut short, mut long] = [[0.0; ROOM]; 3];
        let a4 = rate_hz / 440.0;
        for i in 0..ROOM {
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
            candidate.heard(short[i], long[i])
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
        let mut seen = Seen {
            count: 0,
            lag: [f32::INFINITY; ROOM],
            aperiodicity: [[1.0; ROOM]; 2],
        };
        // The long window places a peak better; the short one sees it sooner.
        for (set, other) in [(Window::Long, Window::Short), (Window::Short, Window::Long)] {
            finder.peaks.find(
                correlator.rho(set),
                finder.shortest,
                finder.longest,
                MIN_RHO,
            );
            for peak in finder.peaks.as_slice() {
                if set == Window::Short && seen.knows(peak.lag) {
                    continue;
                }
                let lag = (peak.lag + 0.5) as usize;
                let top = top_around(correlator.rho(other), lag);
                let i = seen.count;
                seen.lag[i] = peak.lag;
                seen.aperiodicity[set as usize][i] =
                    aperiodicity(peak.rho, correlator.normaliser(set, lag));
                seen.aperiodicity[other as usize][i] =
                    aperiodicity(top, correlator.normaliser(other, lag));
                seen.count += 1;
            }
        }
        let found = seen.candidates(finder.rate_hz);
        if found.len() <= MAX_CANDIDATES {
            out.count = found.len();
            for (place, candidate) in out.list.iter_mut().zip(found) {
                *place = candidate;
            }
        } else {
            // Not all have room: doubted first, so that the multiples go.
            let mut parts = Parts::NONE;
            for mut candidate in found {
                candidate.strength -= parts.multiple_penalty(&candidate, MAX_OCTAVES);
                if let Some(at) = out.add(candidate) {
                    parts.set(at, &candidate);
                }
            }
            out.weigh(|c| live_strength(c.short, c.long));
        }
        PenaliseMultiples(out, MAX_OCTAVES).with_simd(simd);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lag_is_its_pitch() {
        let mut seen = Seen {
            count: 2,
            lag: [f32::INFINITY; ROOM],
            aperiodicity: [[0.5; ROOM]; 2],
        };
        seen.lag[..2].copy_from_slice(&[12_000.0 / 440.0, 12_000.0 / 58.270_47]);
        let found: Vec<_> = seen.candidates(12_000.0).collect();
        let [a4, b_flat_1] = found[..] else {
            panic!("{found:?}");
        };
        assert!((a4.pitch - 69.0).abs() < 1e-4, "{a4:?}");
        assert!((b_flat_1.pitch - 34.0).abs() < 1e-4, "{b_flat_1:?}");
        assert!((b_flat_1.period_s() * 58.270_47 - 1.0).abs() < 1e-6);
        assert!((a4.short - 2f32.ln()).abs() < 1e-6);
        let by_pitch = (-34f32 / 12.0).exp2();
        assert!((by_pitch / b_flat_1.period - 1.0).abs() < 1e-5);
        assert!(seen.knows(27.3) && !seen.knows(28.1) && !seen.knows(26.4));
    }
}
