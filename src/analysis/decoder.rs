//! The running decision between pitches: the forward half of the Viterbi
//! algorithm over pitch candidates and silence.
//!
//! Each hop every hypothesis gains its strength in nats and may be reached from
//! the hypotheses of the hop before at a price: little for a pitch nearby,
//! a jump's price for another, a start's for tone after silence. What a live
//! engine needs on top is to know *when* the leader may be believed. The lead
//! over the best different hypothesis is the accumulated log likelihood ratio,
//! so that waiting for a fixed lead is a sequential probability ratio test
//! (Wald, 1945): sure things are answered at once, doubtful ones take longer.

use super::evidence::{Candidates, multiple_of};

/// Prices of the decoder, in nats.
#[derive(Debug, Clone, Copy)]
pub struct Prices {
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

impl Default for Prices {
    fn default() -> Self {
        Prices {
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
pub struct Belief {
    /// Leading pitch, if tone leads silence.
    pub leader: Option<Hypothesis>,
    /// Lead of the leader over the best hypothesis more than a quarter tone
    /// away, silence included. Nats.
    pub lead: f32,
}

/// Forward decoder.
#[derive(Debug, Clone)]
pub struct Decoder {
    prices: Prices,
    hypotheses: [Hypothesis; super::evidence::MOST],
    count: usize,
    silence: f32,
    hop_s: f32,
    /// Pitch that last led clearly, and how long ago.
    settled: f32,
    /// How clear it was; fades.
    settled_strength: f32,
    since_settled_s: f32,
}

/// Leads are not counted beyond this: a note held for a minute must not take a
/// minute to be given up.
const MOST_LEAD: f32 = 30.0;
/// Lead in nats from which a pitch counts as heard.
const SETTLED_LEAD: f32 = 2.0;
/// How fast the mark fades that a clear tone sets, in nats per second.
const SETTLED_FADE_PER_S: f32 = 10.0;
/// What an echo of the note before loses, in nats.
const ECHO_PENALTY: f32 = 2.0;

impl Decoder {
    /// Decoder in silence, for candidates every `hop_s` seconds.
    pub fn new(prices: Prices, hop_s: f64) -> Self {
        Decoder {
            prices,
            hypotheses: Default::default(),
            count: 0,
            silence: 0.0,
            hop_s: hop_s as f32,
            settled: 0.0,
            settled_strength: 0.0,
            since_settled_s: f32::MAX,
        }
    }

    /// Takes the candidates of one hop, and takes echoes of the note before off
    /// their strength. With `closed` (level under the gate) only silence is
    /// possible.
    pub fn push(&mut self, candidates: &mut Candidates, closed: bool) -> Belief {
        let prices = self.prices;
        candidates.weigh(|c| c.strength - self.echo_doubt(c.pitch));
        let before = &self.hypotheses[..self.count];
        let best_tone = before
            .iter()
            .map(|h| h.score)
            .fold(f32::NEG_INFINITY, f32::max);
        let mut next = [Hypothesis::default(); super::evidence::MOST];
        let mut count = 0;
        if !closed {
            for candidate in candidates.as_slice() {
                let reached = before
                    .iter()
                    .map(|h| {
                        let step = (h.pitch - candidate.pitch).abs();
                        h.score - (prices.glide * step).min(prices.jump)
                    })
                    .fold(self.silence - prices.start, f32::max);
                next[count] = Hypothesis {
                    pitch: candidate.pitch,
                    score: reached + candidate.strength,
                    strength: candidate.strength,
                    confidence: candidate.confidence(),
                };
                count += 1;
            }
        }
        let silence = self.silence.max(best_tone - prices.stop) + prices.silence;
        let top = next[..count]
            .iter()
            .map(|h| h.score)
            .fold(silence, f32::max);
        // Scores are kept relative to the leader and never fall too far behind.
        self.silence = (silence - top).max(-MOST_LEAD);
        for hypothesis in &mut next[..count] {
            hypothesis.score = (hypothesis.score - top).max(-MOST_LEAD);
        }
        self.hypotheses = next;
        self.count = count;
        let belief = self.belief();
        self.since_settled_s += self.hop_s;
        // The pitch of a dying tone wanders off; only a tone as clear as the
        // last, or one much later, says anew where it was.
        let faded = self.settled_strength - SETTLED_FADE_PER_S * self.hop_s;
        self.settled_strength = faded.max(prices.silence);
        if let Some(leader) = belief.leader
            && belief.lead > SETTLED_LEAD
            && leader.strength > self.settled_strength
        {
            self.settled = leader.pitch;
            self.settled_strength = leader.strength;
            self.since_settled_s = 0.0;
        }
        belief
    }

    /// What a low candidate loses for being a multiple of the period just left.
    ///
    /// Long windows still hold the old note when short ones are clear of it, so
    /// that for a moment a multiple of the old period looks better than
    /// anything. It is doubted until its own windows, 3.5 periods together at the
    /// most, can hold none of it.
    fn echo_doubt(&self, pitch: f32) -> f32 {
        let is_multiple = multiple_of((self.settled - pitch) / 12.0);
        let span_s = 3.6 / (440.0 * ((pitch - 69.0) / 12.0).exp2());
        if is_multiple && self.since_settled_s < span_s {
            ECHO_PENALTY
        } else {
            0.0
        }
    }

    fn belief(&self) -> Belief {
        let tones = &self.hypotheses[..self.count];
        let leader = tones
            .iter()
            .copied()
            .filter(|h| h.score > self.silence)
            .max_by(|a, b| a.score.total_cmp(&b.score));
        let Some(leader) = leader else {
            return Belief::default();
        };
        let rival = tones
            .iter()
            .filter(|h| (h.pitch - leader.pitch).abs() > 0.5)
            .map(|h| h.score)
            .fold(self.silence, f32::max);
        Belief {
            leader: Some(leader),
            lead: leader.score - rival,
        }
    }
}
