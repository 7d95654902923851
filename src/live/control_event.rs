//! What the engine sends while the horn plays: the events that all live outputs
//! understand.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::clock::beat_clock::ClockEvent;
use super::setup::Setup;
use crate::line::LineNote;
use crate::notes::Attack;
pub use crate::sending::NoteUpdate;
use crate::sending::{Sent, SentStart};
use crate::units::{Concert, Pitch, Written};

/// An event for the outputs. Times are stream time in seconds.
#[derive(Debug, Clone)]
pub enum ControlEvent {
    /// A note starts. It ends the one before, if that still sounds.
    NoteOn(NoteOn),
    /// The sounding note's pitch has settled at another key than its attack had.
    NoteRenamed {
        /// When that was decided.
        at_s: f64,
        /// Its name from now on.
        name: NoteName,
    },
    /// Pitch and level of the sounding note.
    NoteUpdate(NoteUpdate),
    /// The sounding note ends.
    NoteOff {
        /// When it was decided.
        at_s: f64,
    },
    /// A gesture that a route may react to.
    Gesture(GestureEvent),
    /// A finished note, as the note list has it. One that was not sent, because it was
    /// muted, is only shown.
    NoteFinished {
        /// The note.
        note: Arc<LineNote>,
        /// Whether it was sent.
        sent: bool,
    },
    /// The player has marked this moment, as one to come back to.
    Mark(Mark),
    /// Horn, tuning, note source or sample rate have changed.
    SetupChanged(Arc<Setup>),
    /// A pulse of the clock that follows the player's beat.
    Clock(ClockEvent),
    /// All outputs silent at once: panic, mute, a lost device, end of the session.
    Silence,
}

impl ControlEvent {
    /// What of it MIDI, voltages and voice are told.
    pub fn sent(&self) -> Option<Sent> {
        match self {
            ControlEvent::NoteOn(start) => Some(Sent::Start(SentStart {
                at_s: start.at_s,
                key: start.name.key,
                pitch: start.name.pitch,
                velocity: start.velocity,
                strength: start.strength,
                level_db: start.level_db,
                slurred: start.slurred(),
            })),
            ControlEvent::NoteUpdate(update) => Some(Sent::Update(*update)),
            ControlEvent::NoteOff { .. } => Some(Sent::Stop),
            ControlEvent::Silence => Some(Sent::Silence),
            // Its key stays unless the player wants it corrected (see `MidiPort`): the pitch
            // follows anyway.
            ControlEvent::NoteRenamed { .. }
            | ControlEvent::Gesture(_)
            | ControlEvent::NoteFinished { .. }
            | ControlEvent::Mark(_)
            | ControlEvent::Clock(_)
            | ControlEvent::SetupChanged(_) => None,
        }
    }
}

/// What a note is named, and sent as.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoteName {
    /// Sounding key that is played.
    pub concert: Concert,
    /// Written key in the player's part.
    pub written: Written,
    /// Pitch that is played, MIDI semitones.
    pub played: f32,
    /// Deviation from the tuning, in cents.
    pub cents: f64,
    /// MIDI key.
    pub key: u8,
    /// Pitch sent.
    pub pitch: Pitch,
}

/// The start of a note.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoteOn {
    /// When it was decided.
    pub at_s: f64,
    /// Its onset.
    pub onset_s: f64,
    /// Its name, by the pitch at that time.
    pub name: NoteName,
    /// Velocity, 0 to 1: the strength that the note may be expected to reach.
    pub velocity: f32,
    /// Strength at that time, 0 to 1 between the player's softest and loudest.
    pub strength: f32,
    /// Level at that time, dBFS.
    pub level_db: f32,
    /// Kind of attack.
    pub attack: Attack,
}

impl NoteOn {
    /// Whether it is slurred from the note before.
    pub fn slurred(&self) -> bool {
        self.attack == Attack::Slurred
    }
}

/// A moment that the player has marked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// Stream time.
    pub at_s: f64,
    /// Whether it is kept with a recorded take, as a cue point.
    pub kept: bool,
}

/// A detected gesture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GestureEvent {
    /// When it was detected.
    pub at_s: f64,
    /// Which gesture.
    pub gesture: Gesture,
}

/// Ways of playing that a route can react to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Gesture {
    /// A tongued note.
    Tongued,
    /// A slurred note.
    Slurred,
    /// A note with an attack clearly louder than those before it.
    Accent,
    /// A short note, when it ends.
    Staccato,
    /// A very short note, when it ends.
    Staccatissimo,
    /// Vibrato begins.
    Vibrato,
    /// Flutter-tonguing begins.
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
    /// Name in rig files and events.
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
