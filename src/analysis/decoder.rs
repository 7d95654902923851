//! The live decision between pitches: the forward half of the Viterbi algorithm over
//! pitch candidates and silence.
//!
//! At each hop every hypothesis gains its strength in nats. It is reached from the
//! hypotheses of the hop before at a transition cost: low for a pitch nearby, higher
//! for a jump or for tone after silence. A live engine must also know *when* to trust
//! the best path. Its margin over the best path to a different pitch is an accumulated
//! log likelihood ratio, so waiting for a fixed margin is a sequential probability
//! ratio test (Wald, 1945): clear notes are decided at once, ambiguous ones take
//! longer.

use pulp::{Arch, Simd, WithSimd};

use super::candidates::{Candidate, Candidates, LANES};
use super::pitch_model::PitchModel;
use super::vector_math::{higher, lower};

/// A pitch hypothesis with its accumulated score.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Hypothesis {
    /// Pitch in MIDI semitones.
    pub pitch: f32,
    /// Accumulated nats, relative to the best hypothesis, silence included.
    pub score: f32,
    /// Strength at this hop less the penalty, in nats.
    pub strength: f32,
    /// Share of the sound that the period explains at this hop, 0 to 1.
    pub confidence: f32,
}

/// The best path after a hop.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct BestPath {
    /// Where it ends: a pitch, or `None` for silence.
    pub hypothesis: Option<Hypothesis>,
    /// Log likelihood margin over the best path to anything else (a pitch more than
    /// half a semitone away, or silence), in nats.
    pub margin: f32,
}

/// Causal decoder.
#[derive(Debug, Clone)]
pub struct Decoder {
    model: PitchModel,
    tones: Tones,
    silence: f32,
}

/// The pitch hypotheses, one array per quantity: pitch, and accumulated nats.
/// Unused lanes have a score of minus infinity.
#[derive(Debug, Clone)]
struct Tones {
    pitch: [f32; LANES],
    score: [f32; LANES],
}

impl Tones {
    const NONE: Tones = Tones {
        pitch: [0.0; LANES],
        score: [f32::NEG_INFINITY; LANES],
    };
}

/// Margins are limited to this, in nats: a note held for a minute must not take a
/// minute to be given up.
const MAX_MARGIN: f32 = 30.0;

impl Decoder {
    /// Decoder in silence.
    pub fn new(model: PitchModel) -> Self {
        Decoder {
            model,
            tones: Tones::NONE,
            silence: 0.0,
        }
    }

    /// Takes the candidates of one hop, penalties included. If the gate is `closed`
    /// (level below the threshold) only silence is possible.
    pub fn push(&mut self, candidates: &Candidates, closed: bool) -> BestPath {
        let step = Step {
            model: &self.model,
            before: &self.tones,
            silence: self.silence,
            candidates: if closed { &[] } else { candidates.as_slice() },
        };
        (self.tones, self.silence) = Arch::new().dispatch(step);
        self.best_path(candidates)
    }

    fn best_path(&self, candidates: &Candidates) -> BestPath {
        let Tones { pitch, score } = &self.tones;
        let at = (1..LANES).fold(0, |best, i| if score[i] >= score[best] { i } else { best });
        if score[at] <= self.silence {
            return BestPath::default();
        }
        let rival = (0..LANES)
            .filter(|&i| (pitch[i] - pitch[at]).abs() > 0.5)
            .map(|i| score[i])
            .fold(self.silence, higher);
        let best = candidates.as_slice()[at];
        let hypothesis = Hypothesis {
            pitch: pitch[at],
            score: score[at],
            strength: best.net_strength(),
            confidence: best.confidence(),
        };
        BestPath {
            hypothesis: Some(hypothesis),
            margin: score[at] - rival,
        }
    }
}

/// One step of the forward algorithm: from the previous hypotheses and this hop's
/// candidates to the new hypotheses and the score of silence.
struct Step<'a> {
    model: &'a PitchModel,
    before: &'a Tones,
    silence: f32,
    candidates: &'a [Candidate],
}

impl WithSimd for Step<'_> {
    type Output = (Tones, f32);

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> (Tones, f32) {
        let Step {
            model,
            before,
            silence,
            candidates,
        } = self;
        let mut now = Tones::NONE;
        for (at, candidate) in candidates.iter().enumerate() {
            let mut reached = [f32::NEG_INFINITY; LANES];
            for (lane, reached) in reached.iter_mut().enumerate() {
                let step = (before.pitch[lane] - candidate.pitch).abs();
                *reached = before.score[lane] - lower(model.glide * step, model.jump);
            }
            now.pitch[at] = candidate.pitch;
            now.score[at] = highest(reached, silence - model.start) + candidate.net_strength();
        }
        let ended = highest(before.score, f32::NEG_INFINITY) - model.stop;
        let silence = higher(silence, ended) + model.silence;
        // Scores are kept relative to the best, within the largest margin.
        let top = highest(now.score, silence);
        for score in &mut now.score[..candidates.len()] {
            *score = higher(*score - top, -MAX_MARGIN);
        }
        (now, higher(silence - top, -MAX_MARGIN))
    }
}

/// The highest of all, and of `least`.
#[inline(always)]
fn highest(values: [f32; LANES], least: f32) -> f32 {
    let mut eight = [least; 8];
    for eights in values.as_chunks::<8>().0 {
        for lane in 0..8 {
            eight[lane] = higher(eight[lane], eights[lane]);
        }
    }
    eight.into_iter().fold(least, higher)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::exhaustive::{Hop, paths, total};
    use super::super::octave_errors::penalise_subharmonics;
    use super::*;

    /// Pushes hops of the same candidates (pitch, strength in nats); returns the last
    /// best path.
    fn push(decoder: &mut Decoder, hops: usize, candidates: &[(f32, f32)]) -> BestPath {
        let mut best = BestPath::default();
        for _ in 0..hops {
            best = decoder.push(&Candidates::of(candidates), false);
        }
        best
    }

    fn pitch(best: BestPath) -> Option<f32> {
        best.hypothesis.map(|h| h.pitch)
    }

    /// Hops until a pitch leads by 2 nats.
    fn hops_until_heard(candidates: &[(f32, f32)]) -> Option<usize> {
        let mut decoder = Decoder::new(PitchModel::DEFAULT);
        (1..500).find(|_| push(&mut decoder, 1, candidates).margin > 2.0)
    }

    #[test]
    fn the_clearer_the_sooner() {
        let clear = hops_until_heard(&[(58.0, 3.4)]).unwrap();
        let ambiguous = hops_until_heard(&[(58.0, 1.5)]).unwrap();
        assert!(clear <= 2 && ambiguous > 2 * clear, "{clear} {ambiguous}");
        let with_a_rival = hops_until_heard(&[(58.0, 3.4), (65.0, 2.9)]).unwrap();
        assert!(with_a_rival > 2 * clear, "{with_a_rival}");
        // A candidate weaker than silence is never tone, and of two equal ones neither
        // wins.
        assert_eq!(hops_until_heard(&[(58.0, 0.2)]), None);
        assert_eq!(hops_until_heard(&[(58.0, 3.0), (65.0, 3.0)]), None);
    }

    #[test]
    fn an_octave_below_that_explains_no_more_does_not_win() {
        // Twice the period explains the sound as well as the period does, and for a
        // low note plainly better than half of it.
        for (upper, lower, expected) in [(3.3, 3.4, 58.0), (1.2, 3.4, 46.0)] {
            let mut candidates = Candidates::of(&[(46.0, lower), (58.0, upper)]);
            penalise_subharmonics(&mut candidates, &PitchModel::DEFAULT);
            let mut decoder = Decoder::new(PitchModel::DEFAULT);
            let mut best = BestPath::default();
            for _ in 0..5 {
                best = decoder.push(&candidates, false);
            }
            assert_eq!(pitch(best), Some(expected));
        }
    }

    #[test]
    fn a_closed_gate_is_silence() {
        let mut decoder = Decoder::new(PitchModel::DEFAULT);
        push(&mut decoder, 60, &[(60.0, 3.3)]);
        let best = decoder.push(&Candidates::of(&[(60.0, 3.3)]), true);
        assert_eq!(best, BestPath::default());
    }

    /// Up to three candidates within an octave, so that none is a multiple of another.
    fn hop() -> impl Strategy<Value = Hop> {
        prop::collection::vec((55f32..66.0, 0f32..3.5), 0..4)
    }

    proptest! {
        /// The forward algorithm finds the end of the best of all paths, and its margin
        /// over the best that ends elsewhere.
        #[test]
        fn the_best_path_is_the_best_of_all(hops in prop::collection::vec(hop(), 1..6)) {
            let mut decoder = Decoder::new(PitchModel::DEFAULT);
            let mut got = BestPath::default();
            for hop in &hops {
                got = decoder.push(&Candidates::of(hop), false);
            }
            let last = &hops[hops.len() - 1];
            let mut silence = f32::NEG_INFINITY;
            let mut tones = vec![f32::NEG_INFINITY; last.len()];
            for path in paths(&hops) {
                let end = path[path.len() - 1];
                let best = end.map_or(&mut silence, |at| &mut tones[at]);
                *best = best.max(total(&hops, &path));
            }
            let best = tones.iter().copied().fold(f32::NEG_INFINITY, f32::max);
            let Some(hypothesis) = got.hypothesis else {
                prop_assert!(silence > best - 1e-4, "silence {silence}, {tones:?}");
                return Ok(());
            };
            let at = last.iter().position(|(pitch, _)| *pitch == hypothesis.pitch).unwrap();
            prop_assert!(tones[at] > best.max(silence) - 1e-4, "{hypothesis:?}: {tones:?}");
            let rivals = last.iter().zip(&tones).filter(|(c, _)| (c.0 - hypothesis.pitch).abs() > 0.5);
            let rival = rivals.map(|(_, total)| *total).fold(silence, f32::max);
            prop_assert!((got.margin - (tones[at] - rival)).abs() < 1e-3, "{got:?}: {tones:?} {silence}");
        }
    }
}
