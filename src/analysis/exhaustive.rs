//! For tests: the Viterbi algorithm's answer found by trying every way there is.

use super::decoder::TransitionCosts;

/// Pitch and strength of each candidate of a hop.
pub type Hop = Vec<(f32, f32)>;

/// A state for each hop: the place of a candidate, or none for silence.
pub type Way = Vec<Option<usize>>;

/// All ways through the hops.
pub fn ways(hops: &[Hop]) -> Vec<Way> {
    hops.iter().fold(vec![Vec::new()], |ways, hop| {
        let states = || std::iter::once(None).chain((0..hop.len()).map(Some));
        let longer = |way: &Way| {
            let way = way.clone();
            states().map(move |state| [&way[..], &[state]].concat())
        };
        ways.iter().flat_map(longer).collect()
    })
}

/// Total strength of a way that begins in silence, less what its transitions cost;
/// nats.
pub fn total(hops: &[Hop], way: &[Option<usize>], costs: &TransitionCosts) -> f32 {
    let mut before = None;
    let mut total = 0.0;
    for (hop, state) in hops.iter().zip(way) {
        let now = state.map(|at| hop[at]);
        total += match (before, now) {
            (None, None) => costs.silence,
            (Some(_), None) => costs.silence - costs.stop,
            (None, Some((_, strength))) => strength - costs.start,
            (Some((from, _)), Some((to, strength))) => {
                let step: f32 = to - from;
                strength - (costs.glide * step.abs()).min(costs.jump)
            }
        };
        before = now;
    }
    total
}
