//! The beat that a line follows: places on the grid and a tempo that breathes, decoded
//! together.
//!
//! Each hypothesis knows the place of the last note and, by a Kalman filter, when the
//! next places are due (Cemgil and Kappen, Journal of Artificial Intelligence Research
//! 18, 2003; from memory): an onset strays around its place, and the period follows a
//! random walk. The places follow the [`MetricalModel`]. A beam keeps the best hypothesis
//! of every place, division and period, and the best few hundred of those.

use super::QUARTER;
use super::metrical_model::{AHEAD, Division, MetricalModel, log_last};
use super::pulse::Strength;
use super::tempo_curve::Clock;
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
    /// Logarithm of the probability of places and times; the levels are left out, for they
    /// only guide the search.
    pub log_p: f64,
}

/// A hypothesis.
#[derive(Clone, Copy)]
struct Node {
    parent: u32,
    place: u32,
    ticks: u32,
    division: Division,
    /// Whether the note at hand is a grace note: place and clock are those of the last
    /// note that is none.
    grace: bool,
    log_p: f64,
    clock: Clock,
}

/// What is kept of a hypothesis for the way back.
struct Step {
    parent: u32,
    ticks: u32,
    division: Division,
    grace: bool,
}

/// Hypotheses kept after each note: the most, and how much less probable they may be than
/// the best, in nats.
const MOST: usize = 400;
const WORSE: f64 = 16.0;
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
/// Cost of an onset that fits nowhere, in nats.
const LOST: f64 = 30.0;
/// How often a note is a grace note, and how long before its main note it begins on the
/// average, in seconds (exponential).
const GRACE: f64 = 0.01;
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
struct Beam<'a> {
    onsets: &'a [Onset],
    model: &'a MetricalModel,
    timing: &'a Timing,
    known: &'a Known,
    /// Place within the bar in quarters, as it is played.
    played: Vec<f64>,
    spread_db: f64,
    /// Periods outside of which no hypothesis is followed.
    limits_s: (f64, f64),
    /// Periods that are told apart within them.
    periods: usize,
    /// For each place, division and period the best node of the note at hand, and the same
    /// of grace notes.
    best: Vec<u32>,
    used: Vec<usize>,
    nodes: Vec<Node>,
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
    let mut beam = Beam {
        onsets,
        model,
        timing,
        known,
        played: (0..bar)
            .map(|p| model.pulse.played(p, timing.swing))
            .collect(),
        spread_db: spread_db(onsets),
        limits_s,
        periods,
        best: vec![u32::MAX; 2 * bar as usize * Division::ALL.len() * periods],
        used: Vec::new(),
        nodes: Vec::new(),
    };
    let mut before = beam.start();
    let mut steps = vec![kept(&before)];
    for at in 1..onsets.len() {
        let mut nodes = beam.advance(at, &before);
        if nodes.iter().all(|node| node.grace) {
            nodes.extend(beam.lost(at, &before));
        }
        steps.push(kept(&nodes));
        before = nodes;
    }
    let mut path = trace(model, &steps, &before);
    let accents = path.ticks.iter().zip(&path.placed);
    path.log_p -= accents
        .map(|(t, at)| beam.log_accent(t % bar, &onsets[*at]))
        .sum::<f64>();
    path
}

fn kept(nodes: &[Node]) -> Vec<Step> {
    let step = |n: &Node| Step {
        parent: n.parent,
        ticks: n.ticks,
        division: n.division,
        grace: n.grace,
    };
    nodes.iter().map(step).collect()
}

/// The way that led to the best of the last nodes.
fn trace(model: &MetricalModel, steps: &[Vec<Step>], last: &[Node]) -> Path {
    let ended = |n: &Node| n.log_p + log_last(model.pulse.strength(n.place));
    let best = (0..last.len()).max_by(|a, b| ended(&last[*a]).total_cmp(&ended(&last[*b])));
    let mut at = best.expect("a hypothesis");
    let log_p = ended(&last[at]);
    let (mut placed, mut ticks, mut divisions) = (Vec::new(), Vec::new(), Vec::new());
    for (onset, nodes) in steps.iter().enumerate().rev() {
        let step = &nodes[at];
        if !step.grace {
            placed.push(onset);
            ticks.push(step.ticks);
            divisions.push(step.division);
        }
        at = step.parent as usize;
    }
    placed.reverse();
    ticks.reverse();
    divisions.reverse();
    Path {
        placed,
        ticks,
        divisions,
        log_p,
    }
}

impl Beam<'_> {
    /// Hypotheses of the first note: every place, every period.
    fn start(&self) -> Vec<Node> {
        let onset = &self.onsets[0];
        let octaves = (PERIODS_S.1 / PERIODS_S.0).log2();
        let count = (octaves * PERIODS_PER_OCTAVE) as u32;
        let (low, high) = self.known.band_s.unwrap_or(PERIODS_S);
        let looked_for = (0..count)
            .map(|i| PERIODS_S.0 * 2f64.powf((f64::from(i) + 0.5) / PERIODS_PER_OCTAVE))
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
                let (clock, log_time) = self.first_clock(place, *period_s, *doubt);
                nodes.push(Node {
                    parent: 0,
                    place,
                    ticks: place,
                    division: Division::Whole,
                    grace: false,
                    log_p: log_first + log_period + log_time,
                    clock,
                });
            }
        }
        nodes
    }

    /// The clock of the first note at a place, and the logarithm of the probability of
    /// its time: whatever it is, where nothing is known of the beat.
    fn first_clock(&self, place: u32, period_s: f64, doubt: f64) -> (Clock, f64) {
        let (time_s, jitter_s) = (self.onsets[0].time_s, self.timing.jitter_s);
        let at_onset = || (Clock::new(time_s, period_s, jitter_s, doubt), 0.0);
        let Some(grid) = self.known.grid else {
            return at_onset();
        };
        let played = self.played[place as usize];
        let due_s = period_s * (grid.bar_line(time_s / period_s, played) + played);
        // A player may be early or late all through, but knows the tempo.
        let clock = Clock::new(due_s, period_s, jitter_s, 0.0);
        clock
            .corrected(time_s, jitter_s, f64::INFINITY)
            .unwrap_or_else(at_onset)
    }

    fn log_accent(&self, place: u32, onset: &Onset) -> f64 {
        let strength = self.model.pulse.strength(place);
        log_accent(strength, onset.accent_db, self.spread_db)
    }

    /// Hypotheses of a note, given those of the one before.
    fn advance(&mut self, at: usize, before: &[Node]) -> Vec<Node> {
        let model = self.model;
        for (parent, node) in (0..).zip(before) {
            self.grace(at, parent, node);
            let gap_s = self.onsets[at].time_s - node.clock.due_s;
            let gap = gap_s / node.clock.period_s * f64::from(QUARTER);
            if gap > 0.8 * f64::from(AHEAD) {
                self.resume(at, parent, node, gap);
                continue;
            }
            // What can be meant: the gate decides, this spares the rest.
            let loose = 0.35 * gap.max(0.0) + f64::from(QUARTER / 2);
            let nexts = model.nexts(node.place, node.division);
            let from = nexts.partition_point(|n| f64::from(n.ticks) < gap - loose);
            for next in &nexts[from..] {
                if f64::from(next.ticks) > gap + loose {
                    break;
                }
                self.step(at, parent, node, next.ticks, next.division, next.log_p);
            }
        }
        self.take_best()
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
        let log_grace = GRACE.ln() - GRACE_S.ln() - ahead_s / GRACE_S;
        self.keep(Node {
            parent,
            grace: true,
            log_p: node.log_p + log_grace,
            ..*node
        });
    }

    /// After a long rest a line begins anew, nearby.
    fn resume(&mut self, at: usize, parent: u32, node: &Node, gap: f64) {
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
                    self.step(
                        at,
                        parent,
                        node,
                        ticks,
                        Division::Whole,
                        model.log_first(place),
                    );
                }
            }
        }
    }

    fn step(
        &mut self,
        at: usize,
        parent: u32,
        node: &Node,
        ticks: u32,
        division: Division,
        log_next: f64,
    ) {
        let bar = self.model.pulse.bar();
        let place = (node.place + ticks) % bar;
        if !self.known.fits(at, place, bar) {
            return;
        }
        let onset = &self.onsets[at];
        let due = node
            .clock
            .after(self.quarters(node.place, ticks), self.timing.drift);
        let Some((clock, log_time)) = due.corrected(onset.time_s, self.timing.jitter_s, GATE)
        else {
            return;
        };
        let (low, high) = self.limits_s;
        if !(low..=high).contains(&clock.period_s) {
            return;
        }
        let log_p = node.log_p + log_next + log_time + self.log_accent(place, onset);
        self.keep(Node {
            parent,
            place,
            ticks: node.ticks + ticks,
            division,
            grace: false,
            log_p,
            clock,
        });
    }

    /// Keeps a node if it is the best of its place, division and period.
    fn keep(&mut self, found: Node) {
        let octaves = (found.clock.period_s / self.limits_s.0).log2();
        let period = ((octaves * PERIODS_PER_OCTAVE) as usize).min(self.periods - 1);
        let place = 2 * found.place as usize + usize::from(found.grace);
        let key = (place * Division::ALL.len() + found.division as usize) * self.periods + period;
        match self.best[key] {
            u32::MAX => {
                self.best[key] = self.nodes.len() as u32;
                self.used.push(key);
                self.nodes.push(found);
            }
            other => {
                let other = &mut self.nodes[other as usize];
                if other.log_p < found.log_p {
                    *other = found;
                }
            }
        }
    }

    /// Quarters from a place to one that is so many ticks later.
    fn quarters(&self, place: u32, ticks: u32) -> f64 {
        let bar = self.model.pulse.bar();
        let bars = f64::from((place + ticks) / bar * bar) / f64::from(QUARTER);
        let to = self.played[((place + ticks) % bar) as usize];
        bars + to - self.played[place as usize]
    }

    /// Takes out the best nodes that were found.
    fn take_best(&mut self) -> Vec<Node> {
        for key in self.used.drain(..) {
            self.best[key] = u32::MAX;
        }
        let mut nodes = std::mem::take(&mut self.nodes);
        let top = nodes.iter().map(|n| n.log_p).fold(f64::MIN, f64::max);
        nodes.retain(|n| n.log_p > top - WORSE);
        if nodes.len() > MOST {
            nodes.select_nth_unstable_by(MOST, |a, b| b.log_p.total_cmp(&a.log_p));
            nodes.truncate(MOST);
        }
        nodes
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
                Some(_) => node.clock.after(self.quarters(node.place, ticks), 0.0),
                None => node.clock.restarted(onset.time_s),
            };
            Node {
                parent,
                place,
                ticks: node.ticks + ticks,
                division: Division::Whole,
                grace: false,
                log_p: node.log_p - LOST + self.log_accent(place, onset),
                clock,
            }
        };
        (0..).zip(before).map(lost).collect()
    }
}
