//! Which note a row means. A list names each note several times over (`midi`, `concert`,
//! `written`, `frequency_hz`), and whoever corrects it changes one of them.

use std::collections::HashMap;
use std::path::Path;

use super::Row;
use crate::error::{Error, Result};
use crate::horn::Horn;
use crate::tuning::Reference;
use crate::units::{Pitch, key_name, parse_key};

/// What is wrong with a row, and what to write instead.
type Mistake = (String, String);

/// What the columns of a row say.
struct Said {
    /// MIDI keys by `midi`, `concert` and `written`.
    midi: Option<i32>,
    concert: Option<i32>,
    written: Option<i32>,
    /// By `frequency_hz`, and the key nearest to it.
    played: Option<(Pitch, i32)>,
}

/// The pitch of each row in MIDI semitones. The key decides, and the frequency says where
/// within it. Of `midi` and `concert` the one that the frequency contradicts is a
/// correction.
///
/// # Errors
/// [`Error::Input`] naming the row whose pitch is missing or cannot be read, whose columns
/// name two notes, or whose written note alone was changed.
pub(super) fn pitches(
    path: &Path,
    rows: &[(String, Row)],
    reference: Reference,
) -> Result<Vec<f64>> {
    let at = |row: usize| {
        move |(problem, hint): Mistake| {
            Error::input(path, format!("{}: {problem}", rows[row].0), hint)
        }
    };
    let mut said = Vec::with_capacity(rows.len());
    let mut pitches = Vec::with_capacity(rows.len());
    for (i, (_, row)) in rows.iter().enumerate() {
        let row = Said::of(row, reference).map_err(at(i))?;
        pitches.push(row.pitch(reference).map_err(at(i))?);
        said.push(row);
    }
    if let Some(usual) = usual_interval(&said) {
        for (i, row) in said.iter().enumerate() {
            if !of_another_horn(&said, i) {
                row.check_written(usual).map_err(at(i))?;
            }
        }
    }
    Ok(pitches)
}

/// Whether a row is written for another horn than most, for a session may change horns: it has
/// the interval of some horn, and so has a row beside it.
fn of_another_horn(rows: &[Said], at: usize) -> bool {
    let interval = rows[at].interval();
    let same = |at: usize| rows.get(at).is_some_and(|row| row.interval() == interval);
    (Horn::catalogue().iter()).any(|horn| interval == Some(-horn.sounds))
        && (same(at + 1) || at.checked_sub(1).is_some_and(same))
}

/// Semitones from the sounding to the written note in most rows; the first of those that are
/// equally common.
fn usual_interval(rows: &[Said]) -> Option<i32> {
    let mut counts: HashMap<i32, usize> = HashMap::new();
    let intervals: Vec<i32> = rows.iter().filter_map(Said::interval).collect();
    for interval in &intervals {
        *counts.entry(*interval).or_default() += 1;
    }
    // Of equals `max_by_key` takes the last.
    let last_first = intervals.iter().rev();
    last_first.copied().max_by_key(|interval| counts[interval])
}

impl Said {
    fn of(row: &Row, reference: Reference) -> std::result::Result<Said, Mistake> {
        let name = |column: &str, text: &Option<String>| {
            let text = text.as_deref().filter(|text| !text.is_empty());
            text.map(|text| {
                parse_key(text).ok_or((
                    format!("{column} is \"{text}\""),
                    "write a note name, such as C4 or Bb3".into(),
                ))
            })
            .transpose()
        };
        if let Some(key) = row.midi.filter(|key| !(0..=127).contains(key)) {
            return Err((
                format!("midi is {key}"),
                "write a MIDI key, 0 to 127".into(),
            ));
        }
        let played = row.frequency_hz.map(Pitch::from_hz);
        let played = played.filter(|p| (0.0..=127.5).contains(&p.0));
        Ok(Said {
            midi: row.midi,
            concert: name("concert", &row.concert)?,
            written: name("written", &row.written)?,
            played: played.map(|p| (p, reference.nearest_key(p))),
        })
    }

    /// The key that the frequency is nearest to.
    fn heard(&self) -> Option<i32> {
        self.played.map(|(_, key)| key)
    }

    fn pitch(&self, reference: Reference) -> std::result::Result<f64, Mistake> {
        match (self.key()?, self.played) {
            (Some(key), Some((played, heard))) if heard == key => Ok(played.0),
            (Some(key), _) => Ok(reference.equal(key).0),
            (None, Some((played, _))) => Ok(played.0),
            (None, None) => Err((
                "no pitch".into(),
                "write midi (0 to 127), concert (such as Bb3) or frequency_hz".into(),
            )),
        }
    }

    /// The key that the row means, if `midi` or `concert` has one.
    fn key(&self) -> std::result::Result<Option<i32>, Mistake> {
        match (self.midi, self.concert) {
            (Some(midi), Some(concert)) if midi != concert => match self.heard() {
                Some(heard) if heard == midi => Ok(Some(concert)),
                Some(heard) if heard == concert => Ok(Some(midi)),
                _ => Err((
                    format!(
                        "midi {midi} is {}, but concert is {}",
                        key_name(midi),
                        key_name(concert)
                    ),
                    "make both the same note, or leave one empty".into(),
                )),
            },
            (midi, concert) => Ok(midi.or(concert)),
        }
    }

    /// The key before any correction: the one that two columns agree on.
    fn original(&self) -> Option<i32> {
        let named = [self.midi, self.concert];
        let confirmed = self.heard().filter(|key| named.contains(&Some(*key)));
        confirmed.or(self.midi).or(self.concert).or(self.heard())
    }

    /// Semitones from the sounding to the written note, before any correction.
    fn interval(&self) -> Option<i32> {
        Some(self.written? - self.original()?)
    }

    /// Finds a written note that was corrected although the sounding one was not.
    fn check_written(&self, usual: i32) -> std::result::Result<(), Mistake> {
        let (Some(written), Some(interval)) = (self.written, self.interval()) else {
            return Ok(());
        };
        let key = self.key()?.or(self.heard());
        let Some(key) = key.filter(|key| interval != usual && written - usual != *key) else {
            return Ok(());
        };
        let meant = written - usual;
        Err((
            format!(
                "written is {}, but {} (midi {key}) is written {} in this list",
                key_name(written),
                key_name(key),
                key_name(key + usual)
            ),
            format!(
                "to correct the note, write midi {meant} or concert {}; or leave written empty",
                key_name(meant)
            ),
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::super::csv_rows::from_csv;
    use super::*;

    /// Keys of a list of a B flat horn whose third note is given.
    fn third(row: &str) -> Result<f64> {
        let list = format!(
            "onset_s,offset_s,midi,frequency_hz,concert,written\n\
             0,1,58,233.08,Bb3,C4\n1,2,60,261.63,C4,D4\n2,3,{row}\n"
        );
        let list = from_csv(Path::new("list.csv"), &list, Reference::default())?;
        Ok(list.notes[2].pitch.round())
    }

    #[test]
    fn either_name_of_the_note_can_be_corrected() {
        for (row, key) in [
            ("62,293.66,D4,E4", 62.0),
            ("63,293.66,D4,E4", 63.0),
            ("62,293.66,Eb4,E4", 63.0),
            ("63,293.66,D4,F4", 63.0),
            ("63,293.66,D#4,F4", 63.0),
            (",293.66,,", 62.0),
            (",,Eb4,", 63.0),
        ] {
            assert_eq!(third(row).unwrap(), key, "{row}");
        }
    }

    #[test]
    fn a_session_may_change_horns() {
        let read = |rows: &str| {
            let list = format!(
                "onset_s,offset_s,midi,concert,written\n0,1,58,Bb3,C4\n1,2,60,C4,D4\n\
                 2,3,62,D4,E4\n{rows}"
            );
            from_csv(Path::new("list.csv"), &list, Reference::default()).map(|l| l.notes.len())
        };
        // Two notes on a horn in F; one alone, or a semitone off, is a correction.
        assert_eq!(read("3,4,53,F3,C4\n4,5,55,G3,D4\n").unwrap(), 5);
        assert!(read("3,4,53,F3,C4\n4,5,55,G3,A3\n").is_err());
        assert!(read("3,4,60,C4,D#4\n4,5,60,C4,D#4\n").is_err());
    }

    #[test]
    fn no_correction_is_passed_over() {
        for (row, says) in [
            (
                "62,293.66,D4,F4",
                "line 4: written is F4, but D4 (midi 62) is written E4 in this list; to correct \
                 the note, write midi 63 or concert Eb4",
            ),
            ("63,293.66,E4,E4", "midi 63 is Eb4, but concert is E4"),
            ("63,,D4,", "midi 63 is Eb4, but concert is D4"),
            ("62,293.66,H4,E4", "concert is \"H4\"; write a note name"),
            ("62,293.66,D4,Re", "written is \"Re\"; write a note name"),
            ("300,,,", "midi is \"300\"; write a MIDI key"),
            (",,,E4", "no pitch"),
        ] {
            let error = third(row).unwrap_err().to_string();
            assert!(error.contains(says), "{error}");
        }
    }
}
