//! What pitch and level do within a note, hop by hop.

use super::LEVEL_S;
use crate::units::mean_level_db;

/// One hop of a note.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Pitch in MIDI semitones, or NaN where there is no tone.
    pub pitch: f32,
    /// Level of the hop, dBFS.
    pub level_db: f32,
    /// Share of the sound that the pitch explains, 0 to 1.
    pub confidence: f32,
    /// Harmonic spectral centroid in units of the fundamental, or NaN where none was
    /// measured.
    pub brightness: f32,
}

/// Evenly spaced points, the first at `start_s`.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Contour {
    /// Stream time of the first point, in seconds.
    pub start_s: f64,
    /// Time between points, in seconds.
    pub hop_s: f64,
    /// The points in order.
    pub points: Vec<Point>,
}

impl Contour {
    /// Points with their stream times in seconds.
    pub(crate) fn timed(&self) -> impl Iterator<Item = (f64, &Point)> {
        let time_s = |i: usize| self.start_s + i as f64 * self.hop_s;
        self.points
            .iter()
            .enumerate()
            .map(move |(i, p)| (time_s(i), p))
    }

    /// Points that have a pitch, with their stream times.
    #[doc(hidden)]
    pub fn voiced(&self) -> impl Iterator<Item = (f64, &Point)> {
        self.timed().filter(|(_, p)| !p.pitch.is_nan())
    }

    /// Hops that levels are averaged over.
    fn level_hops(&self) -> usize {
        (LEVEL_S / self.hop_s).round().max(1.0) as usize
    }

    /// Level of its last 20 ms, dBFS; none as long as it is shorter.
    pub(crate) fn latest_db(&self) -> Option<f32> {
        let hops = self.level_hops();
        let latest = self.points.get(self.points.len().checked_sub(hops)?..)?;
        Some(mean_level_db(latest.iter().map(|p| p.level_db)))
    }

    /// Level of its loudest 20 ms, dBFS; none as long as it is shorter.
    pub(crate) fn loudest_db(&self) -> Option<f32> {
        let hops = self.level_hops();
        let mean_db = |window: &[Point]| mean_level_db(window.iter().map(|p| p.level_db));
        self.points.windows(hops).map(mean_db).reduce(f32::max)
    }

    /// Removes the points after a time.
    pub(crate) fn end_at(&mut self, end_s: f64) {
        let keep = ((end_s - self.start_s) / self.hop_s + 1.5).max(0.0) as usize;
        self.points.truncate(keep);
    }
}
