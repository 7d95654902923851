//! What a JSON list was made with, so that it is written again in the same way.

use std::ops::RangeInclusive;
use std::path::Path;

use serde::{Deserialize, Deserializer};

use crate::error::{Error, Result};
use crate::horn::Horn;
use crate::line::{ContextChange, LineContext};
use crate::notation::key::Key;
use crate::sending::SHIFTS;
use crate::sending::brightness::BrightnessRange;
use crate::sending::note_source::NoteSource;
use crate::tuning::quantiser::Snap;
use crate::tuning::{Reference, Tuning};

/// The take of a list. What is none was not said; null says that there is none.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
pub struct MadeWith {
    pub(super) length_s: Option<f64>,
    /// Name of the horn.
    #[serde(default, deserialize_with = "said")]
    pub horn: Option<Option<String>>,
    transposition: Option<i32>,
    /// Name of the tuning.
    pub tuning: Option<String>,
    #[serde(default, deserialize_with = "said")]
    tonic: Option<Option<String>>,
    /// Frequency of A4.
    pub reference_hz: Option<f64>,
    key_fifths: Option<i32>,
    /// How pitches are sent.
    pub snap: Option<Snap>,
    /// MIDI key at 0 V.
    pub zero_volt_note: Option<f64>,
    /// Semitones added to everything sent.
    pub shift: Option<i32>,
    /// MIDI keys of the notes that are sent instead.
    pub sequence: Option<Vec<i32>>,
    #[serde(default, deserialize_with = "said")]
    brightness: Option<Option<[f32; 2]>>,
    #[serde(default)]
    pub(super) changes: Vec<Change>,
}

/// Where another horn, tuning, note source or shift was taken.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub(super) struct Change {
    time_s: f64,
    pub(super) horn: Option<String>,
    tuning: Option<String>,
    tonic: Option<String>,
    shift: Option<i32>,
    sequence: Option<Vec<i32>>,
}

/// A value that may be null and may be missing.
fn said<'de, D: Deserializer<'de>, T: Deserialize<'de>>(
    from: D,
) -> std::result::Result<Option<Option<T>>, D::Error> {
    Option::deserialize(from).map(Some)
}

impl MadeWith {
    /// Checks what is no name: names are looked up where they are used.
    pub(super) fn check(&self, path: &Path) -> Result<()> {
        let refuse = |name: &str, is: &dyn std::fmt::Display, hint: String| {
            Err(Error::input(path, format!("take.{name} is {is}"), hint))
        };
        let whole = |name: &str, number: Option<i32>, range: RangeInclusive<i32>| match number {
            Some(number) if !range.contains(&number) => {
                let hint = format!("give {} to {}", range.start(), range.end());
                refuse(name, &number, hint)
            }
            _ => Ok(()),
        };
        whole("shift", self.shift, SHIFTS)?;
        whole("key_fifths", self.key_fifths, -7..=7)?;
        for key in self.sequence.iter().flatten() {
            whole("sequence", Some(*key), 0..=127)?;
        }
        for change in &self.changes {
            whole("changes.shift", change.shift, SHIFTS)?;
            for key in change.sequence.iter().flatten() {
                whole("changes.sequence", Some(*key), 0..=127)?;
            }
        }
        if let Some(hz) = self.reference_hz
            && let Err(Error::Setting { hint, .. }) = Reference::new(hz)
        {
            return refuse("reference_hz", &hz, hint);
        }
        if let Some(note) = self.zero_volt_note
            && !(0.0..=127.0).contains(&note)
        {
            return refuse("zero_volt_note", &note, "give a MIDI key, 0 to 127".into());
        }
        if let Some(Some([dark, bright])) = self.brightness {
            BrightnessRange::new(dark, bright)
                .map_err(|e| Error::input(path, format!("take.brightness: {e}"), "correct it"))?;
        }
        Ok(())
    }

    /// What brightness is sent as.
    pub fn brightness(&self) -> Option<Option<BrightnessRange>> {
        let range = self.brightness?;
        Some(range.map(|[dark, bright]| BrightnessRange { dark, bright }))
    }

    /// The tonic that belongs to its tuning.
    pub fn tonic(&self) -> Option<String> {
        self.tonic.clone().flatten()
    }

    /// Whether it says its key.
    pub fn has_key(&self) -> bool {
        self.key_fifths.is_some()
    }

    /// Its key as it is written, and how many semitones higher it sounds.
    pub(super) fn key(&self) -> Option<(Key, i32)> {
        let fifths = self.key_fifths?;
        Some((Key { fifths }, self.transposition.unwrap_or(0)))
    }

    /// The horn of a name in the list.
    fn horn_called(&self, path: &Path, name: &str, sounds: Option<i32>) -> Result<Horn> {
        let own = |problem: &str| {
            Error::input(
                path,
                format!("made with the horn \"{name}\", {problem}"),
                "give the horn: --horn NAME, or --horn FILE.toml for one of your own",
            )
        };
        let horn = Horn::find(name).map_err(|_| own("which is not built in"))?;
        // A horn of one's own may be called as a built-in one.
        match sounds.is_some_and(|sounds| sounds != horn.sounds) {
            true => Err(own("which has another transposition than the built-in one")),
            false => Ok(horn),
        }
    }

    fn tuning_called(
        path: &Path,
        name: &str,
        tonic: Option<&str>,
        at: Reference,
    ) -> Result<Tuning> {
        Tuning::find(name, tonic, at).map_err(|error| match Tuning::names().any(|n| n == name) {
            true => Error::input(path, format!("its tuning: {error}"), "correct it"),
            false => Error::input(
                path,
                format!("made with the tuning \"{name}\", which is not built in"),
                "give the tuning: --tuning NAME, or --tuning FILE for one of your own",
            ),
        })
    }

    /// The horn that it was made with, if it says one.
    ///
    /// # Errors
    /// [`Error::Input`] for one that is not built in.
    pub fn find_horn(&self, path: &Path) -> Result<Option<Horn>> {
        let name = self.horn.iter().flatten().next();
        name.map(|name| self.horn_called(path, name, self.transposition))
            .transpose()
    }

    /// The tuning that it was made with, at a reference.
    ///
    /// # Errors
    /// [`Error::Input`] for one that is not built in.
    pub fn find_tuning(
        &self,
        path: &Path,
        tonic: Option<&str>,
        at: Reference,
    ) -> Result<Option<Tuning>> {
        let name = self.tuning.as_deref();
        name.map(|name| Self::tuning_called(path, name, tonic, at))
            .transpose()
    }

    /// What was changed, as far as `fixed` does not say that an option of that name holds
    /// throughout.
    ///
    /// # Errors
    /// As [`MadeWith::find_horn`] and [`MadeWith::find_tuning`].
    pub fn changes(
        &self,
        path: &Path,
        context: &LineContext,
        fixed: impl Fn(&str) -> bool,
    ) -> Result<Vec<ContextChange>> {
        let mut changes = Vec::new();
        for change in &self.changes {
            let mut context = context.clone();
            if !fixed("horn") {
                let name = change.horn.as_deref();
                context.horn = name
                    .map(|name| self.horn_called(path, name, None))
                    .transpose()?;
            }
            if let Some(name) = change.tuning.as_deref().filter(|_| !fixed("tuning")) {
                let tonic = match fixed("tonic") {
                    true => context.tuning.other_tonic(),
                    false => change.tonic.clone(),
                };
                let at = context.tuning.reference();
                context.tuning = Self::tuning_called(path, name, tonic.as_deref(), at)?;
            }
            if let Some(shift) = change.shift.filter(|_| !fixed("shift")) {
                context.shift = shift;
            }
            let sequence = (change.sequence.as_ref()).filter(|_| !fixed("sequence"));
            if let Some(keys) = sequence {
                context.source = NoteSource::of_keys(keys, context.tuning.reference());
            }
            changes.push(ContextChange {
                at_s: change.time_s,
                source_begins: sequence.is_some(),
                context,
            });
        }
        // As they happened, whoever wrote them down.
        changes.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        Ok(changes)
    }
}
