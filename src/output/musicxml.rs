//! The written part as MusicXML 4.0 (W3C Community Group, partwise).
//!
//! Notes are written as the player reads them; `transpose` says how they sound.

use std::io;

use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesEnd, BytesStart, BytesText, Event};

use super::page_signs::{Heading, Mark, PageSigns, Tuplet, ratio, tuplet};
use super::{Output, Sink};
use crate::horn::{Clef, Horn};
use crate::line::Line;
use crate::notation::bars::{Bar, Symbol, Written, value};
use crate::notation::beams::{self, Beam};
use crate::notation::key::KeyMode;
use crate::notation::{LazyPart, Part, QUARTER};
use crate::text::xml;

/// The written part.
#[derive(Debug, Clone, Default)]
pub struct MusicXml {
    /// The part.
    pub part: LazyPart,
    /// What stands above it, and which cents stand at its notes.
    pub heading: Heading,
}

impl Output for MusicXml {
    fn extension(&self) -> &'static str {
        ".musicxml"
    }

    fn write(&self, line: &Line, to: &mut dyn Sink) -> io::Result<()> {
        let score = self.part.of(line);
        let line = &*score.page(line);
        let mut page = Page {
            xml: Writer::new_with_indent(to, b' ', 1),
            heading: &self.heading,
            signs: PageSigns::new(line, score),
            line,
            score,
        };
        page.document()
    }
}

struct Page<'a, W> {
    xml: Writer<W>,
    heading: &'a Heading,
    signs: PageSigns<'a>,
    line: &'a Line,
    score: &'a Part,
}

impl<W: io::Write> Page<'_, W> {
    fn document(&mut self) -> io::Result<()> {
        let declaration = BytesDecl::new("1.0", Some("UTF-8"), None);
        self.xml.write_event(Event::Decl(declaration))?;
        self.open("score-partwise", &[("version", "4.0")])?;
        self.open("work", &[])?;
        self.text("work-title", self.heading.title(self.line))?;
        self.close("work")?;
        self.open("identification", &[])?;
        if let Some(composer) = &self.heading.composer {
            self.marked_text("creator", &[("type", "composer")], composer)?;
        }
        self.open("encoding", &[])?;
        self.text("software", concat!("leadpipe ", env!("CARGO_PKG_VERSION")))?;
        self.close("encoding")?;
        self.close("identification")?;
        self.open("part-list", &[])?;
        self.open("score-part", &[("id", "P1")])?;
        self.text("part-name", self.heading.part_name(self.line))?;
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
        let pickup = self.score.pickup().is_some();
        let number = (at + usize::from(!pickup)).to_string();
        let mut attributes = vec![("number", number.as_str())];
        if pickup && at == 0 {
            attributes.push(("implicit", "yes"));
        }
        self.open("measure", &attributes)?;
        if at == 0 {
            self.attributes()?;
        }
        if let Some(tempo) = self.score.tempo_mark(at) {
            self.tempo(tempo)?;
        }
        let marks = self.score.swing_marks(at);
        let mut marks = marks.iter().peekable();
        let start = bar.written.first().map_or(0, |w| w.start);
        while let Some(mark) = marks.next_if(|mark| mark.0 <= start) {
            self.swing(mark.1)?;
        }
        if at == 0 {
            self.small_print()?;
        }
        let beams = beams::beams(&bar.written, &self.score.pulse);
        for (i, written) in bar.written.iter().enumerate() {
            while let Some(mark) = marks.next_if(|mark| mark.0 <= written.start) {
                self.swing(mark.1)?;
            }
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
        match self.heading.mode {
            Some(KeyMode::Major) => self.text("mode", "major")?,
            Some(KeyMode::Minor) => self.text("mode", "minor")?,
            None => {}
        }
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
        let (sign, place) = match self.heading.clef(self.line) {
            Clef::Treble => ("G", 2),
            Clef::Alto => ("C", 3),
            Clef::Tenor => ("C", 4),
            Clef::Bass => ("F", 4),
        };
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

    fn tempo(&mut self, tempo: f64) -> io::Result<()> {
        // Beats of six eighths are dotted quarters; `sound` counts quarters always.
        let quarters = self.score.beat_quarters();
        let beats = (tempo / quarters).round();
        self.open("direction", &[("placement", "above")])?;
        self.open("direction-type", &[])?;
        self.open("metronome", &[])?;
        self.text("beat-unit", "quarter")?;
        if quarters != 1.0 {
            self.empty("beat-unit-dot", &[])?;
        }
        self.number("per-minute", beats)?;
        self.close("metronome")?;
        self.close("direction-type")?;
        self.empty("sound", &[("tempo", &(beats * quarters).to_string())])?;
        self.close("direction")
    }

    /// Eighths are written straight and, from here on, played long and short; or straight
    /// again.
    fn swing(&mut self, swing: f64) -> io::Result<()> {
        let swings = swing != 0.5;
        self.open("direction", &[("placement", "above")])?;
        self.open("direction-type", &[])?;
        self.text("words", if swings { "Swing" } else { "Straight" })?;
        self.close("direction-type")?;
        self.open("sound", &[])?;
        self.open("swing", &[])?;
        if swings {
            let (first, second) = ratio(swing);
            self.number("first", first)?;
            self.number("second", second)?;
            self.text("swing-type", "eighth")?;
        } else {
            self.empty("straight", &[])?;
        }
        self.close("swing")?;
        self.close("sound")?;
        self.close("direction")
    }

    /// What nobody has said, and how sure it is, and what the cents are: in small print.
    fn small_print(&mut self) -> io::Result<()> {
        let small = [
            self.score.estimated(),
            self.score.left_out_in_words(),
            self.heading.footnote(self.line),
        ];
        for text in small.into_iter().flatten() {
            self.open("direction", &[("placement", "below")])?;
            self.open("direction-type", &[])?;
            let small = [("font-size", "7"), ("font-style", "italic")];
            self.marked_text("words", &small, &text)?;
            self.close("direction-type")?;
            self.close("direction")?;
        }
        Ok(())
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
        if !tied_in {
            for grace in self.score.graces_before(note) {
                self.grace(grace)?;
            }
        }
        if let Some(words) = self.signs.words(note).filter(|_| !tied_in) {
            self.open("direction", &[("placement", "above")])?;
            self.open("direction-type", &[])?;
            self.marked_text("words", &[("font-style", "italic")], words)?;
            self.close("direction-type")?;
            self.close("direction")?;
        }
        let cents = self.heading.cents(&self.line.notes[note]);
        if let Some(cents) = cents.filter(|_| !tied_in) {
            self.open("direction", &[("placement", "above")])?;
            self.open("direction-type", &[])?;
            self.marked_text("words", &[("font-size", "7")], &cents)?;
            self.close("direction-type")?;
            self.close("direction")?;
        }
        self.open("note", &[])?;
        self.pitch(note)?;
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
            self.marked_text("beam", &[("number", &level.to_string())], text)?;
        }
        self.notations(note, (tied_in, tied_out), tuplet)?;
        self.close("note")
    }

    /// A small note that takes no time of its own.
    fn grace(&mut self, note: usize) -> io::Result<()> {
        self.open("note", &[])?;
        self.empty("grace", &[("slash", "yes")])?;
        self.pitch(note)?;
        self.number("voice", 1)?;
        self.text("type", "eighth")?;
        self.notations(note, (false, false), None)?;
        self.close("note")
    }

    fn pitch(&mut self, note: usize) -> io::Result<()> {
        let spelled = self.score.key.spell(self.signs.key(note));
        self.open("pitch", &[])?;
        self.text("step", &spelled.step.to_string())?;
        if spelled.alter != 0 {
            self.number("alter", spelled.alter)?;
        }
        self.number("octave", spelled.octave)?;
        self.close("pitch")
    }

    fn notations(
        &mut self,
        at: usize,
        (tied_in, tied_out): (bool, bool),
        tuplet: Option<Tuplet>,
    ) -> io::Result<()> {
        let signs = self.signs.of(at, tied_in, tied_out);
        let tuplet = tuplet.filter(|t| t.starts || t.stops);
        let tied = tied_in || tied_out;
        let slurs = signs.slur_begins || signs.slur_ends;
        let slides = signs.slides_in || signs.slides_out;
        if !(tied || slurs || slides || tuplet.is_some() || !signs.marks.is_empty()) {
            return Ok(());
        }
        self.open("notations", &[])?;
        for (tied, kind) in [(tied_in, "stop"), (tied_out, "start")] {
            if tied {
                self.empty("tied", &[("type", kind)])?;
            }
        }
        for (slur, kind) in [(signs.slur_ends, "stop"), (signs.slur_begins, "start")] {
            if slur {
                self.empty("slur", &[("type", kind), ("number", "1")])?;
            }
        }
        if let Some(tuplet) = tuplet {
            self.tuplet(tuplet)?;
        }
        for (slide, kind) in [(signs.slides_in, "stop"), (signs.slides_out, "start")] {
            if slide {
                let attributes = [("type", kind), ("number", "1"), ("line-type", "solid")];
                self.empty("glissando", &attributes)?;
            }
        }
        if !signs.marks.is_empty() {
            self.open("articulations", &[])?;
            for mark in &signs.marks {
                let name = match mark {
                    Mark::Accent => "accent",
                    Mark::Staccato => "staccato",
                    Mark::Staccatissimo => "staccatissimo",
                    Mark::Tenuto => "tenuto",
                    Mark::Scoop => "scoop",
                    Mark::Fall => "falloff",
                    Mark::Doit => "doit",
                };
                self.empty(name, &[])?;
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
        self.marked_text(name, &[], text)
    }

    fn marked_text(
        &mut self,
        name: &str,
        attributes: &[(&str, &str)],
        text: &str,
    ) -> io::Result<()> {
        self.open(name, attributes)?;
        self.xml
            .write_event(Event::Text(BytesText::new(&xml(text))))?;
        self.close(name)
    }

    fn number(&mut self, name: &str, number: impl ToString) -> io::Result<()> {
        self.text(name, &number.to_string())
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
                heading: Heading::default(),
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
