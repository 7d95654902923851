//! Deviation of the playing from a tuning: by note, pitch, register, dynamic and time,
//! and the horn's share of it.

#[cfg(feature = "report")]
#[allow(missing_docs)]
pub mod across;
#[allow(missing_docs)]
pub mod groups;
#[allow(missing_docs)]
pub mod shares;

use serde::Serialize;

use crate::line::{Line, LineNote, Spelling};
use crate::statistics::StraightLine;
use crate::units::{Concert, Written, cents_in_words, whole, with_digits};
use groups::{Attacks, Bin, Groups, Trend};
use shares::Share;

/// One note's deviation from the tuning.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NoteReport {
    /// Onset in seconds from the start of the take.
    #[serde(serialize_with = "with_digits::<4, _>")]
    pub onset_s: f64,
    /// Length in seconds.
    #[serde(serialize_with = "with_digits::<4, _>")]
    pub duration_s: f64,
    /// Name of the sounding note.
    pub concert: String,
    /// Name of the note in the player's part.
    pub written: String,
    /// Mean deviation from the tuning, cents.
    #[serde(serialize_with = "with_digits::<1, _>")]
    pub mean_cents: f64,
    /// Standard deviation within the note, cents.
    #[serde(serialize_with = "with_digits::<1, _>")]
    pub spread_cents: f64,
    /// Straight-line change from start to end, cents.
    #[serde(serialize_with = "with_digits::<1, _>")]
    pub drift_cents: f64,
    /// Harmonic spectral centroid in units of the fundamental, where it was measured (see
    /// [`Note::brightness`](crate::Note::brightness)).
    pub brightness: Option<f64>,
}

/// All notes of one written pitch.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PitchReport {
    /// Name of the note in the player's part.
    pub written: String,
    /// Name of the sounding note.
    pub concert: String,
    /// How many notes.
    pub notes: usize,
    /// Sounding time, seconds.
    pub time_s: f64,
    /// Mean over its time, cents.
    pub mean_cents: f64,
    /// Standard deviation between its notes, cents.
    pub spread_cents: f64,
}

impl NoteReport {
    /// Its spread and its drift, if it sounds long enough for them to mean anything.
    #[doc(hidden)]
    pub fn movement(&self) -> Option<(f64, f64)> {
        (self.duration_s >= MEANINGFUL_S).then_some((self.spread_cents, self.drift_cents))
    }
}

/// Standard deviation between notes for a table, in cents: a dash of fewer than two.
#[doc(hidden)]
pub fn spread_in_words(notes: usize, spread_cents: f64) -> String {
    match notes {
        ..2 => "-".into(),
        _ => format!("{spread_cents:.1}"),
    }
}

/// The intonation of a line. Serialised it is the program's JSON report, which groups the
/// notes by register, dynamic, time and attack as well and has the horn's share of each
/// pitch.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct IntonationReport {
    /// Every note.
    #[doc(hidden)]
    pub notes: Vec<NoteReport>,
    /// Every written pitch, the lowest first.
    pub pitches: Vec<PitchReport>,
    /// Mean over all sounding time, cents.
    pub offset_cents: f64,
    /// Standard deviation of the notes around that, cents.
    pub spread_cents: f64,
    /// The A4 that fits the playing best, hertz.
    pub best_reference_hz: f64,
    /// The same notes by register, dynamic, time and attack.
    #[doc(hidden)]
    pub groups: Groups,
    /// Whether the pitch rises or falls as the take goes on, if it is long enough.
    #[doc(hidden)]
    pub trend: Option<Trend>,
    /// Sounding time by cents.
    #[doc(hidden)]
    pub histogram: Vec<Bin>,
    /// How notes began and how long they were held.
    #[doc(hidden)]
    pub attacks: Attacks,
    /// The horn's share of each pitch's deviation, if a horn is given.
    #[doc(hidden)]
    pub shares: Vec<Share>,
    /// How far to pull the main tuning slide out (in, if negative) to correct the
    /// offset, in millimetres, if a horn is given.
    #[doc(hidden)]
    pub tuning_slide_mm: Option<f64>,
    /// Air temperature for which the horn's share is calculated, degrees Celsius.
    #[doc(hidden)]
    pub temperature_c: f64,
}

impl IntonationReport {
    /// Pitches that deviate most from the rest, the worst first: those to practise.
    #[doc(hidden)]
    pub fn watch(&self) -> Vec<&PitchReport> {
        let off = |p: &PitchReport| (p.mean_cents - self.offset_cents).abs();
        let mut pitches: Vec<&PitchReport> = self
            .pitches
            .iter()
            .filter(|p| off(p) >= WATCH_CENTS && p.time_s >= MEANINGFUL_S)
            .collect();
        pitches.sort_by(|a, b| off(b).total_cmp(&off(a)));
        pitches.truncate(MAX_WATCHED);
        pitches
    }

    /// The same in words, `A4 +12.3, E5 -14.0`; empty if there are none.
    #[doc(hidden)]
    pub fn watch_in_words(&self) -> String {
        let words = |p: &&PitchReport| format!("{} {}", p.written, cents_in_words(p.mean_cents));
        let words: Vec<String> = self.watch().iter().map(words).collect();
        words.join(", ")
    }
}

/// Deviation from the rest of the take from which a pitch needs attention, in cents:
/// what trained listeners begin to hear between steady tones (from memory: 5 to 10).
const WATCH_CENTS: f64 = 8.0;
/// Shortest sounding time of a meaningful pitch, and of its movement, in seconds.
const MEANINGFUL_S: f64 = 0.3;
/// Most pitches listed: as many as one can practise at a time.
const MAX_WATCHED: usize = 5;

/// Measures the intonation of a line.
///
/// Notes are weighted by their sounding time. The best reference is the least-squares
/// one: shifting the tuning by the weighted mean deviation leaves the smallest sum of
/// squares. The horn's share is calculated for air of `temperature_c` degrees Celsius.
pub fn intonation(line: &Line, temperature_c: f64) -> IntonationReport {
    let notes: Vec<NoteReport> = line.notes.iter().map(note_report).collect();
    let all = || line.notes.iter().map(|n| (n.cents, n.note.duration_s()));
    let (offset_cents, spread_cents) = weighted(all());
    let sounded: Vec<Sounded> = line.notes.iter().map(Sounded::new).collect();
    let reference_hz = line.context.tuning.reference().a4_hz();
    IntonationReport {
        pitches: by_pitch(&sounded),
        groups: Groups::of(line),
        trend: groups::trend(line),
        histogram: groups::histogram(line),
        attacks: Attacks::of(line),
        shares: shares::shares(line, temperature_c),
        tuning_slide_mm: (line.context.horn.as_ref()).map(|h| h.tuning_slide_mm(offset_cents)),
        temperature_c,
        notes,
        offset_cents,
        spread_cents,
        best_reference_hz: reference_hz * 2f64.powf(offset_cents / 1200.0),
    }
}

/// What groups and summaries need of a note.
#[derive(Debug, Clone, Copy)]
struct Sounded {
    written: Written,
    concert: Concert,
    spelling: Spelling,
    cents: f64,
    time_s: f64,
}

impl Sounded {
    fn new(named: &LineNote) -> Self {
        Sounded {
            written: named.written,
            concert: named.concert,
            spelling: named.spelling(),
            cents: named.cents,
            time_s: named.note.duration_s(),
        }
    }
}

/// The written pitches of some notes, lowest first.
fn by_pitch(notes: &[Sounded]) -> Vec<PitchReport> {
    let mut keys: Vec<(Written, Concert)> = notes.iter().map(|n| (n.written, n.concert)).collect();
    keys.sort_unstable();
    keys.dedup();
    let pitch = |(written, concert): &(Written, Concert)| {
        let same = notes.iter().filter(|n| n.written == *written);
        let (mean_cents, spread_cents) = weighted(same.clone().map(|n| (n.cents, n.time_s)));
        // Takes in several keys have no spelling in common.
        let spellings = same.clone().map(|n| n.spelling);
        let spelling = spellings.reduce(Spelling::common).expect("a note");
        PitchReport {
            written: spelling.written(*written),
            concert: spelling.concert(*concert),
            notes: same.clone().count(),
            time_s: same.map(|n| n.time_s).sum(),
            mean_cents,
            spread_cents,
        }
    };
    keys.iter().map(pitch).collect()
}

fn note_report(named: &LineNote) -> NoteReport {
    let note = &named.note;
    let cents: Vec<(f64, f64)> = note
        .contour
        .voiced()
        .map(|(t, p)| (t, (f64::from(p.pitch) - named.tuning_pitch.0) * 100.0))
        .filter(|(_, c)| (c - named.cents).abs() < 60.0)
        .collect();
    let (_, spread_cents) = weighted(cents.iter().map(|(_, c)| (*c, 1.0)));
    NoteReport {
        onset_s: note.onset_s,
        duration_s: note.duration_s(),
        concert: named.concert_name(),
        written: named.written_name(),
        mean_cents: named.cents,
        spread_cents,
        drift_cents: slope(&cents) * note.duration_s(),
        brightness: note
            .brightness
            .map(|times| whole(100.0 * f64::from(times)) / 100.0),
    }
}

/// Weighted mean and standard deviation of (value, weight) pairs; 0 if there are none.
pub(crate) fn weighted(pairs: impl Iterator<Item = (f64, f64)> + Clone) -> (f64, f64) {
    let total: f64 = pairs.clone().map(|(_, w)| w).sum();
    if total <= 0.0 {
        return (0.0, 0.0);
    }
    let mean = pairs.clone().map(|(v, w)| v * w).sum::<f64>() / total;
    let variance = pairs.map(|(v, w)| w * (v - mean).powi(2)).sum::<f64>() / total;
    (mean, variance.sqrt())
}

/// Least-squares slope of (x, y) pairs; zero of fewer than three, or where there is
/// none.
fn slope(pairs: &[(f64, f64)]) -> f64 {
    let line = StraightLine::fit(pairs).filter(|_| pairs.len() >= 3);
    line.map_or(0.0, |line| line.slope)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weights_and_slopes() {
        let (mean, deviation) = weighted([(0.0, 1.0), (10.0, 3.0)].into_iter());
        assert!((mean - 7.5).abs() < 1e-12);
        assert!((deviation - 18.75f64.sqrt()).abs() < 1e-12);
        assert_eq!(weighted(std::iter::empty()), (0.0, 0.0));
        assert!((slope(&[(0.0, 1.0), (1.0, 3.0), (2.0, 5.0)]) - 2.0).abs() < 1e-12);
        assert_eq!(slope(&[(1.0, 1.0); 5]), 0.0);
    }
}
