//! Tone evidence as the note models read it: for each moment the pitches that were asked about,
//! with what speaks for each.

use super::network::Evidence;
use super::selection::CELLS;

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
    pub(super) cells: Vec<ToneCell>,
    /// Where each moment's cells end.
    pub(super) ends: Vec<usize>,
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
