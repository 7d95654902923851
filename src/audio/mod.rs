//! Reads and writes sound files.

pub mod decode;
mod decoders;
pub mod flac;
pub mod health;

pub use decode::{Selection, Take};
