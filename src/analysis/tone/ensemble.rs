//! Networks learned apart from one another, asked together.
//!
//! Two networks that began from other weights and heard other lines are wrong at other
//! places, and the mean of what they say is better than either (L. K. Hansen, P. Salamon,
//! Neural network ensembles, IEEE Trans. Pattern Anal. Mach. Intell. 12, 1990): log odds are
//! averaged. Features are read once for both; the second network adds a tenth to the time of
//! a full pass and a sixth to the live engine's instructions.

use pulp::{Arch, Simd, WithSimd};

use super::Layout;
use super::features::{self, FEATURES};
use super::network::{Code, Evidence, Network};
use super::spectra::Centring;

/// Networks that are asked.
const MEMBERS: usize = 2;

/// Learned weights, made by `training/train.py` (see `training/README.md` for the sound
/// they were learned from).
static OFFLINE_WEIGHTS: [&[u8]; MEMBERS] = [
    include_bytes!("offline-1.bin"),
    include_bytes!("offline-2.bin"),
];
static CAUSAL_WEIGHTS: [&[u8]; MEMBERS] = [
    include_bytes!("causal-1.bin"),
    include_bytes!("causal-2.bin"),
];

/// What one offset reads, as each network encodes it.
pub type Codes = [Code; MEMBERS];

/// The networks, and what they make of silence.
#[derive(Debug, Clone)]
pub struct Ensemble {
    members: [Network; MEMBERS],
    silence: Codes,
}

impl Ensemble {
    /// The networks with the weights that are part of the program.
    pub fn learned(layout: &Layout) -> Self {
        let weights = match layout.centring {
            Centring::Centred => OFFLINE_WEIGHTS,
            Centring::Trailing => CAUSAL_WEIGHTS,
        };
        let members = weights.map(|bytes| Network::read(bytes, layout));
        let silence = members.each_ref().map(|m| m.encode(&features::silence()));
        Ensemble { members, silence }
    }

    /// The codes of an offset at which there is no sound.
    pub fn silence(&self) -> &Codes {
        &self.silence
    }

    /// Encodes the features at one offset, which are read where they are wanted, in vector
    /// registers.
    pub fn encode(&self, features: impl FnOnce() -> [f32; FEATURES]) -> Codes {
        Arch::new().dispatch(Encode(self, features))
    }

    /// Whether a pitch in MIDI semitones may sound or begin, from the codes at the layout's
    /// offsets of the screen.
    pub fn passes(&self, pitch: f32, codes: &[&Codes]) -> bool {
        let members = self.members.iter().enumerate();
        let screens = members.map(|(at, m)| m.screen(pitch, codes.iter().map(|c| &c[at])));
        screens.sum::<f32>() > 0.0
    }

    /// Evidence for a pitch in MIDI semitones, from the codes at the layout's offsets.
    pub fn evidence(&self, pitch: f32, codes: &[&Codes]) -> Evidence {
        Arch::new().dispatch(Evaluate(self, pitch, codes))
    }
}

/// [`Ensemble::encode`] in vector registers.
struct Encode<'a, F>(&'a Ensemble, F);

impl<F: FnOnce() -> [f32; FEATURES]> WithSimd for Encode<'_, F> {
    type Output = Codes;

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> Codes {
        let Encode(ensemble, features) = self;
        let features = features();
        let mut codes = ensemble.silence;
        for (code, member) in codes.iter_mut().zip(&ensemble.members) {
            *code = member.encode(&features);
        }
        codes
    }
}

/// [`Ensemble::evidence`] in vector registers.
struct Evaluate<'a>(&'a Ensemble, f32, &'a [&'a Codes]);

impl WithSimd for Evaluate<'_> {
    type Output = Evidence;

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> Evidence {
        let Evaluate(ensemble, pitch, codes) = self;
        let mut mean = Evidence::default();
        for (at, member) in ensemble.members.iter().enumerate() {
            let each = member.evidence(pitch, codes.iter().map(|codes| &codes[at]));
            mean.tone += each.tone / MEMBERS as f32;
            mean.onset += each.onset / MEMBERS as f32;
            mean.tongue += each.tongue / MEMBERS as f32;
            mean.age_s += each.age_s / MEMBERS as f32;
        }
        mean
    }
}

#[cfg(test)]
mod tests {
    use super::super::OFFLINE;
    use super::*;

    #[test]
    fn evidence_is_the_mean_of_what_the_networks_say() {
        let ensemble = Ensemble::learned(&OFFLINE);
        let loud = features::silence().map(|value| value + 30.0);
        let codes = ensemble.encode(|| loud);
        let moments = [&codes; OFFLINE.offsets.len()];
        let asked = |at: usize| {
            let codes = moments.iter().map(|codes| &codes[at]);
            ensemble.members[at].evidence(57.0, codes)
        };
        let (first, second) = (asked(0), asked(1));
        let mean = ensemble.evidence(57.0, &moments);
        assert_ne!(first, second);
        assert!((mean.tone - 0.5 * (first.tone + second.tone)).abs() < 1e-4);
        assert!((mean.onset - 0.5 * (first.onset + second.onset)).abs() < 1e-4);
        assert!((mean.tongue - 0.5 * (first.tongue + second.tongue)).abs() < 1e-4);
        assert!((mean.age_s - 0.5 * (first.age_s + second.age_s)).abs() < 1e-4);
    }
}
