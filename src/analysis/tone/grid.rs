//! The moments around the one that is asked about: their spectra, the candidates' strengths, and
//! the codes of the pitches that have been read of them.

use std::collections::VecDeque;
use std::ops::Range;

use super::code_store::{CodeStore, Place};
use super::ensemble::Ensemble;
use super::features::{self, BINS, FEATURES, FLOOR, FeatureReader, LOWEST, bin_of, pitch_of};
use super::layout::{Layout, MAX_OFFSETS};
use super::network::{Code, Evidence};
use super::salience::{PitchAxis, Salience};
use super::selection::{self, Cell};
use super::spectra::{self, Spectra, Spectrum};
use crate::analysis::candidates::Candidates;
use crate::analysis::pitch_model::PitchModel;
use crate::analysis::resampler::ANALYSIS_RATE_HZ;
use crate::analysis::{Analyser, HOP};

/// How fast the level that others are measured from falls, in powers of two a second:
/// 2 dB.
const REFERENCE_FALL_PER_S: f32 = 0.664;

/// What is known of one moment. Its vectors have room for all bins from the beginning.
#[derive(Debug, Clone)]
pub(super) struct Moment {
    spectrum: Spectrum,
    pub(super) salience: Salience,
    /// Level that others are measured from, as far as the past tells.
    reference: f32,
    /// Strengths in the short and the long window by bin, in nats, and both combined.
    strengths: Vec<[f32; 2]>,
    pub(super) strength: Vec<f32>,
    /// How far each bin's contrast has risen, as a base-2 logarithm, once it was asked about.
    pub(super) risen: Vec<f32>,
    /// Whether the gate was open.
    pub(super) open: bool,
    /// Where the codes of it are, by bin, as far as it has been encoded.
    known: Vec<Option<Place>>,
}

impl Default for Moment {
    fn default() -> Self {
        Moment {
            spectrum: Spectrum::default(),
            salience: Salience::default(),
            reference: 0.0,
            strengths: vec![[0.0; 2]; BINS],
            strength: Vec::with_capacity(BINS),
            risen: Vec::with_capacity(BINS),
            open: false,
            known: Vec::with_capacity(BINS),
        }
    }
}

/// Spectra and candidates of the moments around the one that is asked about.
#[derive(Debug, Clone)]
pub struct Grid {
    layout: &'static Layout,
    pitch_model: PitchModel,
    spectra: Spectra,
    reader: FeatureReader,
    axis: PitchAxis,
    /// Bins of the pitches that the horn has.
    range: Range<usize>,
    /// Spectra whose candidates are not all there yet.
    waiting: VecDeque<Spectrum>,
    /// Strengths of the moment whose candidates arrive now, the hops of it, and whether
    /// the gate was open in one.
    strengths: Vec<[f32; 2]>,
    hops: usize,
    open: bool,
    moments: VecDeque<Moment>,
    /// Moments that are over, and spectra, for their memory: while sound comes, none is
    /// allocated.
    spare: Vec<Moment>,
    spare_spectra: Vec<Spectrum>,
    pub(super) codes: CodeStore,
    /// Number of the first of them, counted from the start of the sound.
    first: usize,
    /// Number of the moment that is asked about next.
    now: usize,
    reference: f32,
    fall: f32,
    ended: bool,
}

impl Grid {
    /// Grid for what an analyser hears.
    pub fn new(layout: &'static Layout, analyser: &Analyser) -> Self {
        let rate_hz = ANALYSIS_RATE_HZ;
        let step = layout.hops * HOP;
        let (lowest, highest) = analyser.range();
        let bin = |pitch: f32| bin_of(pitch.clamp(LOWEST, pitch_of(BINS - 1))).unwrap_or(0);
        Grid {
            layout,
            pitch_model: analyser.pitch_model(),
            spectra: Spectra::new(rate_hz, step, layout.centring),
            reader: FeatureReader::new(rate_hz),
            axis: PitchAxis::new(rate_hz),
            range: bin(lowest)..bin(highest) + 1,
            waiting: VecDeque::with_capacity(2),
            strengths: vec![[0.0; 2]; BINS],
            hops: 0,
            open: false,
            moments: VecDeque::with_capacity(layout.most_moments()),
            spare: (0..layout.most_moments())
                .map(|_| Moment::default())
                .collect(),
            spare_spectra: vec![Spectrum::default(); 2],
            codes: CodeStore::default(),
            first: 0,
            now: 0,
            reference: f32::NEG_INFINITY,
            fall: REFERENCE_FALL_PER_S * (step as f64 / rate_hz) as f32,
            ended: false,
        }
    }

    /// Takes the next samples.
    pub fn push_samples(&mut self, samples: &[f32]) {
        let (waiting, spare) = (&mut self.waiting, &mut self.spare_spectra);
        (self.spectra).push(samples, spare, &mut |s| waiting.push_back(s));
    }

    /// Takes the candidates of the next hop; `open` is whether the gate was open in it.
    /// Its samples, and those of half the longest window after it, must have been taken.
    pub fn push_candidates(&mut self, candidates: &Candidates, open: bool) {
        for candidate in candidates.as_slice() {
            let Some(bin) = bin_of(candidate.pitch) else {
                continue;
            };
            let nats =
                [candidate.short, candidate.long].map(|n| n.max(0.0) / self.layout.hops as f32);
            for near in bin.saturating_sub(1)..(bin + 2).min(BINS) {
                let share = if near == bin { 1.0 } else { 0.9 };
                for (sum, nats) in self.strengths[near].iter_mut().zip(nats) {
                    *sum += share * nats;
                }
            }
        }
        self.open |= open;
        self.hops += 1;
        if self.hops == self.layout.hops {
            self.hops = 0;
            self.close_moment();
        }
    }

    fn close_moment(&mut self) {
        let Some(spectrum) = self.waiting.pop_front() else {
            debug_assert!(false, "candidates before their samples");
            return;
        };
        self.reference = spectrum.level.max(self.reference - self.fall);
        let recent = self.moments.len().saturating_sub(self.layout.foreseen);
        for moment in self.moments.range_mut(recent..) {
            moment.reference = moment.reference.max(spectrum.level);
        }
        let mut moment = self.spare.pop().unwrap_or_default();
        (self.axis).read(&spectrum, self.reference, FLOOR, &mut moment.salience);
        let over = std::mem::replace(&mut moment.spectrum, spectrum);
        self.spare_spectra.push(over);
        moment.reference = self.reference;
        moment.open = std::mem::take(&mut self.open);
        std::mem::swap(&mut moment.strengths, &mut self.strengths);
        self.strengths.clear();
        self.strengths.resize(BINS, [0.0; 2]);
        moment.strength.clear();
        let combined =
            (moment.strengths.iter()).map(|nats| self.pitch_model.strength(nats[0], nats[1]));
        moment.strength.extend(combined);
        moment.risen.clear();
        moment.known.clear();
        moment.known.resize(BINS, None);
        self.moments.push_back(moment);
        while self.first + self.layout.kept() < self.now {
            let over = self.moments.pop_front();
            let places = over.iter().flat_map(|over| &over.known);
            self.codes.free.extend(places.flatten());
            self.spare.extend(over);
            self.first += 1;
        }
    }

    /// Ends the samples: what is missing of the last windows is silence.
    pub fn end_samples(&mut self) {
        self.push_samples(&vec![0.0; spectra::LONGEST]);
    }

    /// Ends the sound, once all candidates are given.
    pub fn finish(&mut self) {
        while self.hops != 0 {
            self.push_candidates(&Candidates::default(), false);
        }
        self.ended = true;
    }

    /// Replaces `cells` by those of the next moment, at most [`CELLS`](super::CELLS); false, and
    /// none, as long as not all is there that is read around it.
    pub fn next_cells(&mut self, cells: &mut Vec<Cell>) -> bool {
        let known = self.first + self.moments.len();
        let wanted = self.now + self.layout.ahead + self.layout.foreseen;
        let ready = wanted < known || self.ended && self.now < known;
        cells.clear();
        if ready {
            let at = self.now - self.first;
            self.now += 1;
            selection::cells(&mut self.moments, at, self.layout, &self.range, cells);
        }
        ready
    }

    /// Number of the moment whose cells were given last.
    pub fn number(&self) -> usize {
        self.now - 1
    }

    /// The features of a bin at every offset from the moment whose cells were given
    /// last. Before the sound and after it there is silence.
    pub fn context(&self, bin: usize) -> Vec<[f32; FEATURES]> {
        let read = |&offset: &i32| {
            let there = self.there(offset);
            there.map_or_else(features::silence, |at| self.features(at, bin))
        };
        self.layout.offsets.iter().map(read).collect()
    }

    /// Index of the moment at an offset from the one whose cells were given last.
    fn there(&self, offset: i32) -> Option<usize> {
        let at = (self.number() - self.first).checked_add_signed(offset as isize)?;
        (at < self.moments.len()).then_some(at)
    }

    #[inline(always)]
    fn features(&self, at: usize, bin: usize) -> [f32; FEATURES] {
        let moment = &self.moments[at];
        self.reader.read(
            bin,
            &moment.spectrum,
            &moment.salience,
            moment.strengths[bin],
            moment.reference,
        )
    }

    /// Evidence for a bin at the moment whose cells were given last; none if the screen does
    /// not let it pass.
    pub fn evidence(&mut self, networks: &Ensemble, bin: usize) -> Option<Evidence> {
        let Layout {
            screen, offsets, ..
        } = self.layout;
        let pitch = pitch_of(bin);
        self.encode(networks, screen, bin);
        if !networks.passes(pitch, &self.codes(networks, screen, bin)[..screen.len()]) {
            return None;
        }
        self.encode(networks, offsets, bin);
        let codes = self.codes(networks, offsets, bin);
        Some(networks.evidence(pitch, &codes[..offsets.len()]))
    }

    /// Encodes a bin at offsets from the moment whose cells were given last, where it is not
    /// yet.
    fn encode(&mut self, networks: &Ensemble, offsets: &[i32], bin: usize) {
        for &offset in offsets {
            let Some(at) = self.there(offset) else {
                continue;
            };
            if self.moments[at].known[bin].is_some() {
                continue;
            }
            let mut codes = std::mem::take(&mut self.codes);
            let place = codes.add(
                networks,
                #[inline(always)]
                || self.features(at, bin),
            );
            self.codes = codes;
            self.moments[at].known[bin] = Some(place);
        }
    }

    /// The codes that [`Self::encode`] made.
    fn codes<'a>(
        &'a self,
        networks: &'a Ensemble,
        offsets: &[i32],
        bin: usize,
    ) -> [&'a [Code]; MAX_OFFSETS] {
        let mut codes = [networks.silence(); MAX_OFFSETS];
        for (code, &offset) in codes.iter_mut().zip(offsets) {
            if let Some(at) = self.there(offset) {
                let place = self.moments[at].known[bin].expect("encoded before");
                *code = self.codes.at(networks, place);
            }
        }
        codes
    }
}
