//! What the engine says while the horn plays: the one language that all live
//! outputs understand.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::line::LineNote;
use crate::notes::Attack;
use crate::units::{Concert, Pitch, Written};

/// One thing to send on. Times are stream seconds.
#[derive(Debug, Clone)]
pub enum ControlEvent {
    /// A note begins. It ends the one before, if that still sounds.
    NoteOn(NoteOn),
    /// Where the sounding note is now.
    NoteUpdate(NoteUpdate),
    /// The sounding note ends.
    NoteOff {
        /// When that was decided.
        at_s: f64,
    },
    /// Something was played in a way that a route may wait for.
    Gesture(GestureEvent),
    /// A note that is over, as it was written down.
    NoteFinished(Arc<LineNote>),
    /// Everything silent, at once: panic, mute, a lost device, the end.
    Silence,
}

/// A note as it begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoteOn {
    /// When it was decided.
    pub at_s: f64,
    /// When it began.
    pub onset_s: f64,
    /// Sounding key that it was played on.
    pub concert: Concert,
    /// The same in the player's part.
    pub written: Written,
    /// Pitch that was played, MIDI semitones.
    pub played: f32,
    /// The same against the table, in cents.
    pub cents: f64,
    /// Key that is sent on.
    pub key: u8,
    /// Pitch that is sent on.
    pub pitch: Pitch,
    /// How hard, 0 to 1 between the player's softest and loudest.
    pub strength: f32,
    /// Level at that moment, dBFS.
    pub level_db: f32,
    /// How it begins.
    pub attack: Attack,
}

impl NoteOn {
    /// Whether it goes on from the note before without a break.
    pub fn slurred(&self) -> bool {
        self.attack == Attack::Slurred
    }
}

/// A moment within a note.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoteUpdate {
    /// The moment.
    pub at_s: f64,
    /// Pitch that is sent on.
    pub pitch: Pitch,
    /// Loudness, 0 to 1 between the player's softest and loudest.
    pub strength: f32,
    /// Level, dBFS.
    pub level_db: f32,
    /// Depth of the vibrato, half of peak to peak, in cents; 0 for none.
    pub vibrato_cents: f32,
}

/// Something played in a certain way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GestureEvent {
    /// When it was known.
    pub at_s: f64,
    /// What it was.
    pub gesture: Gesture,
}

/// Ways of playing that a route can wait for, in the trade's words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Gesture {
    /// A note begun by the tongue.
    Tongued,
    /// A note slurred to.
    Slurred,
    /// A note begun plainly louder than those before it.
    Accent,
    /// A short note, when it ends.
    Staccato,
    /// A very short note, when it ends.
    Staccatissimo,
    /// Vibrato sets in.
    Vibrato,
    /// Flutter tongue sets in.
    Flutter,
    /// A trill or shake, when it ends.
    Trill,
    /// A glissando, when it ends.
    Glissando,
    /// A scoop, when its note ends.
    Scoop,
    /// A fall, when it ends.
    Fall,
    /// A doit, when it ends.
    Doit,
}

impl Gesture {
    /// The trade's word.
    pub fn name(self) -> &'static str {
        match self {
            Gesture::Tongued => "tongued",
            Gesture::Slurred => "slurred",
            Gesture::Accent => "accent",
            Gesture::Staccato => "staccato",
            Gesture::Staccatissimo => "staccatissimo",
            Gesture::Vibrato => "vibrato",
            Gesture::Flutter => "flutter",
            Gesture::Trill => "trill",
            Gesture::Glissando => "glissando",
            Gesture::Scoop => "scoop",
            Gesture::Fall => "fall",
            Gesture::Doit => "doit",
        }
    }
}
