//! How long the notes of a line are written.

use super::QUARTER;
use super::bars::value;
use super::pulse::Pulse;
use super::swing::Swing;
use super::tempo_curve::TempoCurve;
use crate::notes::Length;
use crate::statistics::median;

/// A note on the grid.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Placed {
    /// Index of the note in its line.
    pub note: usize,
    /// Start in ticks from the first bar line.
    pub start: u32,
    /// Written length in ticks.
    pub length: u32,
}

/// A note with its place, before its length is decided.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sounding {
    /// Index in the line.
    pub note: usize,
    /// Place in ticks from the first bar line.
    pub start: u32,
    /// How long it sounds, in seconds.
    pub sounds_s: f64,
    /// How it was heard to be held.
    pub length: Length,
}

/// How a player holds notes: the share of its value that a note sounds, and how much that
/// varies from note to note.
#[derive(Debug, Clone, Copy)]
struct Held {
    share: f64,
    spread: f64,
}

/// Where a line says nothing.
const USUAL: Held = Held {
    share: 0.85,
    spread: 0.1,
};
/// How much and how little the share may vary, and how much it varies towards more: a
/// room rings on.
const SPREADS: (f64, f64) = (0.05, 0.12);
const RINGING: f64 = 0.2;
/// The same of a staccato note (a dot halves a note: common practice).
const STACCATO_SHARE: f64 = 0.45;
const STACCATO_SPREAD: f64 = 0.1;
/// How probable staccato is where it was not heard, and where it was.
const STACCATO_UNHEARD: f64 = 0.05;
const STACCATO_HEARD: f64 = 0.6;
/// Costs in nats: of a rest, of one shorter than an eighth, of one that begins between
/// eighths, of a value that needs a tie.
const REST: f64 = 1.6;
const SHORT_REST: f64 = 2.0;
const OFF_EIGHTHS: f64 = 2.5;
const TIED: f64 = 1.0;
/// Longest value before a rest, in quarters.
const LONGEST: u32 = 16;

/// Decides how long notes are written. A player shortens notes, each by about the same
/// share: a note fills the time to the next one, or a rest follows it, whichever share is
/// more like the others'.
pub fn lengths(
    notes: &[Sounding],
    pulse: &Pulse,
    curve: &TempoCurve,
    swing: &Swing,
) -> Vec<Placed> {
    let time_s = |place: u32| curve.seconds(swing.played(place, pulse));
    // Share of the time to a place that a note sounds.
    let share = |note: &Sounding, to: u32| note.sounds_s / (time_s(to) - time_s(note.start));
    let usual = held(notes.windows(2).map(|pair| share(&pair[0], pair[1].start)));
    let length = |at: usize| {
        let note = &notes[at];
        let next = notes.get(at + 1).map(|n| n.start);
        let triplets = |place: u32| {
            let (start, length) = pulse.beat(place);
            let near = &notes[at.saturating_sub(1)..(at + 2).min(notes.len())];
            let inside = |n: &&Sounding| n.start >= start && n.start < start + length;
            near.iter()
                .filter(inside)
                .any(|n| !n.start.is_multiple_of(3))
        };
        let longest = note.start + LONGEST * QUARTER;
        let until = next.map_or(longest, |next| next.min(longest));
        let on_grid = |end: &u32| {
            let grid = if triplets(*end) {
                QUARTER / 3
            } else {
                QUARTER / 4
            };
            Some(*end) != next && (end - pulse.beat(*end).0).is_multiple_of(grid)
        };
        let ends = (note.start + 1..=until).filter(on_grid).chain(next);
        let cost = |end: u32| {
            let heard = likelihood(share(note, end), usual, note.length);
            let rest = next.map_or(0, |next| next - end);
            let mut cost = -heard.max(1e-12).ln();
            if rest > 0 {
                cost += REST;
                if rest < QUARTER / 2 && !triplets(end) {
                    cost += SHORT_REST;
                }
            }
            if Some(end) != next && !end.is_multiple_of(QUARTER / 2) && !triplets(end) {
                cost += OFF_EIGHTHS;
            }
            if Some(end) != next && value(end - note.start).is_none() {
                cost += TIED;
            }
            cost
        };
        let best = ends.min_by(|a, b| cost(*a).total_cmp(&cost(*b)));
        best.unwrap_or(longest) - note.start
    };
    let placed = |at: usize| Placed {
        note: notes[at].note,
        start: notes[at].start,
        length: length(at),
    };
    (0..notes.len()).map(placed).collect()
}

/// How notes are held if no rest comes between, from their shares of the time to the next:
/// median and median deviation of those that sound for more than half of it.
fn held(shares: impl Iterator<Item = f64>) -> Held {
    /// Standard deviations of a normal distribution in its median deviation.
    const DEVIATIONS: f64 = 1.4826;
    /// Notes from which the spread is known.
    const ENOUGH: usize = 8;
    let shares: Vec<f64> = shares.map(|s| s.min(1.0)).filter(|s| *s > 0.55).collect();
    let Some(share) = median(shares.iter().copied()) else {
        return USUAL;
    };
    let deviation = median(shares.iter().map(|s| (s - share).abs()));
    let spread = match deviation.filter(|_| shares.len() >= ENOUGH) {
        Some(deviation) => (DEVIATIONS * deviation).clamp(SPREADS.0, SPREADS.1),
        None => USUAL.spread,
    };
    Held { share, spread }
}

/// Likelihood that a note sounds for a share of its value.
fn likelihood(share: f64, usual: Held, length: Length) -> f64 {
    let normal = |mean: f64, spread: f64| (-0.5 * ((share - mean) / spread).powi(2)).exp() / spread;
    let rings = share > usual.share;
    let held = normal(usual.share, if rings { RINGING } else { usual.spread });
    let staccato = match length {
        Length::Staccato | Length::Staccatissimo => STACCATO_HEARD,
        Length::Normal | Length::Tenuto => STACCATO_UNHEARD,
    };
    let short = match length {
        Length::Staccatissimo => normal(STACCATO_SHARE.min(share), STACCATO_SPREAD),
        _ => normal(STACCATO_SHARE, STACCATO_SPREAD),
    };
    (1.0 - staccato) * held + staccato * short
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notation::Metre;

    /// Lengths of notes given as (place, sounding ticks, length) at 120 a minute.
    fn written(notes: &[(u32, f64, Length)]) -> Vec<u32> {
        let pulse = Pulse::of(Some(Metre::COMMON));
        let quarters = |ticks: f64| ticks / f64::from(QUARTER);
        let onset =
            |n: &(u32, f64, Length)| (quarters(f64::from(n.0)), 0.5 * quarters(f64::from(n.0)));
        let onsets: Vec<_> = notes.iter().map(onset).collect();
        let curve = TempoCurve::new(&onsets, 0.5, 0.01, 0.01);
        let sounding = |(note, n): (usize, &(u32, f64, Length))| Sounding {
            note,
            start: n.0,
            sounds_s: 0.5 * quarters(n.1),
            length: n.2,
        };
        let notes: Vec<_> = notes.iter().enumerate().map(sounding).collect();
        let placed = lengths(&notes, &pulse, &curve, &Swing::all_through(0.5));
        placed.iter().map(|p| p.length).collect()
    }

    #[test]
    fn lengths_are_written_as_players_expect() {
        use Length::{Normal, Staccatissimo, Staccato, Tenuto};
        assert_eq!(written(&[(0, 22.0, Tenuto), (24, 20.0, Normal)]), [24, 24]);
        assert_eq!(written(&[(0, 9.0, Staccato), (24, 23.0, Normal)]), [24, 24]);
        assert_eq!(
            written(&[(0, 5.0, Staccatissimo), (12, 23.0, Normal)])[0],
            12
        );
        assert_eq!(written(&[(0, 23.0, Normal), (96, 46.0, Tenuto)]), [24, 48]);
        assert_eq!(written(&[(0, 5.0, Normal)]), [6]);
    }

    #[test]
    fn releases_shorten_no_value_but_rests_do() {
        use Length::Normal;
        let line = [
            (0, 18.0, Normal),
            (24, 18.0, Normal),
            (48, 9.0, Normal),
            (60, 9.0, Normal),
            (72, 9.5, Normal),
            (96, 70.0, Normal),
        ];
        assert_eq!(written(&line), [24, 24, 12, 12, 12, 96]);
    }

    #[test]
    fn triplets_stay_whole() {
        use Length::Normal;
        let line = [(0, 7.0, Normal), (8, 7.0, Normal), (24, 20.0, Normal)];
        assert_eq!(written(&line)[..2], [8, 8]);
    }
}
