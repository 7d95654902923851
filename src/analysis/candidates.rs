//! Pitch candidates of one frame, and how strongly the sound supports each.

/// A pitch that the sound may have in a frame.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Candidate {
    /// Pitch in MIDI semitones.
    pub pitch: f32,
    /// Strength in nats by the short window, see
    /// [`strength`](super::candidate_finder::strength).
    pub short: f32,
    /// Strength in nats by the long window.
    pub long: f32,
    /// Both windows combined, in nats. About 0 for noise, 3.5 for a clean tone.
    pub strength: f32,
    /// What the candidate loses because it may be an octave error, in nats, see
    /// [`octave_errors`](super::octave_errors).
    pub penalty: f32,
    /// Period relative to that of key 0: `2^(-pitch / 12)`.
    pub(super) period: f32,
}

impl Candidate {
    /// The same pitch with other strengths, combined for the live decision, and
    /// no penalty.
    pub fn with_strengths(&self, short: f32, long: f32) -> Self {
        Candidate {
            short,
            long,
            // The short window answers first, the long one measures better: both count the same.
            strength: 0.5 * (short + long),
            penalty: 0.0,
            ..*self
        }
    }

    /// Takes over another candidate's pitch, which is measured better.
    pub fn move_to(&mut self, better: &Candidate) {
        self.pitch = better.pitch;
        self.period = better.period;
    }

    /// A pitch in MIDI semitones that is as strong as this in both windows, in nats.
    pub fn of(pitch: f32, nats: f32) -> Self {
        let candidate = Candidate {
            pitch,
            period: (-pitch / 12.0).exp2(),
            ..Candidate::default()
        };
        candidate.with_strengths(nats, nats)
    }

    /// Strength less the penalty, in nats.
    #[inline(always)]
    pub fn net_strength(&self) -> f32 {
        self.strength - self.penalty
    }

    /// The candidate's period in seconds.
    pub fn period_s(&self) -> f32 {
        KEY_0_S * self.period
    }

    /// Share of the sound that the period explains, 0 to 1.
    pub fn confidence(&self) -> f32 {
        (1.0 + CLEAN - (-self.short.max(self.long)).exp()).clamp(0.0, 1.0)
    }
}

/// The period of key 0 in seconds, 2^(69/12) / 440 (A4 is key 69).
pub(super) const KEY_0_S: f32 = 0.122_312_2;

/// Aperiodicity that a clean tone is allowed: keeps the strength of a perfect
/// tone finite, at -ln(0.03) = 3.5 nats.
pub(super) const CLEAN: f32 = 0.03;

/// Most candidates in a frame.
pub const MAX_CANDIDATES: usize = 12;

/// Array length that holds a frame's candidates in whole vector registers of eight.
pub(super) const LANES: usize = MAX_CANDIDATES.next_multiple_of(8);

/// The candidates of one frame, without allocation.
#[derive(Debug, Clone, Copy, Default)]
pub struct Candidates {
    list: [Candidate; MAX_CANDIDATES],
    count: usize,
}

#[cfg(test)]
impl Candidates {
    /// Candidates of these pitches and strengths, the same in both windows.
    pub fn of(pitches_and_strengths: &[(f32, f32)]) -> Self {
        let mut candidates = Candidates::default();
        for &(pitch, strength) in pitches_and_strengths {
            candidates.add(Candidate::of(pitch, strength));
        }
        candidates
    }
}

impl Candidates {
    /// The candidates, in no order.
    pub fn as_slice(&self) -> &[Candidate] {
        &self.list[..self.count]
    }

    /// The candidates, to be changed.
    pub(super) fn as_mut_slice(&mut self) -> &mut [Candidate] {
        &mut self.list[..self.count]
    }

    /// Removes all.
    pub fn clear(&mut self) {
        self.count = 0;
    }

    /// Replaces all by up to [`MAX_CANDIDATES`] others.
    #[inline(always)]
    pub(super) fn fill(&mut self, candidates: impl ExactSizeIterator<Item = Candidate>) {
        self.count = candidates.len();
        for (place, candidate) in self.list.iter_mut().zip(candidates) {
            *place = candidate;
        }
    }

    /// Adds a candidate and returns its index. If the list is full it replaces the
    /// weakest, or is itself dropped if it is the weakest.
    pub fn add(&mut self, candidate: Candidate) -> Option<usize> {
        let mut at = self.count;
        if at < MAX_CANDIDATES {
            self.count += 1;
        } else {
            at = 0;
            for i in 1..MAX_CANDIDATES {
                if self.list[i].net_strength() < self.list[at].net_strength() {
                    at = i;
                }
            }
            if self.list[at].net_strength() >= candidate.net_strength() {
                return None;
            }
        }
        self.list[at] = candidate;
        Some(at)
    }

    /// The candidate nearest to a pitch, if within `reach` semitones.
    pub fn near(&self, pitch: f32, reach: f32) -> Option<&Candidate> {
        Some(&self.list[self.nearest(pitch, reach)?])
    }

    /// The same, to be changed.
    pub fn near_mut(&mut self, pitch: f32, reach: f32) -> Option<&mut Candidate> {
        Some(&mut self.list[self.nearest(pitch, reach)?])
    }

    fn nearest(&self, pitch: f32, reach: f32) -> Option<usize> {
        let (mut nearest, mut at) = (reach, None);
        for (i, candidate) in self.as_slice().iter().enumerate() {
            let distance = (candidate.pitch - pitch).abs();
            if distance < nearest {
                (nearest, at) = (distance, Some(i));
            }
        }
        at
    }
}
