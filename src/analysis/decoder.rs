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
