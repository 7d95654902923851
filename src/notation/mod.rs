//! From a line to notation: tempo, rhythm, bars, key and spelling.
//!
//! ```text
//! line -> estimate.rs (metre, tempo, swing) -> beat_decoder.rs (places, tempo that breathes)
//!      -> tempo_curve.rs (when each place was played) -> rhythm.rs (values)
//!      -> bars.rs (ties, bar lines, pickup) -> beams.rs
//!      -> key.rs (signature and spelling)
//! ```
//!
//! `pulse.rs` has the beats of each metre, `metrical_model.rs` what is usual in it;
//! `page_notes.rs` says which notes are none, `swing.rs` where eighths swing. Where a list
//! says the rhythm, `note_rhythm.rs` reads it instead of an estimate.

pub mod bars;
pub mod beam;
pub mod beams;
pub mod beat_decoder;
pub mod estimate;
pub mod key;
pub mod metrical_model;
pub mod note_rhythm;
pub mod page_notes;
pub mod pulse;
pub mod rhythm;
pub mod swing;
pub mod tempo_curve;
pub mod tempo_marks;
pub mod tempo_track;

use std::borrow::Cow;
use std::fmt;
use std::ops::{Range, RangeInclusive};
use std::sync::{Arc, OnceLock};

use crate::error::{Error, Result};
use crate::line::{Line, LineNote};
use bars::Bar;
use beat_decoder::{Known, Onset, Path, Timing, decode};
use estimate::{Candidate, Estimate, Evidence, METRES, Search, estimate};
use key::Key;
use metrical_model::MetricalModel;
use note_rhythm::Given;
use pulse::Pulse;
use rhythm::{Placed, Sounding};
use swing::{Beaten, Swing};
use tempo_curve::TempoCurve;
use tempo_marks::TempoMark;
use tempo_track::{Grid, TempoTrack};

/// Ticks in a quarter note: 32nds and triplet sixteenths are whole numbers of
/// them.
pub const QUARTER: u32 = 24;

/// A metre such as 4/4 or 6/8, read by [`Metre::parse`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Metre {
    /// Beats in a bar.
    pub(crate) beats: u32,
    /// Note value of a beat: 2, 4 or 8.
    pub(crate) value: u32,
}

impl Metre {
    /// Common time.
    pub(crate) const COMMON: Metre = Metre { beats: 4, value: 4 };

    /// Reads `3/4`: 1 to 32 beats, each a half, a quarter or an eighth.
    pub fn parse(text: &str) -> Option<Metre> {
        let (beats, value) = text.split_once('/')?;
        Metre::of(beats.trim().parse().ok()?, value.trim().parse().ok()?)
    }

    /// So many beats, if they are 1 to 32 of a half, a quarter or an eighth.
    pub(crate) fn of(beats: u32, value: u32) -> Option<Metre> {
        let metre = Metre { beats, value };
        metre.is_sound().then_some(metre)
    }

    fn is_sound(self) -> bool {
        (1..=32).contains(&self.beats) && [2, 4, 8].contains(&self.value)
    }

    /// Whether so many quarters are less than a bar.
    fn has_pickup(self, quarters: f64) -> bool {
        quarters * f64::from(QUARTER) < f64::from(self.bar())
    }

    /// Length of a bar in ticks: [`QUARTER`] a quarter.
    pub(crate) fn bar(self) -> u32 {
        self.beats * 4 * QUARTER / self.value
    }
}

impl fmt::Display for Metre {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.beats, self.value)
    }
}

/// How a line is to be written. What is left out is estimated.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct NotationOptions {
    /// Quarter notes a minute, 20 to 400.
    pub tempo: Option<f64>,
    /// Whether the tempo stays as it is; otherwise the beat follows the player.
    pub steady: bool,
    /// The metre, none for unmeasured bars.
    pub metre: Option<Option<Metre>>,
    /// Quarters before the first bar line.
    pub pickup: Option<f64>,
    /// Time at which some bar begins, in stream seconds: the note nearest to it.
    pub downbeat_s: Option<f64>,
    /// Smallest value: 4, 8, 16 or 32 for a quarter to a 32nd.
    pub smallest: Option<u32>,
    /// Share of a quarter that its first eighth takes, a half where nothing swings.
    pub swing: Option<f64>,
    /// Sharps (positive) or flats of the written key; by default the line's own, which
    /// its lists are spelled in ([`Line::in_key`]).
    pub fifths: Option<i32>,
    /// The beat, where it is known from a click or a clock: instead of a tempo.
    pub tempo_track: Option<Arc<TempoTrack>>,
    /// Whether doubtful notes are left out: the second halves of notes that a click cut in two.
    /// For a take as the full pass heard it: notes without their continuity (causal, or read
    /// from a list) all stay.
    pub leave_out_doubtful: bool,
}

/// Tempi that make sense, in quarter notes a minute.
pub const TEMPI: RangeInclusive<f64> = 20.0..=400.0;
/// Shares of a quarter that the first of two swung eighths may take.
pub const SWINGS: RangeInclusive<f64> = 0.5..=0.8;

/// Whether a pickup makes sense, in quarter notes: eighths of one are the smallest values.
pub fn is_pickup(quarters: f64) -> bool {
    (0.0..=32.0).contains(&quarters) && (8.0 * quarters).fract() == 0.0
}

impl NotationOptions {
    /// Checks that the options make sense.
    ///
    /// # Errors
    /// [`Error::Setting`] for the first that does not.
    pub fn check(&self) -> Result<()> {
        let refuse = |problem: String, hint: &str| Err(Error::setting(problem, hint));
        match *self {
            NotationOptions { tempo: Some(t), .. } if !TEMPI.contains(&t) => refuse(
                format!("a tempo of {t}"),
                "give quarter notes per minute, 20 to 400",
            ),
            NotationOptions {
                tempo: Some(_),
                tempo_track: Some(_),
                ..
            } => refuse(
                "a tempo besides a tempo track".into(),
                "leave one of them out",
            ),
            NotationOptions {
                metre: Some(Some(m)),
                ..
            } if !m.is_sound() => refuse(
                format!("a metre of {}/{}", m.beats, m.value),
                "give a time signature such as 4/4, 3/4 or 6/8",
            ),
            NotationOptions {
                pickup: Some(p), ..
            } if !is_pickup(p) => refuse(
                format!("a pickup of {p}"),
                "give quarter notes, such as 0, 0.5 or 1",
            ),
            NotationOptions {
                downbeat_s: Some(s),
                ..
            } if !(s.is_finite() && s >= 0.0) => {
                refuse(format!("a downbeat at {s}"), "give seconds, such as 12.5")
            }
            NotationOptions {
                smallest: Some(v), ..
            } if ![4, 8, 16, 32].contains(&v) => {
                refuse(format!("a smallest note of {v}"), "give 4, 8, 16 or 32")
            }
            NotationOptions { swing: Some(s), .. } if !SWINGS.contains(&s) => {
                refuse(format!("a swing of {s}"), "give a share from 0.5 to 0.8")
            }
            NotationOptions {
                fifths: Some(f), ..
            } if !(-7..=7).contains(&f) => refuse(
                format!("a key of {f} sharps"),
                "give its number of sharps, -7 to 7",
            ),
            NotationOptions {
                metre: Some(None),
                pickup,
                downbeat_s,
                ..
            } if pickup.is_some() || downbeat_s.is_some() => refuse(
                "a pickup or a downbeat in a part without bars".into(),
                "leave it out, or give a time signature",
            ),
            NotationOptions {
                pickup: Some(p), ..
            } => self.check_pickup(p),
            _ => Ok(()),
        }
    }

    /// Checks that a pickup is shorter than a bar.
    fn check_pickup(&self, quarters: f64) -> Result<()> {
        let metres = self.metres();
        let longest = metres.iter().max_by_key(|(metre, _)| metre.bar());
        let Some((metre, _)) = longest.filter(|(metre, _)| !metre.has_pickup(quarters)) else {
            return Ok(());
        };
        let bar = f64::from(metre.bar()) / f64::from(QUARTER);
        let which = match metres.len() {
            1 => format!("a bar of {metre} has {bar}"),
            _ => format!("the longest bar that is looked for, of {metre}, has {bar}"),
        };
        Err(Error::setting(
            format!("a pickup of {quarters} quarters, but {which}"),
            "give less than a bar: the quarters before the first bar line, 0 if there are none",
        ))
    }

    /// Checks that the options make sense for a line.
    ///
    /// # Errors
    /// [`Error::Setting`] for a downbeat after the last note.
    #[doc(hidden)]
    pub fn check_for(&self, line: &Line) -> Result<()> {
        let Some((downbeat_s, last)) = self.downbeat_s.zip(line.notes.last()) else {
            return Ok(());
        };
        let end_s = last.note.offset_s;
        match downbeat_s > end_s {
            true => Err(Error::setting(
                format!("a downbeat at {downbeat_s} s, but the last note ends at {end_s:.2} s"),
                "give the start of a note that begins a bar",
            )),
            false => Ok(()),
        }
    }

    /// Metres that a line may be in, with how usual they are: one alone where it is known.
    fn metres(&self) -> Vec<(Metre, f64)> {
        // Places need some bars to count in, even where none are written.
        let given = self.metre.map(|metre| metre.unwrap_or(Metre::COMMON));
        let track = self.tempo_track.as_deref();
        match given.or(track.and_then(TempoTrack::metre)) {
            Some(metre) => vec![(metre, 1.0)],
            None => {
                let usual = |(beats, value, p)| (Metre { beats, value }, p);
                METRES.map(usual).to_vec()
            }
        }
    }
}

/// How sure an estimate is: probabilities, none for what was given.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Sureness {
    /// Of the tempo, that is, of its octave.
    pub tempo: Option<f64>,
    /// Of the metre.
    pub metre: Option<f64>,
    /// Of the place of the bar lines, the metre taken as it is.
    pub bar_lines: Option<f64>,
    /// Whether the swing was given.
    pub swing_given: bool,
    /// Whether there are too few notes for an estimate: what was not given is assumed.
    pub assumed: bool,
}

/// One gap between notes may be any part of a beat: from two gaps on a tempo can be told.
const FEWEST_NOTES: usize = 3;

/// A line in notation.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// Quarter notes a minute on the whole.
    pub tempo: f64,
    /// Where another tempo begins, the first bar among them.
    pub tempo_marks: Vec<TempoMark>,
    /// When each place was played.
    pub curve: TempoCurve,
    /// The metre, if it is measured.
    pub metre: Option<Metre>,
    /// Its beats.
    pub pulse: Pulse,
    /// How its eighths are played.
    pub swing: Swing,
    /// Key of the written part.
    pub key: Key,
    /// Place where the first bar begins, in ticks from a bar line, which may be some bars
    /// before it: not a whole number of bars where there is a pickup.
    pub begins: u32,
    /// The bars; one alone where unmeasured.
    pub bars: Vec<Bar>,
    /// Grace notes, and the notes that they are before, by index.
    pub graces: Vec<(Range<usize>, usize)>,
    /// What was estimated.
    pub sureness: Sureness,
    /// Notes of the line that are left out, by index in it: doubtful ones, or those that a list
    /// says are none. All other indices count without them: they are those of [`Part::page`].
    pub left_out: Vec<usize>,
}

/// A line's part, made when it is first asked for and shared by all who write it: the
/// beat is decoded once for [`MidiFile`](crate::MidiFile) and
/// [`MusicXml`](crate::MusicXml) if both get a clone.
#[derive(Debug, Clone, Default)]
pub struct LazyPart {
    options: NotationOptions,
    made: Arc<OnceLock<Part>>,
}

impl LazyPart {
    /// A part that is to be written with options.
    pub fn new(options: NotationOptions) -> LazyPart {
        LazyPart {
            options,
            made: Arc::default(),
        }
    }

    /// Checks that the options make sense for a line.
    ///
    /// # Errors
    /// As [`NotationOptions::check_for`].
    #[doc(hidden)]
    pub fn check_for(&self, line: &Line) -> Result<()> {
        self.options.check_for(line)
    }

    /// The part of the line. It is the first line's for good.
    #[doc(hidden)]
    pub fn of(&self, line: &Line) -> &Part {
        self.made.get_or_init(|| Part::new(line, &self.options))
    }
}

/// Tempo of a line without notes.
const ANY_TEMPO: f64 = 120.0;

impl Part {
    /// Writes a line down. Where its notes have a rhythm from a list, that is what is
    /// written, whatever the options say of tempo, metre and bars.
    pub fn new(line: &Line, options: &NotationOptions) -> Part {
        let mut left_out = note_rhythm::left_out(line);
        if left_out.is_empty() && options.leave_out_doubtful {
            left_out = page_notes::doubtful(line);
        }
        let page = page_notes::without(line, &left_out);
        let part = match note_rhythm::given(&page) {
            Some(given) => Part::as_given(&page, given, options),
            None => Part::of_all(&page, options),
        };
        Part { left_out, ..part }
    }

    /// Writes a line down with a rhythm that is known.
    fn as_given(line: &Line, given: Given, options: &NotationOptions) -> Part {
        let Given {
            metre,
            pulse,
            placed,
            swing,
            curve,
        } = given;
        let notes: Vec<usize> = placed.iter().map(|p| p.note).collect();
        Part::with_beat(
            Beat {
                tempo: curve.tempo(),
                metre,
                pulse,
                swing,
                curve,
                graces: graces(&notes),
                sureness: Sureness {
                    swing_given: true,
                    ..Sureness::default()
                },
            },
            &placed,
            key(line, options),
            options.steady,
        )
    }

    /// A part of placed notes, its beat known.
    fn with_beat(beat: Beat, placed: &[Placed], key: Key, steady: bool) -> Part {
        let Beat {
            tempo,
            metre,
            pulse,
            swing,
            curve,
            graces,
            sureness,
        } = beat;
        let (bars, begins) = bars::divide(placed, &pulse, metre.is_some());
        let mut tempo_marks = match bar_times(&bars, begins, &pulse, &curve, &swing) {
            times if metre.is_some() && !steady => tempo_marks::marks(&times),
            _ => Vec::new(),
        };
        if tempo_marks.len() < 2 {
            tempo_marks = vec![TempoMark { bar: 0, tempo }];
        }
        Part {
            graces,
            tempo,
            tempo_marks,
            curve,
            metre,
            pulse,
            swing,
            key,
            begins,
            bars,
            sureness,
            left_out: Vec::new(),
        }
    }

    /// Writes all notes of a line down.
    fn of_all(line: &Line, options: &NotationOptions) -> Part {
        let key = key(line, options);
        let metre = options.metre.unwrap_or(Some(Metre::COMMON));
        let heard = onsets(line);
        if heard.is_empty() {
            let tempo = options.tempo.unwrap_or(ANY_TEMPO);
            let pulse = Pulse::of(metre);
            let (bars, begins) = bars::divide(&[], &pulse, metre.is_some());
            return Part {
                tempo,
                tempo_marks: vec![TempoMark { bar: 0, tempo }],
                curve: TempoCurve::new(&[(0.0, 0.0)], 60.0 / tempo, 1.0, 0.0),
                metre,
                pulse,
                swing: Swing::all_through(0.5),
                key,
                begins,
                bars,
                graces: Vec::new(),
                sureness: Sureness::default(),
                left_out: Vec::new(),
            };
        }
        let search = search(&heard, options);
        let onsets = in_grid(&heard, search.known.grid, options);
        let found = estimate(&onsets, &search);
        let mut models = MetricalModel::all(found.metre);
        let model = models.swap_remove(found.pulse);
        let (path, timing) = places(&onsets, &found, &model, &search);
        let swing = swing(&path, &timing, &onsets, &model.pulse);
        let played = path.ticks.iter().map(|t| swing.played(*t, &model.pulse));
        let times_s = path.placed.iter().map(|at| heard[*at].time_s);
        let played: Vec<(f64, f64)> = played.zip(times_s).collect();
        let curve = match (&options.tempo_track, search.known.grid) {
            (Some(track), Some(grid)) => {
                let (quarters, time_s) = played[0];
                let bar_line = grid.bar_line(track.quarters(time_s), quarters);
                track.curve(bar_line, played[played.len() - 1].1)
            }
            _ => TempoCurve::new(&played, found.period_s, timing.jitter_s, timing.drift),
        };
        let nexts = path.placed[1..].iter().copied().chain([line.notes.len()]);
        let sounding = path.placed.iter().zip(&path.ticks).zip(nexts);
        let sounding = sounding.map(|((note, start), next)| Sounding {
            note: *note,
            start: *start,
            sounds_s: sounds_s(&line.notes[*note..next]),
            length: line.notes[*note].note.length,
        });
        let sounding: Vec<Sounding> = sounding.collect();
        let placed = rhythm::lengths(&sounding, &model.pulse, &curve, &swing);
        let measured = options.metre != Some(None);
        let pulse = if measured {
            model.pulse
        } else {
            Pulse::of(None)
        };
        let estimated = |given: bool, sure: f64| (!given).then_some(sure);
        let bars_given = !measured
            || options.pickup.is_some()
            || options.downbeat_s.is_some()
            || search.known.grid.is_some_and(|grid| grid.bars);
        let tempo = match search.known.grid {
            Some(grid) => 60.0 / grid.period_s,
            None => options.tempo.unwrap_or_else(|| curve.tempo()),
        };
        let beat = Beat {
            graces: graces(&path.placed),
            tempo,
            curve,
            metre: measured.then_some(found.metre),
            pulse,
            swing,
            sureness: Sureness {
                tempo: estimated(search.known.period_s.is_some(), found.sure_of_tempo),
                metre: estimated(search.metres.len() == 1, found.sure_of_metre),
                bar_lines: estimated(bars_given, found.sure_of_bar),
                swing_given: options.swing.is_some(),
                assumed: heard.len() < FEWEST_NOTES,
            },
        };
        Part::with_beat(beat, &placed, key, options.steady)
    }
}

/// What a part counts by.
struct Beat {
    /// Quarter notes a minute on the whole.
    tempo: f64,
    metre: Option<Metre>,
    pulse: Pulse,
    swing: Swing,
    curve: TempoCurve,
    graces: Vec<(Range<usize>, usize)>,
    sureness: Sureness,
}

impl Part {
    /// The notes of its line that it has.
    pub fn page<'a>(&self, line: &'a Line) -> Cow<'a, Line> {
        page_notes::without(line, &self.left_out)
    }

    /// What was left out, in words.
    pub fn left_out_in_words(&self) -> Option<String> {
        let count = match self.left_out.len() {
            0 => return None,
            1 => "1 doubtful note".to_owned(),
            more => format!("{more} doubtful notes"),
        };
        Some(format!(
            "left out of the part: {count} (cut off by a click)"
        ))
    }

    /// Quarters in the beats that its tempo counts: dotted ones where every beat is one.
    pub fn beat_quarters(&self) -> f64 {
        match self.metre.is_some() && self.pulse.compound() {
            true => 1.5,
            false => 1.0,
        }
    }

    /// Length of the pickup that the part begins with, in ticks; none where its first bar is
    /// a whole one, from whichever bar line it is counted.
    pub fn pickup(&self) -> Option<u32> {
        let bar = self.pulse.bar();
        let into = self.begins % bar;
        (self.metre.is_some() && into != 0).then(|| bar - into)
    }

    /// The tempo that is written at a bar, by index.
    pub fn tempo_mark(&self, bar: usize) -> Option<f64> {
        let mark = self.tempo_marks.iter().find(|mark| mark.bar == bar);
        mark.map(|mark| mark.tempo)
    }

    /// Where in a bar, by index, another way of playing eighths begins: ticks from its bar
    /// line, and the share of a quarter that the first eighth takes, a half for straight ones.
    pub fn swing_marks(&self, bar: usize) -> Vec<(u32, f64)> {
        // Unmeasured, all is one bar.
        let length = self.metre.map_or(u32::MAX, |_| self.pulse.bar());
        let index = |place: u32| (place.max(self.begins) / length - self.begins / length) as usize;
        let within = |p: &swing::Passage| (p.from.max(self.begins) % length, p.swing);
        let here = self.swing.marks().filter(|p| index(p.from) == bar);
        here.map(within).collect()
    }

    /// Grace notes before a note, by index.
    pub fn graces_before(&self, note: usize) -> Range<usize> {
        let found = self.graces.iter().find(|(_, main)| *main == note);
        found.map_or(note..note, |(graces, _)| graces.clone())
    }

    /// Ticks of rest that the part begins with.
    pub fn rests_first(&self) -> u32 {
        let rest = |w: &&bars::Written| w.symbol == bars::Symbol::Rest;
        let first = self.bars.first().map(|bar| bar.written.iter());
        first.map_or(0, |bar| bar.take_while(rest).map(|w| w.length).sum())
    }

    /// What was estimated and how sure it is, in words; nothing if all was given.
    pub fn estimated(&self) -> Option<String> {
        if self.sureness.assumed {
            return self.assumed_in_words();
        }
        let percent = |sure: f64| format!("{:.0} %", 100.0 * sure);
        let mut parts = Vec::new();
        if let Some(sure) = self.sureness.tempo {
            parts.push(format!("{} ({})", self.tempo_in_words(), percent(sure)));
        }
        if let (Some(sure), Some(metre)) = (self.sureness.metre, self.metre) {
            parts.push(format!("{metre} ({})", percent(sure)));
        }
        if let Some(sure) = self.sureness.bar_lines {
            parts.push(format!("bar lines ({})", percent(sure)));
        }
        if !self.sureness.swing_given {
            parts.extend(self.swing_in_words());
        }
        (!parts.is_empty()).then(|| format!("estimated: {}", parts.join(", ")))
    }
}

impl Part {
    /// The tempo in beats, and in what --tempo wants.
    fn tempo_in_words(&self) -> String {
        let quarters = self.beat_quarters();
        let beats = match quarters == 1.5 {
            true => format!(" dotted quarters, or {:.0} quarters", self.tempo),
            false => String::new(),
        };
        format!("tempo {:.0}{beats}", self.tempo / quarters)
    }

    /// What is assumed because there are too few notes to tell, in words.
    fn assumed_in_words(&self) -> Option<String> {
        let tempo = (self.sureness.tempo).map(|_| self.tempo_in_words());
        let metre = (self.sureness.metre).and(self.metre);
        let bar_lines = (self.sureness.bar_lines).map(|_| "bar lines".to_owned());
        let swing = match self.sureness.swing_given {
            true => None,
            false => self.swing_in_words(),
        };
        let assumed = [
            tempo,
            metre.map(|metre| metre.to_string()),
            bar_lines,
            swing,
        ];
        let assumed: Vec<String> = assumed.into_iter().flatten().collect();
        let listed = assumed.join(", ");
        (!assumed.is_empty())
            .then(|| format!("assumed, because so few notes cannot tell: {listed}"))
    }

    /// Where the part swings, in words.
    fn swing_in_words(&self) -> Option<String> {
        let passages = self.swing.passages();
        // Bars are counted as on the page, a pickup not at all.
        let bar = |place: u32| {
            let pickup = u32::from(self.pickup().is_some());
            (place / self.pulse.bar() + 1).saturating_sub(self.begins / self.pulse.bar() + pickup)
        };
        let swung = passages.iter().enumerate().filter(|(_, p)| p.swing != 0.5);
        let words = |(at, p): (usize, &swing::Passage)| {
            let percent = 100.0 * p.swing;
            let ratio = format!("{percent:.0} : {:.0}", 100.0 - percent);
            let first = bar(p.from.max(self.begins));
            match passages.get(at + 1) {
                _ if self.metre.is_none() => ratio,
                None if at == 0 => ratio,
                None => format!("{ratio} from bar {first}"),
                Some(next) => format!("{ratio} in bars {first} to {}", bar(next.from - 1)),
            }
        };
        let words: Vec<String> = swung.map(words).collect();
        (!words.is_empty()).then(|| format!("swing {}", words.join(" and ")))
    }
}

/// A beat that a line may have, for fitting what is usual.
#[derive(Debug, Clone)]
pub struct Considered {
    /// Quarters a minute on the whole.
    pub tempo: f64,
    pub metre: Metre,
    /// Place in the bar of the first note, in ticks.
    pub first: u32,
    /// What speaks for it.
    pub evidence: Evidence,
}

/// What a line with notes may be, as far as it is looked at.
pub fn considered(line: &Line, options: &NotationOptions) -> Vec<Considered> {
    let onsets = onsets(line);
    let search = search(&onsets, options);
    let unusual = estimate::unusual(&search);
    let candidates = estimate::candidates(&onsets, &search, &unusual);
    let considered = |c: &Candidate| Considered {
        tempo: 60.0 / c.period_s,
        metre: c.model.metre,
        first: c.first(),
        evidence: c.evidence,
    };
    candidates.iter().map(considered).collect()
}

/// A line's onsets, each with its level over those around it.
fn onsets(line: &Line) -> Vec<Onset> {
    /// Notes before and after that a level is compared with.
    const AROUND: usize = 8;
    let levels: Vec<f64> = line
        .notes
        .iter()
        .map(|n| f64::from(n.note.level_db))
        .collect();
    let onset = |(at, named): (usize, &crate::line::LineNote)| {
        let around = &levels[at.saturating_sub(AROUND)..(at + AROUND + 1).min(levels.len())];
        Onset {
            time_s: named.note.onset_s,
            accent_db: levels[at] - around.iter().sum::<f64>() / around.len() as f64,
        }
    };
    line.notes.iter().enumerate().map(onset).collect()
}

/// What is to be looked for, given what is known.
fn search(onsets: &[Onset], options: &NotationOptions) -> Search {
    let mut metres = options.metres();
    if let Some(pickup) = options.pickup
        && metres.len() > 1
    {
        metres.retain(|(metre, _)| metre.has_pickup(pickup));
    }
    if options.swing.is_some_and(|swing| swing > 0.5) && metres.len() > 1 {
        // Who says that eighths swing does not mean those of dotted beats.
        metres.retain(|(metre, _)| metre.value == 4);
    }
    let given = match metres[..] {
        [(metre, _)] => Some(metre),
        _ => None,
    };
    let track = options.tempo_track.as_deref();
    let nearest = |time_s: f64| {
        let off = |at: &usize| (onsets[*at].time_s - time_s).abs();
        (0..onsets.len()).min_by(|a, b| off(a).total_cmp(&off(b)))
    };
    let (first_s, last_s) = (onsets[0].time_s, onsets[onsets.len() - 1].time_s);
    let bars_known = options.pickup.is_some() || options.downbeat_s.is_some();
    let grid = track.map(|track| track.grid(given, bars_known, first_s, last_s));
    let period_s = grid.map(|grid| grid.period_s);
    Search {
        metres,
        swing: options.swing,
        steady: options.steady,
        known: Known {
            period_s: period_s.or(options.tempo.map(|tempo| 60.0 / tempo)),
            grid,
            pickup: options
                .pickup
                .map(|q| (q * f64::from(QUARTER)).round() as u32),
            downbeat: options.downbeat_s.and_then(nearest),
            smallest: options.smallest,
            ..Known::default()
        },
    }
}

/// Onsets in the time in which every quarter of a tempo track takes the same, or as they
/// are.
fn in_grid(onsets: &[Onset], grid: Option<Grid>, options: &NotationOptions) -> Vec<Onset> {
    let warp = options.tempo_track.as_deref().zip(grid);
    let onset = |onset: &Onset| Onset {
        time_s: warp.map_or(onset.time_s, |(track, grid)| {
            grid.period_s * track.quarters(onset.time_s)
        }),
        ..*onset
    };
    onsets.iter().map(onset).collect()
}

/// Quarters and seconds of each bar.
fn bar_times(
    bars: &[Bar],
    begins: u32,
    pulse: &Pulse,
    curve: &TempoCurve,
    swing: &Swing,
) -> Vec<(f64, f64)> {
    let mut start = begins;
    let mut times = Vec::with_capacity(bars.len());
    for bar in bars {
        let end = start + bar.written.iter().map(|w| w.length).sum::<u32>();
        let [from, to] = [start, end].map(|place| swing.played(place, pulse));
        times.push((to - from, curve.seconds(to) - curve.seconds(from)));
        start = end;
    }
    times
}

/// Key of a line's part.
fn key(line: &Line, options: &NotationOptions) -> Key {
    options.fifths.map_or(line.key(), |fifths| Key { fifths })
}

/// How long a note sounds, in seconds, given it and the grace notes after it: those that come
/// at once are played out of its time.
fn sounds_s(notes: &[LineNote]) -> f64 {
    let onset_s = notes[0].note.onset_s;
    let touching = notes
        .windows(2)
        .take_while(|pair| pair[1].note.touches(&pair[0].note));
    notes[touching.count()].note.body_end_s() - onset_s
}

/// The notes that have no place of their own, by the ones that they come before.
fn graces(placed: &[usize]) -> Vec<(Range<usize>, usize)> {
    let before =
        |pair: &[usize]| (pair[1] - pair[0] > 1).then_some((pair[0] + 1..pair[1], pair[1]));
    placed.windows(2).filter_map(before).collect()
}

/// Places of all notes: those that were estimated from, and the rest in the same metre. A
/// longer line may turn to swing, or from it, later on.
fn places(
    onsets: &[Onset],
    found: &Estimate,
    model: &MetricalModel,
    search: &Search,
) -> (Path, Timing) {
    if found.path.placed.last() == Some(&(onsets.len() - 1)) {
        return (found.path.clone(), found.timing);
    }
    let known = Known {
        pickup: None,
        first: Some(found.first),
        period_s: search.known.period_s.or(Some(found.period_s)),
        ..search.known
    };
    let feels = estimate::feels(&found.timing, found.metre, search);
    let mut best: Option<(f64, Path, Timing)> = None;
    for (timing, log_usual) in feels {
        let path = decode(onsets, model, &timing, &known);
        let score = path.log_p + log_usual;
        if best.as_ref().is_none_or(|(other, ..)| score > *other) {
            best = Some((score, path, timing));
        }
    }
    let (_, path, timing) = best.expect("a path");
    (path, timing)
}

/// How the eighths of a path are played.
fn swing(path: &Path, timing: &Timing, onsets: &[Onset], pulse: &Pulse) -> Swing {
    if !timing.in_passages {
        return Swing::all_through(timing.swing);
    }
    let places = path.ticks.iter().zip(&path.placed).zip(&path.swung);
    let note = |((place, at), swung): ((&u32, &usize), &bool)| Beaten {
        place: *place,
        time_s: onsets[*at].time_s,
        swung: *swung,
    };
    let notes: Vec<Beaten> = places.map(note).collect();
    Swing::in_passages(&notes, pulse, timing.swing)
}
