//! Reads and writes sound files.

#[cfg(feature = "decode")]
pub mod decode;
#[cfg(feature = "decode")]
mod decoders;
#[cfg(feature = "report")]
pub mod flac;
pub mod health;

#[cfg(feature = "decode")]
pub use decode::{Selection, Take};
