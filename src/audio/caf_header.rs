//! A CAF file that was cut off. The decoders' library skips the sound to look for chunks after
//! it, and refuses a file that ends on the way; with a length that fits it reads what is there.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

use super::first_bytes;
use super::patched::Part;
use super::wave_header::MAX_CHUNKS;

/// What is there of a file's sound.
#[derive(Debug, Clone, PartialEq)]
pub struct Shortened {
    /// Header and sound.
    pub parts: Vec<Part>,
    /// Length in frames that the file's own header gives.
    pub frames: u64,
}

/// Bytes of the format description, and before the sound within its chunk (a count of edits).
const DESCRIPTION: usize = 32;
const EDITS: u64 = 4;

/// A file up to the end of its sound, or of what is there of it; `None` for one that is no CAF
/// file, or whose packets are of no fixed size: their sizes stand after the sound. Leaves the
/// file's position anywhere.
///
/// # Errors
/// Those of the file; its end within the header is [`io::ErrorKind::UnexpectedEof`].
pub fn shortened(file: &mut File) -> io::Result<Option<Shortened>> {
    let length = file.metadata()?.len();
    // Version and flags follow, and then the chunks.
    if !first_bytes::<8>(file)?.starts_with(b"caff") {
        return Ok(None);
    }
    let mut packet = None;
    for _ in 0..MAX_CHUNKS {
        let (mut name, mut size) = ([0; 4], [0; 8]);
        file.read_exact(&mut name)?;
        file.read_exact(&mut size)?;
        let at = file.stream_position()?;
        // A negative one stands for "to the end of the file", where nothing can be missing.
        let Ok(size) = u64::try_from(i64::from_be_bytes(size)) else {
            return Ok(None);
        };
        match &name {
            b"desc" if size == DESCRIPTION as u64 => {
                let mut bytes = [0; DESCRIPTION];
                file.read_exact(&mut bytes)?;
                let word = |at: usize| bytes[at..at + 4].try_into().map_or(0, u32::from_be_bytes);
                packet = Some((u64::from(word(16)), u64::from(word(20))));
            }
            b"data" => {
                let sound = size.saturating_sub(EDITS);
                let there = length.saturating_sub(at + EDITS).min(sound);
                let whole = |(bytes, frames): (u64, u64)| {
                    let there = there.checked_div(bytes)? * bytes;
                    Some(Shortened {
                        parts: vec![
                            Part::Kept(0..at - 8),
                            Part::Put((EDITS + there).to_be_bytes().to_vec()),
                            Part::Kept(at..at + EDITS + there),
                        ],
                        frames: (sound / bytes).saturating_mul(frames),
                    })
                };
                return Ok(packet.and_then(whole));
            }
            _ => {}
        }
        match at.checked_add(size).filter(|next| *next <= length) {
            Some(next) => file.seek(SeekFrom::Start(next))?,
            None => return Ok(None),
        };
    }
    Ok(None)
}
