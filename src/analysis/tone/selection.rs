//! Which pitches are asked about in a moment.
//!
//! The network says what sounds, but only of pitches that it is asked about, and asking
//! about all would cost twenty times as much. So all signs of a soft note count: how well the
//! sound repeats at its period, now or on the mean of a fifth of a second (live, of a tenth);
//! how far its harmonics stand out of the spectrum; and how far they have risen out of what
//! sounded before (chords, reverberation), also for an eighth of a second after they have.

use std::collections::VecDeque;
use std::ops::Range;

use pulp::{Arch, Simd, WithSimd};

use super::features::{BINS, SILENT_CONTRAST};
use super::grid::Moment;
use super::layout::Layout;
use crate::analysis::vector_math::higher;

/// Pitches asked about in a moment at most.
pub const CELLS: usize = REPEATING + LASTING + SALIENT + RISING;
/// So many of them for their correlation, and so many because it lasts, ...
const REPEATING: usize = 5;
const LASTING: usize = 4;
/// ... so many because they stand out of the spectrum, and so many because they have
/// risen out of it.
const SALIENT: usize = 4;
const RISING: usize = 5;

/// A pitch that may sound at a moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell {
    /// Its bin.
    pub bin: usize,
}

/// Replaces `cells` by those of a moment within a range of bins, the surest first: [`CELLS`] at
/// most. The moments before it must have been asked about already.
pub(super) fn cells(
    moments: &mut VecDeque<Moment>,
    at: usize,
    layout: &Layout,
    range: &Range<usize>,
    cells: &mut Vec<Cell>,
) {
    cells.clear();
    // Also where the gate is closed: later moments look back at what has risen.
    let found = Arch::new().dispatch(Find {
        moments,
        at,
        layout,
    });
    if !moments[at].open {
        return;
    }
    add(cells, tops::<REPEATING>(&found.repeating, range, 0.0));
    add(cells, tops::<LASTING>(&found.lasting, range, 0.0));
    let contrast = &moments[at].salience.contrast;
    add(cells, tops::<SALIENT>(contrast, range, f32::NEG_INFINITY));
    add(cells, tops::<RISING>(&found.risen, range, 0.0));
}

/// Adds the bins beside which there is no cell yet.
fn add(cells: &mut Vec<Cell>, bins: impl Iterator<Item = usize>) {
    for bin in bins {
        let known = |cell: &Cell| cell.bin.abs_diff(bin) < 2;
        if !cells.iter().any(known) {
            cells.push(Cell { bin });
        }
    }
}

/// What speaks for each bin at a moment.
struct Found {
    /// Strength, carried over from the moments around.
    repeating: [f32; BINS],
    /// Mean strength of the moments around.
    lasting: [f32; BINS],
    /// How far it has risen, now or a while ago.
    risen: [f32; BINS],
}

/// Finds it, in vector registers.
struct Find<'a> {
    moments: &'a mut VecDeque<Moment>,
    at: usize,
    layout: &'a Layout,
}

impl WithSimd for Find<'_> {
    type Output = Found;

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> Found {
        let Find {
            moments,
            at,
            layout,
        } = self;
        let around = |(before, after): (usize, usize)| {
            at.saturating_sub(before)..(at + after + 1).min(moments.len())
        };
        let mut repeating = [0f32; BINS];
        for there in around(layout.carry) {
            let (before, after) = layout.carry;
            let reach = if there < at { before } else { after };
            let weight = 1.0 - there.abs_diff(at) as f32 / (reach + 1) as f32;
            for (most, nats) in repeating.iter_mut().zip(&moments[there].strength) {
                *most = higher(*most, weight * nats);
            }
        }
        let mut lasting = [0f32; BINS];
        let nearby = around(layout.lasting);
        let share = 1.0 / nearby.len() as f32;
        for there in nearby {
            for (mean, nats) in lasting.iter_mut().zip(&moments[there].strength) {
                *mean += share * nats;
            }
        }

        let rise = layout.rise;
        let mut change = [0f32; BINS];
        let mut add = |from: Range<usize>, share: f32| {
            for there in from {
                for (sum, contrast) in change.iter_mut().zip(&moments[there].salience.contrast) {
                    *sum += share * contrast;
                }
            }
        };
        let now = around(rise.now);
        let share = 1.0 / now.len() as f32;
        let before_end = now.start.saturating_sub(1);
        let before = before_end.saturating_sub(rise.before)..before_end;
        add(now, share);
        // What would be before the first sample is silence.
        let silent = (rise.before - before.len()) as f32 / rise.before as f32;
        add(before, -1.0 / rise.before as f32);
        change
            .iter_mut()
            .for_each(|change| *change -= silent * SILENT_CONTRAST);
        moments[at].risen.extend(change);

        let mut risen = [f32::NEG_INFINITY; BINS];
        let earliest = at.saturating_sub(rise.asked);
        for (ago, moment) in moments.range(earliest..=at).rev().enumerate() {
            let weight = 1.0 - ago as f32 / (2 * rise.asked + 1) as f32;
            for (most, rise) in risen.iter_mut().zip(&moment.risen) {
                *most = higher(*most, weight * rise);
            }
        }
        Found {
            repeating,
            lasting,
            risen,
        }
    }
}

/// The bins of the highest local maxima over `min` within a range, highest first.
fn tops<const MOST: usize>(
    values: &[f32],
    range: &Range<usize>,
    min: f32,
) -> impl Iterator<Item = usize> + use<MOST> {
    let (mut tops, mut count) = ([0; MOST], 0);
    let mut least = min;
    for bin in range.clone() {
        let here = values[bin];
        // Most bins are no higher than what is found already.
        if here <= least {
            continue;
        }
        let below = |bin: usize| values.get(bin).is_none_or(|&other| here > other);
        let level = |bin: usize| values.get(bin).is_none_or(|&other| here >= other);
        let top = level(bin + 1)
            && below(bin.wrapping_sub(1))
            && level(bin + 2)
            && below(bin.wrapping_sub(2));
        if top {
            let place = tops[..count].partition_point(|&other| values[other] >= here);
            count = (count + 1).min(MOST);
            tops.copy_within(place..count - 1, place + 1);
            tops[place] = bin;
            if count == MOST {
                least = values[tops[MOST - 1]];
            }
        }
    }
    tops.into_iter().take(count)
}
