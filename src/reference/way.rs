//! The way through a score: its repeats with their endings, and its jumps, da capo and dal
//! segno, al fine and al coda. It is the written one, or one that a player took who left a
//! repeat or the jump out, or repeated once more.

use std::collections::BTreeMap;

/// Most bars of a part with its repeats written out.
pub const MAX_BARS: usize = 20_000;
/// Most times that a repeat is played.
pub const MAX_TIMES: u32 = 16;

/// Signs in a bar that lead from it to another. A jump is taken at the end of its bar, once.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Signs {
    pub repeat_from: bool,
    /// How often the section that ends here is played, if it is repeated.
    pub repeat_times: Option<u32>,
    /// Passes in which the bar is played, if it is an ending.
    pub passes: Vec<u32>,
    pub segno: bool,
    pub coda: bool,
    pub da_capo: bool,
    pub dal_segno: bool,
    /// After the jump: on to the coda.
    pub to_coda: bool,
    /// After the jump: the end.
    pub fine: bool,
}

impl Signs {
    /// What words over a bar say, where a score has no sign besides.
    pub fn of_words(words: &str) -> Signs {
        let letters = words.chars().filter(|c| c.is_alphanumeric());
        let words = letters.collect::<String>().to_lowercase();
        let jump = |short: &str, long: &str| {
            let al = words.strip_prefix(short).or(words.strip_prefix(long));
            al.is_some_and(|al| al.is_empty() || al.starts_with("al"))
        };
        Signs {
            da_capo: jump("dc", "dacapo"),
            dal_segno: jump("ds", "dalsegno"),
            to_coda: words == "tocoda",
            coda: words == "coda",
            fine: words == "fine",
            ..Signs::default()
        }
    }

    /// Adds the jumps and their marks of `other`.
    pub fn add(&mut self, other: &Signs) {
        self.segno |= other.segno;
        self.coda |= other.coda;
        self.da_capo |= other.da_capo;
        self.dal_segno |= other.dal_segno;
        self.to_coda |= other.to_coda;
        self.fine |= other.fine;
    }
}

/// A section that is repeated: its bars, and how often it is played.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Section {
    pub from: usize,
    /// The last bar of a pass that is followed by another.
    pub to: usize,
    pub times: u32,
}

/// A jump back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Jump {
    /// The bar at whose end it stands.
    pub bar: usize,
    pub da_capo: bool,
}

/// Where a player does otherwise than is written.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Choices {
    /// Sections by their first bar, with the number of times that they are played.
    times: BTreeMap<usize, (Section, u32)>,
    /// The jump that is left out.
    no_jump: Option<Jump>,
}

impl Choices {
    /// What is chosen.
    pub fn all(&self) -> impl Iterator<Item = Choice> {
        let repeats = self.times.values();
        let repeats = repeats.map(|(section, times)| Choice::Times(*section, *times));
        repeats.chain(self.no_jump.map(Choice::NoJump))
    }

    /// These and another, which takes the place of one for the same section.
    pub fn with(&self, choice: Choice) -> Choices {
        let mut all = self.clone();
        match choice {
            Choice::Times(section, times) => {
                all.times.insert(section.from, (section, times));
            }
            Choice::NoJump(jump) => all.no_jump = Some(jump),
        }
        all
    }

    /// Which pass it is when a section is played for the `turn`-th time, from 0. Of fewer
    /// times than written the first passes are left out, so that the last ending is played; a
    /// pass more is the last but one again.
    fn pass(&self, from: usize, turn: u32) -> u32 {
        match self.times.get(&from) {
            Some((section, times)) if *times < section.times => section.times - times + turn + 1,
            Some((section, times)) if turn + 1 < *times => (turn + 1).min(section.times - 1),
            Some((section, _)) => section.times,
            None => turn + 1,
        }
    }
}

/// One thing that a player does otherwise than is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Choice {
    /// A section is played this many times.
    Times(Section, u32),
    /// A jump is left out.
    NoJump(Jump),
}

impl Choice {
    /// Whether more is played than is written.
    pub fn is_more(self) -> bool {
        matches!(self, Choice::Times(section, times) if times > section.times)
    }

    /// What it is in words; `number` names a bar.
    pub fn in_words<'a>(self, number: impl Fn(usize) -> &'a str) -> String {
        let bars = |section: Section| match (number(section.from), number(section.to)) {
            (from, to) if section.from == section.to || from == to => format!("bar {from}"),
            (from, to) => format!("bars {from} to {to}"),
        };
        match self {
            Choice::NoJump(jump) if jump.da_capo => "da capo not played".into(),
            Choice::NoJump(_) => "dal segno not played".into(),
            Choice::Times(section, times) if times == section.times + 1 => {
                format!("{} played once more than written", bars(section))
            }
            Choice::Times(section, 1) if section.times == 2 => {
                format!("repeat of {} not played", bars(section))
            }
            Choice::Times(section, times) => {
                let plural = if times == 1 { "" } else { "s" };
                let bars = bars(section);
                format!("{bars} played {times} time{plural}, not {}", section.times)
            }
        }
    }
}

/// A way through a score.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Way {
    /// Bars in the order in which they are played.
    pub order: Vec<usize>,
    /// Sections that are repeated.
    pub sections: Vec<Section>,
    /// The jump that was taken, and the number of bars before it.
    pub jump: Option<(Jump, usize)>,
}

impl Way {
    /// What a player may have done otherwise, of the written way: a repeat left out, played
    /// once less or once more, the jump left out.
    pub fn choices(&self) -> Vec<Choice> {
        let mut all = Vec::new();
        for section in &self.sections {
            let mut times = vec![1, section.times - 1, section.times + 1];
            times.dedup();
            let times = times
                .into_iter()
                .map(|times| Choice::Times(*section, times));
            all.extend(times);
        }
        all.extend(self.jump.map(|(jump, _)| Choice::NoJump(jump)));
        all
    }

    /// How many bars of this way come before the place at which a choice shows.
    pub fn place(&self, choice: Choice) -> usize {
        let bars = match choice {
            Choice::Times(section, _) => section.from..=section.to,
            Choice::NoJump(jump) => jump.bar..=jump.bar,
        };
        let before_jump = self.jump.map_or(self.order.len(), |(_, at)| at);
        let last = self.order[..before_jump]
            .iter()
            .rposition(|bar| bars.contains(bar));
        last.map_or(0, |last| last + 1)
    }
}

/// The way by the signs of all bars. After a jump no section is repeated: the last ending is
/// played.
///
/// # Errors
/// In words, if it is longer than any piece.
pub fn unfold(bars: &[&Signs], choices: &Choices) -> Result<Way, String> {
    let mut way = Way::default();
    let (mut index, mut from, mut turn) = (0, 0, 0);
    let coda = bars.iter().rposition(|bar| bar.coda);
    while index < bars.len() {
        let bar = bars[index];
        if bar.repeat_from && index != from {
            (from, turn) = (index, 0);
        }
        let pass = choices.pass(from, turn);
        let here = match way.jump {
            Some(_) => bar.passes.is_empty() || in_last_ending(bars, index),
            None => bar.passes.is_empty() || bar.passes.contains(&pass),
        };
        if !here {
            index += 1;
            continue;
        }
        way.order.push(index);
        if way.order.len() > MAX_BARS {
            return Err("more bars than any piece has".into());
        }
        if way.jump.is_some() {
            // Many scores show where to leave by the sign that the coda itself has.
            let leaves = bar.to_coda || bar.coda;
            match coda.filter(|coda| *coda > index && leaves) {
                _ if bar.fine => break,
                Some(coda) => index = coda,
                None => index += 1,
            }
            continue;
        }
        let next_ending = bars.get(index + 1).is_some_and(|b| !b.passes.is_empty());
        let last_ending = !bar.passes.is_empty() && !next_ending;
        if let Some(times) = bar.repeat_times {
            // After an ending for passes 1 and 2 there is a third pass.
            let times = times.max(bar.passes.iter().max().map_or(0, |p| p + 1));
            if pass < times.min(MAX_TIMES) {
                way.repeated(from, index, pass + 1);
                (index, turn) = (from, turn + 1);
                continue;
            }
        }
        let segno = || bars.iter().position(|bar| bar.segno);
        let jump = match bar {
            Signs { da_capo: true, .. } => Some(0),
            // Without the sign it means the beginning.
            Signs {
                dal_segno: true, ..
            } => Some(segno().unwrap_or(0)),
            _ => None,
        };
        if let Some(to) = jump.filter(|_| choices.no_jump.is_none()) {
            let jump = Jump {
                bar: index,
                da_capo: bar.da_capo,
            };
            way.jump = Some((jump, way.order.len()));
            index = to;
            continue;
        }
        // After the last repeat a new section begins.
        if bar.repeat_times.is_some() || last_ending {
            (from, turn) = (index + 1, 0);
        }
        index += 1;
    }
    Ok(way)
}

impl Way {
    /// A section is gone back to for a pass.
    fn repeated(&mut self, from: usize, to: usize, pass: u32) {
        match self.sections.iter_mut().find(|s| s.from == from) {
            Some(section) => {
                section.to = section.to.max(to);
                section.times = section.times.max(pass);
            }
            None => self.sections.push(Section {
                from,
                to,
                times: pass,
            }),
        }
    }
}

/// Whether a bar is in the last of the endings that follow each other.
fn in_last_ending(bars: &[&Signs], index: usize) -> bool {
    let after = bars[index..]
        .iter()
        .take_while(|bar| !bar.passes.is_empty());
    let last = after.flat_map(|bar| &bar.passes).max();
    last.is_some_and(|last| bars[index].passes.contains(last))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bars(count: usize) -> Vec<Signs> {
        vec![Signs::default(); count]
    }

    fn way(bars: &[Signs], choices: &Choices) -> Way {
        unfold(&bars.iter().collect::<Vec<_>>(), choices).unwrap()
    }

    /// The way in letters, a for the first bar.
    fn letters(bars: &[Signs], choices: &Choices) -> String {
        let letter = |bar: &usize| char::from(b'a' + u8::try_from(*bar).unwrap());
        way(bars, choices).order.iter().map(letter).collect()
    }

    fn written(bars: &[Signs]) -> String {
        letters(bars, &Choices::default())
    }

    /// Each choice by itself: its words and its way, with a bar line where it shows.
    fn others(bars: &[Signs]) -> Vec<(String, String)> {
        let names = ["1", "2", "3", "4", "5", "6", "7"];
        let all = way(bars, &Choices::default()).choices();
        let other = |choice: Choice| {
            let choices = Choices::default().with(choice);
            let mut letters = letters(bars, &choices);
            letters.insert(way(bars, &choices).place(choice), '|');
            (choice.in_words(|bar| names[bar]), letters)
        };
        all.into_iter().map(other).collect()
    }

    fn pairs(expected: &[(&str, &str)]) -> Vec<(String, String)> {
        let own = |(words, letters): &(&str, &str)| (words.to_string(), letters.to_string());
        expected.iter().map(own).collect()
    }

    #[test]
    fn repeats_and_endings_are_written_out() {
        let mut bars = bars(5);
        bars[1].repeat_times = Some(2);
        assert_eq!(written(&bars), "ababcde");
        // |: b | 1. c :| 2. d | e
        bars[1].repeat_times = None;
        bars[1].repeat_from = true;
        bars[2].passes = vec![1];
        bars[2].repeat_times = Some(2);
        bars[3].passes = vec![2];
        assert_eq!(written(&bars), "abcbde");
        // A second repeat after it, without a sign where it begins.
        bars[4].repeat_times = Some(3);
        assert_eq!(written(&bars), "abcbdeee");
        // 1. and 2. alike, then 3.
        bars[4].repeat_times = None;
        bars[2].passes = vec![1, 2];
        bars[3].passes = vec![3];
        assert_eq!(written(&bars), "abcbcbde");
    }

    #[test]
    fn a_repeat_is_left_out_or_played_once_more() {
        let mut bars = bars(5);
        bars[1].repeat_from = true;
        bars[2].passes = vec![1];
        bars[2].repeat_times = Some(2);
        bars[3].passes = vec![2];
        bars[4].repeat_times = Some(3);
        let expected = [
            ("repeat of bars 2 to 3 not played", "ab|deee"),
            ("bars 2 to 3 played once more than written", "abcbcb|deee"),
            ("bar 5 played 1 time, not 3", "abcbde|"),
            ("bar 5 played 2 times, not 3", "abcbdee|"),
            ("bar 5 played once more than written", "abcbdeeee|"),
        ];
        assert_eq!(others(&bars), pairs(&expected));
        // Three endings, and two of these choices together.
        let mut bars = super::tests::bars(4);
        for (bar, pass) in [(1, 1), (2, 2), (3, 3)] {
            bars[bar].passes = vec![pass];
            bars[bar].repeat_times = (pass < 3).then_some(2);
        }
        assert_eq!(written(&bars), "abacad");
        let expected = [
            ("bars 1 to 3 played 1 time, not 3", "a|d"),
            ("bars 1 to 3 played 2 times, not 3", "aca|d"),
            ("bars 1 to 3 played once more than written", "abacaca|d"),
        ];
        assert_eq!(others(&bars), pairs(&expected));
        let mut bars = super::tests::bars(3);
        bars[0].repeat_times = Some(2);
        bars[1].repeat_times = Some(2);
        let all = way(&bars, &Choices::default()).choices();
        let both = Choices::default().with(all[0]).with(all[2]);
        assert_eq!(letters(&bars, &both), "abc");
        assert_eq!(both.all().collect::<Vec<_>>(), [all[0], all[2]]);
        // One takes the place of another for the same bars.
        assert_eq!(letters(&bars, &both.with(all[1])), "aaabc");
    }

    #[test]
    fn signs_are_followed_once() {
        let mut bars = bars(5);
        // D.C. al Fine, its repeats not played again.
        bars[1].repeat_times = Some(2);
        bars[2].add(&Signs::of_words("Fine"));
        bars[3].add(&Signs::of_words("D.C. al Fine"));
        assert_eq!(written(&bars), "ababcdabc");
        let left_out = ("da capo not played".to_string(), "ababcd|e".to_string());
        assert_eq!(others(&bars).last(), Some(&left_out));
        // D.S. al Coda: from the sign at b, at c to the coda e.
        let mut bars = super::tests::bars(5);
        bars[1].segno = true;
        bars[2].add(&Signs::of_words("To Coda"));
        bars[3].add(&Signs::of_words("D.S. al Coda"));
        bars[4].coda = true;
        assert_eq!(written(&bars), "abcdbce");
        assert_eq!(others(&bars), pairs(&[("dal segno not played", "abcd|e")]));
        // The sign beside the words, the sign alone, and words alone.
        bars[2].coda = true;
        assert_eq!(written(&bars), "abcdbce");
        bars[2].to_coda = false;
        assert_eq!(written(&bars), "abcdbce");
        bars[2] = Signs::of_words("to Coda \u{1d10c}");
        bars[4] = Signs::of_words("CODA");
        assert_eq!(written(&bars), "abcdbce");
        // Without a place to leave from, the coda follows like any bar.
        bars[2] = Signs::default();
        assert_eq!(written(&bars), "abcdbcde");
        // The last ending after the jump.
        let mut bars = super::tests::bars(4);
        bars[1].passes = vec![1];
        bars[1].repeat_times = Some(2);
        bars[2].passes = vec![2];
        bars[3].da_capo = true;
        assert_eq!(written(&bars), "abacdacd");
    }
}
