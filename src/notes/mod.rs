//! From tone evidence to notes.
//!
//! One model of what a note is serves both passes: [`segment::Segmenter`] decodes it
//! forward while the horn plays ([`live_model`]), and a whole take is decoded with the
//! future known ([`note_model`]). [`refinement`] then joins trills to one note and finds
//! the glissandi between notes; [`articulation`] names what was played.

pub mod articulation;
pub(crate) mod continuity;
pub mod contour;
pub mod live_model;
mod live_oscillation;
pub mod note_model;
pub mod refinement;
mod rig_sound;
pub mod segment;
pub mod technique_model;
pub mod timeline;

use contour::{Contour, Point};
use serde::{Deserialize, Serialize};

use crate::analysis::SAME_PITCH;
use crate::units::Pitch;

/// How a note begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Attack {
    /// By the tongue, or out of silence.
    Tongued,
    /// The tone goes on and only the pitch changes.
    Slurred,
    /// By the air alone: out of silence, rising slowly.
    Breath,
}

/// How much of its time a note sounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Length {
    /// As short as can be: a click of tone.
    Staccatissimo,
    /// About half of the time to the next attack or less.
    Staccato,
    /// Plainly shorter than the time to the next attack.
    Normal,
    /// Sounds right up to the next note.
    Tenuto,
}

/// What happens to pitch or level within a note.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase", tag = "kind")]
pub enum Technique {
    /// Regular wavering of pitch.
    Vibrato {
        /// Oscillations a second, in hertz.
        rate_hz: f32,
        /// From the middle to either side, in cents.
        extent_cents: f32,
    },
    /// Tongue roll: regular wavering of level, faster than any vibrato.
    Flutter {
        /// Oscillations a second, in hertz.
        rate_hz: f32,
        /// From the middle to either side (half of peak to peak), in dB.
        depth_db: f32,
    },
    /// Alternation of two pitches.
    Trill {
        /// Oscillations a second, in hertz.
        rate_hz: f32,
        /// Between the two pitches, in cents.
        interval_cents: f32,
    },
    /// A slide over most of the note.
    Glissando {
        /// Distance, in cents.
        cents: f32,
    },
    /// Begins below and slides up into its pitch.
    Scoop {
        /// Distance, in cents.
        cents: f32,
    },
    /// Slides down at its end.
    Fall {
        /// Distance, in cents.
        cents: f32,
    },
    /// Slides up at its end.
    Doit {
        /// Distance, in cents.
        cents: f32,
    },
}

impl Technique {
    /// Name in lower case, as in the note list.
    pub fn name(&self) -> &'static str {
        match self {
            Technique::Vibrato { .. } => "vibrato",
            Technique::Flutter { .. } => "flutter",
            Technique::Trill { .. } => "trill",
            Technique::Glissando { .. } => "glissando",
            Technique::Scoop { .. } => "scoop",
            Technique::Fall { .. } => "fall",
            Technique::Doit { .. } => "doit",
        }
    }
}

impl Attack {
    /// All attacks.
    pub(crate) const ALL: [Attack; 3] = [Attack::Tongued, Attack::Slurred, Attack::Breath];

    /// Name in lower case, as in the note list.
    pub fn name(&self) -> &'static str {
        match self {
            Attack::Tongued => "tongued",
            Attack::Slurred => "slurred",
            Attack::Breath => "breath",
        }
    }
}

impl Length {
    /// All lengths, the shortest first.
    pub(crate) const ALL: [Length; 4] = [
        Length::Staccatissimo,
        Length::Staccato,
        Length::Normal,
        Length::Tenuto,
    ];

    /// Name in lower case, as in the note list.
    pub fn name(&self) -> &'static str {
        match self {
            Length::Staccatissimo => "staccatissimo",
            Length::Staccato => "staccato",
            Length::Normal => "normal",
            Length::Tenuto => "tenuto",
        }
    }
}

/// One hop, from either pass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PitchFrame {
    /// Stream time in seconds.
    pub time_s: f64,
    /// Pitch in MIDI semitones, if there is tone.
    pub pitch: Option<f32>,
    /// Log likelihood margin over any other pitch or silence, in nats.
    #[doc(hidden)]
    pub margin: f32,
    /// Share of the sound that the pitch explains, 0 to 1.
    pub confidence: f32,
    /// Level of the hop, dBFS.
    pub level_db: f32,
    /// Harmonic spectral centroid in units of the fundamental, measured every 10.9 ms (low notes every two periods), where
    /// there is tone and enough of it has been heard: 1 for a sine, more the brassier.
    pub brightness: Option<f32>,
    /// Whether the note trills or shakes: its pitch jumps, and is meant.
    #[doc(hidden)]
    pub trills: bool,
}

/// A centroid in hertz in units of a pitch's fundamental. One below the fundamental was
/// measured for another pitch, and is none.
pub(crate) fn brightness_of(centroid_hz: Option<f32>, pitch: Option<f32>) -> Option<f32> {
    let hz = Pitch(f64::from(pitch?)).hz() as f32;
    centroid_hz.map(|c| c / hz).filter(|times| *times >= 0.999)
}

impl PitchFrame {
    /// The frame as a point of a note's contour.
    pub(crate) fn point(&self) -> Point {
        Point {
            pitch: self.pitch.unwrap_or(f32::NAN),
            level_db: self.level_db,
            confidence: self.confidence,
            brightness: self.brightness.unwrap_or(f32::NAN),
        }
    }
}

/// The measurements behind an articulation, so that a player can see why.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Measured {
    /// How far the level dips before the note, against the weaker side, in dB.
    pub dip_db: f32,
    /// Time from 20 dB under the note's early peak to 3 dB under it, seconds.
    pub rise_s: f32,
    /// Part of the time to the next onset for which it is played, from its onset to its
    /// release, 0 to 1.
    pub sounding: f32,
    /// The same in seconds.
    pub body_s: f32,
    /// Early peak against the body of the note, in dB.
    pub accent_db: f32,
    /// Share of the tone before that goes on through the onset, as loud and in phase, 0 to 1,
    /// where the note touches one of its pitch and a full pass has measured it. No list has it.
    #[serde(skip)]
    pub continuity: Option<f32>,
}

/// Whether a measured pitch is that of a note, both in MIDI semitones.
fn is_at(pitch: f64) -> impl Fn(&f32) -> bool {
    move |measured| (measured - pitch as f32).abs() < SAME_PITCH
}

/// A pitch this far from a note's is another's, in semitones; nearer, it is the note's own.
pub(crate) const STRAY: f32 = 0.65;
/// A note that begins this soon after the one before touches it, in seconds.
pub(crate) const TOUCH_S: f64 = 0.03;

/// Whether a note that begins at `onset_s` follows one that ends at `offset_s` without a rest.
pub(crate) fn touch(offset_s: f64, onset_s: f64) -> bool {
    onset_s - offset_s < TOUCH_S
}

/// How far from where a note begins its level and that of the note before are looked for, and
/// how far the dip between them, in seconds.
const BESIDE_S: f64 = 0.12;
const DIP_REACH_S: f64 = 0.04;

/// How a note begins that starts `gap_s` after the one before, from the evidence for the
/// tongue as log odds: only what touches the note before can be slurred to it.
fn attack_of(gap_s: f64, tongue_odds: f32) -> Attack {
    match gap_s < TOUCH_S && tongue_odds < 0.0 {
        true => Attack::Slurred,
        false => Attack::Tongued,
    }
}

/// How far under its loudest a note's body reaches, in dB: after that it decays, its pitch wanders,
/// and its sound is the room's.
pub(crate) const BODY_DB: f32 = 20.0;

/// A note's level is that of its loudest so many seconds.
const LEVEL_S: f64 = 0.02;

/// A transcribed note.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Note {
    /// Start in stream seconds.
    pub onset_s: f64,
    /// End in stream seconds.
    pub offset_s: f64,
    /// Stream time at which the causal engine decided on it. In the full pass it is the note's end
    /// where no causal note matches, or live decisions were left out
    /// ([`without_decisions`](crate::Transcriber::without_decisions)).
    pub decided_s: f64,
    /// Pitch that the steady part centres on, MIDI semitones.
    pub pitch: f64,
    /// How it begins.
    pub attack: Attack,
    /// How much of its time it sounds.
    pub length: Length,
    /// Whether it is attacked harder than it goes on.
    pub accent: bool,
    /// What happens within it.
    pub techniques: Vec<Technique>,
    /// Loudest level (20 ms average), dBFS.
    pub level_db: f32,
    /// Mean share of the sound that the pitch explains, 0 to 1.
    pub confidence: f32,
    /// Harmonic spectral centroid in units of the fundamental: 1 for a sine, more the
    /// brassier; the median over its hops. None where it was not measured.
    pub brightness: Option<f32>,
    /// The quantities behind attack and length.
    #[doc(hidden)]
    pub measured: Measured,
    /// Every hop of it, in order.
    #[serde(skip)]
    pub contour: Contour,
}

impl Note {
    /// Whether it follows another without a rest.
    pub(crate) fn touches(&self, before: &Note) -> bool {
        touch(before.offset_s, self.onset_s)
    }

    /// Sounding length in seconds.
    pub fn duration_s(&self) -> f64 {
        self.offset_s - self.onset_s
    }

    /// Moves all times later by `by_s` seconds.
    pub(crate) fn shift(&mut self, by_s: f64) {
        self.onset_s += by_s;
        self.offset_s += by_s;
        self.decided_s += by_s;
        self.contour.start_s += by_s;
    }

    /// Whether a point of its contour belongs to its body.
    pub(crate) fn in_body(&self, point: &Point) -> bool {
        point.level_db > self.level_db - BODY_DB
    }

    /// When the note's final decay begins, stream seconds: the last point within 20 dB
    /// of its peak. The pitch after that drifts and is not the player's intention.
    pub(crate) fn body_end_s(&self) -> f64 {
        let last = (self.contour.points.iter()).rposition(|point| self.in_body(point));
        last.map_or(self.offset_s, |at| {
            self.contour.start_s + at as f64 * self.contour.hop_s
        })
    }
}
