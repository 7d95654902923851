//! Notes in the player's terms: named for the horn, measured against the tuning, and
//! with the pitch and voltage that are sent.

use std::borrow::Borrow;

use crate::horn::Horn;
use crate::notation::key::Key;
use crate::notation::note_rhythm::NoteRhythm;
use crate::notes::{Attack, Note};
use crate::sending::brightness::BrightnessRange;
use crate::sending::note_source::{Given, NoteSource};
use crate::sending::{PlayedNote, SentNote};
use crate::tuning::Tuning;
use crate::tuning::quantiser::{Quantiser, Snap};
use crate::units::{Concert, Pitch, Written};

/// What a line is named and measured with.
#[derive(Debug, Clone)]
pub struct LineContext {
    /// The horn; without one, written pitch is concert pitch.
    pub horn: Option<Horn>,
    /// The tuning that pitches are measured against.
    pub tuning: Tuning,
    /// How pitches are quantised for output.
    pub snap: Snap,
    /// MIDI key at 0 V.
    pub zero_volt_note: f64,
    /// Which notes are sent for those that were played.
    #[doc(hidden)]
    pub source: NoteSource,
    /// Transposition of everything sent, in semitones.
    #[doc(hidden)]
    pub shift: i32,
    /// What brightness is sent as, if it is sent.
    #[doc(hidden)]
    pub brightness: Option<BrightnessRange>,
}

/// Default MIDI key at 0 V: middle C.
pub const ZERO_VOLT_NOTE: f64 = 60.0;

impl LineContext {
    /// Concert pitch as played, measured against a tuning.
    pub fn new(tuning: Tuning) -> Self {
        LineContext {
            horn: None,
            tuning,
            snap: Snap::Off,
            zero_volt_note: ZERO_VOLT_NOTE,
            source: NoteSource::Follow,
            shift: 0,
            brightness: None,
        }
    }

    /// The same in a horn's transposition.
    pub fn for_horn(mut self, horn: Horn) -> Self {
        self.horn = Some(horn);
        self
    }

    /// Written key of a sounding key, on the horn.
    pub(crate) fn written(&self, concert: Concert) -> Written {
        match &self.horn {
            Some(horn) => horn.written(concert),
            None => Written(concert.0),
        }
    }
}

/// A note with its names.
#[derive(Debug, Clone, PartialEq)]
pub struct LineNote {
    /// The transcribed note.
    pub note: Note,
    /// Sounding key: of the pitch played, or of the tuning's pitch if quantised.
    pub concert: Concert,
    /// Key in the player's part.
    pub written: Written,
    /// Nearest pitch of the tuning.
    #[doc(hidden)]
    pub tuning_pitch: Pitch,
    /// Deviation from the tuning of the frequency that lists have, in cents; positive is sharp.
    pub cents: f64,
    /// Pitch that is sent for the note as a whole.
    pub sent: Pitch,
    /// The same as a control voltage.
    pub volts: f64,
    /// What MIDI and voltages are sent.
    pub(crate) sending: SentNote,
    /// The pitch that was drawn for it from the tuning, before transposition, if one was.
    pub(crate) drawn: Option<Pitch>,
    /// Where it stands in the part, if a list says so.
    pub(crate) rhythm: Option<NoteRhythm>,
    /// Key that its names are spelled in, as it is written; none while the line it belongs
    /// to is still played.
    key: Option<Key>,
}

impl LineNote {
    /// Names a note and steps the note source for it. `slurred_from` is what was sent for
    /// the note before it, if it is slurred from one. The quantiser holds nothing
    /// afterwards.
    pub(crate) fn new<T: Borrow<Tuning>>(
        note: Note,
        context: &LineContext,
        quantiser: &mut Quantiser<T>,
        source: &mut NoteSource,
        slurred_from: Option<Pitch>,
    ) -> Self {
        let played = Pitch(note.pitch);
        quantiser.release();
        let tuned = quantiser.push(played);
        quantiser.release();
        let reference = context.tuning.reference();
        let concert = Concert(reference.nearest_key(context.snap.named(played, tuned)));
        let as_played = PlayedNote {
            played,
            tuned,
            slurred_from,
        };
        let sending = SentNote::start(&as_played, source, context.snap, context.shift, reference);
        let sent = sending.pitch(note.pitch, note.pitch);
        LineNote {
            concert,
            written: context.written(concert),
            tuning_pitch: tuned,
            cents: played.as_listed().cents_above(tuned),
            sent,
            volts: sent.volts(context.zero_volt_note),
            sending,
            drawn: matches!(source, NoteSource::Draw(_)).then_some(sending.target),
            rhythm: None,
            key: None,
            note,
        }
    }

    /// Name of the written note, spelled in the key of its line.
    pub fn written_name(&self) -> String {
        self.spelling().written(self.written)
    }

    /// Name of the sounding note, spelled in the key of its line as that sounds.
    pub fn concert_name(&self) -> String {
        self.spelling().concert(self.concert)
    }

    /// How its names are spelled.
    pub(crate) fn spelling(&self) -> Spelling {
        Spelling {
            key: self.key,
            sounds: self.concert.0 - self.written.0,
        }
    }

    /// Pitch that is sent while `played` (MIDI semitones) sounds.
    ///
    /// With [`Snap::Bend`] the player's bends around the note's pitch are kept, shifted
    /// so that the note's pitch is the one that stands for it.
    pub(crate) fn sent_at(&self, played: f32) -> Pitch {
        self.sending.pitch(self.note.pitch, f64::from(played))
    }
}

/// How notes are named: by a key, or by the names that brass players usually say where
/// none is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Spelling {
    /// Key of the written part.
    key: Option<Key>,
    /// Semitones by which a horn sounds higher than it is written.
    sounds: i32,
}

impl Spelling {
    /// Name of a written note.
    pub fn written(self, note: Written) -> String {
        match self.key {
            Some(key) => key.spell(note.0).to_string(),
            None => note.to_string(),
        }
    }

    /// Name of a sounding note.
    pub fn concert(self, note: Concert) -> String {
        match self.key.map(|key| key.transposed(self.sounds)) {
            Some(key) => key.spell(note.0).to_string(),
            None => note.to_string(),
        }
    }

    /// What two lines have in common: nothing, if their keys differ.
    pub fn common(self, other: Spelling) -> Spelling {
        match self == other {
            true => self,
            false => Spelling { key: None, ..self },
        }
    }
}

/// Another horn, tuning, note source or shift from some time of a line on.
#[derive(Debug, Clone)]
pub struct ContextChange {
    /// When, in seconds from the start of the take.
    pub at_s: f64,
    /// What notes from there on are read with. Its note source counts only where it begins.
    pub context: LineContext,
    /// Whether its note source begins here; the one before goes on otherwise.
    pub source_begins: bool,
}

/// A whole line.
#[derive(Debug, Clone)]
pub struct Line {
    /// Name of the take, without folder.
    pub source: String,
    /// Length of the take in seconds.
    pub length_s: f64,
    /// What it is named and measured with.
    pub context: LineContext,
    /// Changes while it was played, in order.
    pub(crate) changes: Vec<ContextChange>,
    /// The note source as the last note leaves it.
    #[doc(hidden)]
    pub source_after: NoteSource,
    /// Key of the written part.
    key: Key,
    /// The notes in order.
    pub notes: Vec<LineNote>,
}

impl Line {
    /// Names and measures notes.
    pub fn new(source: &str, length_s: f64, notes: Vec<Note>, context: LineContext) -> Self {
        Line::with_changes(source, length_s, notes, context, Vec::new())
    }

    /// The same of a take in which horn, tuning, note source or shift were changed: a note
    /// is read with what was in use at its onset.
    #[doc(hidden)]
    pub fn with_changes(
        source: &str,
        length_s: f64,
        notes: Vec<Note>,
        context: LineContext,
        changes: Vec<ContextChange>,
    ) -> Self {
        Line::with_drawn(source, length_s, notes, &[], context, changes)
    }

    /// The same with the pitches that a list says were drawn for its notes, in order: they are
    /// sent again, and the note source is left as it is there.
    #[doc(hidden)]
    pub fn with_drawn(
        source: &str,
        length_s: f64,
        notes: Vec<Note>,
        drawn: &[Option<Pitch>],
        context: LineContext,
        changes: Vec<ContextChange>,
    ) -> Self {
        let mut note_source = context.source.clone();
        let (mut changed, mut held) = (0, None);
        let pass = |passed: &[ContextChange], source: &mut NoteSource| {
            if let Some(change) = passed.iter().rev().find(|change| change.source_begins) {
                *source = change.context.source.clone();
            }
            if let Some(last) = passed.last() {
                source.set_tuning(&last.context.tuning);
            }
        };
        let name = |(at, note): (usize, Note)| {
            let before = changes.partition_point(|c| c.at_s <= note.onset_s);
            let context = before
                .checked_sub(1)
                .map_or(&context, |at| &changes[at].context);
            pass(&changes[changed..before], &mut note_source);
            changed = before;
            let mut quantiser = Quantiser::new(&context.tuning);
            let (slurred_from, source) = match drawn.get(at).copied().flatten() {
                Some(pitch) => (None, &mut Given::Drawn(pitch).source()),
                None => (
                    held.filter(|_| note.attack == Attack::Slurred),
                    &mut note_source,
                ),
            };
            let named = LineNote::new(note, context, &mut quantiser, source, slurred_from);
            held = Some(named.sending.target);
            named
        };
        let notes: Vec<LineNote> = notes.into_iter().enumerate().map(name).collect();
        pass(&changes[changed..], &mut note_source);
        let written = |n: &LineNote| (context.written(n.concert).0, n.note.duration_s());
        let key = Key::estimate(notes.iter().map(written));
        let line = Line {
            source: source.to_owned(),
            length_s,
            key,
            notes,
            context,
            changes,
            source_after: note_source,
        };
        line.spelled_in(key)
    }

    /// The same with its notes spelled in another key than the one that was estimated from
    /// them: the key signature of the written part, in sharps, or flats where negative.
    pub fn in_key(self, fifths: i32) -> Line {
        self.spelled_in(Key { fifths })
    }

    /// The same spelled in the key of a score that sounds so many semitones higher than it is
    /// written.
    #[doc(hidden)]
    pub fn in_key_of(self, key: Key, sounds: i32) -> Line {
        let key = self.own_key(key, sounds);
        self.spelled_in(key)
    }

    /// The key of another part, as the horn's part is written.
    fn own_key(&self, key: Key, sounds: i32) -> Key {
        key.transposed(self.context.written(Concert(0)).0 + sounds)
    }

    pub(crate) fn spelled_in(mut self, key: Key) -> Line {
        self.key = key;
        let home = self.context.written(Concert(0)).0;
        for note in &mut self.notes {
            // Under another horn the part stands in another key.
            let other = note.written.0 - note.concert.0 - home;
            note.key = Some(key.transposed(other));
        }
        self
    }

    /// How the notes of its horn are spelled in its own key, or in that of another part
    /// that sounds so many semitones higher than it is written.
    pub(crate) fn spelling_of(&self, other: Option<(Key, i32)>) -> Spelling {
        let up = self.context.written(Concert(0)).0;
        let written = other.map(|(key, sounds)| self.own_key(key, sounds));
        Spelling {
            key: Some(written.unwrap_or(self.key)),
            sounds: -up,
        }
    }

    /// The same with the rhythm that a list gives to each note, in order.
    #[doc(hidden)]
    pub fn with_rhythms(mut self, rhythms: impl IntoIterator<Item = Option<NoteRhythm>>) -> Line {
        for (named, rhythm) in self.notes.iter_mut().zip(rhythms) {
            named.rhythm = rhythm;
        }
        self
    }

    /// Key of the written part.
    pub(crate) fn key(&self) -> Key {
        self.key
    }

    /// Level of the loudest note, dBFS: the reference for velocities.
    pub(crate) fn loudest_db(&self) -> f32 {
        self.notes
            .iter()
            .map(|n| n.note.level_db)
            .fold(-120.0, f32::max)
    }
}
