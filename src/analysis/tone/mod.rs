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

mod code_store;
mod ensemble;
pub mod features;
mod grid;
mod layout;
pub mod network;
mod salience;
mod selection;
pub mod spectra;
mod tone_track;

use code_store::CodeStore;
use ensemble::Ensemble;
use features::{BINS, pitch_of};
pub use grid::Grid;
pub use layout::{CAUSAL, Layout, OFFLINE};
use network::{Evidence, weigh};
pub use selection::{CELLS, Cell};
pub use tone_track::{ToneCell, ToneTrack};

use super::Analyser;
use super::candidates::Candidates;

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
