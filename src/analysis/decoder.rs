//! The running decision between pitches: the forward half of the Viterbi
//! algorithm over pitch candidates and silence.
//!
//! Each hop every hypothesis gains its strength in nats and may be reached from
//! the hypotheses of the hop before at a cost: little for a pitch nearby,
//! a jump's cost for another, a start's for tone after silence. What a live
//! engine needs on top is to know *when* the leader may be believed. The lead
//! over the best different hypothesis is the accumulated log likelihood ratio,
//! so that waiting for a fixed lead is a sequential probability ratio test
//! (Wald, 1945): sure things are answered at once, doubtful ones take longer.

use pulp::{Arch, Simd, WithSimd};

use super::candidates::{Candidate, Candidates};
use super::lanes::{LANES, higher, lower};

/// TransitionCosts of the decoder, in nats.
#[derive(Debug, Clone, Copy)]
pub struct TransitionCosts {
    /// Strength that silence has each hop. A candidate weaker than this is
    /// more likely noise.
    pub silence: f32,
    /// Going from silence to tone.
    pub start: f32,
    /// Going from tone to silence.
    pub stop: f32,
    /// Leaving one pitch for another out of reach.
    pub jump: f32,
    /// Moving by a semitone, in proportion, up to `jump`.
    pub glide: f32,
}

impl Default for TransitionCosts {
    fn default() -> Self {
        TransitionCosts {
            silence: 0.8,
            start: 1.5,
            stop: 3.0,
            jump: 4.0,
            glide: 10.0,
        }
    }
}

/// A pitch hypothesis with its accumulated score.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Hypothesis {
    /// Pitch in MIDI semitones.
    pub pitch: f32,
    /// Accumulated nats, relative to the best hypothesis, silence included.
    pub score: f32,
    /// Strength at this hop.
    pub strength: f32,
    /// Share of the sound that the period explains at this hop, 0 to 1.
    pub confidence: f32,
}

/// What the decoder believes after a hop.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct BestPath {
    /// Leading pitch, if tone leads silence.
    pub hypothesis: Option<Hypothesis>,
    /// Lead of the leader over the best hypothesis more than a quarter tone
    /// away, silence included. Nats.
    pub margin: f32,
}

/// Forward decoder.
#[derive(Debug, Clone)]
pub struct Decoder {
    costs: TransitionCosts,
    tones: Tones,
    silence: f32,
    hop_s: f32,
    /// What last led clearly, and how long ago.
    settled: Candidate,
    /// How clear it was; fades.
    settled_strength: f32,
    since_settled_s: f32,
}

/// The pitch hypotheses side by side: pitch and accumulated nats. A place without
/// one has lost all.
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

/// Leads are not counted beyond this: a note held for a minute must not take a
/// minute to be given up.
const MAX_MARGIN: f32 = 30.0;
/// Lead in nats from which a pitch counts as heard.
const SETTLED_MARGIN: f32 = 2.0;
/// How fast the mark fades that a clear tone sets, in nats per second.
const SETTLED_FADE_PER_S: f32 = 10.0;
/// What an echo of the note before loses, in nats.
const SUBHARMONIC_PENALTY: f32 = 2.0;
/// How long it may be one, in its own periods.
const SUBHARMONIC_PERIODS: f32 = 3.6;

impl Decoder {
    /// Decoder in silence, for candidates every `hop_s` seconds.
    pub fn new(costs: TransitionCosts, hop_s: f64) -> Self {
        Decoder {
            costs,
            tones: Tones::NONE,
            silence: 0.0,
            hop_s: hop_s as f32,
            settled: Candidate::default(),
            settled_strength: 0.0,
            since_settled_s: f32::MAX,
        }
    }

    /// Takes the candidates of one hop, and takes echoes of the note before off
    /// their strength. With `closed` (level under the gate) only silence is
    /// possible.
    pub fn push(&mut self, candidates: &mut Candidates, closed: bool) -> BestPath {
        candidates.weigh(|c| c.strength - self.subharmonic_penalty(c));
        let step = Step {
            costs: self.costs,
            before: &self.tones,
            silence: self.silence,
            candidates: if closed { &[] } else { candidates.as_slice() },
        };
        (self.tones, self.silence) = Arch::new().dispatch(step);
        let (best_path, best) = self.best_path(candidates);
        self.since_settled_s += self.hop_s;
        // The pitch of a dying tone wanders off; only a tone as clear as the
        // last, or one much later, says anew where it was.
        let faded = self.settled_strength - SETTLED_FADE_PER_S * self.hop_s;
        self.settled_strength = faded.max(self.costs.silence);
        if let Some(best) = best
            && best_path.margin > SETTLED_MARGIN
            && best.strength > self.settled_strength
        {
            self.settled = best;
            self.settled_strength = best.strength;
            self.since_settled_s = 0.0;
        }
        best_path
    }

    /// What a low candidate loses for being a multiple of the period just left.
    ///
    /// Long windows still hold the old note when short ones are clear of it, so
    /// that for a moment a multiple of the old period looks better than
    /// anything. It is doubted until its own windows, 3.5 periods together at the
    /// most, can hold none of it.
    fn subharmonic_penalty(&self, candidate: &Candidate) -> f32 {
        let recent = self.since_settled_s < SUBHARMONIC_PERIODS * candidate.period_s();
        if recent && candidate.is_multiple_of(&self.settled) {
            SUBHARMONIC_PENALTY
        } else {
            0.0
        }
    }

    /// The decision, and the candidate that leads.
    fn best_path(&self, candidates: &Candidates) -> (BestPath, Option<Candidate>) {
        let Tones { pitch, score } = &self.tones;
        let at = (1..LANES).fold(0, |best, i| if score[i] >= score[best] { i } else { best });
        if score[at] <= self.silence {
            return (BestPath::default(), None);
        }
        let rival = (0..LANES)
            .filter(|&i| (pitch[i] - pitch[at]).abs() > 0.5)
            .map(|i| score[i])
            .fold(self.silence, higher);
        let best = candidates.as_slice()[at];
        let hypothesis = Hypothesis {
            pitch: pitch[at],
            score: score[at],
            strength: best.strength,
            confidence: best.confidence(),
        };
        let best_path = BestPath {
            hypothesis: Some(hypothesis),
            margin: score[at] - rival,
        };
        (best_path, Some(best))
    }
}

/// One step of the forward algorithm: from the hypotheses before and this hop's
/// candidates to the hypotheses now and the score of silence.
struct Step<'a> {
    costs: TransitionCosts,
    before: &'a Tones,
    silence: f32,
    candidates: &'a [Candidate],
}

impl WithSimd for Step<'_> {
    type Output = (Tones, f32);

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> (Tones, f32) {
        let Step {
            costs,
            before,
            silence,
            candidates,
        } = self;
        let mut now = Tones::NONE;
        for (at, candidate) in candidates.iter().enumerate() {
            let mut reached = [f32::NEG_INFINITY; LANES];
            for (lane, reached) in reached.iter_mut().enumerate() {
                let step = (before.pitch[lane] - candidate.pitch).abs();
                *reached = before.score[lane] - lower(costs.glide * step, costs.jump);
            }
            now.pitch[at] = candidate.pitch;
            now.score[at] = highest(reached, silence - costs.start) + candidate.strength;
        }
        let ended = highest(before.score, f32::NEG_INFINITY) - costs.stop;
        let silence = higher(silence, ended) + costs.silence;
        // Scores are kept relative to the leader and never fall too far behind.
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

    use super::super::exhaustive::{Hop, total, ways};
    use super::*;

    const HOP_S: f64 = 0.004 / 3.0;

    fn decoder() -> Decoder {
        Decoder::new(TransitionCosts::default(), HOP_S)
    }

    /// Pushes hops of the same candidates (pitch, strength in nats); gives the last
    /// best path.
    fn push(decoder: &mut Decoder, hops: usize, candidates: &[(f32, f32)]) -> BestPath {
        let mut best = BestPath::default();
        for _ in 0..hops {
            best = decoder.push(&mut Candidates::of(candidates), false);
        }
        best
    }

    fn pitch(best: BestPath) -> Option<f32> {
        best.hypothesis.map(|h| h.pitch)
    }

    /// Hops until a pitch counts as heard.
    fn hops_until_sure(candidates: &[(f32, f32)]) -> Option<usize> {
        let mut decoder = decoder();
        (1..500).find(|_| push(&mut decoder, 1, candidates).margin > SETTLED_MARGIN)
    }

    #[test]
    fn the_surer_the_sooner() {
        let sure = hops_until_sure(&[(58.0, 3.4)]).unwrap();
        let doubtful = hops_until_sure(&[(58.0, 1.5)]).unwrap();
        assert!(sure <= 2 && doubtful > 2 * sure, "{sure} {doubtful}");
        let with_a_rival = hops_until_sure(&[(58.0, 3.4), (65.0, 2.9)]).unwrap();
        assert!(with_a_rival > 2 * sure, "{with_a_rival}");
        // What is weaker than silence is never tone, and of two alike neither leads.
        assert_eq!(hops_until_sure(&[(58.0, 0.7)]), None);
        assert_eq!(hops_until_sure(&[(58.0, 3.0), (65.0, 3.0)]), None);
    }

    #[test]
    fn an_octave_below_that_explains_no_more_does_not_lead() {
        // Twice the period explains the sound as well as the period does, and for a
        // low note plainly better than half of it.
        for (upper, lower, expected) in [(3.3, 3.4, 58.0), (1.2, 3.4, 46.0)] {
            let mut candidates = Candidates::of(&[(46.0, lower), (58.0, upper)]);
            candidates.penalise_multiples(2.0);
            let mut decoder = decoder();
            let mut best = BestPath::default();
            for _ in 0..5 {
                best = decoder.push(&mut candidates.clone(), false);
            }
            assert_eq!(pitch(best), Some(expected));
        }
    }

    /// After a slur the longest windows still hold the old note, and its octave below
    /// looks better than the new note.
    #[test]
    fn an_old_note_s_subharmonic_loses_until_its_windows_are_clear() {
        let after = [(62.0, 1.5), (48.0, 2.6)];
        let mut slurred = decoder();
        assert_eq!(pitch(push(&mut slurred, 60, &[(60.0, 3.3)])), Some(60.0));
        for hop in 0..15 {
            assert_ne!(pitch(push(&mut slurred, 1, &after)), Some(48.0), "{hop}");
        }
        assert_eq!(pitch(push(&mut slurred, 1, &after)), Some(62.0));
        // A low note that stays is one.
        assert_eq!(pitch(push(&mut slurred, 60, &after)), Some(48.0));
        // And so it is at once where no note was before.
        assert_eq!(pitch(push(&mut decoder(), 15, &after)), Some(48.0));
    }

    #[test]
    fn a_closed_gate_is_silence() {
        let mut decoder = decoder();
        push(&mut decoder, 60, &[(60.0, 3.3)]);
        let best = decoder.push(&mut Candidates::of(&[(60.0, 3.3)]), true);
        assert_eq!(best, BestPath::default());
    }

    /// Up to three candidates within an octave, so that none is a multiple of another.
    fn hop() -> impl Strategy<Value = Hop> {
        prop::collection::vec((55f32..66.0, 0f32..3.5), 0..4)
    }

    proptest! {
        /// The forward algorithm finds the end of the best of all ways, and its margin
        /// over the best that ends elsewhere.
        #[test]
        fn the_best_path_is_the_best_of_all(hops in prop::collection::vec(hop(), 1..6)) {
            let costs = TransitionCosts::default();
            let mut decoder = decoder();
            let mut got = BestPath::default();
            for hop in &hops {
                got = decoder.push(&mut Candidates::of(hop), false);
            }
            let last = &hops[hops.len() - 1];
            let mut silence = f32::NEG_INFINITY;
            let mut tones = vec![f32::NEG_INFINITY; last.len()];
            for way in ways(&hops) {
                let end = way[way.len() - 1];
                let best = end.map_or(&mut silence, |at| &mut tones[at]);
                *best = best.max(total(&hops, &way, &costs));
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
