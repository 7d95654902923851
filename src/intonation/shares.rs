//! The horn's and the player's share of a deviation.
//!
//! The horn's share is theory (`horn::tube`): partials, valve lengths, temperature. The
//! playing is measured. The difference is due to the player, or to the maker.

use serde::Serialize;

use crate::horn::tube::{self, Fingering};
use crate::line::{Line, LineNote};
use crate::units::{Concert, cents_in_words};

use super::weighted;

/// One written pitch.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Share {
    /// Name in the horn's part.
    pub written: String,
    /// Likely valves or position; a dash for a pitch that the horn has none for.
    pub fingering: String,
    /// Likely mode of the tube.
    pub partial: Option<u32>,
    /// Other ways to play it.
    pub others: Vec<String>,
    /// Theory: the tube's deviation from the tuning, cents; `None` where the theory does
    /// not reach, as for low combinations of four valves.
    pub horn_cents: Option<f64>,
    /// Measured: the playing's deviation from the tuning, cents.
    pub played_cents: f64,
    /// The difference, cents. On a slide, where all of it is up to the player, the same
    /// as `played_cents`.
    pub player_cents: Option<f64>,
    /// How far the hand slide is out when this is in tune in theory (in, if negative: it
    /// is too long), and how much farther out (in, if negative) it should be after what
    /// was played, both in millimetres. What is sharp is always mended farther out; what is
    /// flat, in as far as closed.
    pub slide_mm: Option<(f64, f64)>,
}

impl Share {
    /// Where the hand slide is in tune, and what to do next, in words; `None` without a
    /// slide. There is no such place where the slide cannot mend the note: it is too long even
    /// when it is closed, or closed already.
    pub fn slide_in_words(&self) -> Option<(Option<String>, String)> {
        let (out_mm, farther_mm) = self.slide_mm?;
        let place = match tube::slide_advice(out_mm) {
            None => Some("closed".into()),
            Some(_) if out_mm < 0.0 => None,
            Some(_) => Some(format!("{out_mm:.0} mm")),
        };
        let closed = out_mm < 0.5;
        let (place, advice) = match tube::slide_advice(farther_mm) {
            Some(advice) => (place, advice),
            None if closed && self.played_cents <= -1.0 => {
                (None, "closed already, lip it up".into())
            }
            None => (place, "leave it".into()),
        };
        Some((place, advice))
    }
}

/// A mode for a table: a dash where there is none.
pub fn partial_or_dash(partial: Option<u32>) -> String {
    partial.map_or("-".into(), |partial| partial.to_string())
}

/// Cents of theory for a table: a dash where there is none.
pub fn cents_or_dash(cents: Option<f64>) -> String {
    cents.map_or("-".into(), cents_in_words)
}

/// Heading for the fingerings of some shares: on a slide they are positions.
pub fn fingering_heading(shares: &[Share]) -> &'static str {
    if shares.iter().any(|s| s.slide_mm.is_some()) {
        "likely position"
    } else {
        "likely fingering"
    }
}

/// The shares of every written pitch of a line, lowest first; none without a horn.
pub fn shares(line: &Line, temperature_c: f64) -> Vec<Share> {
    let Some(horn) = &line.context.horn else {
        return Vec::new();
    };
    let mut keys: Vec<Concert> = line.notes.iter().map(|n| n.concert).collect();
    keys.sort_unstable();
    keys.dedup();
    let share = |concert: &Concert| {
        let fingerings = horn.fingerings(*concert);
        let fingering = fingerings.first();
        let notes: Vec<&LineNote> = line
            .notes
            .iter()
            .filter(|n| n.concert == *concert)
            .collect();
        let over = |f: &dyn Fn(&LineNote) -> f64| {
            weighted(notes.iter().map(|n| (f(n), n.note.duration_s()))).0
        };
        let tuning_pitch = over(&|n| n.tuning_pitch.0);
        let played_cents = over(&|n| n.cents);
        let equal = line.context.tuning.reference().equal(concert.0);
        // What the tuning and the air add to what the tube gives.
        let around_cents =
            100.0 * (equal.0 - tuning_pitch) + tube::temperature_cents(temperature_c);
        let predicted = fingering.and_then(Fingering::predicted_cents);
        let horn_cents = predicted.map(|tube| tube + around_cents);
        let slide = fingering.filter(|fingering| fingering.slide);
        // The slide's position is unknown, only the resulting pitch is known.
        let slide_mm = slide.map(|slide| {
            let in_tune_mm = slide.slide_out_mm() + slide.slide_mm(around_cents);
            let farther_mm = slide.slide_mm(played_cents);
            // In theory it was in so far; it goes in no farther than closed.
            let now_mm = (in_tune_mm - farther_mm).max(0.0);
            let most_in_mm = (in_tune_mm.max(0.0) - now_mm).min(0.0);
            (in_tune_mm, farther_mm.max(most_in_mm))
        });
        Share {
            written: line
                .spelling_of(None)
                .written(line.context.written(*concert)),
            fingering: fingering.map_or("-".into(), Fingering::name),
            partial: fingering.map(|fingering| fingering.partial),
            others: (fingerings.iter().skip(1))
                .map(Fingering::name)
                .take(3)
                .collect(),
            horn_cents,
            played_cents,
            player_cents: match slide {
                Some(_) => Some(played_cents),
                None => horn_cents.map(|horn| played_cents - horn),
            },
            slide_mm,
        }
    };
    keys.iter().map(share).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::horn::Horn;
    use crate::line::LineContext;
    use crate::notes::{Attack, Length, Measured, Note};
    use crate::tuning::{Reference, Tuning};

    fn line(horn: &str, pitch: f64) -> Line {
        let note = Note {
            onset_s: 0.0,
            offset_s: 1.0,
            decided_s: 0.1,
            pitch,
            attack: Attack::Tongued,
            length: Length::Tenuto,
            accent: false,
            techniques: Vec::new(),
            level_db: -12.0,
            confidence: 1.0,
            brightness: None,
            measured: Measured::default(),
            contour: Default::default(),
        };
        let tuning = Tuning::find("equal-12", None, Reference::default()).unwrap();
        let mut context = LineContext::new(tuning);
        context.horn = Some(Horn::find(horn).unwrap());
        Line::new("x", 1.0, vec![note], context)
    }

    #[test]
    fn a_lipped_down_low_c_sharp_is_the_players_doing() {
        // Written C#4 on a trumpet sounds B3; theory has 1-2-3 on the third mode
        // some 40 cents sharp. Played 5 sharp, the player corrected 35.
        let share = &shares(&line("trumpet", 59.05), 20.0)[0];
        assert_eq!(
            (share.fingering.as_str(), share.partial),
            ("1-2-3", Some(3))
        );
        assert!((share.horn_cents.unwrap() - 39.8).abs() < 0.5, "{share:?}");
        assert!(
            (share.player_cents.unwrap() + 34.8).abs() < 0.5,
            "{share:?}"
        );
        // Colder air lowers the horn's share.
        let cold = &shares(&line("trumpet", 59.05), 15.0)[0];
        let colder = share.horn_cents.unwrap() - cold.horn_cents.unwrap();
        assert!((colder - 14.9).abs() < 0.3);
    }

    #[test]
    fn a_slide_is_the_players_own() {
        let share = &shares(&line("trombone", 62.10), 20.0)[0];
        assert_eq!(
            (share.fingering.as_str(), share.partial),
            ("position 1", Some(5))
        );
        assert!((share.horn_cents.unwrap() + 13.7).abs() < 0.1);
        assert_eq!(share.player_cents, Some(share.played_cents));
        // The fifth mode is flat: in first position the slide cannot come in far enough, but
        // it goes out where the mode is played sharp all the same.
        let words = |line| shares(&line, 20.0)[0].slide_in_words().unwrap();
        assert_eq!(words(line("trombone", 62.10)).1, "pull out 9 mm");
        assert_eq!(words(line("trombone", 62.00)).1, "leave it");
        assert_eq!(
            words(line("trombone", 61.87)).1,
            "closed already, lip it up"
        );
        // So does the whole horn, if it is sharp.
        assert_eq!(words(line("trombone", 46.15)).1, "pull out 13 mm");
        // Ten cents on 2.94 m of tube, half of it on each leg, a semitone out.
        let (_, farther_mm) = shares(&line("trombone", 57.10), 20.0)[0].slide_mm.unwrap();
        assert!((farther_mm - 9.0).abs() < 0.2, "{farther_mm}");
        assert_eq!(words(line("trombone", 57.10)).1, "pull out 9 mm");
        assert_eq!(words(line("trombone", 56.90)).1, "push in 9 mm");
        // A flat B flat in first position was played with the slide a little out.
        assert_eq!(
            words(line("trombone", 57.90)),
            (Some("closed".into()), "push in 8 mm".into())
        );
        // It is in tune nowhere, so no place is said to be.
        assert_eq!(words(line("trombone", 62.10)).0, None);
        assert_eq!(words(line("trombone", 61.87)).0, None);
        assert!(
            words(line("trombone", 57.10))
                .0
                .is_some_and(|p| p.ends_with(" mm"))
        );
    }

    #[test]
    fn what_the_theory_does_not_reach_is_left_out() {
        let share = &shares(&line("euphonium", 35.0), 20.0)[0];
        assert_eq!(share.fingering, "1-2-3-4");
        assert_eq!((share.horn_cents, share.player_cents), (None, None));
        assert_eq!(cents_or_dash(share.horn_cents), "-");
        // B1 needs a longer attachment than F.
        let share = &shares(&line("trombone-f-attachment", 35.0), 20.0)[0];
        assert_eq!((share.fingering.as_str(), share.partial), ("-", None));
        assert_eq!((share.horn_cents, share.player_cents), (None, None));
        assert_eq!((share.slide_mm, share.slide_in_words()), (None, None));
    }
}
