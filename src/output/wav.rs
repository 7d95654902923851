//! WAV files, as RF64 (EBU Tech 3306) where WAV has no room, with the program's name in
//! them.

use std::io::{self, Write};

use super::Sink;
use crate::text::PROGRAM;

/// How samples are coded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Coding {
    /// 16-bit integers.
    Int16,
    /// 32-bit floating point.
    Float32,
}

/// What the header of a file says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Header<'a> {
    /// Number of channels, 1 to 18.
    pub channels: u16,
    /// Sample rate in hertz.
    pub sample_rate_hz: u32,
    /// Coding of the samples.
    pub coding: Coding,
    /// Length in frames.
    pub frames: u64,
    /// A comment for whoever opens the file.
    pub comment: Option<&'a str>,
}

/// Format tags of WAV, and the rest of the identifiers that extensible ones make of them
/// (Microsoft, "Multiple channel audio data and WAVE files").
const INTEGERS: u16 = 1;
const EXTENSIBLE: u16 = 0xFFFE;
const FLOATS_GUID: [u8; 16] = *b"\x03\0\0\0\0\0\x10\0\x80\0\0\xaa\0\x38\x9b\x71";

impl Header<'_> {
    /// Writes everything up to the first sample.
    pub fn write(&self, to: &mut (impl Write + ?Sized)) -> io::Result<()> {
        let format = self.format();
        let info = self.info();
        let bytes = self.frames * u64::from(self.channels) * self.bytes_per_sample();
        // "WAVE" and three chunks with their heads; an odd length is padded.
        let size = 4 + 8 + format.len() as u64 + 8 + info.len() as u64 + 8 + bytes + bytes % 2;
        match (u32::try_from(size), u32::try_from(bytes)) {
            (Ok(size), Ok(bytes)) => {
                to.write_all(b"RIFF")?;
                to.write_all(&size.to_le_bytes())?;
                to.write_all(b"WAVE")?;
                chunk(b"fmt ", &format, to)?;
                chunk(b"LIST", &info, to)?;
                to.write_all(b"data")?;
                to.write_all(&bytes.to_le_bytes())
            }
            _ => {
                const LONG_SIZES: u64 = 28;
                to.write_all(b"RF64\xff\xff\xff\xffWAVE")?;
                let mut sizes = Vec::new();
                for size in [size + 8 + LONG_SIZES, bytes, self.frames] {
                    sizes.extend(size.to_le_bytes());
                }
                // No table of other long chunks.
                sizes.extend(0u32.to_le_bytes());
                chunk(b"ds64", &sizes, to)?;
                chunk(b"fmt ", &format, to)?;
                chunk(b"LIST", &info, to)?;
                to.write_all(b"data\xff\xff\xff\xff")
            }
        }
    }

    fn bytes_per_sample(&self) -> u64 {
        match self.coding {
            Coding::Int16 => 2,
            Coding::Float32 => 4,
        }
    }

    fn format(&self) -> Vec<u8> {
        let bytes = self.bytes_per_sample() as u16;
        let block = self.channels * bytes;
        let tag = match self.coding {
            Coding::Int16 => INTEGERS,
            Coding::Float32 => EXTENSIBLE,
        };
        let mut format = Vec::new();
        format.extend(tag.to_le_bytes());
        format.extend(self.channels.to_le_bytes());
        format.extend(self.sample_rate_hz.to_le_bytes());
        format.extend((self.sample_rate_hz * u32::from(block)).to_le_bytes());
        format.extend(block.to_le_bytes());
        format.extend((8 * bytes).to_le_bytes());
        if self.coding == Coding::Float32 {
            // 22 more bytes: valid bits, a speaker for each channel, the coding.
            format.extend(22u16.to_le_bytes());
            format.extend((8 * bytes).to_le_bytes());
            format.extend(((1u32 << self.channels) - 1).to_le_bytes());
            format.extend(FLOATS_GUID);
        }
        format
    }

    /// Software and comment (Microsoft and IBM, Multimedia Programming Interface, 1991).
    fn info(&self) -> Vec<u8> {
        let mut info = b"INFO".to_vec();
        let comment = self.comment.map(|comment| (b"ICMT", comment));
        for (name, text) in std::iter::once((b"ISFT", PROGRAM)).chain(comment) {
            let mut bytes = text.as_bytes().to_vec();
            bytes.push(0);
            info.extend(name);
            info.extend((bytes.len() as u32).to_le_bytes());
            info.extend(&bytes);
            info.extend(vec![0; bytes.len() % 2]);
        }
        info
    }
}

/// Writes a chunk of even length.
fn chunk(name: &[u8; 4], bytes: &[u8], to: &mut (impl Write + ?Sized)) -> io::Result<()> {
    to.write_all(name)?;
    to.write_all(&(bytes.len() as u32).to_le_bytes())?;
    to.write_all(bytes)
}

/// Writes one channel of samples (full scale 1.0) as 16-bit.
pub fn write_mono(samples: &[f32], sample_rate_hz: u32, to: &mut dyn Sink) -> io::Result<()> {
    let header = Header {
        channels: 1,
        sample_rate_hz,
        coding: Coding::Int16,
        frames: samples.len() as u64,
        comment: None,
    };
    header.write(to)?;
    for sample in samples {
        let value = (sample.clamp(-1.0, 1.0) * 32_767.0).round() as i16;
        to.write_all(&value.to_le_bytes())?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn another_reader_finds_what_was_written() {
        for (coding, channels) in [(Coding::Int16, 1), (Coding::Float32, 4)] {
            let header = Header {
                channels,
                sample_rate_hz: 48_000,
                coding,
                frames: 3,
                comment: Some("two words"),
            };
            let mut bytes = Vec::new();
            header.write(&mut bytes).unwrap();
            bytes.resize(
                bytes.len() + 3 * usize::from(channels) * header.bytes_per_sample() as usize,
                0,
            );
            assert_eq!(
                u32::from_le_bytes(*bytes[4..].first_chunk().unwrap()) as usize,
                bytes.len() - 8
            );
            let mut reader = hound::WavReader::new(&bytes[..]).unwrap();
            let spec = reader.spec();
            assert_eq!((spec.channels, spec.sample_rate), (channels, 48_000));
            assert_eq!(reader.duration(), 3);
            match coding {
                Coding::Int16 => assert_eq!(reader.samples::<i32>().flatten().count(), 3),
                Coding::Float32 => assert_eq!(reader.samples::<f32>().flatten().count(), 12),
            }
        }
    }

    /// Two hours of four channels: more than 4 GB. Only the header is written here.
    #[cfg(feature = "decode")]
    #[test]
    fn more_than_four_gigabytes_are_rf64() {
        let header = Header {
            channels: 4,
            sample_rate_hz: 48_000,
            coding: Coding::Float32,
            frames: 7_200 * 48_000,
            comment: None,
        };
        let mut file = tempfile::tempfile().unwrap();
        header.write(&mut file).unwrap();
        let wave = crate::audio::wave_header::read(&mut file).unwrap().unwrap();
        assert_eq!((wave.frames, wave.unclosed), (7_200 * 48_000, false));
    }
}
