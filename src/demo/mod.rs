//! A built-in take: a short line for flugelhorn, played by a small brass synthesis, with
//! the ground truth of its notes.
//!
//! The synthesis is for trying the program out and for tests that need to know what was
//! played to the cent; it is not the doubling voice.

pub mod brass;
pub mod line;
pub mod shapes;
pub mod tone;
