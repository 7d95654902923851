//! From correlation peaks to pitch candidates with a strength in nats.

use super::correlator::{Correlator, Window};
use super::peaks::{Peaks, top_around};

/// A pitch the sound may have at a moment, and how strongly it says so.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Candidate {
    /// Pitch in MIDI semitones.
    pub pitch: f32,
    /// Strength in nats by the fast window, see [`strength`].
    pub fast: f32,
    /// Strength in nats by the firm window.
    pub firm: f32,
    /// Both together, less what doubts take off. About 0 for noise, 3.5 for a
    /// clean tone.
    pub strength: f32,
    /// Period, in units that only compare: `2^(-pitch / 12)`.
    period: f32,
}

fn live_strength(fast: f32, firm: f32) -> f32 {
    0.8 * fast + 0.2 * firm
}

impl Candidate {
    /// Candidate with the combined strength that the live decision uses.
    ///
    /// The fast window has four fifths of the say: it is what an answer within
    /// two periods rests on. The firm window's fifth settles near ties.
    pub fn new(pitch: f32, fast: f32, firm: f32) -> Self {
        Candidate {
            pitch,
            fast,
            firm,
            strength: live_strength(fast, firm),
            period: (-pitch / 12.0).exp2(),
        }
    }

    /// Moves the candidate to a better placed pitch.
    pub fn place(&mut self, pitch: f32) {
        self.pitch = pitch;
        self.period = (-pitch / 12.0).exp2();
    }

    /// What the combined strength has lost to doubts, in nats.
    pub fn doubt(&self) -> f32 {
        live_strength(self.fast, self.firm) - self.strength
    }

    /// Share of the sound that the period explains, 0 to 1.
    pub fn confidence(&self) -> f32 {
        (1.0 + CLEAN - (-self.fast.max(self.firm)).exp()).clamp(0.0, 1.0)
    }
}

/// Most candidates per hop.
pub const MOST: usize = 12;

/// The candidates of one moment in fixed room.
#[derive(Debug, Clone, Copy, Default)]
pub struct Candidates {
    list: [Candidate; MOST],
    count: usize,
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

    /// Adds one; where the room is full the weakest of all goes.
    pub fn add(&mut self, candidate: Candidate) {
        if self.count < MOST {
            self.list[self.count] = candidate;
            self.count += 1;
            return;
        }
        let weakest = self
            .list
            .iter_mut()
            .min_by(|a, b| a.strength.total_cmp(&b.strength));
        if let Some(weakest) = weakest
            && weakest.strength < candidate.strength
        {
            *weakest = candidate;
        }
    }

    /// Gives each candidate a new strength.
    pub fn weigh(&mut self, strength: impl Fn(&Candidate) -> f32) {
        for candidate in &mut self.list[..self.count] {
            candidate.strength = strength(candidate);
        }
    }

    /// The candidate nearest to a pitch, if within `reach` semitones.
    pub fn near(&mut self, pitch: f32, reach: f32) -> Option<&mut Candidate> {
        self.list[..self.count]
            .iter_mut()
            .filter(|c| (c.pitch - pitch).abs() < reach)
            .min_by(|a, b| {
                let distance = |c: &Candidate| (c.pitch - pitch).abs();
                distance(a).total_cmp(&distance(b))
            })
    }

    /// Lowers each candidate whose whole fraction explains the sound nearly as
    /// well: a period twice as long explains any sound at least as well. No
    /// multiple must beat its part by more than `most` octaves' worth: where
    /// evidence is thin, some weak peak lies at a fraction of every long period.
    pub fn doubt_multiples(&mut self, most: f32) {
        let before = *self;
        for candidate in &mut self.list[..self.count] {
            candidate.strength -= before.multiple_doubt(candidate, most);
        }
    }

    /// Adds a candidate that is already doubted, so that in a full room the
    /// multiples go first.
    fn add_doubted(&mut self, mut candidate: Candidate) {
        candidate.strength -= self.multiple_doubt(&candidate, MOST_OCTAVES);
        self.add(candidate);
    }

    /// What a candidate loses, in nats, for being a multiple of one of these.
    fn multiple_doubt(&self, candidate: &Candidate, most: f32) -> f32 {
        let mut doubt: f32 = 0.0;
        for part in self.as_slice() {
            if whole_multiple(candidate.period / part.period) {
                let octaves = ((part.pitch - candidate.pitch) / 12.0).min(most);
                let beaten = candidate.strength.min(ENOUGH) - MULTIPLE_MARGIN * octaves;
                let excess = part.strength - beaten;
                doubt = doubt.max((excess / MULTIPLE_SOFT).clamp(0.0, 1.0));
            }
        }
        MULTIPLE_PENALTY * doubt
    }
}

/// Whether a pitch this many octaves lower has a period a whole multiple, two
/// or more, as long.
pub fn multiple_of(octaves: f32) -> bool {
    whole_multiple(octaves.exp2())
}

/// Whether a ratio of periods is a whole number from two on. A third of a
/// semitone, 2 %, is allowed for peaks that are not yet well placed.
fn whole_multiple(ratio: f32) -> bool {
    // Rounding by truncation: the ratio is positive and small, and this is the
    // innermost loop.
    let whole = (ratio + 0.5) as i32 as f32;
    ratio > 1.9 && (ratio - whole).abs() < 0.019 * whole
}

/// Peaks below this correlation are not looked at.
const LEAST_RHO: f32 = 0.4;

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
pub fn strength(rho: f32, contrast: f32) -> f32 {
    let unexplained = (1.0 - rho.min(1.0)) / contrast.max(1e-3);
    -(unexplained + CLEAN).min(1.0).ln()
}

/// Nats by which a multiple of a period must beat it, per octave, to be
/// believed. A residual lowered by less than 40 % is what noise alone gives.
const MULTIPLE_MARGIN: f32 = 0.55;
/// Octaves beyond which that margin grows no more; the second decoding, which
/// hears each moment from three sides, asks for less.
const MOST_OCTAVES: f32 = 2.0;
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
pub struct Evidence {
    rate_hz: f32,
    shortest: usize,
    longest: usize,
    peaks: Peaks,
}

impl Evidence {
    /// Candidates between two frequencies in hertz at a correlator's rate.
    pub fn new(rate_hz: f64, lowest_hz: f64, highest_hz: f64) -> Self {
        Evidence {
            rate_hz: rate_hz as f32,
            shortest: (rate_hz / highest_hz).floor() as usize,
            longest: (rate_hz / lowest_hz).ceil() as usize,
            peaks: Peaks::default(),
        }
    }

    /// Fills `out` with the candidates after the correlator's last hop.
    pub fn read(&mut self, correlator: &Correlator, out: &mut Candidates) {
        out.clear();
        let nats = |set: Window, lag: usize| {
            let top = top_around(correlator.rho(set), lag);
            strength(top, correlator.contrast(set, lag))
        };
        // The firm window places a peak better; the fast one sees it sooner.
        for set in [Window::Firm, Window::Fast] {
            self.peaks
                .find(correlator.rho(set), self.shortest, self.longest, LEAST_RHO);
            for peak in self.peaks.as_slice() {
                let pitch = 69.0 + 12.0 * (self.rate_hz / peak.lag / 440.0).log2();
                if set == Window::Fast && out.near(pitch, 0.5).is_some() {
                    continue;
                }
                let lag = peak.lag.round() as usize;
                let top = strength(peak.rho, correlator.contrast(set, lag));
                out.add_doubted(match set {
                    Window::Firm => Candidate::new(pitch, nats(Window::Fast, lag), top),
                    Window::Fast => Candidate::new(pitch, top, nats(Window::Firm, lag)),
                });
            }
        }
        out.weigh(|c| live_strength(c.fast, c.firm));
        out.doubt_multiples(MOST_OCTAVES);
    }
}
