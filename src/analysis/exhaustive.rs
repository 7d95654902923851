//! For tests: the Viterbi algorithm's result, found by trying every path.

use super::pitch_model::PitchModel;

const COSTS: PitchModel = PitchModel::DEFAULT;

/// Pitch and strength of each candidate of a hop.
pub type Hop = Vec<(f32, f32)>;

/// A state for each hop: the index of a candidate, or `None` for silence.
pub type StatePath = Vec<Option<usize>>;

/// All paths through the hops.
pub fn paths(hops: &[Hop]) -> Vec<StatePath> {
    hops.iter().fold(vec![Vec::new()], |paths, hop| {
        let states = || std::iter::once(None).chain((0..hop.len()).map(Some));
        let longer = |path: &StatePath| {
            let path = path.clone();
            states().map(move |state| [&path[..], &[state]].concat())
        };
        paths.iter().flat_map(longer).collect()
    })
}

/// Total strength of a path that begins in silence less its transition costs, in nats.
pub fn total(hops: &[Hop], path: &[Option<usize>]) -> f32 {
    let mut before = None;
    let mut total = 0.0;
    for (hop, state) in hops.iter().zip(path) {
        let now = state.map(|at| hop[at]);
        total += match (before, now) {
            (None, None) => COSTS.silence,
            (Some(_), None) => COSTS.silence - COSTS.stop,
            (None, Some((_, strength))) => strength - COSTS.start,
            (Some((from, _)), Some((to, strength))) => {
                let step: f32 = to - from;
                strength - (COSTS.glide * step.abs()).min(COSTS.jump)
            }
        };
        before = now;
    }
    total
}
