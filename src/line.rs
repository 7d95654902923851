//! Notes in the player's terms: named for the horn in hand, measured against
//! the table the piece uses, and turned into what goes out.

use std::borrow::Borrow;

use crate::horn::Horn;
use crate::notes::Note;
use crate::tuning::Tuning;
use crate::tuning::quantiser::{Quantiser, Snap};
use crate::units::{Concert, Pitch, Written};

/// How a line is to be read.
#[derive(Debug, Clone)]
pub struct LineContext {
    /// The horn in hand; written equals concert pitch where none is named.
    pub horn: Option<Horn>,
    /// The table that pitches are measured against.
    pub tuning: Tuning,
    /// How pitches are sent on.
    pub snap: Snap,
    /// MIDI key at 0 V.
    pub zero_volt_note: f64,
}

/// MIDI key at 0 V where nothing else is said: middle C.
pub const ZERO_VOLT_NOTE: f64 = 60.0;

impl LineContext {
    /// Reading of concert pitch as played against a table.
    pub fn plain(tuning: Tuning) -> Self {
        LineContext {
            horn: None,
            tuning,
            snap: Snap::Off,
            zero_volt_note: ZERO_VOLT_NOTE,
        }
    }

    /// Name in the part of a sounding key.
    pub fn written(&self, concert: Concert) -> Written {
        match &self.horn {
            Some(horn) => horn.written(concert),
            None => Written(concert.0),
        }
    }
}

/// A note with its names.
#[derive(Debug, Clone, PartialEq)]
pub struct LineNote {
    /// What was heard.
    pub note: Note,
    /// Sounding key: of the pitch played, or of the table's where it snaps.
    pub concert: Concert,
    /// Key in the player's part.
    pub written: Written,
    /// The table's pitch.
    pub tuning_pitch: Pitch,
    /// Played against the table, in cents; positive is sharp.
    pub cents: f64,
    /// Pitch that is sent on for the note as a whole.
    pub sent: Pitch,
    /// The same as a control voltage.
    pub volts: f64,
    snap: Snap,
}

impl LineNote {
    /// Names a note. The quantiser holds nothing afterwards.
    pub fn new<T: Borrow<Tuning>>(
        note: Note,
        context: &LineContext,
        quantiser: &mut Quantiser<T>,
    ) -> Self {
        let played = Pitch(note.pitch);
        quantiser.release();
        let tuning_pitch = quantiser.push(played);
        quantiser.release();
        let (sent, named) = match context.snap {
            Snap::Off => (played, played),
            Snap::Hard | Snap::Bend => (tuning_pitch, tuning_pitch),
        };
        let concert = Concert(context.tuning.reference().nearest_key(named));
        LineNote {
            concert,
            written: context.written(concert),
            tuning_pitch,
            cents: played.cents_above(tuning_pitch),
            sent,
            volts: sent.volts(context.zero_volt_note),
            snap: context.snap,
            note,
        }
    }

    /// Pitch that is sent on at a moment at which `played` was heard.
    ///
    /// Bent notes keep what the player did around the note's own centre, moved
    /// so that the centre is the table's pitch.
    pub fn sent_at(&self, played: f32) -> Pitch {
        match self.snap {
            Snap::Hard => self.sent,
            Snap::Bend => Pitch(self.sent.0 + f64::from(played) - self.note.pitch),
            Snap::Off => Pitch(f64::from(played)),
        }
    }
}

/// A whole line.
#[derive(Debug, Clone)]
pub struct Line {
    /// Name of the take, without folder.
    pub source: String,
    /// Length of the take in seconds.
    pub length_s: f64,
    /// How it is read.
    pub context: LineContext,
    /// The notes in order.
    pub notes: Vec<LineNote>,
}

impl Line {
    /// Reads notes as a line.
    pub fn new(source: &str, length_s: f64, notes: Vec<Note>, context: LineContext) -> Self {
        let mut quantiser = Quantiser::new(&context.tuning);
        let name = |note| LineNote::new(note, &context, &mut quantiser);
        let notes = notes.into_iter().map(name).collect();
        Line {
            source: source.to_owned(),
            length_s,
            notes,
            context,
        }
    }

    /// Level of the loudest note, dBFS; what velocities are measured from.
    pub fn loudest_db(&self) -> f32 {
        self.notes
            .iter()
            .map(|n| n.note.level_db)
            .fold(-120.0, f32::max)
    }
}
