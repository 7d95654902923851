//! When a found note is the known one: the rules of MIREX's note tracking, as in `mir_eval`'s
//! module `transcription`.

/// Onsets are at most so far apart, in seconds.
pub const ONSET_S: f64 = 0.05;

/// Whether two pitches, in semitones, are one.
pub fn same_pitch(known: f64, found: f64) -> bool {
    (known - found).abs() <= 0.5
}

/// Whether a note that is known from its onset to its offset ends where it was found to end, in
/// seconds.
pub fn same_offset(onset_s: f64, offset_s: f64, found_s: f64) -> bool {
    (found_s - offset_s).abs() <= (0.2 * (offset_s - onset_s)).max(0.05)
}
