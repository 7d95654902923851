//! Tempo, metre, bar lines and swing of a line: each candidate is decoded, and the most
//! probable one is taken.

use std::collections::HashMap;
use std::f64::consts::LN_2;
use std::sync::LazyLock;

use super::beat_decoder::{
    Known, Onset, PERIODS_S, Path, Timing, USUAL, WRITTEN, decode, usual_accent,
};
use super::metrical_model::MetricalModel;
use super::pulse::Strength;
use super::{Metre, QUARTER};

/// What a line is found to be.
#[derive(Debug, Clone, PartialEq)]
pub struct Estimate {
    /// Its metre, and which of that metre's pulses.
    pub metre: Metre,
    pub pulse: usize,
    /// How the player keeps time.
    pub timing: Timing,
    /// Seconds of a quarter on the whole.
    pub period_s: f64,
    /// Place in the bar of the first note, in ticks.
    pub first: u32,
    /// Places of the notes that were looked at.
    pub path: Path,
    /// Probabilities of metre, tempo (its octave) and bar lines against what else they
    /// might be, as far as each was looked for.
    pub sure_of_metre: f64,
    pub sure_of_tempo: f64,
    pub sure_of_bar: f64,
}

/// What is looked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Search {
    /// Metres that it may be, with how usual they are.
    pub metres: Vec<(Metre, f64)>,
    /// The swing, where it is known.
    pub swing: Option<f64>,
    /// Whether the tempo stays as it is.
    pub steady: bool,
    /// What is known of the beat.
    pub known: Known,
}

impl Search {
    /// Drifts to try: those of a player, unless the tempo is known to stay.
    fn drifts(&self, of_players: &'static [f64]) -> &'static [f64] {
        match (self.known.grid, self.steady) {
            (Some(_), _) => &[0.0],
            (None, true) => &[STEADY],
            (None, false) => of_players,
        }
    }
}

/// Metres that are looked for and how usual they are in brass players' parts: a guess,
/// and a flat one.
pub const METRES: [(u32, u32, f64); 8] = [
    (4, 4, 0.24),
    (3, 4, 0.17),
    (2, 4, 0.12),
    (6, 8, 0.12),
    (12, 8, 0.10),
    (5, 4, 0.09),
    (9, 8, 0.08),
    (7, 8, 0.08),
];
/// Swing that is looked for, and how usual swing is where quarters are beats.
const SWINGS: [f64; 4] = [0.57, 0.61, 0.65, 0.69];
const SWUNG: f64 = 0.3;
/// How usual it is that some passages swing and others do not, and candidates that are
/// tried in that way.
const IN_PASSAGES: f64 = 0.1;
const TRIED_IN_PASSAGES: usize = 3;
/// Bands of seconds a quarter that are decoded by themselves, so that each has its best.
const BANDS_S: [(f64, f64); 3] = [(0.22, 0.44), (0.40, 0.76), (0.70, 1.6)];
/// A player of whom nothing is known yet, and the players that are tried then.
pub(super) const JITTER_S: f64 = 0.018;
pub(crate) const DRIFT: f64 = 0.02;
const JITTERS_S: [f64; 5] = [0.005, 0.009, 0.014, 0.018, 0.026];
const DRIFTS: [f64; 4] = [0.004, 0.01, 0.02, 0.04];
const STEADY: f64 = 0.0005;
/// Seconds of a quarter where one note says nothing.
const ANY_PERIOD_S: f64 = 0.5;
/// Candidates of different metre or tempo that are looked at more closely.
const LOOKED_AT_CLOSELY: usize = 8;
/// Notes that a metre is estimated from; a longer line goes on as it began.
pub const LOOKED_AT: usize = 200;

/// What speaks for a candidate, in the order of [`Evidence::NAMES`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Evidence(pub [f64; Evidence::NAMES.len()]);

impl Evidence {
    /// Logarithm of the probability of places and times; that of metre and swing; whether
    /// it swings; what levels and what the line's own habits say; steps of a beat and of
    /// an eighth or more; squares of the octaves of quarters and of beats from usual ones,
    /// and beyond those that are written.
    pub const NAMES: [&str; 10] = [
        "path",
        "prior",
        "swings",
        "accents",
        "habits",
        "beats",
        "eighths",
        "quarter tempo",
        "beat tempo",
        "beyond",
    ];
    /// How much each weighs, fitted by `scripts/beat_weights.py`.
    const WEIGHTS: [f64; Evidence::NAMES.len()] = [
        0.945, 1.008, -2.463, 0.996, 0.678, 0.161, -0.015, -3.319, -2.523, -0.631,
    ];

    /// Logarithm of the probability, but for a constant.
    fn score(&self) -> f64 {
        let weighed = self.0.iter().zip(Evidence::WEIGHTS);
        weighed.map(|(x, weight)| x * weight).sum()
    }
}

/// A decoded candidate.
#[derive(Debug, Clone)]
pub struct Candidate<'a> {
    pub model: &'a MetricalModel,
    pub pulse: usize,
    pub timing: Timing,
    log_prior: f64,
    pub path: Path,
    pub period_s: f64,
    pub evidence: Evidence,
    /// Logarithm of its probability.
    score: f64,
}

impl Candidate<'_> {
    /// Place in the bar of the first note.
    pub fn first(&self) -> u32 {
        self.path.ticks[0]
    }

    /// Band around its own tempo.
    fn band_s(&self) -> (f64, f64) {
        (0.8 * self.period_s, 1.25 * self.period_s)
    }

    /// Whether two have the same metre and tempo.
    fn is_like(&self, other: &Candidate) -> bool {
        let apart = (self.period_s / other.period_s - 1.0).abs();
        self.model.metre == other.model.metre && apart < 0.1
    }
}

/// Models of metres, for those that are not usual.
pub type Models = Vec<Option<Vec<MetricalModel>>>;

/// Models of what is looked for and is not usual.
pub fn unusual(search: &Search) -> Models {
    let model =
        |(metre, _): &(Metre, f64)| usual(*metre).is_none().then(|| MetricalModel::all(*metre));
    search.metres.iter().map(model).collect()
}

/// Finds what a line is.
///
/// # Panics
/// Without onsets or metres.
pub fn estimate(onsets: &[Onset], search: &Search) -> Estimate {
    let unusual = unusual(search);
    let mut found = candidates(onsets, search, &unusual);
    let (sure_of_metre, sure_of_tempo, sure_of_bar) = sureness(&found);
    let best = found.swap_remove(0);
    Estimate {
        metre: best.model.metre,
        pulse: best.pulse,
        timing: best.timing,
        period_s: best.period_s,
        first: best.first(),
        path: best.path,
        sure_of_metre,
        sure_of_tempo,
        sure_of_bar,
    }
}

/// What a line may be, the most probable first: of the best metres and tempi each with
/// what fits the player best, and with its bar lines at every beat.
///
/// # Panics
/// Without onsets or metres.
pub fn candidates<'a>(
    onsets: &[Onset],
    search: &Search,
    unusual: &'a Models,
) -> Vec<Candidate<'a>> {
    let onsets = &onsets[..onsets.len().min(LOOKED_AT)];
    let models = search.metres.iter().zip(unusual);
    let models = models.filter_map(|((metre, p), unusual)| {
        let models = unusual.as_deref().or_else(|| usual(*metre))?;
        Some((models, *p))
    });
    let drift = search.drifts(&[DRIFT])[0];
    let mut found = Vec::new();
    for (models, p) in models {
        for (pulse, model) in models.iter().enumerate() {
            let share = p / models.len() as f64;
            for (swing, p) in swings(model, search.swing) {
                let timing = Timing {
                    jitter_s: JITTER_S,
                    drift,
                    swing,
                    in_passages: false,
                };
                let bands = BANDS_S.map(Some);
                let looked_for = search.known.period_s.is_none();
                for band_s in if looked_for { &bands[..] } else { &[None] } {
                    let known = Known {
                        band_s: *band_s,
                        ..search.known
                    };
                    let log_prior = f64::ln(share * p);
                    found.push(attempt(onsets, model, pulse, timing, &known, log_prior));
                }
            }
        }
    }
    sort(&mut found);
    let mut best: Vec<Candidate> = Vec::new();
    for candidate in found {
        if best.len() < LOOKED_AT_CLOSELY && !best.iter().any(|b| b.is_like(&candidate)) {
            best.push(candidate);
        }
    }
    let mut best: Vec<Candidate> = best.iter().map(|c| refined(onsets, c, search)).collect();
    sort(&mut best);
    for candidate in best.iter_mut().take(TRIED_IN_PASSAGES) {
        if let Some(better) = in_passages(onsets, candidate, search) {
            *candidate = better;
        }
    }
    let mut close = Vec::new();
    for candidate in best {
        close.extend(moved(onsets, &candidate, &search.known));
        close.push(candidate);
    }
    sort(&mut close);
    close
}

/// Models of the usual metres; a folder of takes asks for them again and again.
fn usual(metre: Metre) -> Option<&'static [MetricalModel]> {
    static USUAL: LazyLock<Vec<Vec<MetricalModel>>> = LazyLock::new(|| {
        let models = |(beats, value, _)| MetricalModel::all(Metre { beats, value });
        METRES.map(models).into()
    });
    let is = |models: &&Vec<MetricalModel>| models[0].metre == metre;
    USUAL.iter().find(is).map(Vec::as_slice)
}

/// Swings to try in a metre, with their probabilities.
fn swings(model: &MetricalModel, known: Option<f64>) -> Vec<(f64, f64)> {
    match known {
        Some(swing) => vec![(swing, 1.0)],
        None if model.metre.value == 4 => {
            let each = SWUNG / SWINGS.len() as f64;
            let straight = std::iter::once((0.5, 1.0 - SWUNG));
            straight.chain(SWINGS.map(|s| (s, each))).collect()
        }
        None => vec![(0.5, 1.0)],
    }
}

fn sort(found: &mut [Candidate]) {
    found.sort_by(|a, b| b.score.total_cmp(&a.score));
}

/// A candidate with its bar lines moved by whole beats: the beam keeps one bar line in the
/// end, chosen before the line's habits were known.
fn moved<'a>(onsets: &[Onset], best: &Candidate<'a>, known: &Known) -> Vec<Candidate<'a>> {
    if known.first.is_some() || known.pickup.is_some() || known.downbeat.is_some() {
        return Vec::new();
    }
    let pulse = &best.model.pulse;
    let firsts = pulse.beats()[1..].iter();
    let firsts = firsts.map(|(beat, _)| (best.first() + beat) % pulse.bar());
    let with = |first| {
        let known = Known {
            first: Some(first),
            band_s: Some(best.band_s()),
            ..*known
        };
        let (timing, log_prior) = (best.timing, best.log_prior);
        attempt(onsets, best.model, best.pulse, timing, &known, log_prior)
    };
    firsts.filter(|first| pulse.has(*first)).map(with).collect()
}

/// A candidate again, with what fits the player best: first how far notes stray, then how
/// much the tempo drifts, then the swing.
fn refined<'a>(onsets: &[Onset], best: &Candidate<'a>, search: &Search) -> Candidate<'a> {
    let known = Known {
        first: Some(best.first()),
        band_s: Some(best.band_s()),
        ..search.known
    };
    let mut best = best.clone();
    let look_at = |timings: &mut dyn Iterator<Item = Timing>, best: &mut Candidate<'a>| {
        for timing in timings {
            let (model, pulse, log_prior) = (best.model, best.pulse, best.log_prior);
            let other = attempt(onsets, model, pulse, timing, &known, log_prior);
            if other.score > best.score {
                *best = other;
            }
        }
    };
    let timing = best.timing;
    let jitters = JITTERS_S.map(|jitter_s| Timing { jitter_s, ..timing });
    look_at(&mut jitters.into_iter(), &mut best);
    let timing = best.timing;
    // Its own drift went with every jitter.
    let drifts = search.drifts(&DRIFTS).iter();
    let drifts = drifts.filter(|drift| **drift != timing.drift);
    look_at(
        &mut drifts.map(|drift| Timing {
            drift: *drift,
            ..timing
        }),
        &mut best,
    );
    let timing = best.timing;
    if timing.swing > 0.5 && search.swing.is_none() {
        let swings = [timing.swing - 0.02, timing.swing + 0.02];
        look_at(
            &mut swings.into_iter().map(|swing| Timing { swing, ..timing }),
            &mut best,
        );
    }
    best
}

/// A candidate again, its swing in passages alone, if that is more probable.
fn in_passages<'a>(
    onsets: &[Onset],
    best: &Candidate<'a>,
    search: &Search,
) -> Option<Candidate<'a>> {
    if best.model.metre.value != 4 || search.swing.is_some() {
        return None;
    }
    let known = Known {
        first: Some(best.first()),
        band_s: Some(best.band_s()),
        ..search.known
    };
    let (_, p) = swings(best.model, None)[usize::from(best.timing.swing > 0.5)];
    let log_prior = best.log_prior + (passage_share() / p).ln();
    let attempt = |timing| attempt(onsets, best.model, best.pulse, timing, &known, log_prior);
    // A line in two feels strays and drifts more as it seems.
    let timing = Timing {
        jitter_s: best.timing.jitter_s.min(JITTER_S),
        drift: best.timing.drift.min(DRIFT),
        in_passages: true,
        ..best.timing
    };
    let with = SWINGS.map(|swing| attempt(Timing { swing, ..timing }));
    let mut found = with
        .into_iter()
        .max_by(|a, b| a.score.total_cmp(&b.score))?;
    if found.score <= best.score {
        return None;
    }
    let (timing, swing) = (found.timing, found.timing.swing);
    let swings = [swing - 0.02, swing + 0.02].map(|swing| Timing { swing, ..timing });
    let jitters = JITTERS_S.map(|jitter_s| Timing { jitter_s, ..timing });
    for timing in jitters.into_iter().chain(swings) {
        let other = attempt(timing);
        if other.score > found.score {
            found = other;
        }
    }
    Some(found)
}

/// Probability of each swing that passages may have.
fn passage_share() -> f64 {
    IN_PASSAGES / SWINGS.len() as f64
}

/// Ways in which a line longer than what it was estimated from may be played, with the
/// logarithm of how much less usual each is than what was found.
pub fn feels(found: &Timing, metre: Metre, search: &Search) -> Vec<(Timing, f64)> {
    let mut feels = vec![(*found, 0.0)];
    if metre.value == 4 && search.swing.is_none() && !found.in_passages {
        let found_p = match found.swing > 0.5 {
            true => SWUNG / SWINGS.len() as f64,
            false => 1.0 - SWUNG,
        };
        let swings = match found.swing > 0.5 {
            true => vec![found.swing],
            false => SWINGS.to_vec(),
        };
        let in_passages = |swing| Timing {
            swing,
            in_passages: true,
            ..*found
        };
        let log_p = (passage_share() / found_p).ln();
        feels.extend(swings.into_iter().map(|s| (in_passages(s), log_p)));
    }
    feels
}

fn attempt<'a>(
    onsets: &[Onset],
    model: &'a MetricalModel,
    pulse: usize,
    timing: Timing,
    known: &Known,
    log_prior: f64,
) -> Candidate<'a> {
    let path = decode(onsets, model, &timing, known);
    let last = path.ticks.len() - 1;
    let quarters = f64::from(path.ticks[last] - path.ticks[0]) / f64::from(QUARTER);
    let (shortest, longest) = match known.period_s {
        Some(period_s) => (0.5 * period_s, 2.0 * period_s),
        None => PERIODS_S,
    };
    let period_s = match known.period_s {
        Some(period_s) if last == 0 => period_s,
        None if last == 0 => ANY_PERIOD_S,
        _ => (onsets[path.placed[last]].time_s - onsets[0].time_s) / quarters,
    };
    // Notes faster than any value say nothing of the beat.
    let period_s = period_s.clamp(shortest, longest);
    let tempo = 60.0 / period_s;
    let beats = model.pulse.beats().len() as f64 * f64::from(QUARTER);
    let beat_tempo = tempo * beats / f64::from(model.pulse.bar());
    let octaves = |tempo: f64| (tempo / USUAL).log2();
    let beyond = (WRITTEN.0 / tempo).log2().max((tempo / WRITTEN.1).log2());
    let (on_beats, on_eighths) = values(&path, model);
    let evidence = Evidence([
        path.log_p,
        log_prior,
        f64::from(u8::from(timing.swing > 0.5)),
        accents(&path, model, onsets),
        habits(&path, model),
        on_beats,
        on_eighths,
        octaves(tempo).powi(2),
        octaves(beat_tempo).powi(2),
        beyond.max(0.0),
    ]);
    Candidate {
        model,
        pulse,
        timing,
        log_prior,
        path,
        period_s,
        score: evidence.score(),
        evidence,
    }
}

/// What the levels say for a metre: logarithm of the levels' likelihood if they follow the
/// strengths of their places, over that if they do not (linear regression). Some players
/// grade their accents, others bring out the bar line alone; one is as likely as the other.
fn accents(path: &Path, model: &MetricalModel, onsets: &[Onset]) -> f64 {
    let strengths: Vec<Strength> = (path.ticks.iter())
        .map(|ticks| model.pulse.strength(*ticks))
        .collect();
    let levels: Vec<f64> = path.placed.iter().map(|at| onsets[*at].accent_db).collect();
    let follow = |usual: &dyn Fn(Strength) -> f64| {
        let usual = strengths.iter().map(|strength| usual(*strength));
        followed(usual.zip(levels.iter().copied()))
    };
    let graded = follow(&usual_accent);
    let bars = follow(&|strength| f64::from(u8::from(strength == Strength::Bar)));
    let (more, less) = (graded.max(bars), graded.min(bars));
    more + (less - more).exp().ln_1p() - LN_2
}

/// How much more likely levels are if they follow what is expected of each, in nats: pairs of
/// what is expected, in any unit, and the level in dB. Never less than nothing.
fn followed(pairs: impl Iterator<Item = (f64, f64)> + Clone) -> f64 {
    /// Cost of the slope, in nats.
    const SLOPE: f64 = 0.5;
    /// Least share of the variance that is taken to be chance.
    const CHANCE: f64 = 0.05;
    let (mut count, mut mean_x, mut mean_y) = (0.0, 0.0, 0.0);
    for (x, y) in pairs.clone() {
        (count, mean_x, mean_y) = (count + 1.0, mean_x + x, mean_y + y);
    }
    (mean_x, mean_y) = (mean_x / count, mean_y / count);
    let (mut both, mut xs, mut ys) = (0.0, 0.0, 0.0);
    for (x, y) in pairs {
        let (x, y) = (x - mean_x, y - mean_y);
        (both, xs, ys) = (both + x * y, xs + x * x, ys + y * y);
    }
    if both <= 0.0 || ys < 1e-6 {
        return 0.0;
    }
    let left = (1.0 - both * both / (xs * ys)).max(CHANCE);
    (-0.5 * count * left.ln() - SLOPE).max(0.0)
}

/// What a line's own habits say: each step's probability as it is learned from the steps
/// before it (a Pólya urn by place in the bar over one by place in the beat over the
/// model), over that of the model. Bars that repeat, and beats that do, speak for the
/// metre in which they do.
fn habits(path: &Path, model: &MetricalModel) -> f64 {
    /// Steps that the model counts for against those of the line, by beat and by bar.
    const BY_BEAT: f64 = 10.0;
    const BY_BAR: f64 = 12.0;
    /// How often each step was made from each place.
    #[derive(Default)]
    struct Urn(HashMap<(u32, u32), f64>, HashMap<u32, f64>);
    impl Urn {
        /// Probability of a step given what it is without the urn; then counts it.
        fn draw(&mut self, from: u32, step: u32, p: f64, weight: f64) -> f64 {
            let count = self.0.entry((from, step)).or_default();
            let all = self.1.entry(from).or_default();
            let drawn = (*count + weight * p) / (*all + weight);
            *count += 1.0;
            *all += 1.0;
            drawn
        }
    }
    let (mut beats, mut bars) = (Urn::default(), Urn::default());
    let mut sum = 0.0;
    for (at, pair) in path.ticks.windows(2).enumerate() {
        let (place, step) = (pair[0] % model.pulse.bar(), pair[1] - pair[0]);
        let nexts = &model.nexts(place, path.divisions[at]).all;
        let Some(next) = nexts.iter().find(|n| n.ticks == step) else {
            continue;
        };
        let (start, length) = model.pulse.beat(place);
        // Beats of both lengths have places of their own.
        let in_beat = (place - start) * 100 + length;
        let by_beat = beats.draw(in_beat, step, next.log_p.exp(), BY_BEAT);
        sum += bars.draw(place, step, by_beat, BY_BAR).ln() - next.log_p;
    }
    sum
}

/// Steps of a beat or more, and of less but an eighth or more: of two tempi an octave
/// apart, the one whose part is in beats and their halves or thirds is usual, not in
/// sixteenths.
fn values(path: &Path, model: &MetricalModel) -> (f64, f64) {
    let (mut beats, mut eighths) = (0.0, 0.0);
    for pair in path.ticks.windows(2) {
        let (_, beat) = model.pulse.beat(pair[0]);
        match pair[1] - pair[0] {
            ticks if ticks >= beat => beats += 1.0,
            ticks if ticks >= QUARTER / 2 => eighths += 1.0,
            _ => {}
        }
    }
    (beats, eighths)
}

/// Probabilities of the best candidate's metre, tempo and bar lines among all: the share
/// of candidates that agree with it, each weighted by its own.
fn sureness(found: &[Candidate]) -> (f64, f64, f64) {
    let best = &found[0];
    let weight = |c: &Candidate| (c.score - best.score).exp();
    let all: f64 = found.iter().map(weight).sum();
    let share = |agrees: &dyn Fn(&&Candidate) -> bool| {
        found.iter().filter(agrees).map(weight).sum::<f64>() / all
    };
    let tempo = |c: &&Candidate| (c.period_s / best.period_s - 1.0).abs() < 0.1;
    let metre = |c: &&Candidate| c.model.metre == best.model.metre;
    (
        share(&metre),
        share(&tempo),
        share(&|c| tempo(c) && metre(c) && c.first() == best.first()),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn onsets(ticks: &[u32], period_s: f64) -> Vec<Onset> {
        let onset = |t: &u32| Onset {
            time_s: 0.7 + f64::from(*t) / f64::from(QUARTER) * period_s,
            accent_db: 0.0,
        };
        ticks.iter().map(onset).collect()
    }

    fn search(metres: &[(u32, u32)], period_s: Option<f64>) -> Search {
        let metre = |(beats, value): &(u32, u32)| {
            let (beats, value) = (*beats, *value);
            (Metre { beats, value }, 1.0)
        };
        Search {
            metres: metres.iter().map(metre).collect(),
            swing: None,
            steady: false,
            known: Known {
                period_s,
                ..Known::default()
            },
        }
    }

    fn steps(ticks: &[u32]) -> Vec<u32> {
        ticks.windows(2).map(|w| w[1] - w[0]).collect()
    }

    /// Places of values one after the other.
    fn places(values: &[u32]) -> Vec<u32> {
        let mut at = 0;
        let mut next = |value: &u32| {
            at += value;
            at - value
        };
        values.iter().map(&mut next).collect()
    }

    /// Bars of a waltz, its first beats louder, begun with a pickup.
    #[test]
    fn a_waltz_is_a_waltz() {
        let bar = [24, 24, 24, 48, 24, 36, 12, 24, 24, 12, 12, 24];
        let mut values = vec![24];
        values.extend(bar.iter().cycle().take(4 * bar.len()));
        let ticks: Vec<u32> = places(&values).iter().map(|t| t + 48).collect();
        let mut heard = onsets(&ticks, 0.6);
        for (onset, tick) in heard.iter_mut().zip(&ticks) {
            onset.accent_db = if tick % 72 == 0 { 1.5 } else { -0.7 };
        }
        let found = estimate(&heard, &search(&[(4, 4), (3, 4), (2, 4), (6, 8)], None));
        assert_eq!(found.metre, Metre { beats: 3, value: 4 });
        assert_eq!(found.path.ticks, ticks);
        assert!((found.period_s - 0.6).abs() < 0.01);
        assert!(found.sure_of_metre > 0.3, "{}", found.sure_of_metre);
        assert!(found.sure_of_tempo > 0.8, "{}", found.sure_of_tempo);
    }

    /// Two notes of 45 ms on a beat, or four before one, take no place.
    #[test]
    fn ornaments_leave_the_beat_as_it_is() {
        let values: Vec<u32> = [24, 24, 48, 24, 12, 12, 48].repeat(4);
        let ticks = places(&values);
        let mut heard = onsets(&ticks, 0.6);
        let added = |at_s: f64, times: &[f64]| -> Vec<Onset> {
            let onset = |off_s: &f64| Onset {
                time_s: at_s + off_s,
                accent_db: 0.0,
            };
            times.iter().map(onset).collect()
        };
        // The main note of a mordent comes late by as much as the others take.
        let [mordent_s, turn_s] = [9, 17].map(|at| heard[at].time_s);
        heard.retain(|o| o.time_s != mordent_s);
        heard.extend(added(mordent_s, &[0.0, 0.045, 0.09]));
        heard.extend(added(turn_s, &[-0.2, -0.15, -0.1, -0.05]));
        heard.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
        let found = estimate(&heard, &search(&[(4, 4), (3, 4), (6, 8)], None));
        assert_eq!(steps(&found.path.ticks), values[..values.len() - 1]);
        assert!((found.period_s - 0.6).abs() < 0.01, "{}", found.period_s);
    }

    /// Some players bring out the bar line and play all else alike, others grade their accents.
    #[test]
    fn loud_bar_lines_do_not_halve_the_tempo() {
        let bar = [24, 12, 12, 24, 24, 36, 12, 48, 12, 12, 24, 12, 12, 24];
        let ticks = places(&bar.repeat(4));
        for tempo in [80.0, 104.0, 120.0] {
            let mut heard = onsets(&ticks, 60.0 / tempo);
            for (onset, tick) in heard.iter_mut().zip(&ticks) {
                onset.accent_db = if tick.is_multiple_of(96) { 3.0 } else { -1.0 };
            }
            let found = estimate(&heard, &search(&[(4, 4), (2, 4), (3, 4), (6, 8)], None));
            assert_eq!(found.metre, Metre::COMMON, "{tempo}");
            assert!(
                (60.0 / found.period_s / tempo - 1.0).abs() < 0.02,
                "{tempo}"
            );
        }
    }

    #[test]
    fn swing_is_told_from_triplets() {
        // Long and short pairs at 62 to 38, and triplets in between.
        let pulse = crate::notation::pulse::Pulse::of(Some(Metre::COMMON));
        let bar = [12, 12, 12, 12, 24, 12, 12, 8, 8, 8, 12, 12, 24, 24];
        let values: Vec<u32> = bar.iter().copied().cycle().take(5 * bar.len()).collect();
        let ticks = places(&values);
        let onset = |t: &u32| Onset {
            time_s: 0.5 + 0.4 * pulse.played(*t, 0.62),
            accent_db: 0.0,
        };
        let heard: Vec<Onset> = ticks.iter().map(onset).collect();
        let found = estimate(&heard, &search(&[(4, 4), (12, 8)], None));
        assert_eq!(steps(&found.path.ticks), steps(&ticks));
        assert!(
            (found.timing.swing - 0.62).abs() < 0.025,
            "{}",
            found.timing.swing
        );
    }

    /// Straight, then swung, then straight again.
    #[test]
    fn a_passage_swings_where_it_does() {
        let pulse = crate::notation::pulse::Pulse::of(Some(Metre::COMMON));
        let bar = [
            12, 12, 12, 12, 24, 24, 24, 12, 12, 12, 12, 24, 12, 12, 36, 12,
        ];
        let values: Vec<u32> = bar.iter().copied().cycle().take(9 * bar.len()).collect();
        let ticks = places(&values);
        let third = ticks[3 * bar.len()];
        let swings = |t: u32| (third..2 * third).contains(&t);
        let onset = |t: &u32| Onset {
            time_s: 0.5 + 0.45 * pulse.played(*t, if swings(*t) { 0.65 } else { 0.5 }),
            accent_db: if t.is_multiple_of(96) { 1.0 } else { 0.0 },
        };
        let heard: Vec<Onset> = ticks.iter().map(onset).collect();
        let found = estimate(&heard, &search(&[(4, 4), (12, 8)], None));
        assert_eq!(steps(&found.path.ticks), steps(&ticks));
        assert!(found.timing.in_passages);
        for (t, swung) in ticks.iter().zip(&found.path.swung) {
            assert!(t % 24 != 12 || *swung == swings(*t), "{t}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]
        /// What is played exactly comes back exactly, at whatever tempo.
        #[test]
        fn tempo_changes_no_value(
            beats in prop::collection::vec(
                prop::sample::select(vec![vec![24], vec![12, 12], vec![18, 6], vec![48], vec![36, 12]]),
                4..24,
            ),
            tempo in 60.0f64..140.0,
        ) {
            let ticks = places(&beats.concat());
            let heard = onsets(&ticks, 60.0 / tempo);
            let found = estimate(&heard, &search(&[(4, 4)], Some(60.0 / tempo)));
            prop_assert_eq!(steps(&found.path.ticks), steps(&ticks));
        }

        /// Whatever is heard has places, one after the other.
        #[test]
        fn any_onsets_have_places(
            gaps in prop::collection::vec(prop_oneof![0.001f64..0.1, 0.1f64..2.0, 5.0f64..90.0], 0..40),
            metre in prop::sample::select(vec![(4, 4), (6, 8), (7, 8), (1, 8), (2, 2)]),
            given in prop::option::of(0.2f64..2.0),
            smallest in prop::option::of(prop::sample::select(vec![4u32, 8, 16, 32])),
            pickup in prop::option::of(0u32..200),
        ) {
            let mut time_s = 0.1;
            let mut heard = vec![Onset { time_s, accent_db: 0.0 }];
            for gap_s in gaps {
                time_s += gap_s;
                heard.push(Onset { time_s, accent_db: gap_s.sin() });
            }
            let mut search = search(&[metre], given);
            search.known.smallest = smallest;
            search.known.pickup = pickup;
            let found = estimate(&heard, &search);
            prop_assert_eq!(found.path.ticks.len(), found.path.placed.len());
            prop_assert_eq!(found.path.placed.last(), Some(&(heard.len() - 1)));
            prop_assert!(found.path.placed.windows(2).all(|w| w[0] < w[1]));
            prop_assert!(found.path.ticks.windows(2).all(|w| w[0] < w[1]));
            let shares = [found.sure_of_metre, found.sure_of_tempo, found.sure_of_bar];
            prop_assert!(shares.iter().all(|s| (0.0..=1.000_001).contains(s)), "{:?}", shares);
        }
    }
}
