//! Networks learned apart from one another, asked together.
//!
//! There are two of each kind. Networks that began from other weights and heard other
//! lines are wrong at other places, and the mean of what they say is better than either
//! (L. K. Hansen, P. Salamon, Neural network ensembles, IEEE Trans. Pattern Anal. Mach.
//! Intell. 12, 1990): log odds are averaged. Features are read once for both; the second
//! network adds a tenth to the time of a full pass.

use pulp::{Arch, Simd, WithSimd};

use super::Layout;
use super::features::{self, FEATURES};
use super::network::{Code, Evidence, Network};
use super::spectra::Centring;

/// Learned weights, made by `training/train.py` (see `training/README.md` for the sound
/// they were learned from).
static OFFLINE_WEIGHTS: [&[u8]; 2] = [
    include_bytes!("offline-1.bin"),
    include_bytes!("offline-2.bin"),
];
static CAUSAL_WEIGHTS: [&[u8]; 2] = [
    include_bytes!("causal-1.bin"),
    include_bytes!("causal-2.bin"),
];

/// The networks, and what they make of silence.
#[derive(Debug, Clone)]
pub struct Ensemble {
    members: Vec<Network>,
    silence: Vec<Code>,
}

impl Ensemble {
    /// The networks with the weights that are part of the program.
    pub fn learned(layout: &Layout) -> Self {
        let weights: &[&[u8]] = match layout.centring {
            Centring::Centred => &OFFLINE_WEIGHTS,
            Centring::Trailing => &CAUSAL_WEIGHTS,
        };
        let members = weights.iter().map(|bytes| Network::read(bytes, layout));
        let mut ensemble = Ensemble {
            members: members.collect(),
            silence: Vec::new(),
        };
        let mut silence = vec![Code::NONE; ensemble.len()];
        ensemble.encode(features::silence, &mut silence);
        ensemble.silence = silence;
        ensemble
    }

    /// How many networks there are, and so codes of each offset.
    pub fn len(&self) -> usize {
        self.members.len()
    }

    /// The codes of an offset at which there is no sound.
    pub fn silence(&self) -> &[Code] {
        &self.silence
    }

    /// Encodes the features at one offset, which are read where they are wanted, in vector
    /// registers, for each network into one of `codes`.
    pub fn encode(&self, features: impl FnOnce() -> [f32; FEATURES], codes: &mut [Code]) {
        let members = &self.members;
        Arch::new().dispatch(Encode {
            members,
            features,
            codes,
        });
    }

    /// Whether a pitch in MIDI semitones may sound or begin, from the codes at the layout's
    /// offsets of the screen.
    pub fn passes(&self, pitch: f32, codes: &[&[Code]]) -> bool {
        let members = self.members.iter().enumerate();
        let screens = members.map(|(at, m)| m.screen(pitch, codes.iter().map(|c| &c[at])));
        screens.sum::<f32>() > 0.0
    }

    /// Evidence for a pitch in MIDI semitones, from the codes at the layout's offsets.
    pub fn evidence(&self, pitch: f32, codes: &[&[Code]]) -> Evidence {
        Arch::new().dispatch(Evaluate(self, pitch, codes))
    }
}

/// [`Ensemble::encode`] in vector registers.
struct Encode<'a, F> {
    members: &'a [Network],
    features: F,
    codes: &'a mut [Code],
}

impl<F: FnOnce() -> [f32; FEATURES]> WithSimd for Encode<'_, F> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) {
        let features = (self.features)();
        for (code, member) in self.codes.iter_mut().zip(self.members) {
            *code = member.encode(&features);
        }
    }
}

/// [`Ensemble::evidence`] in vector registers.
struct Evaluate<'a>(&'a Ensemble, f32, &'a [&'a [Code]]);

impl WithSimd for Evaluate<'_> {
    type Output = Evidence;

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> Evidence {
        let Evaluate(ensemble, pitch, codes) = self;
        let share = 1.0 / ensemble.members.len() as f32;
        let mut mean = Evidence::default();
        for (at, member) in ensemble.members.iter().enumerate() {
            let each = member.evidence(pitch, codes.iter().map(|codes| &codes[at]));
            mean.tone += share * each.tone;
            mean.onset += share * each.onset;
            mean.tongue += share * each.tongue;
            mean.age_s += share * each.age_s;
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
        let mut codes = [Code::NONE; 2];
        ensemble.encode(|| loud, &mut codes);
        let moments = [&codes[..]; OFFLINE.offsets.len()];
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
