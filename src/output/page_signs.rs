//! What stands at the notes of a printable part besides pitch and value: ties, slurs,
//! slides, articulation, tuplets, cents. [`super::musicxml`] and [`super::lilypond`] write
//! the same signs, each in its own language.

use crate::horn::Clef;
use crate::line::{Line, LineNote};
use crate::notation::Part;
use crate::notation::bars::{Written, value};
use crate::notation::key::KeyMode;
use crate::notation::pulse::Pulse;
use crate::notes::{Attack, Length, Technique};
use crate::statistics::median;
use crate::units::{Concert, Pitch, whole};

/// What is printed above a part, and how. What is left out follows from the line.
#[derive(Debug, Clone, Default, PartialEq)]
#[non_exhaustive]
pub struct Heading {
    /// Title; the take's name.
    pub title: Option<String>,
    /// Composer; nobody.
    pub composer: Option<String>,
    /// Name of the part, such as `2nd trumpet`; the horn's.
    pub part_name: Option<String>,
    /// Clef; that of the horn's parts.
    pub clef: Option<Clef>,
    /// Mode of the key; not said.
    #[doc(hidden)]
    pub mode: Option<KeyMode>,
    /// Notes that deviate from the tuning by more than so many cents carry them; none.
    pub cents_over: Option<f64>,
}

impl Heading {
    /// Title of a line.
    pub(super) fn title<'a>(&'a self, line: &'a Line) -> &'a str {
        self.title.as_deref().unwrap_or(&line.source)
    }

    /// Name of a line's part.
    pub(super) fn part_name<'a>(&'a self, line: &'a Line) -> &'a str {
        let horn = line.context.horn.as_ref();
        let horn = horn.map_or("Concert pitch", |h| &h.title);
        self.part_name.as_deref().unwrap_or(horn)
    }

    /// Clef of a line.
    pub(super) fn clef(&self, line: &Line) -> Clef {
        let of_horn = || line.context.horn.as_ref().map(|h| h.clef);
        // Concert pitch: the clef that fits most notes.
        let low = line.notes.iter().filter(|n| n.written.0 < 57).count();
        let fits = match 2 * low > line.notes.len() {
            true => Clef::Bass,
            false => Clef::Treble,
        };
        self.clef.or_else(of_horn).unwrap_or(fits)
    }

    /// What a note's cents are called on the page, if it has any.
    pub(super) fn cents(&self, named: &LineNote) -> Option<String> {
        let over = self.cents_over?;
        (named.cents.abs() > over).then(|| format!("{:+.0} ¢", whole(named.cents)))
    }

    /// The footnote to cents, if some note has them.
    pub(super) fn footnote(&self, line: &Line) -> Option<String> {
        let tuning = &line.context.tuning;
        line.notes.iter().find_map(|n| self.cents(n))?;
        Some(format!(
            "¢: cents from {} at A4 = {} Hz, where more than {}",
            tuning.title(),
            tuning.reference().a4_hz(),
            self.cents_over?
        ))
    }
}

/// An articulation mark, in the order in which MusicXML lists them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    Accent,
    Staccato,
    Staccatissimo,
    Tenuto,
    Scoop,
    Fall,
    Doit,
}

/// Place in a triplet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Tuplet {
    pub starts: bool,
    pub stops: bool,
}

/// The signs of one written note.
#[derive(Debug, Clone, PartialEq)]
pub struct Signs {
    pub tied_in: bool,
    pub tied_out: bool,
    /// A slur starts on the first note of its group and ends on the last.
    pub slur_begins: bool,
    pub slur_ends: bool,
    /// A glissando that leads to the next note is a line between the two.
    pub slides_in: bool,
    pub slides_out: bool,
    pub marks: Vec<Mark>,
}

/// A line's notes as they are to be engraved.
pub struct PageSigns<'a> {
    pub line: &'a Line,
    pub part: &'a Part,
    /// What is usual around each note.
    usual: Vec<Usual>,
}

/// How most of the notes around one are played. What they have in common is said in words
/// where it begins, and has no mark at each note.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
struct Usual {
    held: Held,
    accented: bool,
}

/// How long notes are held, as marks tell it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum Held {
    #[default]
    Normal,
    Short,
    Full,
}

impl Held {
    fn of(length: Length) -> Held {
        match length {
            Length::Staccatissimo | Length::Staccato => Held::Short,
            Length::Normal => Held::Normal,
            Length::Tenuto => Held::Full,
        }
    }
}

/// Longest gap over which a glissando leads to the next note, in seconds: a light
/// tonguing.
const SLIDE_GAP_S: f64 = 0.08;

impl<'a> PageSigns<'a> {
    pub fn new(line: &'a Line, part: &'a Part) -> PageSigns<'a> {
        PageSigns {
            line,
            part,
            usual: usual(line),
        }
    }

    /// Written key of a note: for a glissando, that of its start.
    pub fn key(&self, note: usize) -> i32 {
        let named = &self.line.notes[note];
        if glissando(named).is_none() {
            return named.written.0;
        }
        let pitches = || named.note.contour.voiced().map(|(_, p)| f64::from(p.pitch));
        let tenth = (pitches().count() / 10).max(1);
        let Some(start) = median(pitches().take(tenth)) else {
            return named.written.0;
        };
        let context = &self.line.context;
        let key = context.tuning.reference().nearest_key(Pitch(start));
        context.written(Concert(key)).0
    }

    /// What is said in words at a note, where what is usual changes; ordinary playing
    /// needs no word at the beginning.
    pub fn words(&self, at: usize) -> Option<&'static str> {
        let before = at
            .checked_sub(1)
            .map_or(Usual::default(), |b| self.usual[b]);
        let here = self.usual[at];
        let short = |usual: Usual| usual.held == Held::Short;
        match (short(before), short(here)) {
            _ if here.accented && !before.accented => Some("marc."),
            (false, true) => Some("stacc."),
            (true, false) => Some("ord."),
            // Full length is what a player gives unasked.
            _ => None,
        }
    }

    /// Signs of a note by its index, where it may be tied to what is before and after.
    pub fn of(&self, at: usize, tied_in: bool, tied_out: bool) -> Signs {
        let notes = &self.line.notes;
        let slurred = |at: usize| {
            let next = notes.get(at);
            next.is_some_and(|n| n.note.attack == Attack::Slurred)
        };
        let slides = |at: usize| {
            let pair = notes.get(at).zip(notes.get(at + 1));
            pair.is_some_and(|(n, next)| {
                glissando(n).is_some() && next.note.onset_s - n.note.offset_s < SLIDE_GAP_S
            })
        };
        let mut marks = match tied_in {
            true => Vec::new(),
            false => marks(&notes[at], self.usual[at]),
        };
        // One that leads to no note is a mark; on a tied note the line starts later.
        if let Some(cents) = glissando(&notes[at]).filter(|_| !slides(at) && !tied_in) {
            marks.push(if cents < 0.0 { Mark::Fall } else { Mark::Doit });
        }
        Signs {
            tied_in,
            tied_out,
            slur_begins: !tied_in && slurred(at + 1) && !slurred(at),
            slur_ends: !tied_out && slurred(at) && !slurred(at + 1),
            slides_in: !tied_in && at.checked_sub(1).is_some_and(slides),
            slides_out: !tied_out && slides(at),
            marks,
        }
    }
}

/// Articulation marks of a note: attack, length, slides.
fn marks(named: &LineNote, usual: Usual) -> Vec<Mark> {
    let note = &named.note;
    let mut marks = Vec::new();
    if note.accent && !usual.accented {
        marks.push(Mark::Accent);
    }
    let differs = Held::of(note.length) != usual.held;
    match note.length {
        Length::Staccato if differs => marks.push(Mark::Staccato),
        Length::Staccatissimo if differs => marks.push(Mark::Staccatissimo),
        Length::Tenuto if differs && note.attack == Attack::Tongued => marks.push(Mark::Tenuto),
        _ => {}
    }
    for technique in &note.techniques {
        match technique {
            Technique::Scoop { .. } => marks.push(Mark::Scoop),
            Technique::Fall { .. } => marks.push(Mark::Fall),
            Technique::Doit { .. } => marks.push(Mark::Doit),
            _ => {}
        }
    }
    marks
}

/// Extent of a note's glissando, in cents.
fn glissando(named: &LineNote) -> Option<f32> {
    named.note.techniques.iter().find_map(|t| match t {
        Technique::Glissando { cents } => Some(*cents),
        _ => None,
    })
}

/// What most of the tongued notes around each note have in common.
fn usual(line: &Line) -> Vec<Usual> {
    /// Notes on either side.
    const AROUND: usize = 8;
    let notes = &line.notes;
    let tongued = |n: &&LineNote| n.note.attack == Attack::Tongued;
    let around = |at: usize| {
        let near = &notes[at.saturating_sub(AROUND)..(at + AROUND + 1).min(notes.len())];
        let most = |is: &dyn Fn(&LineNote) -> bool| {
            let all = near.iter().filter(tongued).count();
            // A line too short to have habits has none.
            all > AROUND && 2 * near.iter().filter(tongued).filter(|n| is(n)).count() > all
        };
        let held = |held| most(&|n| Held::of(n.note.length) == held).then_some(held);
        Usual {
            held: held(Held::Short).or(held(Held::Full)).unwrap_or_default(),
            accented: most(&|n| n.note.accent),
        }
    };
    (0..notes.len()).map(around).collect()
}

/// Whether a written value sounds or rests in a triplet.
fn in_triplet(written: &Written) -> bool {
    value(written.length).is_some_and(|(.., triplet)| triplet)
}

/// Place of a value in the triplet of its beat, if it is part of one.
pub fn tuplet(bar: &[Written], at: usize, pulse: &Pulse) -> Option<Tuplet> {
    let beat = |w: &Written| pulse.beat(w.start);
    let here = bar.get(at).filter(|w| in_triplet(w))?;
    let same = |i: Option<usize>| {
        let other = i.and_then(|i| bar.get(i));
        other.is_some_and(|w| in_triplet(w) && beat(w) == beat(here))
    };
    Some(Tuplet {
        starts: !same(at.checked_sub(1)),
        stops: !same(Some(at + 1)),
    })
}

/// A swing as a ratio of small numbers: 2 to 1, 3 to 2.
pub fn ratio(swing: f64) -> (u32, u32) {
    /// As near as players and listeners tell apart.
    const NEAR: f64 = 0.01;
    let first = |second: u32| (f64::from(second) * swing / (1.0 - swing)).round() as u32;
    let share = |second: u32| f64::from(first(second)) / f64::from(first(second) + second);
    let near = (1..=20).find(|second| (share(*second) - swing).abs() < NEAR);
    let second = near.unwrap_or(20);
    (first(second), second)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn swing_is_a_ratio() {
        for (swing, expected) in [(2.0 / 3.0, (2, 1)), (0.6, (3, 2)), (0.75, (3, 1))] {
            assert_eq!(ratio(swing), expected, "{swing}");
        }
    }
}
