//! Which note is sent for a played note: the same one, the next of a sequence, or
//! one drawn at random from the tuning.

use std::sync::Arc;

use crate::tuning::{Reference, Tuning};
use crate::units::Pitch;

/// Where sent notes come from.
#[derive(Debug, Clone)]
pub enum NoteSource {
    /// The played note.
    Follow,
    /// The next note of a sequence at each attack.
    Sequence(Sequence),
    /// A random note at each attack.
    Draw(Draw),
}

impl NoteSource {
    /// The sequence of some MIDI keys; the played notes where there are none.
    pub fn of_keys(keys: &[i32], reference: Reference) -> Self {
        let notes = keys.iter().map(|key| reference.equal(*key));
        Sequence::new(notes.collect()).map_or(NoteSource::Follow, NoteSource::Sequence)
    }

    /// That it gave a pitch for a note.
    pub fn gave(&self, pitch: Pitch) -> Given {
        match self {
            NoteSource::Follow => Given::Played,
            NoteSource::Sequence(_) => Given::Sequence(pitch),
            NoteSource::Draw(_) => Given::Drawn(pitch),
        }
    }

    /// Name for the screen and for switches.
    pub fn name(&self) -> &'static str {
        match self {
            NoteSource::Follow => "follow",
            NoteSource::Sequence(_) => "sequence",
            NoteSource::Draw(_) => "draw",
        }
    }

    /// Goes on in another tuning.
    pub fn set_tuning(&mut self, tuning: &Tuning) {
        if let NoteSource::Draw(draw) = self {
            draw.set_tuning(tuning);
        }
    }

    /// Pitch that replaces the played one at an attack, if any.
    pub fn attack(&mut self) -> Option<Pitch> {
        match self {
            NoteSource::Follow => None,
            NoteSource::Sequence(sequence) => Some(sequence.step()),
            NoteSource::Draw(draw) => draw.draw(),
        }
    }
}

/// What a note source gave for one note. The engine keeps it while the note sounds, and so it has
/// no memory of its own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Given {
    /// The played note.
    Played,
    /// A note of a sequence.
    Sequence(Pitch),
    /// A note that was drawn.
    Drawn(Pitch),
}

impl Given {
    /// A source that gives the same at every attack.
    pub fn source(self) -> NoteSource {
        match self {
            Given::Played => NoteSource::Follow,
            Given::Sequence(pitch) => NoteSource::Sequence(Sequence {
                notes: [pitch].into(),
                next: 0,
            }),
            Given::Drawn(pitch) => NoteSource::Draw(Draw {
                notes: [pitch].into(),
                sums: [1.0].into(),
                range: (pitch, pitch),
                weights: [].into(),
                random: fastrand::Rng::with_seed(0),
            }),
        }
    }
}

/// Notes in a fixed order, repeated.
#[derive(Debug, Clone)]
pub struct Sequence {
    notes: Arc<[Pitch]>,
    next: usize,
}

impl Sequence {
    /// Sequence of notes; `None` if there are none.
    pub fn new(notes: Vec<Pitch>) -> Option<Self> {
        (!notes.is_empty()).then(|| Sequence {
            notes: notes.into(),
            next: 0,
        })
    }

    /// Its notes in order, from the one that comes next.
    pub fn notes(&self) -> impl Iterator<Item = Pitch> {
        let (later, next) = self.notes.split_at(self.next);
        next.iter().chain(later).copied()
    }

    fn step(&mut self) -> Pitch {
        let note = self.notes[self.next];
        self.next = (self.next + 1) % self.notes.len();
        note
    }
}

/// Random choice among a tuning's notes between two pitches, each with a weight.
#[derive(Debug, Clone)]
pub struct Draw {
    notes: Arc<[Pitch]>,
    /// Cumulative weights.
    sums: Arc<[f64]>,
    range: (Pitch, Pitch),
    weights: Arc<[f64]>,
    random: fastrand::Rng,
}

impl Draw {
    /// Draws from the notes of `tuning` from `low` to `high`. `weights` are those
    /// of the tuning's degrees in order from its tonic, repeated; equal if empty.
    /// The same seed draws the same notes.
    ///
    /// `None` where no note lies in the range, or none has any weight.
    pub fn new(
        tuning: &Tuning,
        low: Pitch,
        high: Pitch,
        weights: &[f64],
        seed: u64,
    ) -> Option<Self> {
        let (notes, sums) = weighted_notes(tuning, (low, high), weights)?;
        Some(Draw {
            notes,
            sums,
            range: (low, high),
            weights: weights.into(),
            random: fastrand::Rng::with_seed(seed),
        })
    }

    /// Draws from another tuning, the random numbers going on as they were; nothing
    /// where that has no note in the range.
    fn set_tuning(&mut self, tuning: &Tuning) {
        let found = weighted_notes(tuning, self.range, &self.weights);
        (self.notes, self.sums) = found.unwrap_or_default();
    }

    fn draw(&mut self) -> Option<Pitch> {
        let all = self.sums.last()?;
        let at = self.random.f64() * all;
        let index = self.sums.partition_point(|sum| *sum <= at);
        self.notes.get(index.min(self.notes.len() - 1)).copied()
    }
}

/// Pitches with their cumulative weights.
type WeightedNotes = (Arc<[Pitch]>, Arc<[f64]>);

/// Notes of a tuning within a range and their cumulative weights, or `None` where
/// none has any weight.
fn weighted_notes(
    tuning: &Tuning,
    (low, high): (Pitch, Pitch),
    weights: &[f64],
) -> Option<WeightedNotes> {
    let (notes, own): (Vec<Pitch>, Vec<f64>) = tuning
        .degreed()
        .filter(|(pitch, _)| (low.0 - 1e-6..=high.0 + 1e-6).contains(&pitch.0))
        .map(|(pitch, degree)| {
            let weight = match weights.len() {
                0 => 1.0,
                count => weights[degree % count],
            };
            (pitch, weight.max(0.0))
        })
        .unzip();
    let sums: Vec<f64> = own
        .iter()
        .scan(0.0, |sum, weight| {
            *sum += weight;
            Some(*sum)
        })
        .collect();
    let some = sums.last().is_some_and(|sum| *sum > 0.0 && sum.is_finite());
    some.then(|| (notes.into(), sums.into()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tuning(name: &str) -> Tuning {
        Tuning::find(name, Some("C"), Reference::default()).unwrap()
    }

    #[test]
    fn a_sequence_goes_round() {
        let mut sequence = Sequence::new(vec![Pitch(60.0), Pitch(63.0)]).unwrap();
        let got: Vec<f64> = (0..5).map(|_| sequence.step().0).collect();
        assert_eq!(got, [60.0, 63.0, 60.0, 63.0, 60.0]);
        assert!(Sequence::new(vec![]).is_none());
    }

    #[test]
    fn draws_keep_to_table_range_and_weights() {
        // Tonic and fifth only, the fifth three times as often.
        let weights = [1.0, 0.0, 0.0, 0.0, 3.0, 0.0, 0.0];
        let (low, high) = (Pitch(48.0), Pitch(72.0));
        let mut draw = Draw::new(&tuning("major"), low, high, &weights, 7).unwrap();
        let drawn: Vec<f64> = (0..4_000).map(|_| draw.draw().unwrap().0).collect();
        let fifths = drawn.iter().filter(|p| p.rem_euclid(12.0) == 7.0).count();
        let tonics = drawn.iter().filter(|p| p.rem_euclid(12.0) == 0.0).count();
        assert_eq!(fifths + tonics, drawn.len());
        assert!(drawn.iter().all(|p| (48.0..=72.0).contains(p)));
        // Three tonics of weight 1 and two fifths of weight 3: two thirds.
        let share = fifths as f64 / drawn.len() as f64;
        assert!((share - 2.0 / 3.0).abs() < 0.03, "{share}");
    }

    #[test]
    fn a_seed_draws_the_same_again() {
        let draw = |seed| {
            let mut draw =
                Draw::new(&tuning("blues"), Pitch(40.0), Pitch(80.0), &[], seed).unwrap();
            (0..20).map(|_| draw.draw().unwrap().0).collect::<Vec<_>>()
        };
        assert_eq!(draw(1), draw(1));
        assert_ne!(draw(1), draw(2));
    }

    #[test]
    fn draws_go_on_in_another_tuning() {
        let (low, high) = (Pitch(48.0), Pitch(72.0));
        let draw = Draw::new(&tuning("major"), low, high, &[], 7).unwrap();
        let mut source = NoteSource::Draw(draw);
        let whole_tone = tuning("whole-tone");
        source.set_tuning(&whole_tone);
        for _ in 0..200 {
            let drawn = source.attack().unwrap();
            assert_eq!(whole_tone.nearest(drawn), drawn);
        }
    }

    #[test]
    fn nothing_to_draw_is_said() {
        let tuning = tuning("major");
        assert!(Draw::new(&tuning, Pitch(60.1), Pitch(60.2), &[], 1).is_none());
        assert!(Draw::new(&tuning, Pitch(40.0), Pitch(80.0), &[0.0], 1).is_none());
        assert!(Draw::new(&tuning, Pitch(40.0), Pitch(80.0), &[f64::NAN], 1).is_none());
    }
}
