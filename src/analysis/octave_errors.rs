//! Penalties that keep a subharmonic from being taken for the note.
//!
//! A sound with period `T` repeats after `2T` and `3T` too, so a whole multiple of
//! the true period explains it at least as well: an octave error downwards. A
//! candidate is penalised if its period is a multiple of that of another candidate of
//! the same frame which explains the sound nearly as well
//! ([`penalise_subharmonics`]).

use pulp::{Arch, Simd, WithSimd};

use super::candidates::{Candidate, Candidates, LANES};
use super::pitch_model::PitchModel;
use super::vector_math::{higher, lower};

/// Penalises each candidate whose period has a whole fraction that explains the
/// sound nearly as well: twice a period explains any sound at least as well as the
/// period itself.
pub fn penalise_subharmonics(candidates: &mut Candidates, model: &PitchModel) {
    Arch::new().dispatch(PenaliseSubharmonics { candidates, model });
}

/// [`penalise_subharmonics`] in vector registers.
pub(super) struct PenaliseSubharmonics<'a> {
    pub candidates: &'a mut Candidates,
    pub model: &'a PitchModel,
}

impl WithSimd for PenaliseSubharmonics<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) {
        let fractions = Fractions::of(self.candidates);
        for candidate in self.candidates.as_mut_slice() {
            candidate.penalty = fractions.penalty(candidate, self.model);
        }
    }
}

/// All candidates of a frame as possible fractions of another's period, one array per
/// quantity. Unused lanes have a frequency of 0: no period is a multiple of theirs.
pub(super) struct Fractions {
    /// One over the period.
    frequency: [f32; LANES],
    pitch: [f32; LANES],
    strength: [f32; LANES],
}

impl Fractions {
    pub const NONE: Fractions = Fractions {
        frequency: [0.0; LANES],
        pitch: [f32::NEG_INFINITY; LANES],
        strength: [0.0; LANES],
    };

    #[inline(always)]
    fn of(candidates: &Candidates) -> Self {
        let mut fractions = Fractions::NONE;
        for (at, candidate) in candidates.as_slice().iter().enumerate() {
            fractions.set(at, candidate);
        }
        fractions
    }

    #[inline(always)]
    pub fn set(&mut self, at: usize, candidate: &Candidate) {
        self.frequency[at] = candidate.period.recip();
        self.pitch[at] = candidate.pitch;
        self.strength[at] = candidate.net_strength();
    }

    /// What a candidate loses, in nats, for being a multiple of one of these.
    #[inline(always)]
    pub fn penalty(&self, candidate: &Candidate, model: &PitchModel) -> f32 {
        let strength = lower(candidate.strength, model.clear);
        let faded = model.fade_in.recip();
        let mut worst = [0f32; 8];
        for from in (0..LANES).step_by(8) {
            for (lane, worst) in worst.iter_mut().enumerate() {
                let at = from + lane;
                let octaves = (self.pitch[at] - candidate.pitch) * (1.0 / 12.0);
                let excess = self.strength[at] - (strength - model.octave_margin * octaves);
                let share = higher(lower(excess * faded, 1.0), 0.0);
                let multiple = is_whole_multiple(candidate.period * self.frequency[at]);
                *worst = higher(*worst, if multiple { share } else { 0.0 });
            }
        }
        model.octave_cost * worst.into_iter().fold(0.0, higher)
    }
}

/// Whether a ratio of periods is a whole number from two on. A third of a
/// semitone, 2 %, is allowed for peaks that are not yet exactly located.
#[inline(always)]
fn is_whole_multiple(ratio: f32) -> bool {
    let whole = (ratio + 0.5).floor();
    (ratio > 1.9) & ((ratio - whole).abs() < 0.019 * whole)
}
