//! Headers of the WAV family that the decoders' library does not read: RF64 and BW64 (EBU
//! Tech 3306, ITU-R BS.2088), Wave64, and a WAV file that its recorder never closed, with
//! no length in its header. Their sound is laid out as in WAV, so that a WAV header before
//! it is all that is needed.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

use super::first_bytes;
use super::patched::Part;

/// A file's sound behind a WAV header.
#[derive(Debug, Clone, PartialEq)]
pub struct Wave {
    /// Header and sound.
    pub parts: Vec<Part>,
    /// Length in frames that the file's own header gives; what is there, where it gives
    /// none.
    pub frames: u64,
    /// Whether the header gave no length.
    pub unclosed: bool,
}

/// Length in a WAV header that stands for "see elsewhere" or "not known yet".
const UNKNOWN: u32 = u32::MAX;
/// Largest format chunk: the extensible one has 40 bytes.
const MAX_FORMAT: u64 = 1 << 10;
/// Most chunks before the sound.
pub(super) const MAX_CHUNKS: usize = 1_000;

/// What tells a kind of container apart.
struct Kind {
    /// Bytes of a chunk's name, and of its name and length.
    name: usize,
    head: u64,
    /// Chunks begin at multiples of so many bytes.
    align: u64,
}

const WAV: Kind = Kind {
    name: 4,
    head: 8,
    align: 2,
};
const WAVE64: Kind = Kind {
    name: 16,
    head: 24,
    align: 8,
};
const WAVE64_RIFF: [u8; 16] = *b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\x00\x00";
/// All other names of Wave64 end so.
const WAVE64_NAME: [u8; 12] = *b"\xf3\xac\xd3\x11\x8c\xd1\x00\xc0\x4f\x8e\xdb\x8a";

/// The sound of a file of the family, or `None` for a file that needs no other header.
/// Leaves the file's position anywhere.
///
/// # Errors
/// Those of the file; its end within the header is [`io::ErrorKind::UnexpectedEof`].
pub fn read(file: &mut File) -> io::Result<Option<Wave>> {
    let length = file.metadata()?.len();
    let start: [u8; 12] = first_bytes(file)?;
    let kind = match (&start[..4], &start[8..]) {
        (b"RIFF" | b"RF64" | b"BW64", b"WAVE") => WAV,
        _ if start == WAVE64_RIFF[..12] => {
            file.seek(SeekFrom::Start(40))?;
            WAVE64
        }
        _ => return Ok(None),
    };
    let promised = u64::from(u32::from_le_bytes([start[4], start[5], start[6], start[7]]));
    let plain = &start[..4] == b"RIFF";
    let (mut format, mut long_size) = (None, None);
    for _ in 0..MAX_CHUNKS {
        let Chunk { name, size } = chunk(file, &kind)?;
        let at = file.stream_position()?;
        match &name {
            b"fmt " if (16..=MAX_FORMAT).contains(&size) => {
                let mut bytes = vec![0; size as usize];
                file.read_exact(&mut bytes)?;
                format = Some(bytes);
            }
            b"ds64" if size >= 16 => {
                let mut sizes = [0; 16];
                file.read_exact(&mut sizes)?;
                let size = sizes[8..].try_into().map(u64::from_le_bytes);
                long_size = size.ok();
            }
            b"data" => {
                let there = length.saturating_sub(at);
                let size = match long_size {
                    Some(long) if size == u64::from(UNKNOWN) => long,
                    _ => size,
                };
                // A file that ends as its header says is not unclosed but without sound.
                let closed = plain && promised + 8 == length;
                let unclosed = matches!(size, 0 | 0xFFFF_FFFF) && there > 0 && !closed;
                if plain && !unclosed {
                    return Ok(None);
                }
                return Ok(format.and_then(|format| wave(&format, at, size, there, unclosed)));
            }
            _ => {}
        }
        let next = at.checked_add(size.next_multiple_of(kind.align));
        match next.filter(|next| *next <= length) {
            Some(next) => file.seek(SeekFrom::Start(next))?,
            None => return Ok(None),
        };
    }
    Ok(None)
}

struct Chunk {
    name: [u8; 4],
    /// Of what follows the head, in bytes.
    size: u64,
}

/// Reads the head of a chunk.
fn chunk(file: &mut File, kind: &Kind) -> io::Result<Chunk> {
    let mut head = [0; 24];
    let head = &mut head[..kind.head as usize];
    file.read_exact(head)?;
    let (full_name, size) = head.split_at(kind.name);
    let mut name = [0; 4];
    name.copy_from_slice(&full_name[..4]);
    if full_name.len() > 4 && full_name[4..] != WAVE64_NAME {
        name = *b"    ";
    }
    let mut bytes = [0; 8];
    bytes[..size.len()].copy_from_slice(size);
    let size = u64::from_le_bytes(bytes);
    Ok(Chunk {
        name,
        // Wave64 counts the head too.
        size: match kind.name {
            4 => size,
            _ => size.saturating_sub(kind.head),
        },
    })
}

fn wave(format: &[u8], at: u64, size: u64, there: u64, unclosed: bool) -> Option<Wave> {
    let block = u64::from(u16::from_le_bytes([format[12], format[13]]));
    let size = if unclosed { there } else { size };
    let frames = size.checked_div(block)?;
    let sound = there.min(frames * block);
    let mut header = Vec::new();
    header.extend(b"RIFF");
    header.extend(UNKNOWN.to_le_bytes());
    header.extend(b"WAVEfmt ");
    header.extend((format.len() as u32).to_le_bytes());
    header.extend(format);
    if format.len() % 2 == 1 {
        header.push(0);
    }
    header.extend(b"data");
    header.extend(UNKNOWN.to_le_bytes());
    Some(Wave {
        parts: vec![Part::Put(header), Part::Kept(at..at + sound)],
        frames,
        unclosed,
    })
}
