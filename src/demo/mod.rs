//! A built-in take: a short line of our own for flugelhorn, played by a small
//! brass synthesis, with the truth of what was played beside it.
//!
//! The synthesis is for trying the program and for tests that need to know what
//! was played to the cent; it is not the doubling voice.

pub mod brass;
pub mod line;
pub mod shapes;
pub mod tone;
