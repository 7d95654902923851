//! What is sent for a played note: key, pitch, level. One rule for the files of a take
//! and for the session that plays it, so that both give the same MIDI and voltages, but for two
//! differences: live, the velocity of a note is expected, where a file knows how loud the note
//! became; and a session sends the depth of vibrato as modulation (CC 1), which in a file stays at 0.
//!
//! ```text
//! a line's notes (output/performance.rs) --\
//!                                           SentNote -> Sent -> MIDI encoder, CV renderer
//! a session's (live/note_mapper.rs) -------/
//! ```

pub mod brightness;
pub mod note_source;

use crate::tuning::Reference;
use crate::tuning::quantiser::Snap;
use crate::units::{Pitch, db_power, power_db};
use note_source::NoteSource;

/// Largest transposition either way, in semitones.
pub const MAX_SHIFT: i32 = 48;
/// The shifts that there are.
pub const SHIFTS: std::ops::RangeInclusive<i32> = -MAX_SHIFT..=MAX_SHIFT;

/// A played note at its start, as far as it matters for what is sent.
#[derive(Debug, Clone, Copy)]
pub struct PlayedNote {
    /// Pitch that was played.
    pub played: Pitch,
    /// The tuning's pitch for it.
    pub tuned: Pitch,
    /// Target of the note before, where this one is slurred from it: a slurred note keeps
    /// the source's note of the attack before it.
    pub slurred_from: Option<Pitch>,
}

/// What stands for a note while it sounds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SentNote {
    /// MIDI key.
    pub key: u8,
    /// Pitch of the tuning or of the note source, before bends and transposition.
    pub target: Pitch,
    /// Transposition, in semitones.
    pub shift: i32,
    snap: Snap,
}

impl SentNote {
    /// What is sent for a note, transposed by `shift` semitones. Steps the note source at
    /// an attack. `reference` numbers the keys.
    pub fn start(
        note: &PlayedNote,
        source: &mut NoteSource,
        snap: Snap,
        shift: i32,
        reference: Reference,
    ) -> Self {
        let follows = matches!(source, NoteSource::Follow);
        let target = match (follows, note.slurred_from) {
            (true, _) => note.tuned,
            (false, Some(held)) => held,
            (false, None) => source.attack().unwrap_or(note.tuned),
        };
        // A source's note cannot be sent as played: it is bent as played.
        let snap = match snap {
            Snap::Off if !follows => Snap::Bend,
            snap => snap,
        };
        let mut sent = SentNote {
            key: 0,
            target,
            shift,
            snap,
        };
        sent.key = sent.key_of(note.played, reference);
        sent
    }

    /// The MIDI key for a pitch that the player centres on.
    pub fn key_of(&self, played: Pitch, reference: Reference) -> u8 {
        let key = reference.nearest_key(self.snap.named(played, self.target)) + self.shift;
        key.clamp(0, 127) as u8
    }

    /// Pitch that is sent while `played` (MIDI semitones) sounds in a note whose player
    /// centres on `centre`.
    pub fn pitch(&self, centre: f64, played: f64) -> Pitch {
        let pitch = self.snap.sent(self.target, centre, played);
        Pitch(pitch.0 + f64::from(self.shift))
    }
}

/// Levels of the player's softest and loudest notes, dBFS, as measured by a
/// soundcheck.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DynamicRange {
    /// Softest playing.
    pub soft_db: f32,
    /// Loudest playing.
    pub loud_db: f32,
}

impl Default for DynamicRange {
    /// A microphone with sensible gain (common practice: peaks some 10 dB under
    /// full scale), and the dynamic range of a brass player, some 30 dB (from
    /// memory), with a margin below.
    fn default() -> Self {
        DynamicRange {
            soft_db: -50.0,
            loud_db: -12.0,
        }
    }
}

impl DynamicRange {
    /// Velocity of a note that has the level given, dBFS, when a session decides on it: that of
    /// the loudest level that it may be expected to reach, as a file's is of the one it has.
    pub fn velocity_ahead(&self, level_db: f32, slurred: bool) -> f32 {
        let rise_db = if slurred { SLURRED_RISE_DB } else { RISE_DB };
        self.strength(level_db + rise_db)
    }

    /// Position of a level in dBFS between soft (0) and loud (1).
    pub fn strength(&self, level_db: f32) -> f32 {
        let span_db = (self.loud_db - self.soft_db).max(1.0);
        ((level_db - self.soft_db) / span_db).clamp(0.0, 1.0)
    }
}

/// How far a note that is tongued and one that is slurred rise once a session has decided on
/// them, to their loudest, in dB: means over recorded lines, dry (7.8 and 3.5) and in a hall (5.3
/// and 3.7). `examples/first_bend.rs` measures them.
const RISE_DB: f32 = 6.5;
const SLURRED_RISE_DB: f32 = 3.6;

/// Time constant of the level that is sent, in seconds: longer smooths the pulses of a low
/// horn, 20 ms apart, better, and makes a swell late.
const LEVEL_S: f64 = 0.012;

/// Smooths the level that is sent.
#[derive(Debug, Clone, Copy, Default)]
pub struct LevelFollower {
    power: f32,
}

impl LevelFollower {
    /// Begins at a level in dBFS.
    pub fn new(level_db: f32) -> Self {
        LevelFollower {
            power: db_power(level_db),
        }
    }

    /// Takes the level in dBFS that lasts for `length_s`; returns the smoothed one.
    pub fn push(&mut self, level_db: f32, length_s: f64) -> f32 {
        let alpha = (length_s / LEVEL_S).min(1.0) as f32;
        self.power += alpha * (db_power(level_db) - self.power);
        power_db(self.power)
    }
}

/// What MIDI, voltages and voice are told. Times are seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sent {
    /// A note starts. It ends the one before, if that still sounds.
    Start(SentStart),
    /// Pitch and level of the sounding note.
    Update(NoteUpdate),
    /// The sounding note ends.
    Stop,
    /// Silence at once.
    Silence,
}

/// The start of a note.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SentStart {
    /// When it starts.
    pub at_s: f64,
    /// MIDI key.
    pub key: u8,
    /// Pitch at the start.
    pub pitch: Pitch,
    /// Strength of the note, 0 to 1 between the player's softest and loudest.
    pub velocity: f32,
    /// Loudness at the start, likewise.
    pub strength: f32,
    /// The same, dBFS.
    pub level_db: f32,
    /// Whether it is slurred from the note before.
    pub slurred: bool,
}

/// Pitch and level within a note.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoteUpdate {
    /// When.
    pub at_s: f64,
    /// Pitch sent.
    pub pitch: Pitch,
    /// Loudness, 0 to 1 between the player's softest and loudest.
    pub strength: f32,
    /// Level, dBFS.
    pub level_db: f32,
    /// Depth of the vibrato, half of peak to peak, in cents; 0 for none.
    pub vibrato_cents: f32,
    /// Brightness, in units of the fundamental; none before the first was measured.
    pub brightness: Option<f32>,
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Louder is never sent softer, and the ends of the range are 0 and 1.
        #[test]
        fn louder_is_never_softer(level in -200f32..50.0, more in 0f32..50.0, soft in -90f32..-40.0, span in 1f32..60.0) {
            let range = DynamicRange { soft_db: soft, loud_db: soft + span };
            let strength = range.strength(level);
            prop_assert!((0.0..=1.0).contains(&strength));
            prop_assert!(range.strength(level + more) >= strength);
            prop_assert!(range.strength(range.soft_db) == 0.0 && range.strength(range.loud_db) > 0.999);
        }
    }
}
