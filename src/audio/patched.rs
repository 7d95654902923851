//! A file as its decoder should see it: with a header in place of its own, or with frames
//! where some are lost. Nothing is copied but those.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::ops::Range;

use symphonia::core::io::MediaSource;

/// A part of a patched file.
#[derive(Debug, Clone, PartialEq)]
pub enum Part {
    /// Bytes of the file.
    Kept(Range<u64>),
    /// Other bytes.
    Put(Vec<u8>),
}

impl Part {
    fn len(&self) -> u64 {
        match self {
            Part::Kept(range) => range.end - range.start,
            Part::Put(bytes) => bytes.len() as u64,
        }
    }
}

/// A file in parts, one after another.
#[derive(Debug)]
pub struct Patched {
    file: File,
    /// Parts, each with the place at which it begins.
    parts: Vec<(u64, Part)>,
    length: u64,
    at: u64,
}

impl Patched {
    /// The file in these parts.
    pub fn new(file: File, parts: Vec<Part>) -> Patched {
        let mut length = 0;
        let place = |part: Part| {
            let begins = length;
            length += part.len();
            (begins, part)
        };
        Patched {
            file,
            parts: parts.into_iter().map(place).collect(),
            length,
            at: 0,
        }
    }
}

impl Read for Patched {
    fn read(&mut self, to: &mut [u8]) -> io::Result<usize> {
        if self.at >= self.length {
            return Ok(0);
        }
        let next = self.parts.partition_point(|(begins, _)| *begins <= self.at);
        let (begins, part) = &self.parts[next - 1];
        let within = self.at - begins;
        let room = to.len().min((part.len() - within) as usize);
        let read = match part {
            Part::Put(bytes) => {
                to[..room].copy_from_slice(&bytes[within as usize..][..room]);
                room
            }
            Part::Kept(range) => {
                self.file.seek(SeekFrom::Start(range.start + within))?;
                self.file.read(&mut to[..room])?
            }
        };
        self.at += read as u64;
        Ok(read)
    }
}

impl Seek for Patched {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let at = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::End(by) => self.length.checked_add_signed(by),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
        };
        self.at = at.ok_or(io::ErrorKind::InvalidInput)?;
        Ok(self.at)
    }
}

impl MediaSource for Patched {
    fn is_seekable(&self) -> bool {
        true
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.length)
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn parts_are_read_in_order_from_anywhere(
            bytes in prop::collection::vec(any::<u8>(), 1..200),
            parts in prop::collection::vec((0usize..200, 0usize..200, any::<bool>()), 0..8),
            from in 0usize..300,
        ) {
            let mut file = tempfile::tempfile().unwrap();
            file.write_all(&bytes).unwrap();
            let parts: Vec<(Part, &[u8])> = parts.into_iter().map(|(a, b, kept)| {
                let (a, b) = (a.min(bytes.len()), b.min(bytes.len()));
                let (a, b) = (a.min(b), a.max(b));
                let part = match kept {
                    true => Part::Kept(a as u64..b as u64),
                    false => Part::Put(bytes[a..b].to_vec()),
                };
                (part, &bytes[a..b])
            }).collect();
            let whole: Vec<u8> = parts.iter().flat_map(|(_, b)| b.iter().copied()).collect();
            let parts = parts.into_iter().map(|(part, _)| part).collect();
            let mut patched = Patched::new(file, parts);
            prop_assert_eq!(patched.byte_len(), Some(whole.len() as u64));
            patched.seek(SeekFrom::Start(from as u64)).unwrap();
            let mut read = Vec::new();
            patched.read_to_end(&mut read).unwrap();
            prop_assert_eq!(&read[..], &whole[from.min(whole.len())..]);
        }
    }
}
