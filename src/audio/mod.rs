//! Sound files in and out.

pub mod decode;
pub mod flac;
pub mod health;

pub use decode::{Selection, Take};
