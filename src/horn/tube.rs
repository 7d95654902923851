//! What the tube alone predicts: partials, valves, slide, temperature.
//!
//! A brass player's lips choose a mode of the air column near a whole multiple of
//! `c / 2L`; valves and slide change the length `L`. So an ideal horn's pitch
//! follows from lengths alone. Real bells, mouthpieces and makers' corrections
//! shift single notes by some cents more: this is theory.

use serde::Serialize;

use super::Horn;
use crate::units::{Concert, Pitch, class_name};

/// Air temperature at which horns are built to be in tune, degrees Celsius
/// (ISO 16:1975 gives A4 its 440 Hz; 20 degrees is common practice).
pub const TEMPERATURE_C: f64 = 20.0;
/// Speed of sound in dry air at that temperature, m/s (ISO 9613-1:1993).
const SOUND_M_S: f64 = 343.2;
/// Absolute zero, degrees Celsius.
const ZERO_C: f64 = -273.15;

/// Semitones by which valves 1 to 4 lower the pitch (common practice). A fifth and a
/// sixth differ from maker to maker and are ignored.
const VALVES: [i32; 4] = [2, 1, 3, 5];
/// How much flatter than that each is built, in cents: the third so long that 2-3 is
/// in tune, the others nearly exact (published trumpet table, see the tests).
pub const VALVES_FLAT_CENTS: [f64; 4] = [1.7, 0.9, 15.6, 0.0];

/// Modes in use with valves, without those close to a key that has a better fingering
/// (fingering charts, common practice).
const VALVE_PARTIALS: [u32; 10] = [1, 2, 3, 4, 5, 6, 8, 10, 12, 16];
/// The same on a double horn's second tube: its charts leave the flat fifth and tenth
/// modes out and have the ninth ("When to Use the F Side and When to Use the B flat Side",
/// a horn player's web article of 2009; see the tests).
const SIDE_PARTIALS: [u32; 9] = [1, 2, 3, 4, 6, 8, 9, 12, 16];
/// Modes in use with a slide, which can correct the seventh.
const SLIDE_PARTIALS: [u32; 11] = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12];
/// Semitones from the first position to the seventh, the last that charts have.
const SLIDE_REACH: i32 = 6;
/// How much farther than that a slide goes before it comes off, as a share: with an F
/// attachment low C is there, its seventh position, low B is not (published ranges; see
/// the tests).
const SLIDE_SPARE: f64 = 0.1;
/// Last position that charts give without the attachment where there is one: the first
/// and second of the attachment replace the sixth and seventh (Wikibooks, "Trombone/Slide
/// Positions").
const LAST_PLAIN_POSITION: i32 = 5;
/// Farthest a note may lie from its key for the theory to say anything of it, in cents:
/// half a semitone. Combinations of four valves that are sharper than that are pulled,
/// compensated or fingered otherwise.
const PREDICTED_CENTS: f64 = 50.0;

/// A second tube in the same horn, such as the B flat side of a double horn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Side {
    /// Sounding key of its first mode.
    pub fundamental: Concert,
    /// Lowest sounding key it is usually used for.
    pub from: Concert,
}

/// Which of a horn's tubes sounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub(crate) enum Tube {
    /// The horn as it is held, nothing pressed.
    Open,
    /// A double horn's second tube, by the thumb valve.
    Side,
    /// A slide's longer tube, by a thumb valve.
    Attachment,
}

/// One way to play a key: valves or slide position.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fingering {
    /// Number of the mode, 1 for the pedal note.
    pub partial: u32,
    /// Sounding key of the tube's first mode.
    pub(crate) fundamental: Concert,
    /// Which tube that is.
    pub(crate) tube: Tube,
    /// Valves pressed, counted from 1; empty for the open horn and for a slide.
    pub(crate) valves: Vec<usize>,
    /// Semitones of tube that are added to the open horn.
    pub(crate) added: i32,
    /// Whether it uses a slide.
    pub(crate) slide: bool,
    /// Deviation from equal temperament that the tube gives, in cents.
    pub cents: f64,
}

impl Fingering {
    /// As a player says it: `open`, `1-2`, `T2-3` with a double horn's thumb valve, `T`
    /// with that alone, `position 3`, `position 1 with F` with an attachment.
    pub fn name(&self) -> String {
        if self.slide {
            let position = format!("position {}", self.added + 1);
            return match self.tube {
                Tube::Attachment => format!("{position} with {}", class_name(self.fundamental.0)),
                _ => position,
            };
        }
        let digits: Vec<String> = self.valves.iter().map(usize::to_string).collect();
        let digits = digits.join("-");
        match self.tube {
            Tube::Side => format!("T{digits}"),
            _ if digits.is_empty() => "open".into(),
            _ => digits,
        }
    }

    /// Deviation that the tube gives, in cents; `None` where it is so far off that the
    /// horn must be played otherwise.
    pub(crate) fn predicted_cents(&self) -> Option<f64> {
        (self.cents.abs() <= PREDICTED_CENTS).then_some(self.cents)
    }

    /// Effective length of the tube in use, in metres.
    pub(crate) fn length_m(&self) -> f64 {
        open_length_m(self.fundamental) * 2f64.powf(f64::from(self.added) / 12.0)
    }

    /// How far a slide of two legs must go out to lower this by `cents`, in millimetres;
    /// in, if negative.
    pub(crate) fn slide_mm(&self, cents: f64) -> f64 {
        500.0 * self.length_m() * (2f64.powf(cents / 1200.0) - 1.0)
    }

    /// How far a hand slide is out when this is in tune, in millimetres.
    pub(crate) fn slide_out_mm(&self) -> f64 {
        let lower = f64::from(self.added) * 100.0 + self.cents;
        out_mm(self.fundamental, lower)
    }
}

/// Effective length of a tube with its first mode at a key, in metres: half a
/// wavelength.
pub fn open_length_m(fundamental: Concert) -> f64 {
    SOUND_M_S / (2.0 * Pitch(f64::from(fundamental.0)).hz())
}

/// How much sharper everything sounds at another air temperature, in cents.
/// The speed of sound goes with the root of the absolute temperature (ISO
/// 9613-1:1993), and frequency with the speed.
pub fn temperature_cents(temperature_c: f64) -> f64 {
    600.0 * ((temperature_c - ZERO_C) / (TEMPERATURE_C - ZERO_C)).log2()
}

/// What to do next with a slide that must go out by so many millimetres, or in if
/// negative; `None` if that is less than a player can do.
pub fn slide_advice(out_mm: f64) -> Option<String> {
    let way = if out_mm < 0.0 { "push in" } else { "pull out" };
    (out_mm.abs() >= SLIDE_STEP_MM).then(|| format!("{way} {:.0} mm", out_mm.abs()))
}

/// The same for a tuning slide, of which only the player knows how far out it is.
pub fn tuning_slide_advice(out_mm: f64) -> String {
    match slide_advice(out_mm) {
        Some(advice) if out_mm < 0.0 => format!("{advice}, or until it is closed"),
        Some(advice) => advice,
        None => "leave it".into(),
    }
}

/// Smallest move of a slide that is advised: smaller ones are rounded to nothing.
const SLIDE_STEP_MM: f64 = 0.5;

/// A mode's distance above the first, in cents.
fn partial_cents(partial: u32) -> f64 {
    1200.0 * f64::from(partial).log2()
}

/// How far tubes that each lower the pitch by a number of semitones, built flat by a
/// number of cents, lower it together, in cents. Lengths add, ratios do not, so
/// combinations are sharp.
fn lowered_cents(added: &[(i32, f64)]) -> f64 {
    let length = |(semitones, flat): &(i32, f64)| {
        2f64.powf((f64::from(*semitones) * 100.0 + flat) / 1200.0) - 1.0
    };
    1200.0 * (1.0 + added.iter().map(length).sum::<f64>()).log2()
}

impl Horn {
    /// Effective length of the open tube, in metres.
    pub fn open_length_m(&self) -> f64 {
        open_length_m(self.fundamental)
    }

    /// The fingerings of a sounding key, the most likely first: the tube that is usual
    /// for it, then the least added.
    pub fn fingerings(&self, concert: Concert) -> Vec<Fingering> {
        match self.slide {
            true => self.positions(concert),
            false => self.valve_fingerings(concert),
        }
    }

    /// Positions of a slide, those of the bare tube first as far as they are near.
    fn positions(&self, concert: Concert) -> Vec<Fingering> {
        let farthest_mm =
            (1.0 + SLIDE_SPARE) * out_mm(self.fundamental, f64::from(SLIDE_REACH) * 100.0);
        let plain = std::iter::once((Tube::Open, self.fundamental));
        let attached = self.attachments.iter().map(|key| (Tube::Attachment, *key));
        let tubes = plain.chain(attached);
        let mut positions: Vec<Fingering> = tubes
            .flat_map(|(tube, key)| positions(tube, key, concert, farthest_mm))
            .collect();
        let far = |p: &Fingering| match p.tube {
            Tube::Open if self.attachments.is_empty() || p.added < LAST_PLAIN_POSITION => 0,
            Tube::Open => 2,
            _ => 1,
        };
        positions.sort_by_key(|p| (far(p), p.added));
        positions
    }

    fn valve_fingerings(&self, concert: Concert) -> Vec<Fingering> {
        let mut tubes = vec![(Tube::Open, self.fundamental)];
        if let Some(side) = self.side {
            tubes.push((Tube::Side, side.fundamental));
            if concert >= side.from {
                tubes.reverse();
            }
        }
        tubes
            .into_iter()
            .flat_map(|(tube, key)| {
                let mut fingerings = self.fingerings_on(tube, key, concert);
                fingerings.sort_by_key(|fingering| {
                    (
                        fingering.added,
                        fingering.valves.len(),
                        fingering.valves.contains(&3),
                    )
                });
                fingerings
            })
            .collect()
    }

    fn fingerings_on(&self, tube: Tube, open: Concert, concert: Concert) -> Vec<Fingering> {
        let count = usize::from(self.valves).min(VALVES.len());
        // The third alone is longer than the first two together and left to
        // trills.
        let combinations = (0..1usize << count).filter(|set| *set != 0b100);
        let fingering = |set: usize, partial: u32| {
            let valves: Vec<usize> = (0..count).filter(|v| set >> v & 1 == 1).collect();
            let tubes: Vec<_> = valves
                .iter()
                .map(|v| (VALVES[*v], self.valves_flat_cents[*v]))
                .collect();
            let added: i32 = tubes.iter().map(|(semitones, _)| semitones).sum();
            let key = open.0 + nearest_key(partial) - added;
            (key == concert.0).then(|| Fingering {
                partial,
                fundamental: open,
                tube,
                cents: partial_cents(partial) - lowered_cents(&tubes)
                    + 100.0 * f64::from(added - nearest_key(partial)),
                valves: valves.iter().map(|v| v + 1).collect(),
                added,
                slide: false,
            })
        };
        let partials = match tube {
            Tube::Side => &SIDE_PARTIALS[..],
            _ => &VALVE_PARTIALS[..],
        };
        combinations
            .flat_map(|set| partials.iter().filter_map(move |p| fingering(set, *p)))
            .collect()
    }

    /// How far the main tuning slide (two legs) must go out to lower the open
    /// horn by `cents`, in millimetres; in, if negative.
    pub(crate) fn tuning_slide_mm(&self, cents: f64) -> f64 {
        out_mm(self.fundamental, cents)
    }
}

/// How far a slide (two legs) must go out to lower a tube by `cents`, in millimetres; in,
/// if negative.
fn out_mm(open: Concert, cents: f64) -> f64 {
    500.0 * open_length_m(open) * (2f64.powf(cents / 1200.0) - 1.0)
}

/// Positions of a slide on one of its tubes.
fn positions(tube: Tube, open: Concert, concert: Concert, farthest_mm: f64) -> Vec<Fingering> {
    let position = |partial: &u32| {
        let added = open.0 + nearest_key(*partial) - concert.0;
        let cents = partial_cents(*partial) - 100.0 * f64::from(nearest_key(*partial));
        // A flat mode needs a slide that can still go in.
        let reachable = added >= 0
            && out_mm(open, 100.0 * f64::from(added)) <= farthest_mm
            && (added > 0 || cents > -20.0);
        reachable.then_some(Fingering {
            partial: *partial,
            fundamental: open,
            tube,
            valves: Vec::new(),
            added,
            slide: true,
            cents,
        })
    };
    SLIDE_PARTIALS.iter().filter_map(position).collect()
}

/// Semitones from the first mode to the key nearest to another.
fn nearest_key(partial: u32) -> i32 {
    (partial_cents(partial) / 100.0).round() as i32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::horn::Horn;
    use crate::units::{Written, parse_key};

    fn fingering(horn: &str, written: &str) -> Fingering {
        let horn = Horn::find(horn).unwrap();
        let key = Written(parse_key(written).unwrap());
        horn.fingerings(horn.concert(key)).remove(0)
    }

    /// Fingering charts of the trumpet (common practice).
    #[test]
    fn fingerings_are_those_of_the_charts() {
        let chart = "F#3 1-2-3,G3 1-3,Ab3 2-3,A3 1-2,Bb3 1,B3 2,C4 open,C#4 1-2-3,D4 1-3,\
                     Eb4 2-3,E4 1-2,F4 1,F#4 2,G4 open,Ab4 2-3,A4 1-2,Bb4 1,B4 2,C5 open,\
                     C#5 1-2,D5 1,Eb5 2,E5 open,F5 1,F#5 2,G5 open,Ab5 2-3,A5 1-2,Bb5 1,B5 2,\
                     C6 open,C#6 1-2,D6 1,Eb6 2,E6 open";
        for entry in chart.split(',') {
            let (written, valves) = entry.split_once(' ').unwrap();
            for horn in ["trumpet", "flugelhorn", "tenor-horn"] {
                assert_eq!(fingering(horn, written).name(), valves, "{horn} {written}");
            }
        }
        // Four valves: 4 for 1-3, 2-4 for 1-2-3.
        assert_eq!(fingering("euphonium", "F2").name(), "4");
        assert_eq!(fingering("euphonium", "E2").name(), "2-4");
    }

    /// Slide positions of the tenor trombone (common practice).
    #[test]
    fn positions_are_those_of_the_charts() {
        let chart = "E2 7,F2 6,F#2 5,G2 4,Ab2 3,A2 2,Bb2 1,B2 7,C3 6,C#3 5,D3 4,Eb3 3,E3 2,\
                     F3 1,F#3 5,G3 4,Ab3 3,A3 2,Bb3 1,B3 4,C4 3,C#4 2,D4 1,Eb4 3,E4 2,F4 1,\
                     G4 2,Ab4 3,A4 2,Bb4 1,C5 1,D5 1,F5 1,Bb1 1,E1 7";
        for entry in chart.split(',') {
            let (written, position) = entry.split_once(' ').unwrap();
            let found = fingering("trombone", written).name();
            assert_eq!(found, format!("position {position}"), "{written}");
        }
        let horn = Horn::find("trombone").unwrap();
        assert!(
            horn.fingerings(Concert(parse_key("C2").unwrap()))
                .is_empty()
        );
    }

    /// Wikibooks, "Trombone/Slide Positions": with the F attachment sixth-position notes
    /// are played in first and seventh-position notes in second, and the gap to the pedals
    /// is filled. Encyclopedia articles on the trombone give low C as the attachment's
    /// last note (low B needs it pulled to E) and D as both bass trombone valves
    /// together. The choice between a bass trombone's valves is common practice.
    #[test]
    fn attachments_replace_the_far_positions() {
        let chart = "F2 1 with F,E2 2 with F,Eb2 3 with F,D2 4 with F,Db2 5 with F,\
                     C2 6 with F,C3 1 with F,B2 2 with F,Bb2 1,F#2 5,G2 4,Bb3 1,B3 4";
        for entry in chart.split(',') {
            let (written, position) = entry.trim().split_once(' ').unwrap();
            let found = fingering("trombone-f-attachment", written).name();
            assert_eq!(found, format!("position {position}"), "{written}");
        }
        let low_b = Concert(parse_key("B1").unwrap());
        let tenor = Horn::find("trombone-f-attachment").unwrap();
        assert!(tenor.fingerings(low_b).is_empty());
        assert_eq!(fingering("bass-trombone", "B1").name(), "position 4 with D");
        assert_eq!(fingering("bass-trombone", "D2").name(), "position 1 with D");
        assert_eq!(fingering("bass-trombone", "F2").name(), "position 1 with F");
    }

    /// A double horn takes its B flat side from written A flat 4 up. "When to Use the F
    /// Side and When to Use the B flat Side" (a horn player's web article, 2009): A 1-2 and
    /// A flat 2-3 on the B flat side, G open and F sharp 2 on the F side, in the octave
    /// above F sharp 2 and G open on the B flat side. "French Horn Fingering Chart" (a
    /// teacher's hand-out): G on the open F horn to A flat on T2-3; T1-2, T1, T2, T above.
    #[test]
    fn a_double_horn_changes_sides() {
        let chart = "C4 open,F#4 2,G4 open,Ab4 T2-3,A4 T1-2,Bb4 T1,B4 T2,C5 T,C#5 T2-3,\
                     D5 T1-2,Eb5 T1,E5 T2,F5 T,F#5 T2,G5 T,Ab5 T2-3,A5 T1-2,Bb5 T1,B5 T2,C6 T";
        for entry in chart.split(',') {
            let (written, valves) = entry.trim().split_once(' ').unwrap();
            assert_eq!(fingering("horn", written).name(), valves, "{written}");
        }
        assert_eq!(fingering("horn", "G4").partial, 6);
        assert_eq!(fingering("horn", "C5").partial, 6);
        assert_eq!(fingering("horn", "F#5").partial, 9);
    }

    /// "Fourth valve" (a university tuba teacher's article) and common practice: four
    /// valves in combination are too short for the notes that charts give them.
    #[test]
    fn low_combinations_are_beyond_the_theory() {
        let low_c = fingering("euphonium", "B1");
        assert_eq!(low_c.name(), "1-2-3-4");
        assert!(low_c.cents > PREDICTED_CENTS);
        assert_eq!(low_c.predicted_cents(), None);
        assert!(fingering("euphonium", "Eb2").predicted_cents().is_some());
    }

    #[test]
    fn advice_says_what_to_do_next() {
        assert_eq!(slide_advice(11.2).unwrap(), "pull out 11 mm");
        assert_eq!(slide_advice(-11.2).unwrap(), "push in 11 mm");
        assert_eq!(slide_advice(0.3), None);
        assert_eq!(
            tuning_slide_advice(-4.0),
            "push in 4 mm, or until it is closed"
        );
        assert_eq!(tuning_slide_advice(-0.2), "leave it");
    }

    /// The third half, "Tuning tendencies of brass instruments" (its table for a
    /// trumpet in B flat, cents by partial and valves).
    #[test]
    fn a_published_trumpet_table_follows_from_the_lengths() {
        let table = [
            ("B3", 2, -0.9),
            ("Bb3", 2, -1.7),
            ("A3", 2, 8.2),
            ("Ab3", 2, -0.1),
            ("G3", 2, 14.7),
            ("F#3", 2, 37.9),
            ("G4", 3, 1.9),
            ("F#4", 3, 1.0),
            ("F4", 3, 0.2),
            ("E4", 3, 10.1),
            ("Eb4", 3, 1.8),
            ("D4", 3, 16.6),
            ("C#4", 3, 39.8),
            ("Ab4", 4, -0.1),
            ("E5", 5, -13.7),
            ("D5", 5, -15.4),
            ("C#5", 5, -5.5),
            ("G5", 6, 1.9),
            ("C6", 8, 0.0),
        ];
        for (written, partial, cents) in table {
            let found = fingering("trumpet", written);
            assert_eq!(found.partial, partial, "{written}");
            assert!((found.cents - cents).abs() < 0.3, "{written}: {found:?}");
        }
    }

    /// R. W. Young, "Optimum lengths of valve tubes for brass wind instruments",
    /// J. Acoust. Soc. Am. 42, 1967: valves 2, 1 and 3 flat by 5, 5 and 21 cents
    /// leave 1-2 sharp by 1, 2-3 flat by 8, 1-3 and 1-2-3 sharp by 7 and 28. The
    /// figures are from memory.
    #[test]
    fn youngs_lengths_leave_what_he_says() {
        let (first, second, third) = ((2, 5.0), (1, 5.0), (3, 21.0));
        for (added, cents) in [
            (vec![first, second], 1.0),
            (vec![second, third], -8.0),
            (vec![first, third], 7.0),
            (vec![first, second, third], 28.0),
        ] {
            let semitones: i32 = added.iter().map(|(s, _)| s).sum();
            let sharp = 100.0 * f64::from(semitones) - lowered_cents(&added);
            assert!((sharp - cents).abs() < 1.0, "{added:?}: {sharp}");
        }
    }

    /// Partials against equal temperament (tables of the harmonic series).
    #[test]
    fn partials_lie_where_tables_have_them() {
        for (partial, cents) in [(2, 0.0), (3, 2.0), (5, -14.0), (7, -31.0), (9, 4.0)] {
            let off = partial_cents(partial) - 100.0 * f64::from(nearest_key(partial));
            assert!((off - cents).abs() < 0.5, "{partial}: {off}");
        }
    }

    #[test]
    fn lengths_slides_and_warmth() {
        // 1.48 m: the length that textbooks give a B flat trumpet (common
        // practice). 0.6 m: the reach of a tenor trombone's slide (the same).
        let trumpet = Horn::find("trumpet").unwrap();
        assert!((open_length_m(trumpet.fundamental) - 1.48).abs() < 0.02);
        assert!((fingering("trombone", "E2").slide_out_mm() - 610.0).abs() < 10.0);
        // The seventh mode is flat: the slide comes in by more than a centimetre.
        let seventh = fingering("trombone", "G4");
        let plain = 500.0 * open_length_m(seventh.fundamental) * (2f64.powf(1.0 / 12.0) - 1.0);
        assert_eq!(seventh.partial, 7);
        assert!(plain - seventh.slide_out_mm() > 10.0);
        // Ten cents on the tuning slide: a little over 4 mm.
        assert!((trumpet.tuning_slide_mm(10.0) - 4.3).abs() < 0.2);
        assert!((seventh.slide_mm(0.0)).abs() < 1e-12);
        // 3 cents a degree near room temperature (common practice).
        assert!((temperature_cents(21.0) - 3.0).abs() < 0.1);
        assert_eq!(temperature_cents(TEMPERATURE_C), 0.0);
    }
}
