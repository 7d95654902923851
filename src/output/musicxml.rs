//! The written part as MusicXML 4.0 (W3C Community Group, partwise).
//!
//! Notes are written as the player reads them; `transpose` says how they sound.

use std::io;

use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesEnd, BytesStart, BytesText, Event};

use super::{Output, Sink};
use crate::horn::{Clef, Horn};
use crate::line::{Line, LineNote};
use crate::notation::bars::{Bar, Symbol, Written, value};
use crate::notation::beams::{self, Beam};
use crate::notation::pulse::Pulse;
use crate::notation::{LazyPart, Part, QUARTER};
use crate::notes::{Attack, Length, Technique};
use crate::statistics::median;
use crate::text::xml;
use crate::units::{Concert, Pitch};

/// The written part.
#[derive(Debug, Clone)]
pub struct MusicXml {
    /// The part.
    pub part: LazyPart,
    /// Notes that deviate from the tuning by more than this carry their cents as
    /// text.
    pub cents_over: f64,
}

/// Default of [`MusicXml::cents_over`]: half the deviation that a trained ear hears
/// as out of tune on a short note (from memory: 20 to 25 cents).
pub const CENTS_OVER: f64 = 12.0;

impl Default for MusicXml {
    /// Everything estimated, cents from 12 on.
    fn default() -> Self {
        MusicXml {
            part: LazyPart::default(),
            cents_over: CENTS_OVER,
        }
    }
}

impl Output for MusicXml {
    fn extension(&self) -> &'static str {
        ".musicxml"
    }

    fn write(&self, line: &Line, to: &mut dyn Sink) -> io::Result<()> {
        let mut page = Page {
            xml: Writer::new_with_indent(to, b' ', 1),
            cents_over: self.cents_over,
            tenuto_is_rare: tenuto_is_rare(line),
            line,
            score: self.part.of(line),
        };
        page.document()
    }
}

struct Page<'a, W> {
    xml: Writer<W>,
    cents_over: f64,
    tenuto_is_rare: bool,
    line: &'a Line,
    score: &'a Part,
}

impl<W: io::Write> Page<'_, W> {
    fn document(&mut self) -> io::Result<()> {
        let declaration = BytesDecl::new("1.0", Some("UTF-8"), None);
        self.xml.write_event(Event::Decl(declaration))?;
        self.open("score-partwise", &[("version", "4.0")])?;
        self.open("work", &[])?;
        self.text("work-title", &self.line.source.clone())?;
        self.close("work")?;
        self.open("identification", &[])?;
        self.open("encoding", &[])?;
        self.text("software", concat!("leadpipe ", env!("CARGO_PKG_VERSION")))?;
        self.close("encoding")?;
        self.close("identification")?;
        let horn = self.line.context.horn.as_ref();
        let name = horn.map_or("Concert pitch", |h| &h.title).to_owned();
        self.open("part-list", &[])?;
        self.open("score-part", &[("id", "P1")])?;
        self.text("part-name", &name)?;
        self.close("score-part")?;
        self.close("part-list")?;
        self.open("part", &[("id", "P1")])?;
        for (at, bar) in self.score.bars.iter().enumerate() {
            self.bar(at, bar)?;
        }
        self.close("part")?;
        self.close("score-partwise")
    }

    fn bar(&mut self, at: usize, bar: &Bar) -> io::Result<()> {
        // A pickup is not counted.
        let pickup = self.score.begins != 0;
        let number = (at + usize::from(!pickup)).to_string();
        let mut attributes = vec![("number", number.as_str())];
        if pickup && at == 0 {
            attributes.push(("implicit", "yes"));
        }
        self.open("measure", &attributes)?;
        if at == 0 {
            self.attributes()?;
            self.tempo()?;
            self.swing()?;
            self.estimated()?;
        }
        let beams = beams::beams(&bar.written, &self.score.pulse);
        for (i, written) in bar.written.iter().enumerate() {
            let tuplet = tuplet(&bar.written, i, &self.score.pulse);
            match written.symbol {
                Symbol::Rest => self.rest(written, tuplet)?,
                Symbol::Note { .. } => self.note(written, &beams[i], tuplet)?,
            }
        }
        if at + 1 == self.score.bars.len() {
            self.open("barline", &[("location", "right")])?;
            self.text("bar-style", "light-heavy")?;
            self.close("barline")?;
        }
        self.close("measure")
    }

    fn attributes(&mut self) -> io::Result<()> {
        self.open("attributes", &[])?;
        self.number("divisions", QUARTER)?;
        self.open("key", &[])?;
        self.number("fifths", self.score.key.fifths)?;
        self.close("key")?;
        self.open("time", &[])?;
        match self.score.metre {
            Some(metre) => {
                self.number("beats", metre.beats)?;
                self.number("beat-type", metre.value)?;
            }
            None => self.empty("senza-misura", &[])?,
        }
        self.close("time")?;
        let (sign, place) = clef(self.line);
        self.open("clef", &[])?;
        self.text("sign", sign)?;
        self.number("line", place)?;
        self.close("clef")?;
        let sounds = self
            .line
            .context
            .horn
            .as_ref()
            .map_or(0, |h: &Horn| h.sounds);
        if sounds != 0 {
            self.open("transpose", &[])?;
            self.number("diatonic", diatonic(sounds))?;
            self.number("chromatic", sounds - 12 * octaves(sounds))?;
            if octaves(sounds) != 0 {
                self.number("octave-change", octaves(sounds))?;
            }
            self.close("transpose")?;
        }
        self.close("attributes")
    }

    fn tempo(&mut self) -> io::Result<()> {
        // Beats of six eighths are dotted quarters; `sound` counts quarters always.
        let compound = self.score.metre.is_some() && self.score.pulse.compound();
        let quarters = if compound { 1.5 } else { 1.0 };
        let beats = (self.score.tempo / quarters).round();
        self.open("direction", &[("placement", "above")])?;
        self.open("direction-type", &[])?;
        self.open("metronome", &[])?;
        self.text("beat-unit", "quarter")?;
        if compound {
            self.empty("beat-unit-dot", &[])?;
        }
        self.number("per-minute", beats)?;
        self.close("metronome")?;
        self.close("direction-type")?;
        self.empty("sound", &[("tempo", &(beats * quarters).to_string())])?;
        self.close("direction")
    }

    /// Eighths are written straight and played long and short.
    fn swing(&mut self) -> io::Result<()> {
        if self.score.swing == 0.5 {
            return Ok(());
        }
        let (first, second) = ratio(self.score.swing);
        self.open("direction", &[("placement", "above")])?;
        self.open("direction-type", &[])?;
        self.text("words", "Swing")?;
        self.close("direction-type")?;
        self.open("sound", &[])?;
        self.open("swing", &[])?;
        self.number("first", first)?;
        self.number("second", second)?;
        self.text("swing-type", "eighth")?;
        self.close("swing")?;
        self.close("sound")?;
        self.close("direction")
    }

    /// What nobody has said, and how sure it is: in small print.
    fn estimated(&mut self) -> io::Result<()> {
        let Some(text) = self.score.estimated() else {
            return Ok(());
        };
        self.open("direction", &[("placement", "below")])?;
        self.open("direction-type", &[])?;
        self.open("words", &[("font-size", "7"), ("font-style", "italic")])?;
        self.xml
            .write_event(Event::Text(BytesText::new(&xml(&text))))?;
        self.close("words")?;
        self.close("direction-type")?;
        self.close("direction")
    }

    fn rest(&mut self, written: &Written, tuplet: Option<Tuplet>) -> io::Result<()> {
        let bar = self.score.metre.map(|metre| metre.bar());
        let whole = bar == Some(written.length);
        self.open("note", &[])?;
        match whole {
            true => self.empty("rest", &[("measure", "yes")])?,
            false => self.empty("rest", &[])?,
        }
        self.number("duration", written.length)?;
        self.number("voice", 1)?;
        if !whole {
            self.value(written.length)?;
        }
        if let Some(tuplet) = tuplet.filter(|t| t.starts || t.stops) {
            self.open("notations", &[])?;
            self.tuplet(tuplet)?;
            self.close("notations")?;
        }
        self.close("note")
    }

    fn note(
        &mut self,
        written: &Written,
        beams: &[Beam],
        tuplet: Option<Tuplet>,
    ) -> io::Result<()> {
        let Symbol::Note {
            note,
            tied_in,
            tied_out,
        } = written.symbol
        else {
            return Ok(());
        };
        let named = &self.line.notes[note];
        if !tied_in && named.cents.abs() > self.cents_over {
            self.open("direction", &[("placement", "above")])?;
            self.open("direction-type", &[])?;
            self.text("words", &format!("{:+.0}", named.cents))?;
            self.close("direction-type")?;
            self.close("direction")?;
        }
        let spelled = self.score.key.spell(self.written(named));
        self.open("note", &[])?;
        self.open("pitch", &[])?;
        self.text("step", &spelled.step.to_string())?;
        if spelled.alter != 0 {
            self.number("alter", spelled.alter)?;
        }
        self.number("octave", spelled.octave)?;
        self.close("pitch")?;
        self.number("duration", written.length)?;
        for (tied, kind) in [(tied_in, "stop"), (tied_out, "start")] {
            if tied {
                self.empty("tie", &[("type", kind)])?;
            }
        }
        self.number("voice", 1)?;
        self.value(written.length)?;
        for (level, beam) in (1..).zip(beams) {
            let text = match beam {
                Beam::Begin => "begin",
                Beam::Continue => "continue",
                Beam::End => "end",
                Beam::ForwardHook => "forward hook",
                Beam::BackwardHook => "backward hook",
            };
            self.open("beam", &[("number", &level.to_string())])?;
            self.xml
                .write_event(Event::Text(BytesText::new(&xml(text))))?;
            self.close("beam")?;
        }
        self.notations(note, named, (tied_in, tied_out), tuplet)?;
        self.close("note")
    }

    /// Key that a note is written as: for a glissando, that of its start.
    fn written(&self, named: &LineNote) -> i32 {
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

    fn notations(
        &mut self,
        at: usize,
        named: &LineNote,
        (tied_in, tied_out): (bool, bool),
        tuplet: Option<Tuplet>,
    ) -> io::Result<()> {
        let slurred = |at: usize| {
            let next = self.line.notes.get(at);
            next.is_some_and(|n| n.note.attack == Attack::Slurred)
        };
        // A slur starts on the first note of its group and ends on the last.
        let begins = !tied_in && slurred(at + 1) && !slurred(at);
        let ends = !tied_out && slurred(at) && !slurred(at + 1);
        let mut marks = if tied_in {
            Vec::new()
        } else {
            marks(named, self.tenuto_is_rare)
        };
        // A glissando that leads to the next note is a line between the two.
        let slides = |at: usize| {
            let pair = self.line.notes.get(at).zip(self.line.notes.get(at + 1));
            pair.is_some_and(|(n, next)| {
                glissando(n).is_some() && next.note.onset_s - n.note.offset_s < SLIDE_GAP_S
            })
        };
        let slides_out = !tied_out && slides(at);
        let slides_in = !tied_in && at.checked_sub(1).is_some_and(slides);
        // One that leads to no note is a mark; on a tied note the line starts
        // later.
        if let Some(cents) = glissando(named).filter(|_| !slides(at) && !tied_in) {
            marks.push(if cents < 0.0 { "falloff" } else { "doit" });
        }
        let tuplet = tuplet.filter(|t| t.starts || t.stops);
        let tied = tied_in || tied_out;
        let lines = begins || ends || slides_in || slides_out;
        if !(tied || lines || tuplet.is_some() || !marks.is_empty()) {
            return Ok(());
        }
        self.open("notations", &[])?;
        for (tied, kind) in [(tied_in, "stop"), (tied_out, "start")] {
            if tied {
                self.empty("tied", &[("type", kind)])?;
            }
        }
        for (slur, kind) in [(ends, "stop"), (begins, "start")] {
            if slur {
                self.empty("slur", &[("type", kind), ("number", "1")])?;
            }
        }
        if let Some(tuplet) = tuplet {
            self.tuplet(tuplet)?;
        }
        for (slide, kind) in [(slides_in, "stop"), (slides_out, "start")] {
            if slide {
                let attributes = [("type", kind), ("number", "1"), ("line-type", "solid")];
                self.empty("glissando", &attributes)?;
            }
        }
        if !marks.is_empty() {
            self.open("articulations", &[])?;
            for mark in marks {
                self.empty(mark, &[])?;
            }
            self.close("articulations")?;
        }
        self.close("notations")
    }

    fn value(&mut self, length: u32) -> io::Result<()> {
        let Some((name, dots, triplet)) = value(length) else {
            return Ok(());
        };
        self.text("type", name)?;
        for _ in 0..dots {
            self.empty("dot", &[])?;
        }
        if triplet {
            self.open("time-modification", &[])?;
            self.number("actual-notes", 3)?;
            self.number("normal-notes", 2)?;
            self.close("time-modification")?;
        }
        Ok(())
    }

    fn tuplet(&mut self, tuplet: Tuplet) -> io::Result<()> {
        for (here, kind) in [(tuplet.stops, "stop"), (tuplet.starts, "start")] {
            if here {
                self.empty("tuplet", &[("type", kind), ("bracket", "yes")])?;
            }
        }
        Ok(())
    }

    fn open(&mut self, name: &str, attributes: &[(&str, &str)]) -> io::Result<()> {
        let start = BytesStart::new(name).with_attributes(attributes.iter().copied());
        self.xml.write_event(Event::Start(start))
    }

    fn empty(&mut self, name: &str, attributes: &[(&str, &str)]) -> io::Result<()> {
        let start = BytesStart::new(name).with_attributes(attributes.iter().copied());
        self.xml.write_event(Event::Empty(start))
    }

    fn close(&mut self, name: &str) -> io::Result<()> {
        self.xml.write_event(Event::End(BytesEnd::new(name)))
    }

    fn text(&mut self, name: &str, text: &str) -> io::Result<()> {
        self.open(name, &[])?;
        self.xml
            .write_event(Event::Text(BytesText::new(&xml(text))))?;
        self.close(name)
    }

    fn number(&mut self, name: &str, number: impl ToString) -> io::Result<()> {
        self.text(name, &number.to_string())
    }
}

/// Articulation marks of a note: attack, length, slides.
fn marks(named: &LineNote, tenuto_is_rare: bool) -> Vec<&'static str> {
    let note = &named.note;
    let mut marks = Vec::new();
    // In the order of the standard's list.
    if note.accent {
        marks.push("accent");
    }
    match note.length {
        Length::Staccato => marks.push("staccato"),
        Length::Staccatissimo => marks.push("staccatissimo"),
        // Where most notes are tenuto, a mark on each says nothing.
        Length::Tenuto if tenuto_is_rare && note.attack == Attack::Tongued => marks.push("tenuto"),
        Length::Tenuto | Length::Normal => {}
    }
    for technique in &note.techniques {
        match technique {
            Technique::Scoop { .. } => marks.push("scoop"),
            Technique::Fall { .. } => marks.push("falloff"),
            Technique::Doit { .. } => marks.push("doit"),
            _ => {}
        }
    }
    marks
}

/// Longest gap over which a glissando leads to the next note, in seconds: a light
/// tonguing.
const SLIDE_GAP_S: f64 = 0.08;

/// Extent of a note's glissando, in cents.
fn glissando(named: &LineNote) -> Option<f32> {
    named.note.techniques.iter().find_map(|t| match t {
        Technique::Glissando { cents } => Some(*cents),
        _ => None,
    })
}

/// Whether fewer than a third of the tongued notes are held for their full value.
fn tenuto_is_rare(line: &Line) -> bool {
    let tongued = || {
        let notes = line.notes.iter().map(|n| &n.note);
        notes.filter(|n| n.attack == Attack::Tongued)
    };
    let held = tongued().filter(|n| n.length == Length::Tenuto).count();
    3 * held < tongued().count()
}

/// Place in a triplet.
#[derive(Debug, Clone, Copy)]
struct Tuplet {
    starts: bool,
    stops: bool,
}

/// Place of a value in the triplet of its beat, if it is part of one.
fn tuplet(bar: &[Written], at: usize, pulse: &Pulse) -> Option<Tuplet> {
    let is = |w: &Written| value(w.length).is_some_and(|(.., triplet)| triplet);
    let beat = |w: &Written| pulse.beat(w.start);
    let here = bar.get(at).filter(|w| is(w))?;
    let same = |i: Option<usize>| {
        let other = i.and_then(|i| bar.get(i));
        other.is_some_and(|w| is(w) && beat(w) == beat(here))
    };
    Some(Tuplet {
        starts: !same(at.checked_sub(1)),
        stops: !same(Some(at + 1)),
    })
}

/// A swing as a ratio of small numbers: 2 to 1, 3 to 2.
fn ratio(swing: f64) -> (u32, u32) {
    /// As near as players and listeners tell apart.
    const NEAR: f64 = 0.01;
    let first = |second: u32| (f64::from(second) * swing / (1.0 - swing)).round() as u32;
    let share = |second: u32| f64::from(first(second)) / f64::from(first(second) + second);
    let near = (1..=20).find(|second| (share(*second) - swing).abs() < NEAR);
    let second = near.unwrap_or(20);
    (first(second), second)
}

fn clef(line: &Line) -> (&'static str, u32) {
    match line.context.horn.as_ref().map(|h| h.clef) {
        Some(Clef::Treble) => ("G", 2),
        Some(Clef::Alto) => ("C", 3),
        Some(Clef::Tenor) => ("C", 4),
        Some(Clef::Bass) => ("F", 4),
        None => {
            // Concert pitch: the clef that fits most notes.
            let low = line.notes.iter().filter(|n| n.written.0 < 57).count();
            if 2 * low > line.notes.len() {
                ("F", 4)
            } else {
                ("G", 2)
            }
        }
    }
}

/// Whole octaves within a transposition, towards zero.
fn octaves(sounds: i32) -> i32 {
    sounds / 12
}

/// Steps of the scale within a transposition's last octave.
fn diatonic(sounds: i32) -> i32 {
    const STEPS: [i32; 12] = [0, 1, 1, 2, 2, 3, 4, 4, 5, 5, 6, 6];
    let within = sounds - 12 * octaves(sounds);
    STEPS[within.unsigned_abs() as usize % 12] * within.signum()
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use proptest::prelude::*;

    use super::super::generated::{Shape, line_in};
    use super::*;
    use crate::line::LineContext;
    use crate::notation::NotationOptions;
    use crate::tuning::{Reference, Tuning};

    #[test]
    fn swing_is_a_ratio() {
        for (swing, expected) in [(2.0 / 3.0, (2, 1)), (0.6, (3, 2)), (0.75, (3, 1))] {
            assert_eq!(ratio(swing), expected, "{swing}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        /// The part of any horn, read back, sounds as it was played: the same keys at
        /// the same eighths.
        #[test]
        fn a_part_sounds_as_it_was_played(
            rhythm in prop::collection::vec((0u32..4, 1u32..5, 40i32..84), 1..20),
            tempo in 60u32..140,
            horn in prop::sample::select(Horn::catalogue()),
        ) {
            let eighth_s = 30.0 / f64::from(tempo);
            let shape = |(rest, length, key): &(u32, u32, i32)| Shape {
                rest_s: f64::from(*rest) * eighth_s,
                length_s: f64::from(*length) * eighth_s,
                pitch: f64::from(*key),
                glide: 0.0,
                slurred: false,
            };
            let shapes: Vec<Shape> = rhythm.iter().map(shape).collect();
            let tuning = Tuning::find("equal-12", None, Reference::default()).unwrap();
            let context = LineContext { horn: Some(horn.clone()), ..LineContext::new(tuning) };
            let line = line_in(context, &shapes);
            let part = MusicXml {
                part: LazyPart::new(NotationOptions { tempo: Some(tempo.into()), steady: true, ..NotationOptions::default() }),
                cents_over: CENTS_OVER,
            };
            let mut bytes = Cursor::new(Vec::new());
            part.write(&line, &mut bytes).unwrap();
            let read = crate::reference::musicxml::parts(&bytes.into_inner()).unwrap();
            prop_assert_eq!(read.len(), 1);
            let keys: Vec<i32> = read[0].notes.iter().map(|n| n.concert.0).collect();
            prop_assert_eq!(keys, rhythm.iter().map(|(_, _, key)| *key).collect::<Vec<_>>());
            let (first, first_s) = (&read[0].notes[0], line.notes[0].note.onset_s);
            for (read, named) in read[0].notes.iter().zip(&line.notes) {
                let (got, want) = (read.start_s - first.start_s, named.note.onset_s - first_s);
                // The page has the tempo of the playing, to a hundredth.
                let near_s = 0.1 * eighth_s + 0.01 * want;
                prop_assert!((got - want).abs() < near_s, "{got} for {want}");
            }
        }
    }
}
