//! Reads and writes sound files.

#[cfg(feature = "decode")]
mod caf_header;
pub mod channels;
#[cfg(feature = "decode")]
pub mod decode;
#[cfg(feature = "decode")]
mod decoders;
#[cfg(feature = "report")]
pub mod flac;
pub mod health;
#[cfg(feature = "decode")]
mod mpeg_frames;
#[cfg(feature = "decode")]
mod ogg_pages;
#[cfg(feature = "decode")]
mod patched;
#[cfg(feature = "decode")]
pub(crate) mod wave_header;

#[cfg(feature = "decode")]
pub use decode::{Selection, Take};
