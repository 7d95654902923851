//! The offline (non-causal) pitch path through a take: the full Viterbi algorithm
//! over the same frames that the live engine sees.
//!
//! The windows of a live frame can only end at its time. Here each candidate is added
//! at the beginning, the middle and the end of the sound that it was measured in, so
//! that every frame has windows that end in it, are centred on it and start from it:
//! the first period of a tongued note is measured in the sound after it, the last of a
//! release in the sound before.
//!
//! Memory is bounded: decisions older than half a second are traced back and output
//! (survivor paths of the Viterbi algorithm merge within a few tens of milliseconds;
//! Forney, Proc. IEEE 61, 1973). An output frame is 16 bytes.

use std::collections::VecDeque;

use super::candidates::{Candidate, Candidates, MAX_CANDIDATES};
use super::correlator::Window;
use super::octave_errors::penalise_subharmonics;
use super::pitch_model::PitchModel;
use super::{Analyser, FULL_RANGE_HZ, Frame, SAME_PITCH, precise};
use crate::units::Pitch;

/// Index of the silent state.
const SILENT_STATE: usize = MAX_CANDIDATES;
/// Number of states: the candidates and silence.
const STATES: usize = MAX_CANDIDATES + 1;

/// A frame after the second decoding.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DecodedFrame {
    /// Pitch in MIDI semitones, or NaN where there is none.
    pub pitch: f32,
    /// Share of the sound that the pitch explains, 0 to 1.
    pub confidence: f32,
    /// Level of the hop, dBFS.
    pub level_db: f32,
    /// Harmonic spectral centroid in hertz, or NaN where none was measured.
    pub centroid_hz: f32,
}

/// One hop: first candidates are collected for it, then it is decoded.
#[derive(Debug, Clone)]
struct Slot {
    candidates: Candidates,
    /// NaN as long as none is known.
    fine_pitch: f32,
    level_db: f32,
    centroid_hz: f32,
    closed: bool,
    /// For each state its best predecessor, once decoded. State [`SILENT_STATE`] is
    /// silence, the others are candidates.
    from: [u8; STATES],
}

/// Receives the candidates of each hop, and whether its sound is over the gate's
/// threshold.
type Filed<'a> = &'a mut dyn FnMut(&Candidates, bool);

/// Second, offline decoding of a stream of frames.
#[derive(Debug)]
pub struct OfflineDecoder {
    model: PitchModel,
    hop_s: f64,
    /// Spans of the short and the long window in hops, by semitone from 0 to 127.
    spans: Vec<(usize, usize)>,
    /// Farthest that a candidate is added back in time, in hops.
    longest: usize,
    slots: VecDeque<Slot>,
    /// How many of the slots are decoded.
    decoded: usize,
    scores: [f32; STATES],
    horizon: usize,
}

/// How long decisions wait for later sound, in seconds.
const HORIZON_S: f64 = 0.5;

impl OfflineDecoder {
    /// Decoder for the frames of an analyser.
    pub fn new(analyser: &Analyser) -> Self {
        let hop_s = analyser.hop_s();
        let hops = |set, key| (analyser.span_s(set, key as f32) / hop_s).round() as usize;
        let spans: Vec<(usize, usize)> = (0..128)
            .map(|key| (hops(Window::Short, key), hops(Window::Long, key)))
            .collect();
        // Whatever the horn: the tone of a moment is read from later sound too.
        let lowest = Pitch::from_hz(FULL_RANGE_HZ.0).0 as usize;
        let longest = spans.iter().skip(lowest).map(|s| s.0.max(s.1)).max();
        let mut scores = [f32::NEG_INFINITY; STATES];
        scores[SILENT_STATE] = 0.0;
        OfflineDecoder {
            model: analyser.pitch_model(),
            hop_s,
            longest: longest.unwrap_or(0),
            spans,
            slots: VecDeque::new(),
            decoded: 0,
            scores,
            horizon: (HORIZON_S / hop_s) as usize,
        }
    }

    /// Takes the next frame; appends what is decided to `out`, and hands over the
    /// candidates of each hop once all are filed.
    pub fn push(&mut self, frame: &Frame, out: &mut Vec<DecodedFrame>, filed: Filed) {
        self.slots.push_back(Slot {
            candidates: Candidates::default(),
            fine_pitch: f32::NAN,
            level_db: frame.level.hop_db,
            centroid_hz: frame.centroid_hz.unwrap_or(f32::NAN),
            closed: frame.level.closed,
            from: [SILENT_STATE as u8; STATES],
        });
        for candidate in frame.candidates.as_slice() {
            let key = ((candidate.pitch + 0.5) as usize).min(127);
            let (short, long) = self.spans[key];
            let penalty = candidate.penalty;
            // What loses all that a multiple can lose cannot win.
            if penalty >= self.model.octave_cost {
                continue;
            }
            let edge = self.model.edge;
            let (short_nats, long_nats) = (candidate.short - penalty, candidate.long - penalty);
            let absent = f32::NEG_INFINITY;
            self.add(
                0,
                candidate.with_strengths(short_nats - edge, long_nats - edge),
            );
            for (back, cost) in [(short / 2, 0.0), (short, edge)] {
                self.add(back, candidate.with_strengths(short_nats - cost, absent));
            }
            for (back, cost) in [(long / 2, 0.0), (long, edge)] {
                self.add(back, candidate.with_strengths(absent, long_nats - cost));
            }
        }
        if let Some(fine_pitch) = frame.fine_pitch {
            let back = (f64::from(fine_pitch.age_s) / self.hop_s).round() as usize;
            if let Some(slot) = self.slot_back(back) {
                slot.fine_pitch = fine_pitch.pitch;
            }
        }
        if self.slots.len() - self.decoded > self.longest {
            self.decode_next(filed);
        }
        if self.decoded >= 2 * self.horizon {
            self.trace(self.horizon, out);
        }
    }

    /// Decides all remaining frames, at the end of the take.
    pub fn finish(&mut self, out: &mut Vec<DecodedFrame>, filed: Filed) {
        while self.decoded < self.slots.len() {
            self.decode_next(filed);
        }
        self.trace(self.decoded, out);
    }

    fn add(&mut self, back: usize, mut fresh: Candidate) {
        let model = self.model;
        let Some(slot) = self.slot_back(back) else {
            return;
        };
        match slot.candidates.near_mut(fresh.pitch, SAME_PITCH) {
            Some(known) => {
                if fresh.short.max(fresh.long) > known.short.max(known.long) {
                    known.move_to(&fresh);
                }
                known.short = known.short.max(fresh.short);
                known.long = known.long.max(fresh.long);
                known.strength = model.strength(known.short, known.long);
            }
            None => {
                fresh.strength = model.strength(fresh.short, fresh.long);
                slot.candidates.add(fresh);
            }
        }
    }

    /// The slot `back` hops ago, if it is not decoded yet.
    fn slot_back(&mut self, back: usize) -> Option<&mut Slot> {
        let at = self.slots.len().checked_sub(1 + back)?;
        if at < self.decoded {
            return None;
        }
        self.slots.get_mut(at)
    }

    /// One forward step of the Viterbi algorithm.
    fn decode_next(&mut self, filed: Filed) {
        let first = Candidates::default();
        let mut pair = (self.slots).range_mut(self.decoded.saturating_sub(1)..=self.decoded);
        let before = match self.decoded {
            0 => &first,
            _ => pair.next().map_or(&first, |slot| &slot.candidates),
        };
        let Some(slot) = pair.next() else {
            return;
        };
        let model = &self.model;
        penalise_subharmonics(&mut slot.candidates, model);
        filed(&slot.candidates, !slot.closed);
        let (now, before) = (&slot.candidates, before.as_slice());
        let from = &mut slot.from;
        let mut scores = [f32::NEG_INFINITY; STATES];
        if !slot.closed {
            for (i, candidate) in now.as_slice().iter().enumerate() {
                let mut best = (self.scores[SILENT_STATE] - model.start, SILENT_STATE);
                for (j, past) in before.iter().enumerate() {
                    let step = (past.pitch - candidate.pitch).abs();
                    let cost = (model.glide * step).min(model.jump);
                    if self.scores[j] - cost > best.0 {
                        best = (self.scores[j] - cost, j);
                    }
                }
                scores[i] = best.0 + candidate.net_strength();
                from[i] = best.1 as u8;
            }
        }
        let mut best = (self.scores[SILENT_STATE], SILENT_STATE);
        for j in 0..before.len() {
            if self.scores[j] - model.stop > best.0 {
                best = (self.scores[j] - model.stop, j);
            }
        }
        scores[SILENT_STATE] = best.0 + model.silence;
        from[SILENT_STATE] = best.1 as u8;
        let top = scores.iter().copied().fold(f32::NEG_INFINITY, f32::max);
        scores.iter_mut().for_each(|s| *s -= top);
        self.scores = scores;
        self.decoded += 1;
    }

    /// Traces back from the best last state and outputs the oldest `count` frames.
    fn trace(&mut self, count: usize, out: &mut Vec<DecodedFrame>) {
        let mut state = (0..STATES)
            .max_by(|&a, &b| self.scores[a].total_cmp(&self.scores[b]))
            .unwrap_or(SILENT_STATE);
        let start = out.len();
        for (age, slot) in self.slots.range(..self.decoded).enumerate().rev() {
            if age < count {
                out.push(decoded_frame(slot, state));
            }
            state = slot.from[state] as usize;
        }
        out[start..].reverse();
        self.slots.drain(..count);
        self.decoded -= count;
    }
}

fn decoded_frame(slot: &Slot, state: usize) -> DecodedFrame {
    let candidate = slot.candidates.as_slice().get(state);
    let (pitch, confidence) = candidate.map_or((f32::NAN, 0.0), |c| {
        (precise(c.pitch, Some(slot.fine_pitch)), c.confidence())
    });
    DecodedFrame {
        pitch,
        confidence,
        level_db: slot.level_db,
        centroid_hz: slot.centroid_hz,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::exhaustive::{Hop, StatePath, paths, total};
    use super::super::level::Level;
    use super::super::{HOP, Settings};
    use super::*;
    use crate::demo::brass::Noise;

    fn decoder() -> OfflineDecoder {
        OfflineDecoder::new(&Analyser::new(Settings::builder(48_000.0).build().unwrap()))
    }

    fn frame(candidates: &[(f32, f32)]) -> Frame {
        Frame {
            time_s: 0.0,
            level: Level {
                hop_db: -20.0,
                closed: false,
            },
            candidates: Candidates::of(candidates),
            best_path: Default::default(),
            fine_pitch: None,
            centroid_hz: None,
            samples: [0.0; HOP],
        }
    }

    /// Pitches of all frames, NaN for silence.
    fn decode(decoder: &mut OfflineDecoder, hops: &[Hop]) -> Vec<f32> {
        let mut out = Vec::new();
        for hop in hops {
            decoder.push(&frame(hop), &mut out, &mut |_, _| {});
        }
        decoder.finish(&mut out, &mut |_, _| {});
        out.iter().map(|f| f.pitch).collect()
    }

    fn held(hops: usize, candidates: &[(f32, f32)]) -> Vec<Hop> {
        vec![candidates.to_vec(); hops]
    }

    #[test]
    fn an_onset_is_found_in_the_sound_it_was_measured_in() {
        let hops = [held(200, &[]), held(200, &[(58.0, 3.3)])].concat();
        let mut decoder = decoder();
        let (_, long) = decoder.spans[58];
        let got = decode(&mut decoder, &hops);
        assert_eq!(got.len(), hops.len());
        let first = got.iter().position(|p| !p.is_nan()).unwrap();
        assert!((200 - long..200).contains(&first), "{first}, {long} hops");
        assert!(got[first..].iter().all(|p| *p == 58.0));
    }

    #[test]
    fn a_brief_octave_slip_is_bridged_and_a_note_is_not() {
        let slip = |hops| {
            let note = held(200, &[(58.0, 3.3)]);
            let lower = held(hops, &[(58.0, 1.0), (46.0, 3.3)]);
            [&note[..], &lower, &note].concat()
        };
        let got = decode(&mut decoder(), &slip(3));
        assert!(got.iter().all(|p| *p == 58.0), "{got:?}");
        let got = decode(&mut decoder(), &slip(100));
        assert_eq!(got[250], 46.0);
    }

    #[test]
    fn noise_is_silence() {
        let mut noise = Noise::new(5);
        let mut weak = || {
            let candidate = |_| {
                let pitch = 60.0 + 20.0 * noise.value() as f32;
                (pitch, 0.3 + 0.3 * noise.value() as f32)
            };
            (0..6).map(candidate).collect::<Hop>()
        };
        let hops: Vec<Hop> = (0..2_000).map(|_| weak()).collect();
        let got = decode(&mut decoder(), &hops);
        assert_eq!(got.iter().filter(|p| !p.is_nan()).count(), 0);
    }

    /// Frames output after half a second are the same as at the end of the take.
    #[test]
    fn decisions_output_early_are_final() {
        let mut noise = Noise::new(9);
        let mut hops = Vec::new();
        for note in 0..24 {
            let pitch = 50.0 + 2.0 * (note * 5 % 12) as f32;
            for _ in 0..100 {
                let (on, off) = (2.0 + noise.value() as f32, 1.0 + noise.value() as f32);
                let rest = note % 5 == 4;
                hops.push(vec![
                    (pitch, if rest { 0.2 } else { on }),
                    (pitch - 7.0, off),
                ]);
            }
        }
        let early = decode(&mut decoder(), &hops);
        let mut whole = decoder();
        whole.horizon = hops.len();
        let whole = decode(&mut whole, &hops);
        assert_eq!(early.len(), whole.len());
        let same = |(a, b): (&f32, &f32)| a == b || (a.is_nan() && b.is_nan());
        assert!(early.iter().zip(&whole).all(same));
    }

    /// Three pitches, none a multiple of another.
    fn hop() -> impl Strategy<Value = Hop> {
        let candidate =
            |pitch: f32| (-0.1f32..0.1, 0f32..3.5).prop_map(move |(d, s)| (pitch + d, s));
        (candidate(57.0), candidate(58.0), candidate(64.0)).prop_map(|(a, b, c)| vec![a, b, c])
    }

    proptest! {
        #[test]
        fn no_way_is_better_than_the_decoded_one(hops in prop::collection::vec(hop(), 1..6)) {
            let mut decoder = decoder();
            for hop in &hops {
                decoder.slots.push_back(Slot {
                    candidates: Candidates::of(hop),
                    fine_pitch: f32::NAN,
                    level_db: -20.0,
                    centroid_hz: f32::NAN,
                    closed: false,
                    from: [SILENT_STATE as u8; STATES],
                });
            }
            let mut out = Vec::new();
            decoder.finish(&mut out, &mut |_, _| {});
            let place = |(hop, decoded): (&Hop, &DecodedFrame)| {
                hop.iter().position(|(pitch, _)| *pitch == decoded.pitch)
            };
            let decoded: StatePath = hops.iter().zip(&out).map(place).collect();
            prop_assert_eq!(decoded.len(), hops.len());
            let best = paths(&hops).iter().map(|path| total(&hops, path)).fold(f32::NEG_INFINITY, f32::max);
            prop_assert!(total(&hops, &decoded) > best - 1e-4);
        }
    }
}
