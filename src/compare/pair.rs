//! Which target note and which played note belong together.

/// A target note, a played note, or both together, by index.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pair {
    pub target: Option<usize>,
    pub note: Option<usize>,
}
