//! What is read around a moment, how long a moment is, and how much of the sound must be kept
//! for it: one layout for whole takes, one for the live engine.

use super::selection::CELLS;
use super::spectra::Centring;

/// Offsets of a layout at most.
pub(super) const MAX_OFFSETS: usize = 22;

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
    pub(super) ahead: usize,
    /// Moments after one whose level its reference already counts: a loud attack is
    /// measured by itself, not by the rest before it.
    pub(super) foreseen: usize,
    /// Moments before and after from which a pitch is asked about too: a dip in the
    /// tone must not take its pitch off the list.
    pub(super) carry: (usize, usize),
    /// Moments before and after one over which a pitch's strength is averaged: what
    /// repeats weakly all the time is a soft tone.
    pub(super) lasting: (usize, usize),
    /// Where a pitch is found to rise.
    pub(super) rise: Rise,
    /// Moments for which a pitch that was hopeless is not asked about again, if any.
    pub(super) rest: usize,
}

/// The moments that are compared to find a pitch that rises out of what sounds.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rise {
    /// Moments before and after the one asked about that belong to what has risen.
    pub(super) now: (usize, usize),
    /// Moments before those that it has risen from; one between is left out.
    pub(super) before: usize,
    /// Moments for which a pitch is asked about after it has risen.
    pub(super) asked: usize,
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
    pub(super) fn kept(&self) -> usize {
        self.behind() + self.carry.0
    }

    /// Moments that are there at once at most, as long as sound comes.
    pub(super) fn most_moments(&self) -> usize {
        self.kept() + self.ahead + self.foreseen + 2
    }

    /// Offsets whose codes are kept at once at most, as long as sound comes: each moment that is
    /// kept, in each of its cells, at each offset, from when it was encoded until its moment goes.
    pub(super) fn most_codes(&self) -> usize {
        let kept = |offset: &i32| (self.kept() + 1).saturating_add_signed(*offset as isize);
        CELLS * self.offsets.iter().map(kept).sum::<usize>()
    }
}
