//! The written part as LilyPond input, for [`super::pdf`].
//!
//! LilyPond 2.24 notation reference: absolute octaves, Dutch note names.

use std::fmt::Write;

use super::page_signs::{Heading, Mark, PageSigns, Signs, ratio, tuplet};
use crate::horn::Clef;
use crate::line::Line;
use crate::notation::bars::{Bar, Symbol, Written, value};
use crate::notation::beams::{self, Beam};
use crate::notation::key::{Key, Spelled};
use crate::notation::{Metre, Part, QUARTER};

/// The input for a line's part.
pub fn text(line: &Line, part: &Part, heading: &Heading) -> String {
    let line = &*part.page(line);
    let mut page = Page {
        signs: PageSigns::new(line, part),
        heading,
        text: String::new(),
    };
    page.document();
    page.text
}

struct Page<'a> {
    signs: PageSigns<'a>,
    heading: &'a Heading,
    text: String,
}

/// Layout: as much air as a part on a stand needs.
const LAYOUT: &str = r#"
#(set-global-staff-size 21)
\paper {
  #(set-paper-size "a4")
  top-margin = 14\mm
  bottom-margin = 12\mm
  left-margin = 16\mm
  right-margin = 14\mm
  indent = 0\mm
  ragged-last = ##t
  markup-system-spacing.basic-distance = #14
  system-system-spacing.basic-distance = #15
  print-first-page-number = ##f
  tagline = ##f
}
"#;

/// Long rests are counted in one bar; a slide's line can be seen where notes are close.
const STAFF: &str = r"    \autoBeamOff
    \set Score.skipBars = ##t
    \override Glissando.minimum-length = #3
    \override Glissando.springs-and-rods = #ly:spanner::set-spacing-rods
    \override Glissando.thickness = #1.5
";

impl Page<'_> {
    fn document(&mut self) {
        let (line, part) = (self.signs.line, self.signs.part);
        self.text += "\\version \"2.24.0\"\n";
        let mut header = format!(
            "\\header {{\n  title = {}\n",
            wrapped("", self.heading.title(line))
        );
        let composer = self.heading.composer.as_deref();
        if let Some(composer) = composer {
            let _ = writeln!(header, "  composer = {}", quoted(composer));
        }
        let _ = writeln!(header, "  poet = {}", quoted(self.heading.part_name(line)));
        let notes = [
            part.estimated(),
            part.left_out_in_words(),
            self.heading.footnote(line),
        ];
        let notes: Vec<String> = notes.into_iter().flatten().collect();
        if !notes.is_empty() {
            let small = wrapped("\\teeny \\italic ", &notes.join("; "));
            let _ = writeln!(header, "  copyright = {small}");
        }
        self.text += &header;
        self.text += "}\n";
        self.text += LAYOUT;
        self.text += "\\score {\n  \\new Staff {\n";
        self.text += STAFF;
        self.opening();
        let mut at = 0;
        while at < part.bars.len() {
            let empty = |bar: &&Bar| is_rest(bar, part.metre);
            let signed =
                |at: usize| part.tempo_mark(at).is_some() || !part.swing_marks(at).is_empty();
            let marked = |i: usize| i > 0 && signed(at + i);
            let rests = part.bars[at..].iter().take_while(empty).count();
            let rests = (0..rests).take_while(|i| !marked(*i)).count();
            if rests > 1 && at > 0 && !signed(at) {
                let bar = ticks_of_whole(part.pulse.bar());
                let _ = writeln!(self.text, "    R{bar}*{rests} |");
                at += rests;
            } else {
                self.bar(at, &part.bars[at]);
                at += 1;
            }
        }
        self.text += "    \\bar \"|.\"\n  }\n  \\layout { }\n}\n";
    }

    /// Clef, key, time and tempo.
    fn opening(&mut self) {
        let part = self.signs.part;
        let clef = match self.heading.clef(self.signs.line) {
            Clef::Treble => "treble",
            Clef::Alto => "alto",
            Clef::Tenor => "tenor",
            Clef::Bass => "bass",
        };
        let _ = writeln!(self.text, "    \\clef {clef}");
        let _ = writeln!(self.text, "    \\key {} \\major", tonic(part.key));
        match part.metre {
            Some(Metre { beats, value }) => {
                let _ = writeln!(self.text, "    \\time {beats}/{value}");
                if let Some(ticks) = part.pickup() {
                    let _ = writeln!(self.text, "    \\partial {}", ticks_of_whole(ticks));
                }
            }
            None => self.text += "    \\omit Staff.TimeSignature\n    \\cadenzaOn\n",
        }
    }

    fn tempo(&mut self, tempo: f64, words: &str) {
        let quarters = self.signs.part.beat_quarters();
        let unit = if quarters == 1.5 { "4." } else { "4" };
        let beats = (tempo / quarters).round();
        let _ = writeln!(self.text, "    \\tempo {words}{unit} = {beats}");
    }

    fn bar(&mut self, at: usize, bar: &Bar) {
        let part = self.signs.part;
        let start = bar.written.first().map_or(0, |w| w.start);
        let marks = part.swing_marks(at);
        let mut marks = marks.iter().peekable();
        let at_start = marks.next_if(|mark| mark.0 <= start);
        let words = at_start.map(|mark| swing_words(mark.1));
        match (part.tempo_mark(at), words) {
            (Some(tempo), words) => {
                let words = words.map_or(String::new(), |words| words + " ");
                self.tempo(tempo, &words);
            }
            (None, Some(words)) => {
                let _ = writeln!(self.text, "    \\tempo {words}");
            }
            (None, None) => {}
        }
        self.text += "   ";
        let beams = beams::beams(&bar.written, &part.pulse);
        for (i, written) in bar.written.iter().enumerate() {
            while let Some(mark) = marks.next_if(|mark| mark.0 <= written.start) {
                let _ = write!(self.text, " \\tempo {}", swing_words(mark.1));
            }
            let tuplet = tuplet(&bar.written, i, &part.pulse);
            if tuplet.is_some_and(|t| t.starts) {
                self.text += " \\tuplet 3/2 {";
            }
            match written.symbol {
                Symbol::Rest => self.rest(written),
                Symbol::Note {
                    note,
                    tied_in,
                    tied_out,
                } => {
                    let signs = self.signs.of(note, tied_in, tied_out);
                    self.note(note, written, &signs, beams[i].first());
                }
            }
            if tuplet.is_some_and(|t| t.stops) {
                self.text += " }";
            }
        }
        let last = at + 1 == part.bars.len();
        self.text += if part.metre.is_some() && !last {
            " |\n"
        } else {
            "\n"
        };
    }

    fn rest(&mut self, written: &Written) {
        let bar = self.signs.part.metre.map(Metre::bar);
        if bar == Some(written.length) {
            let _ = write!(self.text, " R{}", ticks_of_whole(written.length));
        } else {
            let _ = write!(self.text, " r{}", duration(written.length));
        }
    }

    fn note(&mut self, at: usize, written: &Written, signs: &Signs, beam: Option<&Beam>) {
        if !signs.tied_in {
            self.graces(at);
        }
        let spelled = self.signs.part.key.spell(self.signs.key(at));
        if signs.marks.contains(&Mark::Scoop) {
            // A short line up into the note, from a note that is not printed.
            let below = self.signs.part.key.spell(self.signs.key(at) - 2);
            let _ = write!(
                self.text,
                " \\grace {{ \\hideNotes {}16\\glissando \\unHideNotes }}",
                pitch(below)
            );
        }
        let _ = write!(self.text, " {}{}", pitch(spelled), duration(written.length));
        let mut add = |here: bool, sign: &str| {
            if here {
                self.text += sign;
            }
        };
        add(signs.tied_out, "~");
        add(signs.slur_ends, ")");
        add(signs.slur_begins, "(");
        add(beam == Some(&Beam::Begin), "[");
        add(beam == Some(&Beam::End), "]");
        add(signs.slides_out, "\\glissando");
        for mark in &signs.marks {
            let sign = match mark {
                Mark::Accent => "->",
                Mark::Staccato => "-.",
                Mark::Staccatissimo => "-!",
                Mark::Tenuto => "--",
                Mark::Fall => "\\bendAfter #-4",
                Mark::Doit => "\\bendAfter #4",
                Mark::Scoop => "",
            };
            add(true, sign);
        }
        if let Some(words) = self.signs.words(at).filter(|_| !signs.tied_in) {
            let _ = write!(self.text, "^\\markup \\italic {}", quoted(words));
        }
        let cents = self.heading.cents(&self.signs.line.notes[at]);
        if let Some(cents) = cents.filter(|_| !signs.tied_in) {
            let _ = write!(self.text, "^\\markup \\teeny {}", quoted(&cents));
        }
    }

    /// Small notes that take no time of their own: one has a stroke, more a beam.
    fn graces(&mut self, at: usize) {
        let graces = self.signs.part.graces_before(at);
        let alone = graces.len() == 1;
        let (first, last) = (graces.start, graces.end);
        for grace in graces {
            if grace == first {
                self.text += if alone {
                    " \\slashedGrace {"
                } else {
                    " \\grace {"
                };
            }
            let spelled = self.signs.part.key.spell(self.signs.key(grace));
            let _ = write!(
                self.text,
                " {}{}",
                pitch(spelled),
                if alone { "8" } else { "16" }
            );
            let signs = self.signs.of(grace, false, false);
            let mut add = |here: bool, sign: &str| {
                if here {
                    self.text += sign;
                }
            };
            add(signs.slur_ends, ")");
            add(signs.slur_begins, "(");
            add(!alone && grace == first, "[");
            add(!alone && grace + 1 == last, "]");
            add(grace + 1 == last, " }");
        }
    }
}

/// What a mark of swing says, as a string.
fn swing_words(swing: f64) -> String {
    let (first, second) = ratio(swing);
    match swing == 0.5 {
        true => quoted("Straight"),
        false => quoted(&format!("Swing {first}:{second}")),
    }
}

/// Whether a bar is nothing but a rest.
fn is_rest(bar: &Bar, metre: Option<Metre>) -> bool {
    match bar.written[..] {
        [only] => only.symbol == Symbol::Rest && metre.map(Metre::bar) == Some(only.length),
        _ => false,
    }
}

/// A string of LilyPond.
/// Text of a heading that is broken into centred lines where it is wider than the page.
fn wrapped(style: &str, text: &str) -> String {
    /// Longest word that is not broken: as many of the widest letters fill a line of the title.
    const LONGEST: usize = 30;
    let mut words = String::new();
    for word in text.split_whitespace() {
        let letters: Vec<char> = word.chars().collect();
        for piece in letters.chunks(LONGEST) {
            words += &quoted(&piece.iter().collect::<String>());
            words.push(' ');
        }
    }
    format!("\\markup {style}\\center-column {{ \\wordwrap-lines {{ {words}}} }}")
}

fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => quoted.extend(['\\', c]),
            c if c.is_control() => quoted.push(' '),
            c => quoted.push(c),
        }
    }
    quoted + "\""
}

/// Name of a pitch: `c'` is middle C.
fn pitch(spelled: Spelled) -> String {
    let mut name = note_name(spelled.step, spelled.alter);
    let octaves = spelled.octave - 3;
    let mark = if octaves < 0 { "," } else { "'" };
    name += &mark.repeat(octaves.unsigned_abs() as usize);
    name
}

fn note_name(step: char, alter: i32) -> String {
    let suffix = if alter < 0 { "es" } else { "is" };
    let mut name = String::from(step.to_ascii_lowercase());
    name += &suffix.repeat(alter.unsigned_abs() as usize);
    name
}

/// Tonic of the major key of a signature.
fn tonic(key: Key) -> String {
    let spelled = key.spell((7 * key.fifths).rem_euclid(12));
    note_name(spelled.step, spelled.alter)
}

/// A written value: its denominator and dots. Triplets are written as what they stand for.
fn duration(ticks: u32) -> String {
    let Some((name, dots, _)) = value(ticks) else {
        return ticks_of_whole(ticks);
    };
    let denominator = match name {
        "whole" => "1",
        "half" => "2",
        "quarter" => "4",
        "eighth" => "8",
        "16th" => "16",
        _ => "32",
    };
    denominator.to_owned() + &".".repeat(dots as usize)
}

/// Ticks as a share of a whole note.
fn ticks_of_whole(ticks: u32) -> String {
    format!("1*{ticks}/{}", 4 * QUARTER)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pitches_and_values_have_their_names() {
        let name = |fifths, key| pitch(Key { fifths }.spell(key));
        assert_eq!(name(0, 60), "c'");
        assert_eq!(name(-3, 63), "ees'");
        assert_eq!(name(4, 44), "gis,");
        assert_eq!(name(0, 48), "c");
        assert_eq!(tonic(Key { fifths: -6 }), "ges");
        assert_eq!(tonic(Key { fifths: 7 }), "cis");
        assert_eq!(duration(36), "4.");
        assert_eq!(duration(8), "8");
        assert_eq!(quoted("a \"b\" \\c\n"), "\"a \\\"b\\\" \\\\c \"");
    }
}
