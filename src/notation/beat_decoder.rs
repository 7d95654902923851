//! The beat that a line follows: places on the grid and a tempo that breathes, decoded
//! together.
//!
//! Each hypothesis knows the place of the last note and, by a Kalman filter, when the
//! next places are due (Cemgil and Kappen, Journal of Artificial Intelligence Research
//! 18, 2003; from memory): an onset strays around its place, and the period follows a
//! random walk. The places follow the [`MetricalModel`]. A beam keeps the best hypothesis
//! of every place, division and period, and the best few hundred of those.

use std::f64::consts::TAU;

use super::QUARTER;
use super::beam::{Beam, Node};
use super::metrical_model::{AHEAD, Division, MetricalModel, Next, log_last};
use super::pulse::Strength;
use super::tempo_curve::{Clock, log_normal};
use super::tempo_track::Grid;

/// An onset as it is decoded.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Onset {
    /// Stream time in seconds.
    pub time_s: f64,
    /// Level over that of the notes around it, in dB.
    pub accent_db: f64,
}

/// How a player keeps time, as it is supposed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Timing {
    /// Standard deviation of onsets around their places, in seconds.
    pub jitter_s: f64,
    /// Standard deviation of the change of tempo over a quarter, as a share of it.
    pub drift: f64,
    /// Share of a quarter that its first eighth takes; a half where nothing swings.
    pub swing: f64,
    /// Whether only passages of the line swing, and others are straight.
    pub in_passages: bool,
}

/// What is known of the beat beforehand.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Known {
    /// Seconds of a quarter at the start.
    pub period_s: Option<f64>,
    /// Band in which they stay.
    pub band_s: Option<(f64, f64)>,
    /// Place in the bar of the first note, in ticks.
    pub first: Option<u32>,
    /// Or ticks before the first bar line.
    pub pickup: Option<u32>,
    /// A note that begins a bar, by its index.
    pub downbeat: Option<usize>,
    /// Smallest value that is written: 4, 8, 16 or 32 for a quarter to a 32nd.
    pub smallest: Option<u32>,
    /// Where the beats are. Onsets are then in the grid's own time, in which every
    /// quarter takes its period.
    pub grid: Option<Grid>,
}

/// Places found for a line's onsets.
#[derive(Debug, Clone, PartialEq)]
pub struct Path {
    /// The onsets that have places, in order; the others are grace notes before the next
    /// of them. The last one has a place.
    pub placed: Vec<usize>,
    /// Their places in ticks from the first bar line, strictly rising.
    pub ticks: Vec<u32>,
    /// How the beat of each is divided.
    pub divisions: Vec<Division>,
    /// Whether each is played as swung.
    pub swung: Vec<bool>,
    /// Logarithm of the probability of places and times; the levels are left out, for they
    /// only guide the search.
    pub log_p: f64,
}

/// Periods of a quarter that are looked for, in seconds: 37 to 270 a minute.
pub const PERIODS_S: (f64, f64) = (0.22, 1.6);
/// Periods that are told apart.
const PERIODS_PER_OCTAVE: f64 = 16.0;
/// Most usual tempo in quarters a minute, spread around it in octaves, and the tempi that
/// parts are written in, with the steepness of their ends (metronomes go from 40 to 208).
pub const USUAL: f64 = 96.0;
const USUAL_OCTAVES: f64 = 0.4;
pub const WRITTEN: (f64, f64) = (52.0, 190.0);
const BEYOND_OCTAVES: f64 = 0.15;
/// Doubt about a period that was looked for, and about one that was given, as a share.
const LOOKED_FOR: f64 = 0.025;
const GIVEN: f64 = 0.02;
/// Standard deviations from its place beyond which an onset belongs to another.
const GATE: f64 = 4.5;
/// What rounding may make of a bound.
const ROUNDING: f64 = 1e-6;
/// Cost of turning from straight to swung or back, in nats.
const TURN: f64 = 4.0;
/// Cost of an onset that fits nowhere, in nats.
const LOST: f64 = 30.0;
/// How often a note is a grace note, and how long before its main note it begins on the
/// average, in seconds (exponential).
const GRACE: f64 = 0.01;
/// How often another follows: mordents and turns have several.
const GRACE_AGAIN: f64 = 0.4;
const GRACE_S: f64 = 0.05;
/// How long before it at most.
const GRACE_MOST_S: f64 = 0.2;
/// Accents that places have, in standard deviations of the level, weakest first.
const ACCENTS: [f64; 4] = [-0.4, 0.0, 0.4, 0.9];

/// Logarithm of how usual a tempo is.
pub(crate) fn log_usual(period_s: f64) -> f64 {
    let tempo = 60.0 / period_s;
    let octaves = (tempo / USUAL).log2() / USUAL_OCTAVES;
    let out = (WRITTEN.0 / tempo).log2().max((tempo / WRITTEN.1).log2());
    let beyond = out.max(0.0) / BEYOND_OCTAVES;
    -0.5 * (octaves * octaves + beyond * beyond)
}

/// Seconds of a quarter that are looked for where none are known, so many in an octave.
pub(crate) fn periods_s(per_octave: f64) -> impl Iterator<Item = f64> {
    let octaves = (PERIODS_S.1 / PERIODS_S.0).log2();
    let count = (octaves * per_octave) as u32;
    (0..count).map(move |i| PERIODS_S.0 * 2f64.powf((f64::from(i) + 0.5) / per_octave))
}

/// Accent that a place has, in standard deviations of the level.
pub fn usual_accent(strength: Strength) -> f64 {
    ACCENTS[strength as usize]
}

/// Logarithm of how probable a level is at a place.
fn log_accent(strength: Strength, accent_db: f64, spread_db: f64) -> f64 {
    let off = accent_db / spread_db - usual_accent(strength);
    -0.5 * off * off
}

/// Standard deviation of levels in dB; never nothing, for lists may have them all alike.
fn spread_db(onsets: &[Onset]) -> f64 {
    let sum: f64 = onsets.iter().map(|o| o.accent_db * o.accent_db).sum();
    (sum / onsets.len().max(1) as f64).sqrt().max(0.5)
}

impl Known {
    /// Whether a note may stand at a place, as far as the smallest value says.
    fn allows(&self, place: u32) -> bool {
        let Some(smallest) = self.smallest else {
            return true;
        };
        let triplets = [(8, QUARTER / 3), (16, QUARTER / 6)];
        place.is_multiple_of((4 * QUARTER / smallest).max(1))
            || triplets
                .iter()
                .any(|(value, ticks)| smallest >= *value && place.is_multiple_of(*ticks))
    }

    /// Whether the note of an index may stand at a place.
    fn fits(&self, at: usize, place: u32, bar: u32) -> bool {
        self.allows(place)
            && (self.downbeat != Some(at) || place == 0)
            && (at > 0 || self.first_in(bar).is_none_or(|first| first == place))
    }

    /// Place of the first note in a bar of so many ticks, if it is known.
    pub fn first_in(&self, bar: u32) -> Option<u32> {
        let before = |pickup: u32| (bar - pickup % bar) % bar;
        self.first.or(self.pickup.map(before))
    }
}

/// One search.
struct Decoder<'a> {
    onsets: &'a [Onset],
    model: &'a MetricalModel,
    timing: &'a Timing,
    known: &'a Known,
    /// For each place in the bar its quarters as it is played straight and swung (the same
    /// where the line is played in one way alone), and its strength.
    played: [Vec<f64>; 2],
    strengths: Vec<Strength>,
    /// How far a place may be moved by swing, in quarters.
    moved: f64,
    /// Logarithm of how probable an onset is that is just on its place, at most.
    on_place: f64,
    /// For each strength the same of the level of the note at hand.
    accents: [f64; 4],
    spread_db: f64,
    /// Periods outside of which no hypothesis is followed.
    limits_s: (f64, f64),
    /// Where the classes of periods begin that are told apart.
    classes_s: Vec<f64>,
    /// For each place, division, feel and period the best node of the note at hand, and the same
    /// of grace notes.
    beam: Beam,
    /// How probable the next places of a node may be, at most.
    at_most: Vec<f64>,
}

/// What is kept of a hypothesis for the way back.
struct Step {
    parent: u32,
    ticks: u32,
    division: Division,
    grace: bool,
    swung: bool,
}

/// The hypotheses of all notes, one after the other.
struct Steps {
    all: Vec<Step>,
    /// Where those of each note begin.
    starts: Vec<usize>,
}

impl Steps {
    fn push(&mut self, nodes: &[Node]) {
        let step = |n: &Node| Step {
            parent: n.parent,
            ticks: n.ticks,
            division: n.division,
            grace: n.grace_s.is_some(),
            swung: n.swung,
        };
        self.starts.push(self.all.len());
        self.all.extend(nodes.iter().map(step));
    }
}

/// The most probable places of onsets, which rise strictly.
///
/// # Panics
/// Without onsets.
pub fn decode(onsets: &[Onset], model: &MetricalModel, timing: &Timing, known: &Known) -> Path {
    let bar = model.pulse.bar();
    let limits_s = match (known.band_s, known.period_s) {
        (Some((low, high)), _) => (0.85 * low, 1.18 * high),
        (None, Some(period_s)) => (0.5 * period_s, 2.0 * period_s),
        (None, None) => PERIODS_S,
    };
    let octaves = (limits_s.1 / limits_s.0).log2();
    let periods = (octaves * PERIODS_PER_OCTAVE) as usize + 1;
    let class_s = |class: usize| limits_s.0 * (class as f64 / PERIODS_PER_OCTAVE).exp2();
    let played = |swing| (0..bar).map(|p| model.pulse.played(p, swing)).collect();
    let straight = if timing.in_passages {
        0.5
    } else {
        timing.swing
    };
    let mut decoder = Decoder {
        onsets,
        model,
        timing,
        known,
        played: [straight, timing.swing].map(played),
        strengths: (0..bar).map(|p| model.pulse.strength(p)).collect(),
        moved: (timing.swing - 0.5).abs(),
        on_place: -0.5 * (TAU * timing.jitter_s * timing.jitter_s).ln(),
        accents: [0.0; 4],
        spread_db: spread_db(onsets),
        limits_s,
        classes_s: (0..periods).map(class_s).collect(),
        beam: Beam::new(2 * 2 * bar as usize * Division::ALL.len() * periods),
        at_most: Vec::new(),
    };
    let mut before = decoder.start();
    let mut steps = Steps {
        all: Vec::new(),
        starts: Vec::new(),
    };
    steps.push(&before);
    let mut nodes = Vec::new();
    for at in 1..onsets.len() {
        decoder.advance(at, &before);
        decoder.beam.take(&mut nodes);
        if nodes.iter().all(|node| node.grace_s.is_some()) {
            nodes.extend(decoder.lost(at, &before));
        }
        steps.push(&nodes);
        std::mem::swap(&mut nodes, &mut before);
    }
    let mut path = trace(model, &steps, &before);
    let accents = path.ticks.iter().zip(&path.placed);
    path.log_p -= accents
        .map(|(t, at)| decoder.log_accent(t % bar, &onsets[*at]))
        .sum::<f64>();
    path
}

/// The way that led to the best of the last nodes.
fn trace(model: &MetricalModel, steps: &Steps, last: &[Node]) -> Path {
    let ended = |n: &Node| n.log_p + log_last(model.pulse.strength(n.place));
    let best = (0..last.len()).max_by(|a, b| ended(&last[*a]).total_cmp(&ended(&last[*b])));
    let mut at = best.expect("a hypothesis");
    let log_p = ended(&last[at]);
    let (mut placed, mut ticks, mut divisions) = (Vec::new(), Vec::new(), Vec::new());
    let mut swung = Vec::new();
    for (onset, start) in steps.starts.iter().enumerate().rev() {
        let step = &steps.all[start + at];
        if !step.grace {
            placed.push(onset);
            ticks.push(step.ticks);
            divisions.push(step.division);
            swung.push(step.swung);
        }
        at = step.parent as usize;
    }
    placed.reverse();
    ticks.reverse();
    divisions.reverse();
    swung.reverse();
    Path {
        placed,
        ticks,
        divisions,
        swung,
        log_p,
    }
}

impl Decoder<'_> {
    /// Hypotheses of the first note: every place, every period.
    fn start(&self) -> Vec<Node> {
        let onset = &self.onsets[0];
        let (low, high) = self.known.band_s.unwrap_or(PERIODS_S);
        let looked_for = periods_s(PERIODS_PER_OCTAVE)
            .filter(|period_s| (low..=high).contains(period_s))
            .map(|p| (p, log_usual(p) - PERIODS_PER_OCTAVE.ln(), LOOKED_FOR));
        let periods: Vec<(f64, f64, f64)> = match self.known.period_s {
            Some(period_s) => vec![(period_s, 0.0, GIVEN)],
            None => looked_for.collect(),
        };
        let mut nodes = Vec::new();
        let fitting = || {
            self.model
                .places()
                .filter(|p| self.known.fits(0, *p, self.model.pulse.bar()))
        };
        // Where nothing fits what is known, the smallest value gives way.
        let places: Vec<u32> = match fitting().next() {
            Some(_) => fitting().collect(),
            None => vec![self.known.first_in(self.model.pulse.bar()).unwrap_or(0)],
        };
        for place in places {
            let log_first = self.model.log_first(place) + self.log_accent(place, onset);
            for (period_s, log_period, doubt) in &periods {
                for swung in self.feels() {
                    let (clock, log_time) = self.first_clock(place, *swung, *period_s, *doubt);
                    nodes.push(Node {
                        parent: 0,
                        place,
                        ticks: place,
                        division: Division::Whole,
                        grace_s: None,
                        swung: *swung,
                        class: 0,
                        log_p: log_first + log_period + log_time,
                        clock,
                    });
                }
            }
        }
        nodes
    }

    /// The clock of the first note at a place, and the logarithm of the probability of
    /// its time: whatever it is, where nothing is known of the beat.
    fn first_clock(&self, place: u32, swung: bool, period_s: f64, doubt: f64) -> (Clock, f64) {
        let (time_s, jitter_s) = (self.onsets[0].time_s, self.timing.jitter_s);
        let at_onset = || (Clock::new(time_s, period_s, jitter_s, doubt), 0.0);
        let Some(grid) = self.known.grid else {
            return at_onset();
        };
        let played = self.played(place, swung);
        let due_s = period_s * (grid.bar_line(time_s / period_s, played) + played);
        // A player may be early or late all through, but knows the tempo.
        let clock = Clock::new(due_s, period_s, jitter_s, 0.0);
        clock
            .corrected(time_s, jitter_s, f64::INFINITY)
            .unwrap_or_else(at_onset)
    }

    /// Whether the line may begin swung.
    fn feels(&self) -> &'static [bool] {
        match (self.timing.in_passages, self.timing.swing > 0.5) {
            (true, _) => &[false, true],
            (false, true) => &[true],
            (false, false) => &[false],
        }
    }

    /// Quarters of a place in the bar as it is played.
    fn played(&self, place: u32, swung: bool) -> f64 {
        self.played[usize::from(swung)][place as usize]
    }

    fn log_accent(&self, place: u32, onset: &Onset) -> f64 {
        let strength = self.strengths[place as usize];
        log_accent(strength, onset.accent_db, self.spread_db)
    }

    /// Finds the hypotheses of a note, given those of the one before.
    fn advance(&mut self, at: usize, before: &[Node]) {
        let accent_db = self.onsets[at].accent_db;
        self.accents = Strength::ALL.map(|s| log_accent(s, accent_db, self.spread_db));
        let loudest = self.accents.iter().copied().fold(f64::MIN, f64::max);
        for (parent, node) in (0..).zip(before) {
            self.grace(at, parent, node);
            self.follow(at, parent, node, self.onsets[at].time_s, loudest);
            if let Some(grace_s) = node.grace_s {
                // Grace notes come before the beat, or the first of them is on it.
                self.follow(at, parent, node, grace_s, loudest);
            }
        }
    }

    /// Finds the places that a note may have that is due at a time, given the one before.
    fn follow(&mut self, at: usize, parent: u32, node: &Node, time_s: f64, loudest: f64) {
        let model = self.model;
        let gap_s = time_s - node.clock.due_s;
        let gap = gap_s / node.clock.period_s * f64::from(QUARTER);
        if gap > 0.8 * f64::from(AHEAD) {
            self.resume(at, parent, node, time_s, gap);
            return;
        }
        // What can be meant: the gate and the beam decide, this spares the rest.
        let nexts = model.nexts(node.place, node.division);
        let likeliest = node.log_p + nexts.likeliest + loudest + self.on_place;
        let room = likeliest - self.beam.floor() + ROUNDING;
        if room < 0.0 {
            return;
        }
        let loose = 0.35 * gap.max(0.0) + f64::from(QUARTER / 2);
        let loose = loose.min(self.reach(node, gap + loose, room));
        let nexts = nexts.between(gap - loose, gap + loose);
        for swung in self.feels() {
            if *swung != node.swung && room < TURN {
                continue;
            }
            self.weigh(time_s, node, nexts, *swung);
            let floor = self.beam.floor() - loudest - self.on_place - node.log_p - ROUNDING;
            for (number, next) in nexts.iter().enumerate() {
                if self.at_most[number] > floor {
                    self.step(at, parent, node, next, time_s, *swung);
                }
            }
        }
    }

    /// How far in ticks an onset may be from a place, no more than `farthest` ticks ahead,
    /// if no more than `room` nats may be lost by it.
    fn reach(&self, node: &Node, farthest: f64, room: f64) -> f64 {
        let quarters = farthest / f64::from(QUARTER) + 2.0 * self.moved;
        let due = node.clock.after(quarters, self.timing.drift);
        let squares = (2.0 * room).min(GATE * GATE);
        let most_s = (squares * due.variance(self.timing.jitter_s)).sqrt();
        let most = most_s / node.clock.period_s + 2.0 * self.moved;
        most * f64::from(QUARTER) + ROUNDING
    }

    /// A note may be a grace note: it takes no place, and the next one comes at once.
    fn grace(&mut self, at: usize, parent: u32, node: &Node) {
        let Some(next) = self.onsets.get(at + 1) else {
            return;
        };
        let ahead_s = next.time_s - self.onsets[at].time_s;
        if self.known.downbeat == Some(at) || ahead_s > GRACE_MOST_S {
            return;
        }
        let often = node.grace_s.map_or(GRACE, |_| GRACE_AGAIN);
        let log_grace = often.ln() - GRACE_S.ln() - ahead_s / GRACE_S;
        let log_p = node.log_p + log_grace;
        if log_p > self.beam.floor() {
            self.keep(Node {
                parent,
                grace_s: node.grace_s.or(Some(self.onsets[at].time_s)),
                log_p,
                ..*node
            });
        }
    }

    /// After a long rest a line begins anew, nearby.
    fn resume(&mut self, at: usize, parent: u32, node: &Node, time_s: f64, gap: f64) {
        let model = self.model;
        let bar = model.pulse.bar();
        let bars = (gap / f64::from(bar)) as u32;
        for bars in bars.saturating_sub(1)..=bars + 2 {
            for place in model.places() {
                let Some(ticks) = (bars * bar + place).checked_sub(node.place) else {
                    continue;
                };
                let near = (f64::from(ticks) - gap).abs() < f64::from(2 * QUARTER);
                if ticks > 0 && near {
                    let next = Next {
                        ticks,
                        place,
                        bars: model.bars(node.place, ticks),
                        division: Division::Whole,
                        log_p: model.log_first(place),
                    };
                    self.step(at, parent, node, &next, time_s, node.swung);
                }
            }
        }
    }

    /// How probable a hypothesis is at each of some next places, but for what they have in
    /// common and for the logarithm of the variance, which can wait. One loop without
    /// branches: which places come into question is hard to foresee.
    fn weigh(&mut self, time_s: f64, node: &Node, nexts: &[Next], swung: bool) {
        let (drift, jitter_s) = (self.timing.drift, self.timing.jitter_s);
        let played = &self.played[usize::from(swung)];
        let here = self.played(node.place, node.swung);
        self.at_most.clear();
        self.at_most.extend(nexts.iter().map(|next| {
            let quarters = next.bars + played[next.place as usize] - here;
            let due = node.clock.after(quarters, drift);
            let off_s = time_s - due.due_s;
            next.log_p - 0.5 * off_s * off_s / due.variance(jitter_s)
        }));
    }

    /// Whether a line may turn from straight to swung, or back, on its way to a place: one
    /// that swing moves, and no other of its beat has come before.
    fn may_turn(&self, node: &Node, next: &Next) -> bool {
        let moved = |place: u32| self.played(place, false) != self.played(place, true);
        let pulse = &self.model.pulse;
        let same_beat = next.bars == 0.0 && pulse.beat(node.place) == pulse.beat(next.place);
        moved(next.place) && !(same_beat && moved(node.place))
    }

    /// Follows a hypothesis to its next place, which a note is to meet at a time.
    fn step(&mut self, at: usize, parent: u32, node: &Node, next: &Next, time_s: f64, swung: bool) {
        let place = next.place;
        if !self.known.fits(at, place, self.model.pulse.bar()) {
            return;
        }
        let turns = swung != node.swung;
        if turns && !self.may_turn(node, next) {
            return;
        }
        let quarters = next.bars + self.played(place, swung) - self.played(node.place, node.swung);
        let due = node.clock.after(quarters, self.timing.drift);
        let off_s = time_s - due.due_s;
        let variance = due.variance(self.timing.jitter_s);
        if off_s * off_s > GATE * GATE * variance {
            return;
        }
        let accent = self.accents[self.strengths[place as usize] as usize];
        let turn = if turns { TURN } else { 0.0 };
        let log_p = node.log_p + next.log_p + log_normal(off_s, variance) + accent - turn;
        if log_p <= self.beam.floor() {
            return;
        }
        let clock = due.moved(off_s, variance);
        let (low, high) = self.limits_s;
        if !(low..=high).contains(&clock.period_s) {
            return;
        }
        self.keep(Node {
            parent,
            place,
            ticks: node.ticks + next.ticks,
            division: next.division,
            grace_s: None,
            swung,
            class: node.class,
            log_p,
            clock,
        });
    }

    /// Keeps a node if it is the best of its place, division and period.
    fn keep(&mut self, mut found: Node) {
        // The class of the node that it follows, or one nearby.
        let classes_s = &self.classes_s;
        let mut class = found.class as usize;
        while class > 0 && found.clock.period_s < classes_s[class] {
            class -= 1;
        }
        while class + 1 < classes_s.len() && found.clock.period_s >= classes_s[class + 1] {
            class += 1;
        }
        found.class = class as u32;
        let place = 2 * found.place as usize + usize::from(found.grace_s.is_some());
        let place = place * Division::ALL.len() + found.division as usize;
        let place = 2 * place + usize::from(found.swung);
        self.beam.keep(place * classes_s.len() + class, found);
    }

    /// An onset that fits nowhere goes to the nearest place there is, and the beat starts
    /// from there unless it is known.
    fn lost(&self, at: usize, before: &[Node]) -> Vec<Node> {
        let bar = self.model.pulse.bar();
        let lost = |(parent, node): (u32, &Node)| {
            let onset = &self.onsets[at];
            let gap_s = onset.time_s - node.clock.due_s;
            let gap = (gap_s / node.clock.period_s * f64::from(QUARTER)).clamp(1.0, 1e6) as u32;
            let fits = |ticks: &u32| {
                let place = (node.place + ticks) % bar;
                self.model.pulse.has(place) && self.known.fits(at, place, bar)
            };
            // A known bar line may be most of a bar away.
            let ticks = (gap..gap + 2 * bar).find(fits).unwrap_or(gap);
            let place = (node.place + ticks) % bar;
            let clock = match self.known.grid {
                Some(_) => {
                    let played = |place: u32| self.played(place, node.swung);
                    let bars = self.model.bars(node.place, ticks);
                    let quarters = bars + played(place) - played(node.place);
                    node.clock.after(quarters, 0.0)
                }
                None => node.clock.restarted(onset.time_s),
            };
            Node {
                parent,
                place,
                ticks: node.ticks + ticks,
                division: Division::Whole,
                grace_s: None,
                swung: node.swung,
                class: node.class,
                log_p: node.log_p - LOST + self.log_accent(place, onset),
                clock,
            }
        };
        (0..).zip(before).map(lost).collect()
    }
}
