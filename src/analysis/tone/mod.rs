//! Tone evidence: for each pitch that is asked about, how likely it sounds as a tone, begins,
//! and by the tongue, read from its own harmonics over time.
//!
//! ```text
//! samples    -> Spectra ----\
//!                            Grid (moments of 8 hops) -> cells -> context -> network
//! candidates -> strengths --/
//! ```
//!
//! The correlation finds which periods the sound may have and hardly makes octave errors,
//! but it says little of *when*: in a reverberant room the note before still repeats
//! while the next begins, and noise or a rumble moves every level. A pitch's own
//! harmonics rise when it is played and fall as the room lets them, whatever else
//! sounds.

mod ensemble;
pub mod features;
pub mod network;
mod salience;
mod selection;
pub mod spectra;

use std::collections::VecDeque;
use std::num::NonZeroU32;
use std::ops::Range;

use ensemble::Ensemble;
use features::{BINS, FEATURES, FLOOR, LOWEST, Reader, bin_of, pitch_of};
use network::{Code, Evidence, weigh};
use salience::{PitchAxis, Salience};
pub use selection::{CELLS, Cell};
use spectra::{Centring, Spectra, Spectrum};

use super::candidates::Candidates;
use super::pitch_model::PitchModel;
use super::resampler::ANALYSIS_RATE_HZ;
use super::{Analyser, HOP};

/// What is read around a moment, and how long a moment is.
#[derive(Debug, Clone, Copy)]
pub struct Layout {
    /// Where the spectra's windows lie.
    pub centring: Centring,
    /// Hops in a moment.
    pub hops: usize,
    /// Moments around a cell's own at which its pitch is read: close together near it,
    /// far apart far from it.
    pub offsets: &'static [i32],
    /// Those of the offsets that the screen reads (`SCREEN` in `training/train.py` has their
    /// places).
    pub screen: &'static [i32],
    /// Moments waited for.
    ahead: usize,
    /// Moments after one whose level its reference already counts: a loud attack is
    /// measured by itself, not by the rest before it.
    foreseen: usize,
    /// Moments before and after from which a pitch is asked about too: a dip in the
    /// tone must not take its pitch off the list.
    carry: (usize, usize),
    /// Moments before and after one over which a pitch's strength is averaged: what
    /// repeats weakly all the time is a soft tone.
    lasting: (usize, usize),
    /// Where a pitch is found to rise.
    rise: Rise,
    /// Moments for which a pitch that was hopeless is not asked about again, if any.
    rest: usize,
}

/// The moments that are compared to find a pitch that rises out of what sounds.
#[derive(Debug, Clone, Copy)]
struct Rise {
    /// Moments before and after the one asked about that belong to what has risen.
    now: (usize, usize),
    /// Moments before those that it has risen from; one between is left out.
    before: usize,
    /// Moments for which a pitch is asked about after it has risen.
    asked: usize,
}

/// For whole takes: moments of 10.9 ms, the future known.
pub const OFFLINE: Layout = Layout {
    centring: Centring::Centred,
    hops: 8,
    offsets: &[
        -110, -64, -40, -24, -16, -10, -6, -4, -3, -2, -1, 0, 1, 2, 3, 4, 6, 10, 16, 24, 40, 64,
    ],
    screen: &[-4, 0, 4],
    ahead: 64,
    foreseen: 24,
    carry: (8, 8),
    lasting: (10, 10),
    rise: Rise {
        now: (0, 8),
        before: 8,
        asked: 12,
    },
    // Any rest would make onsets depend on where the first hop falls.
    rest: 0,
};

/// For the live engine: moments of 5.4 ms, only the past known.
pub const CAUSAL: Layout = Layout {
    centring: Centring::Trailing,
    hops: 4,
    offsets: &[
        -220, -128, -80, -48, -32, -22, -16, -12, -9, -7, -5, -4, -3, -2, -1, 0,
    ],
    screen: &[-7, -2, 0],
    ahead: 0,
    foreseen: 0,
    carry: (16, 0),
    lasting: (16, 0),
    rise: Rise {
        now: (1, 0),
        before: 12,
        asked: 24,
    },
    rest: 1,
};

impl Layout {
    /// Length of a moment of hops of so many seconds, in seconds.
    pub fn moment_s(&self, hop_s: f64) -> f64 {
        self.hops as f64 * hop_s
    }

    /// The hop at whose end a moment is dated: the middle of its own or, live, the last.
    pub fn hop_of(&self, moment: usize) -> usize {
        let known = match self.centring {
            Centring::Centred => self.hops / 2,
            Centring::Trailing => self.hops,
        };
        moment * self.hops + known - 1
    }

    fn behind(&self) -> usize {
        self.offsets[0].unsigned_abs() as usize
    }

    /// Moments for which one is kept after it was asked about.
    fn kept(&self) -> usize {
        self.behind() + self.carry.0
    }

    /// Moments that are there at once at most, as long as sound comes.
    fn most_moments(&self) -> usize {
        self.kept() + self.ahead + self.foreseen + 2
    }

    /// Offsets whose codes are kept at once at most, as long as sound comes: each moment that is
    /// kept, in each of its cells, at each offset, from when it was encoded until its moment goes.
    fn most_codes(&self) -> usize {
        let kept = |offset: &i32| (self.kept() + 1).saturating_add_signed(*offset as isize);
        CELLS * self.offsets.iter().map(kept).sum::<usize>()
    }
}

/// How fast the level that others are measured from falls, in powers of two a second:
/// 2 dB.
const REFERENCE_FALL_PER_S: f32 = 0.664;

/// Offsets of a layout at most.
const MAX_OFFSETS: usize = 22;

/// What is known of one moment. Its vectors have room for all bins from the beginning.
#[derive(Debug, Clone)]
struct Moment {
    spectrum: Spectrum,
    salience: Salience,
    /// Level that others are measured from, as far as the past tells.
    reference: f32,
    /// Strengths in the short and the long window by bin, in nats, and both combined.
    strengths: Vec<[f32; 2]>,
    strength: Vec<f32>,
    /// How far each bin's contrast has risen, as a base-2 logarithm, once it was asked about.
    risen: Vec<f32>,
    /// Whether the gate was open.
    open: bool,
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

/// Where the codes of an offset lie in the grid's [`CodeStore`].
#[derive(Debug, Clone, Copy)]
struct Place {
    /// Counted from one, so that an `Option<Place>` is as small.
    number: NonZeroU32,
}

impl Place {
    fn new(index: usize) -> Place {
        let number = u32::try_from(index + 1).ok().and_then(NonZeroU32::new);
        Place {
            number: number.expect("the codes of a few moments"),
        }
    }

    fn index(self) -> usize {
        self.number.get() as usize - 1
    }
}

/// The codes of all moments. They lie together, for how many a moment has differs much, and
/// how many all have differs little. There is room for [`Layout::most_codes`] from the beginning:
/// some 30 MB of addresses, of which the system fills with memory what is used.
#[derive(Debug, Clone, Default)]
struct CodeStore {
    codes: Vec<Code>,
    /// Places that are free; a place has a code for each network.
    free: Vec<Place>,
}

impl CodeStore {
    /// Store with room for so many places, each with a code for each of `networks`.
    fn new(places: usize, networks: &Ensemble) -> Self {
        CodeStore {
            codes: Vec::with_capacity(places * networks.len()),
            free: Vec::with_capacity(places),
        }
    }

    /// Adds the codes of an offset. Returns their place.
    fn add(&mut self, networks: &Ensemble, features: impl FnOnce() -> [f32; FEATURES]) -> Place {
        let each = networks.len();
        let place = self.free.pop().unwrap_or_else(|| {
            self.codes.extend(std::iter::repeat_n(Code::NONE, each));
            Place::new(self.codes.len() / each - 1)
        });
        let from = place.index() * each;
        networks.encode(features, &mut self.codes[from..from + each]);
        place
    }

    /// The codes at a place.
    fn at(&self, networks: &Ensemble, place: Place) -> &[Code] {
        let each = networks.len();
        &self.codes[place.index() * each..][..each]
    }
}

/// Spectra and candidates of the moments around the one that is asked about.
#[derive(Debug, Clone)]
pub struct Grid {
    layout: &'static Layout,
    pitch_model: PitchModel,
    spectra: Spectra,
    reader: Reader,
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
    codes: CodeStore,
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
            reader: Reader::new(rate_hz),
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

    /// Replaces `cells` by those of the next moment, at most [`CELLS`]; false, and none, as long
    /// as not all is there that is read around it.
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

/// A pitch at a moment with its evidence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToneCell {
    /// Pitch in MIDI semitones, to a tenth.
    pub pitch: f32,
    /// What speaks for it, as log odds.
    pub evidence: Evidence,
}

/// The cells of a stretch of sound, moment by moment.
#[derive(Debug, Clone, Default)]
pub struct ToneTrack {
    cells: Vec<ToneCell>,
    /// Where each moment's cells end.
    ends: Vec<usize>,
}

impl ToneTrack {
    /// Track with room for so many moments.
    pub fn with_capacity(moments: usize) -> Self {
        ToneTrack {
            cells: Vec::with_capacity(moments * CELLS),
            ends: Vec::with_capacity(moments),
        }
    }

    /// Number of moments.
    pub fn len(&self) -> usize {
        self.ends.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.ends.is_empty()
    }

    /// The cells of a moment.
    pub fn cells(&self, at: usize) -> &[ToneCell] {
        let from = if at == 0 { 0 } else { self.ends[at - 1] };
        &self.cells[from..self.ends[at]]
    }

    /// Changes each cell's evidence; `change` gets the moment with it.
    pub fn adjust(&mut self, mut change: impl FnMut(usize, &mut ToneCell)) {
        let mut from = 0;
        for (at, &end) in self.ends.iter().enumerate() {
            for cell in &mut self.cells[from..end] {
                change(at, cell);
            }
            from = end;
        }
    }

    /// Takes all moments away; the room for them stays.
    pub fn clear(&mut self) {
        self.cells.clear();
        self.ends.clear();
    }

    /// Adds a moment.
    pub fn push(&mut self, cells: impl IntoIterator<Item = ToneCell>) {
        self.cells.extend(cells);
        self.ends.push(self.cells.len());
    }

    /// Takes the first moments away, so many.
    pub fn split_front(&mut self, count: usize) -> ToneTrack {
        let count = count.min(self.ends.len());
        let rest_ends = self.ends.split_off(count);
        let cut = self.ends.last().copied().unwrap_or(0);
        let rest = ToneTrack {
            cells: self.cells.split_off(cut),
            ends: rest_ends.into_iter().map(|end| end - cut).collect(),
        };
        std::mem::replace(self, rest)
    }
}

/// Reads tone evidence from a stream of samples and candidates.
#[derive(Debug, Clone)]
pub struct ToneReader {
    grid: Grid,
    networks: Ensemble,
    /// By bin, the number of the moment until which it need not be asked about again: a
    /// pitch that was hopeless hardly becomes a note at once.
    resting: Vec<usize>,
    rest: usize,
    /// Of the moment that is read now: its cells, the bins of those that the screen lets pass, and
    /// what is read of them. Each has room for [`CELLS`].
    cells: Vec<Cell>,
    bins: Vec<usize>,
    evidence: Vec<Evidence>,
}

impl ToneReader {
    /// Reader for what an analyser hears.
    pub fn new(layout: &'static Layout, analyser: &Analyser) -> Self {
        let networks = Ensemble::learned(layout);
        let mut grid = Grid::new(layout, analyser);
        grid.codes = CodeStore::new(layout.most_codes(), &networks);
        ToneReader {
            grid,
            networks,
            resting: vec![0; BINS],
            rest: layout.rest,
            cells: Vec::with_capacity(CELLS),
            bins: Vec::with_capacity(CELLS),
            evidence: Vec::with_capacity(CELLS),
        }
    }

    /// Takes the samples of the next hop.
    pub fn push_samples(&mut self, samples: &[f32]) {
        self.grid.push_samples(samples);
    }

    /// Takes the candidates of the next hop that has all of them; appends the moments
    /// that are then decided to `out`.
    pub fn push_candidates(&mut self, candidates: &Candidates, open: bool, out: &mut ToneTrack) {
        self.grid.push_candidates(candidates, open);
        self.read(out);
    }

    /// Ends the samples; candidates of the last hops may follow.
    pub fn end_samples(&mut self) {
        self.grid.end_samples();
    }

    /// Ends the sound, once all candidates are given; appends the last moments to `out`.
    pub fn finish(&mut self, out: &mut ToneTrack) {
        self.grid.finish();
        self.read(out);
    }

    fn read(&mut self, out: &mut ToneTrack) {
        while self.grid.next_cells(&mut self.cells) {
            let now = self.grid.number();
            self.bins.clear();
            self.evidence.clear();
            for at in 0..self.cells.len() {
                let bin = self.cells[at].bin;
                if self.resting[bin] > now {
                    continue;
                }
                match self.grid.evidence(&self.networks, bin) {
                    None => self.rest(bin, now),
                    Some(evidence) => {
                        self.bins.push(bin);
                        self.evidence.push(evidence);
                    }
                }
            }
            weigh(&mut self.evidence);
            for (&bin, &evidence) in self.bins.iter().zip(&self.evidence) {
                out.cells.push(ToneCell {
                    pitch: pitch_of(bin),
                    evidence,
                });
            }
            out.ends.push(out.cells.len());
        }
    }

    /// Does not ask about a pitch and its neighbours for a while.
    fn rest(&mut self, bin: usize, now: usize) {
        let near = bin.saturating_sub(1)..(bin + 2).min(BINS);
        self.resting[near].fill(now + 1 + self.rest);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::Settings;
    use crate::demo::line;

    /// A session plays for hours: after the first bars no more memory is held.
    #[test]
    fn codes_take_no_more_room_as_time_goes_by() {
        let settings = Settings::builder(48_000.0).build().expect("settings");
        let mut analyser = Analyser::new(settings);
        let mut reader = ToneReader::new(&CAUSAL, &analyser);
        let sound = line::render(48_000.0);
        let mut held = Vec::new();
        for _ in 0..6 {
            let mut read = ToneTrack::default();
            analyser.push(&sound, &mut |frame| {
                reader.push_samples(&frame.samples);
                reader.push_candidates(&frame.candidates, true, &mut read);
            });
            assert!(!read.is_empty());
            held.push(reader.grid.codes.codes.len());
        }
        let first = held[0];
        assert!(first <= CAUSAL.most_codes() * reader.networks.len());
        assert!(held.iter().all(|&now| now < first + first / 20), "{held:?}");
    }
}
