//! The best hypotheses of one note: gathered as they are found, with early notice of what
//! cannot be among them.

use super::metrical_model::Division;
use super::tempo_curve::Clock;

/// A hypothesis.
#[derive(Debug, Clone, Copy)]
pub struct Node {
    /// The one that it follows, by its number among those of the note before.
    pub parent: u32,
    /// Place in the bar, and ticks from the first bar line.
    pub place: u32,
    pub ticks: u32,
    /// How its beat is divided.
    pub division: Division,
    /// If the note at hand is a grace note, when the first of those in a row began, in seconds:
    /// place and clock are those of the last note that is none.
    pub grace_s: Option<f64>,
    /// Whether the passage swings.
    pub swung: bool,
    /// Class of its period.
    pub class: u32,
    pub log_p: f64,
    pub clock: Clock,
}

/// Hypotheses kept after each note, at most.
const MOST: usize = 400;
/// How much less probable than the best they may be, in nats. At 16 all of 340 played melodies
/// have the same beat; takes that have none may be barred otherwise.
const WIDE: f64 = 12.0;
/// Classes of probability that hypotheses are counted in, for each nat and in all: down to
/// twice [`WIDE`] below the anchor, the last one with all that is below.
const PER_NAT: f64 = 4.0;
const CLASSES: usize = (2.0 * WIDE * PER_NAT) as usize;

/// The best node of each key, and of those the best few hundred.
///
/// Nodes are counted by class of probability. Once `MOST` keys have nodes above some
/// class, nothing below it will be kept, whatever is still found: nodes are only replaced
/// by better ones.
#[derive(Debug)]
pub struct Beam {
    /// For each key the number of its node, if it has one.
    best: Vec<u32>,
    used: Vec<u32>,
    nodes: Vec<Node>,
    counts: [u32; CLASSES],
    /// Log probability at which the classes begin, once there is a node.
    anchor: f64,
    top: f64,
    /// The lowest class that nodes may still be kept from, and the count down to it.
    last: usize,
    down_to_last: u32,
    order: Vec<u32>,
}

const NONE: u32 = u32::MAX;

/// Class of a log probability; what is above the anchor is in the first.
fn class(anchor: f64, log_p: f64) -> usize {
    (((anchor - log_p) * PER_NAT) as usize).min(CLASSES - 1)
}

impl Beam {
    /// A beam of nodes with keys below `keys`.
    pub fn new(keys: usize) -> Beam {
        Beam {
            best: vec![NONE; keys],
            used: Vec::new(),
            nodes: Vec::new(),
            counts: [0; CLASSES],
            anchor: 0.0,
            top: f64::NEG_INFINITY,
            last: CLASSES - 1,
            down_to_last: 0,
            order: Vec::new(),
        }
    }

    /// Log probability that a node needs to be kept: none with less, or as much, will be.
    pub fn floor(&self) -> f64 {
        let by_top = self.top - WIDE;
        if self.last == CLASSES - 1 {
            return by_top;
        }
        by_top.max(self.anchor - (self.last + 1) as f64 / PER_NAT)
    }

    /// Keeps a node if it is the best of its key so far.
    pub fn keep(&mut self, key: usize, node: Node) {
        if self.nodes.is_empty() {
            self.anchor = node.log_p + WIDE;
        }
        match self.best[key] {
            NONE => {
                self.best[key] = self.nodes.len() as u32;
                self.used.push(key as u32);
                self.nodes.push(node);
            }
            at => {
                let other = &mut self.nodes[at as usize];
                if other.log_p >= node.log_p {
                    return;
                }
                let class = class(self.anchor, other.log_p);
                *other = node;
                self.counts[class] -= 1;
                self.down_to_last -= u32::from(class <= self.last);
            }
        }
        self.top = self.top.max(node.log_p);
        let class = class(self.anchor, node.log_p);
        self.counts[class] += 1;
        self.down_to_last += u32::from(class <= self.last);
        while self.last > 0 && self.down_to_last - self.counts[self.last] >= MOST as u32 {
            self.down_to_last -= self.counts[self.last];
            self.last -= 1;
        }
    }

    /// Moves the best nodes to `kept`, better classes first, and begins anew.
    pub fn take(&mut self, kept: &mut Vec<Node>) {
        let mut starts = [0u32; CLASSES];
        let mut start = 0;
        for (at, count) in starts.iter_mut().zip(self.counts) {
            *at = start;
            start += count;
        }
        self.order.clear();
        self.order.resize(self.nodes.len(), 0);
        for (number, node) in (0..).zip(&self.nodes) {
            let place = &mut starts[class(self.anchor, node.log_p)];
            self.order[*place as usize] = number;
            *place += 1;
        }
        // The last class in question may have more than there is room for.
        let nodes = &self.nodes;
        let order = &mut self.order[..self.down_to_last as usize];
        if order.len() > MOST {
            let above = order.len() - self.counts[self.last] as usize;
            order[above..].sort_unstable_by(|a, b| {
                let log_p = |number: &u32| nodes[*number as usize].log_p;
                log_p(b).total_cmp(&log_p(a))
            });
        }
        let worst = self.top - WIDE;
        kept.clear();
        let best = order
            .iter()
            .take(MOST)
            .map(|number| nodes[*number as usize]);
        kept.extend(best.filter(|node| node.log_p > worst));
        for key in self.used.drain(..) {
            self.best[key as usize] = NONE;
        }
        self.nodes.clear();
        self.counts = [0; CLASSES];
        (self.top, self.last, self.down_to_last) = (f64::NEG_INFINITY, CLASSES - 1, 0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// What is kept is the best of each key and of those the best, whatever the order
        /// in which nodes are found and whatever the floor kept out.
        #[test]
        fn the_best_are_kept(
            found in prop::collection::vec((0usize..900, -60.0f64..10.0), 1..2500),
            spread in 0.1f64..1.0,
        ) {
            let node = |log_p| Node {
                parent: 0,
                place: 0,
                ticks: 0,
                division: Division::Whole,
                grace_s: None,
                swung: false,
                class: 0,
                log_p,
                clock: Clock::new(0.0, 0.5, 0.01, 0.0),
            };
            let mut beam = Beam::new(900);
            let mut kept = Vec::new();
            // The second time shows that it began anew.
            for _ in 0..2 {
                for (key, log_p) in &found {
                    let log_p = log_p * spread;
                    if log_p > beam.floor() {
                        beam.keep(*key, node(log_p));
                    }
                }
                beam.take(&mut kept);
                let mut best = vec![f64::NEG_INFINITY; 900];
                for (key, log_p) in &found {
                    best[*key] = best[*key].max(log_p * spread);
                }
                best.sort_by(|a, b| b.total_cmp(a));
                best.truncate(MOST);
                best.retain(|log_p| *log_p > best_of(&found, spread) - WIDE);
                let mut got: Vec<f64> = kept.iter().map(|n| n.log_p).collect();
                got.sort_by(|a, b| b.total_cmp(a));
                prop_assert_eq!(got, best);
            }
        }
    }

    fn best_of(found: &[(usize, f64)], spread: f64) -> f64 {
        found
            .iter()
            .map(|f| f.1 * spread)
            .fold(f64::NEG_INFINITY, f64::max)
    }
}
