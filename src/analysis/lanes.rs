//! For arithmetic on all candidates of a moment side by side, in vector registers.

use super::evidence::MOST;

/// Room for the candidates of a moment in whole registers of eight.
pub const LANES: usize = MOST.next_multiple_of(8);

/// The lower of two. One instruction, where [`f32::min`] takes pains over what is
/// not a number.
#[inline(always)]
pub fn lower(a: f32, b: f32) -> f32 {
    if a < b { a } else { b }
}

/// The higher of two.
#[inline(always)]
pub fn higher(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}
