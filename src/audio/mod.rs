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

/// The first `N` bytes of a file, by which its kind is told. Leaves the file's position after
/// them.
///
/// # Errors
/// Those of the file; a shorter one is [`std::io::ErrorKind::UnexpectedEof`].
#[cfg(feature = "decode")]
fn first_bytes<const N: usize>(file: &mut std::fs::File) -> std::io::Result<[u8; N]> {
    use std::io::{Read, Seek};
    let mut bytes = [0; N];
    file.rewind()?;
    file.read_exact(&mut bytes)?;
    Ok(bytes)
}
