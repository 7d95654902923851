//! Finds the frames of an MPEG audio file (ISO/IEC 11172-3, layer III), each by the length
//! in its header, and where some are lost. The file has no times of its own: a lost frame
//! would move all later notes.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read, Seek, SeekFrom};
use std::ops::Range;

use super::patched::Part;

/// What was found in a file.
#[derive(Debug, Clone, PartialEq)]
pub struct Scan {
    /// Frames of sound, where the file has no count of its own: its size alone tells
    /// nothing of its length if the bit rate varies.
    pub length: Option<u64>,
    /// The file repaired, if it is damaged.
    pub repaired: Option<Repaired>,
}

/// A damaged file in parts, with a silent frame for each that is lost.
#[derive(Debug, Clone, PartialEq)]
pub struct Repaired {
    /// The file's frames and the silent ones.
    pub parts: Vec<Part>,
    /// Where the lost frames were: in frames of sound from the first of the file.
    pub lost: Vec<Range<u64>>,
    /// Frames of sound in the first frame.
    pub first: u64,
}

/// Header of a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Header {
    bytes: [u8; 4],
    /// Of the whole frame, in bytes.
    length: u64,
}

/// Kilobits a second by the header's four bits, MPEG 1 and 2 (2.5 too).
const KBITS: [[u64; 15]; 2] = [
    [
        0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320,
    ],
    [0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160],
];
/// Sample rates of MPEG 1, in hertz; 2 has half of them, 2.5 a quarter.
const RATES_HZ: [u64; 3] = [44_100, 48_000, 32_000];

impl Header {
    fn read(bytes: [u8; 4]) -> Option<Header> {
        let [sync, version, rates, _] = bytes;
        if sync != 0xFF || version & 0xE6 != 0xE2 {
            return None;
        }
        let (mpeg1, divider) = match version >> 3 & 3 {
            0 => (false, 4),
            2 => (false, 2),
            3 => (true, 1),
            _ => return None,
        };
        let kbits = *KBITS[usize::from(!mpeg1)].get(usize::from(rates >> 4))?;
        let rate_hz = RATES_HZ.get(usize::from(rates >> 2 & 3))? / divider;
        let padding = u64::from(rates >> 1 & 1);
        let slots = if mpeg1 { 144 } else { 72 };
        (kbits > 0).then(|| Header {
            bytes,
            length: slots * kbits * 1_000 / rate_hz + padding,
        })
    }

    /// Whether a frame of the same stream may have this header: version, layer and rate
    /// are the same throughout.
    fn like(&self, other: &Header) -> bool {
        let same = |header: &Header| (header.bytes[1] & 0xFE, header.bytes[2] & 0x0C);
        same(self) == same(other)
    }

    /// Frames of sound in it.
    fn frames(&self) -> u64 {
        if self.bytes[1] & 0x08 != 0 {
            1_152
        } else {
            576
        }
    }

    /// Bytes of its side information, and where that begins.
    fn side_information(&self) -> Range<usize> {
        let mpeg1 = self.bytes[1] & 0x08 != 0;
        let mono = self.bytes[3] >> 6 == 3;
        let length = match (mpeg1, mono) {
            (true, false) => 32,
            (true, true) | (false, false) => 17,
            (false, true) => 9,
        };
        let checksum = if self.bytes[1] & 1 == 0 { 2 } else { 0 };
        4 + checksum..4 + checksum + length
    }

    /// Bytes of sound that it has room for; they may be those of later frames.
    fn room(&self) -> u64 {
        self.length
            .saturating_sub(self.side_information().end as u64)
    }

    /// How many bytes of the frames before it a frame begins with.
    fn reaches_back(&self, frame: &[u8]) -> u64 {
        let at = self.side_information().start;
        match frame.get(at..at + 2) {
            Some([high, low]) if self.bytes[1] & 0x08 != 0 => {
                u64::from(*high) << 1 | u64::from(low >> 7)
            }
            Some([byte, _]) => u64::from(*byte),
            _ => 0,
        }
    }

    /// The frame without sound of its own; what it holds of later frames stays.
    fn muted(&self, mut frame: Vec<u8>) -> Vec<u8> {
        if let Some(information) = frame.get_mut(self.side_information()) {
            information.fill(0);
        }
        frame
    }

    /// A frame that holds nothing.
    fn silent(&self) -> Vec<u8> {
        let mut frame = vec![0; self.length as usize];
        frame[..4].copy_from_slice(&self.bytes);
        frame
    }

    /// How many frames follow one that describes the others (the tag Xing or Info).
    fn described(&self, frame: &[u8]) -> Option<u64> {
        let tag = frame
            .get(self.side_information().end..)?
            .first_chunk::<12>()?;
        let counts = matches!(&tag[..4], b"Xing" | b"Info") && tag[7] & 1 == 1;
        counts.then(|| u64::from(u32::from_be_bytes([tag[8], tag[9], tag[10], tag[11]])))
    }
}

/// A damaged stretch of a file.
struct Damage {
    bytes: Range<u64>,
    /// Frames before it.
    after: u64,
    /// What stands in its place.
    instead: Instead,
}

enum Instead {
    /// As many silent frames as are lost.
    Silent(Header),
    /// A frame whose sound began in a lost one.
    Muted(Vec<u8>),
}

/// Looks through a file; `None` for one that is not MPEG audio. Leaves the file's position
/// anywhere.
///
/// # Errors
/// Those of the file.
pub fn scan(file: &mut File) -> io::Result<Option<Scan>> {
    let mut reader = Scanner::new(file)?;
    reader.skip_tag()?;
    let Some(first) = reader.header()? else {
        return Ok(None);
    };
    let start = reader.at;
    let described = first.described(&reader.frame(first)?);
    let (mut last, mut count) = (first, 1u64);
    reader.skip(first.length)?;
    match reader.header()? {
        Some(next) if next.like(&first) => {}
        _ => return Ok(None),
    }
    let mut damages: Vec<Damage> = Vec::new();
    // Bytes of sound since the last damage, until a frame needs no more than those.
    let mut since = None;
    let end = loop {
        let from = reader.at;
        match reader.header()?.filter(|next| next.like(&first)) {
            Some(next) if from + next.length <= reader.length => {
                if let Some(known) = since {
                    let frame = reader.frame(next)?;
                    since = None;
                    if next.reaches_back(&frame) > known {
                        since = Some(known + next.room());
                        damages.push(Damage {
                            bytes: from..from + next.length,
                            after: count,
                            instead: Instead::Muted(next.muted(frame)),
                        });
                    }
                }
                last = next;
                count += 1;
                reader.skip(next.length)?;
            }
            _ => {
                if !reader.resync(&first)? {
                    break from;
                }
                since = Some(0);
                damages.push(Damage {
                    bytes: from..reader.at,
                    after: count,
                    instead: Instead::Silent(last),
                });
            }
        }
    };
    let length = |frames: u64| described.is_none().then(|| frames * first.frames());
    if damages.is_empty() {
        return Ok(Some(Scan {
            length: length(count),
            repaired: None,
        }));
    }
    let gaps = || {
        let gap = |damage: &Damage| match damage.instead {
            Instead::Silent(_) => damage.bytes.end - damage.bytes.start,
            Instead::Muted(_) => 0,
        };
        damages.iter().map(gap)
    };
    let mean = (end - start - gaps().sum::<u64>()) as f64 / count as f64;
    let mut missing: Vec<u64> = gaps()
        .map(|bytes| (bytes as f64 / mean).round() as u64)
        .collect();
    // Where bytes are lost too, only the file's own count tells; they are taken to be
    // from its longest gap.
    let short = described.map_or(0, |frames| {
        (frames + 1).saturating_sub(count + missing.iter().sum::<u64>())
    });
    let longest = gaps().enumerate().max_by_key(|(_, bytes)| *bytes);
    if let Some((at, _)) = longest.filter(|_| short <= count) {
        missing[at] += short;
    }
    let (mut parts, mut lost) = (Vec::new(), Vec::new());
    let (mut from, mut put) = (0, 0);
    for (damage, missing) in damages.into_iter().zip(missing) {
        parts.push(Part::Kept(from..damage.bytes.start));
        let silent = match damage.instead {
            Instead::Silent(before) => {
                parts.extend((0..missing).map(|_| Part::Put(before.silent())));
                missing
            }
            Instead::Muted(frame) => {
                parts.push(Part::Put(frame));
                1
            }
        };
        let sound = |frames: u64| frames * first.frames();
        let from_sound = sound(damage.after + put);
        let to_sound = sound(damage.after + put + silent);
        match lost
            .last_mut()
            .filter(|last: &&mut Range<u64>| last.end == from_sound)
        {
            Some(last) => last.end = to_sound,
            None => lost.push(from_sound..to_sound),
        }
        from = damage.bytes.end;
        put += missing;
    }
    parts.push(Part::Kept(from..reader.length));
    Ok(Some(Scan {
        length: length(count + put),
        repaired: Some(Repaired {
            parts,
            lost,
            first: first.frames(),
        }),
    }))
}

/// Goes through a file.
struct Scanner<'a> {
    reader: BufReader<&'a mut File>,
    at: u64,
    length: u64,
}

impl<'a> Scanner<'a> {
    fn new(file: &'a mut File) -> io::Result<Scanner<'a>> {
        let length = file.metadata()?.len();
        file.seek(SeekFrom::Start(0))?;
        Ok(Scanner {
            reader: BufReader::with_capacity(1 << 16, file),
            at: 0,
            length,
        })
    }

    fn skip(&mut self, bytes: u64) -> io::Result<()> {
        self.at += bytes;
        self.reader.seek_relative(bytes as i64)
    }

    /// Skips a tag of ID3v2 at the start of the file.
    fn skip_tag(&mut self) -> io::Result<()> {
        let mut head = [0; 10];
        if self.peek(&mut head)? && head.starts_with(b"ID3") {
            let size = head[6..]
                .iter()
                .fold(0, |size, byte| size << 7 | u64::from(byte & 0x7F));
            self.skip(10 + size)?;
        }
        Ok(())
    }

    /// The bytes ahead; `false` where there are not so many.
    fn peek(&mut self, to: &mut [u8]) -> io::Result<bool> {
        if self.at + to.len() as u64 > self.length {
            return Ok(false);
        }
        self.reader.read_exact(to)?;
        self.reader.seek_relative(-(to.len() as i64))?;
        Ok(true)
    }

    /// The frame ahead.
    fn frame(&mut self, header: Header) -> io::Result<Vec<u8>> {
        let mut frame = vec![0; header.length as usize];
        self.peek(&mut frame)?;
        Ok(frame)
    }

    /// The frame header ahead.
    fn header(&mut self) -> io::Result<Option<Header>> {
        let mut bytes = [0; 4];
        let there = self.peek(&mut bytes)?;
        Ok(Header::read(bytes).filter(|_| there))
    }

    /// Goes on to the next frame of the stream that another one, or the end of the file,
    /// follows. `false` if there is none: what is left is a tag, or nothing.
    fn resync(&mut self, first: &Header) -> io::Result<bool> {
        let from = self.at;
        while self.at < self.length {
            let ahead = self.reader.fill_buf()?;
            let sync = ahead.iter().position(|byte| *byte == 0xFF);
            let skipped = sync.unwrap_or(ahead.len()) as u64;
            self.skip(skipped)?;
            if sync.is_none() {
                if skipped == 0 {
                    break;
                }
                continue;
            }
            let Some(header) = self.header()?.filter(|header| header.like(first)) else {
                self.skip(1)?;
                continue;
            };
            let here = self.at;
            self.skip(header.length)?;
            let followed =
                self.at == self.length || self.header()?.is_some_and(|next| next.like(first));
            let back = self.at - here;
            self.at = here;
            self.reader.seek_relative(-(back as i64))?;
            if followed && here > from {
                return Ok(true);
            }
            self.skip(1)?;
        }
        Ok(false)
    }
}
