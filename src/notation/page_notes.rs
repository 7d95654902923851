//! Which notes of a take belong on a page: not the second half of a note that a click cut in
//! two.
//!
//! It touches a note of its pitch and begins without an attack of its own: the tone before
//! goes on through its onset, as loud and in phase (`notes/continuity.rs`), the level hardly
//! dips, and what rises is there at once. How much each of that counts was fitted by
//! `scripts/page_notes.py` (logistic regression on melodies played with clicks and in rooms).

use std::borrow::Cow;

use crate::line::{Line, LineNote};
use crate::notes::Attack;

/// Log odds from which a note is left out: eight to one, for a note too many is seen, and one that
/// is lost is not.
const LEFT_OUT: f64 = 2.079;
/// What speaks for a note being none, in the order of [`log_odds`].
const WEIGHTS: [f64; 7] = [1.539, -1.706, 0.556, -0.465, 1.548, -6.732, -5.171];

/// Notes of a line that are doubtful, by index.
pub fn doubtful(line: &Line) -> Vec<usize> {
    let doubtful = |pair: &[LineNote]| log_odds(&pair[0], &pair[1]).is_some_and(|o| o > LEFT_OUT);
    let pairs = line.notes.windows(2).zip(1..);
    let found = pairs.filter(|(pair, _)| doubtful(pair));
    found.map(|(_, at)| at).collect()
}

/// A line without some of its notes, by index in order; the note before goes on through one
/// of its own pitch that touches it.
pub fn without<'a>(line: &'a Line, left_out: &[usize]) -> Cow<'a, Line> {
    if left_out.is_empty() {
        return Cow::Borrowed(line);
    }
    let mut page = line.clone();
    page.notes.clear();
    for (at, named) in line.notes.iter().enumerate() {
        if left_out.binary_search(&at).is_err() {
            page.notes.push(named.clone());
            continue;
        }
        let goes_on =
            |kept: &&mut LineNote| kept.concert == named.concert && named.note.touches(&kept.note);
        if let Some(kept) = page.notes.last_mut().filter(goes_on) {
            extend(kept, named);
        }
    }
    Cow::Owned(page)
}

/// A note goes on through the second half of it.
fn extend(kept: &mut LineNote, second: &LineNote) {
    let (kept, second) = (&mut kept.note, &second.note);
    kept.offset_s = second.offset_s;
    kept.length = second.length;
    kept.contour.points.extend(&second.contour.points);
}

/// Log odds that a note is none, given the one before; nothing for one that does not touch a
/// note of its pitch, or whose continuity was not measured.
fn log_odds(before: &LineNote, named: &LineNote) -> Option<f64> {
    let note = &named.note;
    if named.concert != before.concert || !note.touches(&before.note) {
        return None;
    }
    let continuity = f64::from(note.measured.continuity?);
    let rise_s = f64::from(note.measured.rise_s);
    let features = [
        1.0,
        (f64::from(note.measured.dip_db) + 0.5).ln(),
        (rise_s / 0.03).min(1.0),
        (rise_s / 0.004).min(1.0),
        f64::from(u8::from(note.attack == Attack::Slurred)),
        continuity,
        (1.03 - continuity).ln(),
    ];
    let weighed = features.iter().zip(WEIGHTS);
    Some(weighed.map(|(x, weight)| x * weight).sum())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::output::generated::{self, Shape};

    /// A line of notes given as (rest before it, pitch, dip, rise, continuity).
    fn line(notes: &[(f64, f64, f32, f32, Option<f32>)]) -> Line {
        let shape = |&(rest_s, pitch, ..): &(f64, f64, _, _, _)| Shape {
            rest_s,
            length_s: 0.5,
            pitch,
            glide: 0.0,
            slurred: false,
        };
        let shapes: Vec<Shape> = notes.iter().map(shape).collect();
        let mut line = generated::line(&shapes);
        for (named, (.., dip_db, rise_s, continuity)) in line.notes.iter_mut().zip(notes) {
            named.note.measured.dip_db = *dip_db;
            named.note.measured.rise_s = *rise_s;
            named.note.measured.continuity = *continuity;
        }
        line
    }

    /// A click cuts a note in two; a tongue, a rest and another pitch do not, nor does a tone
    /// that starts anew as loud as it was. What nobody has heard stays.
    #[test]
    fn a_note_cut_in_two_is_one() {
        let line = line(&[
            (0.4, 60.0, 20.0, 0.02, None),
            (0.005, 60.0, 1.5, 0.0, Some(0.97)),
            (0.005, 60.0, 12.0, 0.02, Some(0.1)),
            (0.005, 62.0, 0.8, 0.0, None),
            (0.2, 62.0, 0.8, 0.0, None),
            (0.005, 62.0, 2.0, 0.0, Some(0.2)),
            (0.005, 62.0, 0.8, 0.0, None),
        ]);
        let left_out = doubtful(&line);
        let page = without(&line, &left_out);
        let ends: Vec<f64> = page.notes.iter().map(|n| n.note.offset_s).collect();
        let all = |at: usize| line.notes[at].note.offset_s;
        assert_eq!((left_out, ends), (vec![1], (1..7).map(all).collect()));
        assert_eq!(page.notes[0].note.onset_s, line.notes[0].note.onset_s);
        assert!(doubtful(&page).is_empty());
    }
}
