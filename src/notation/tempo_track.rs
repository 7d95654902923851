//! The beat as a MIDI file has it: a click track, a tempo track, the clock of a rig.

use std::f64::consts::TAU;
use std::path::{Path, PathBuf};

use super::tempo_curve::TempoCurve;
use super::{Metre, QUARTER};
use crate::error::{Error, Result};
use crate::input_file;
use crate::reference::midi::{Conducted, conducted};
use crate::reference::tempo_map::TempoMap;

/// Largest file that is read, in bytes.
const MAX_BYTES: u64 = 16 << 20;

/// When the beats of a take were: tempi and time signature of a Standard MIDI File
/// whose first tick is the take's first sample.
#[derive(Debug, Clone, PartialEq)]
pub struct TempoTrack {
    map: TempoMap,
    /// Position of a bar line in quarters, and the metre from there on.
    signature: Option<(f64, Metre)>,
    metre_changes: bool,
}

/// Places of the beat in quarters from the start of the file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    /// Position of a bar line; of some beat where bar lines are not known.
    pub line: f64,
    /// Quarters from one place where a bar may begin to the next.
    pub step: f64,
    /// Whether those are bar lines, not some beats.
    pub bars: bool,
    /// Seconds of a quarter on the whole.
    pub period_s: f64,
}

/// How many time signatures stand before the metre's own: one that holds for a single bar of
/// its own or less, and only brings the bars to their places.
fn counted_in(signatures: &[(f64, u32, u32)]) -> usize {
    match signatures {
        [(at, beats, value), (next, ..), ..] => {
            let bar = 4.0 * f64::from(*beats) / f64::from(*value);
            usize::from(*next > *at && next - at <= bar + 1e-6)
        }
        _ => 0,
    }
}

impl TempoTrack {
    /// Reads the tempo and time-signature events of a Standard MIDI File. Tick 0 is the
    /// first sample of the take. A bar line is where the time signature stands, so that
    /// one at a later tick says where the first bar begins.
    ///
    /// # Errors
    /// [`Error::Input`] for a file that cannot be read, or that has no tempo.
    pub fn read(path: &Path) -> Result<TempoTrack> {
        let bytes = input_file::read(path, MAX_BYTES)
            .map_err(|e| e.input(path, "the tempo track of one take"))?;
        let hint = "give a Standard MIDI File whose first tick is the start of the take";
        let wrong = |problem: String| Error::input(path, problem, hint);
        let found = conducted(&bytes).map_err(wrong)?;
        TempoTrack::new(found).map_err(wrong)
    }

    /// The file that is kept beside a take, if there is one: of `take.wav` it is
    /// `take.tempo.mid`.
    pub fn beside(take: &Path) -> Option<PathBuf> {
        let path = take.with_extension("tempo.mid");
        path.is_file().then_some(path)
    }

    fn new(found: Conducted) -> std::result::Result<TempoTrack, String> {
        let map = TempoMap::new(found.tempi);
        if map.first().is_none() {
            return Err("no tempo in this file".into());
        }
        let signatures = &found.signatures[counted_in(&found.signatures)..];
        let first = signatures.first().copied();
        let signature = first.map(|(at, beats, value)| (at, Metre { beats, value }));
        if let Some((_, metre)) = signature.filter(|(_, metre)| !metre.is_sound()) {
            return Err(format!("a metre of {metre}"));
        }
        let other = |(_, beats, value): &(f64, u32, u32)| {
            signature.is_some_and(|(_, m)| (m.beats, m.value) != (*beats, *value))
        };
        Ok(TempoTrack {
            map,
            signature,
            metre_changes: signatures.iter().any(other),
        })
    }

    /// The metre, if the file has one. Where it changes, the first holds.
    pub fn metre(&self) -> Option<Metre> {
        self.signature.map(|(_, metre)| metre)
    }

    /// Whether the metre changes later on, which a part does not follow.
    pub fn metre_changes(&self) -> bool {
        self.metre_changes
    }

    /// Position of a time in quarters from the start of the file.
    pub(super) fn quarters(&self, time_s: f64) -> f64 {
        self.map.quarters(time_s)
    }

    /// Whether notes keep to the beat of the file, and it is not merely what a program writes
    /// that records without a click: their places between eighths, as they are played, or between
    /// twelfths of a quarter, as a program writes sixteenths and triplets, are not spread evenly,
    /// by the V test for a circular mean of zero (Greenwood and Durand, Annals of Mathematical
    /// Statistics 26, 1955; from memory) at one in a thousand.
    pub fn is_kept(&self, onsets_s: impl Iterator<Item = f64>) -> bool {
        /// Quantile of the normal distribution.
        const ONE_IN_A_THOUSAND: f64 = 3.09;
        let grids = [2.0, 12.0];
        let (mut count, mut sums) = (0.0, [0.0; 2]);
        for onset_s in onsets_s {
            let quarters = self.quarters(onset_s);
            count += 1.0;
            for (sum, grid) in sums.iter_mut().zip(grids) {
                *sum += (TAU * grid * quarters).cos();
            }
        }
        let most = sums[0].max(sums[1]);
        count > 0.0 && most * f64::sqrt(2.0 / count) > ONE_IN_A_THOUSAND
    }

    /// Where bars of a metre may begin, for notes from one time to another: of any metre
    /// where none is given. `known` says that bar lines were given otherwise.
    pub(super) fn grid(&self, metre: Option<Metre>, known: bool, from_s: f64, to_s: f64) -> Grid {
        let to_s = to_s.max(from_s + 1.0);
        let quarters = self.quarters(to_s) - self.quarters(from_s);
        let bars = self.signature.filter(|(_, m)| Some(*m) == metre && !known);
        let (line, step) = match bars {
            Some((line, metre)) => (line, f64::from(metre.bar()) / f64::from(QUARTER)),
            // Bars of 7/8 begin on any eighth.
            None => (0.0, 0.5),
        };
        Grid {
            line,
            step,
            bars: bars.is_some(),
            period_s: (to_s - from_s) / quarters,
        }
    }

    /// The curve that a part follows whose first bar line is at a position.
    pub(super) fn curve(&self, bar_line: f64, end_s: f64) -> TempoCurve {
        let at = |time_s: f64| (self.quarters(time_s), time_s);
        let last_s = self.map.changes().last().map_or(0.0, |c| c.1).max(end_s);
        let ends = [at(0.0), at(last_s + 1.0)];
        let inside = self.map.changes().filter(|c| c.1 > 0.0);
        let mut knots: Vec<(f64, f64)> = ends.into_iter().chain(inside).collect();
        knots.sort_by(|a, b| a.0.total_cmp(&b.0));
        knots.dedup_by(|a, b| a.0 <= b.0);
        TempoCurve::through(knots.into_iter().map(|(q, s)| (q - bar_line, s)).collect())
    }
}

impl Grid {
    /// Position nearest to a note at `quarters` of a bar line so that the note is
    /// `played` quarters after it.
    pub fn bar_line(&self, quarters: f64, played: f64) -> f64 {
        let steps = ((quarters - played - self.line) / self.step).round();
        self.line + steps * self.step
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A short bar at the beginning only brings the others to their places.
    #[test]
    fn what_is_counted_in_is_no_metre() {
        let track = |signatures: &[(f64, u32, u32)]| {
            TempoTrack::new(Conducted {
                tempi: vec![(0.0, 60.0)],
                signatures: signatures.to_vec(),
            })
            .unwrap()
        };
        let waltz = Metre { beats: 3, value: 4 };
        let short = track(&[(0.0, 5, 16), (1.25, 3, 4)]);
        assert_eq!((short.metre(), short.metre_changes()), (Some(waltz), false));
        assert_eq!(short.grid(Some(waltz), false, 1.0, 9.0).line, 1.25);
        let long = track(&[(0.0, 3, 4), (6.0, 2, 4)]);
        assert_eq!((long.metre(), long.metre_changes()), (Some(waltz), true));
    }

    /// Eighths and quarters with 20 ms of a player's timing are on the beat; the same at
    /// another tempo are not, and six notes say too little.
    #[test]
    fn a_beat_is_kept_or_not() {
        let track = TempoTrack::new(Conducted {
            tempi: vec![(0.0, 97.0)],
            signatures: vec![],
        })
        .unwrap();
        let onsets = |tempo: f64, count: u32| {
            (0..count).map(move |i| {
                let stray_s = 0.02 * f64::from(i * i).sin();
                2.0 + f64::from(i) * 30.0 / tempo + stray_s
            })
        };
        let late_s = 8.0 * 30.0 / 97.0 - 2.0;
        let kept = |tempo, count| track.is_kept(onsets(tempo, count).map(|s| s + late_s));
        assert!(kept(97.0, 24) && !kept(97.0, 4));
        assert!(!kept(103.0, 40) && !kept(120.0, 40));
    }

    /// Written dotted eighths with sixteenths, and triplets, are on the beat; between those, where
    /// a player without a click may be, nothing is.
    #[test]
    fn what_a_program_writes_keeps_to_the_beat() {
        let track = TempoTrack::new(Conducted {
            tempi: vec![(0.0, 100.0)],
            signatures: vec![],
        })
        .unwrap();
        let kept = |places: &[f64], tempo: f64| {
            let quarters = (0..6).flat_map(|beat| places.iter().map(move |p| f64::from(beat) + p));
            track.is_kept(quarters.map(|q| q * 60.0 / tempo))
        };
        for places in [&[0.0, 0.75][..], &[0.0, 1.0 / 3.0, 2.0 / 3.0]] {
            assert!(kept(places, 100.0), "{places:?}");
            assert!(!kept(places, 103.0), "{places:?}");
        }
    }

    #[test]
    fn bars_begin_where_the_time_signature_stands() {
        let track = TempoTrack::new(Conducted {
            tempi: vec![(0.0, 60.0), (5.0, 120.0)],
            signatures: vec![(2.0, 3, 4), (20.0, 4, 4)],
        })
        .unwrap();
        let waltz = Metre { beats: 3, value: 4 };
        assert_eq!(track.metre(), Some(waltz));
        assert!(track.metre_changes());
        let grid = track.grid(Some(waltz), false, 1.0, 9.0);
        assert_eq!((grid.line, grid.step), (2.0, 3.0));
        assert_eq!(grid.bar_line(8.1, 0.0), 8.0);
        assert_eq!(grid.bar_line(7.1, 2.0), 5.0);
        // Another metre than the file's begins with any eighth.
        assert_eq!(track.grid(Some(Metre::COMMON), false, 1.0, 9.0).step, 0.5);
        let curve = track.curve(2.0, 9.0);
        assert_eq!(curve.seconds(0.0), 2.0);
        assert_eq!(curve.seconds(3.0), 5.0);
        assert_eq!(curve.seconds(5.0), 6.0);
        assert!(
            TempoTrack::new(Conducted {
                tempi: vec![],
                signatures: vec![]
            })
            .is_err()
        );
    }
}
