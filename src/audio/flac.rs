//! A take's sound as FLAC (RFC 9639), small enough to embed in an HTML page.

use std::path::Path;

use flacenc::bitsink::ByteSink;
use flacenc::component::{BitRepr, Stream, StreamInfo};
use flacenc::config::Encoder;
use flacenc::error::{Verified, Verify};
use flacenc::source::{Context, Fill, FrameBuf};

use super::{Selection, Take};
use crate::error::{Error, Result};
use crate::text::shown_path;

/// Sound of the selected channel and part, 16 bits, mono.
#[derive(Debug, Clone)]
pub struct Flac {
    /// The whole stream.
    pub bytes: Vec<u8>,
    /// Time in the take at which it starts, in seconds.
    pub start_s: f64,
}

/// Longest sound for a page, in seconds: a browser holds all of it in memory.
const MAX_LENGTH_S: f64 = 3_600.0;

fn too_long(path: &Path) -> Error {
    Error::setting(
        format!("{}: more than an hour of sound to embed", shown_path(path)),
        "choose a part with --start and --end, or leave --audio out",
    )
}

/// Highest sample rate, in hertz: the encoder's limit. Above it neighbouring samples are
/// averaged; only sound above 48 kHz aliases.
const MAX_HZ: f64 = 96_000.0;
const BITS: usize = 16;
const FULL: f32 = 32_767.0;

impl Flac {
    /// Says, before long work, what [`Flac::read`] will refuse: a take that is too long, as
    /// far as its header says, or one that can be read only once.
    ///
    /// # Errors
    /// [`Error::Setting`], and those of [`Take::open`].
    pub fn check(path: &Path, selection: &Selection) -> Result<()> {
        if !path.is_file() {
            return Err(Error::setting(
                format!(
                    "{}: read from a pipe, so not again for its sound",
                    shown_path(path)
                ),
                "save it to a file first, or leave --audio out",
            ));
        }
        let length_s = Take::open(path, selection)?.length_s();
        match length_s.is_some_and(|length_s| length_s > MAX_LENGTH_S) {
            true => Err(too_long(path)),
            false => Ok(()),
        }
    }

    /// Reads a take and encodes it.
    ///
    /// # Errors
    /// Those of [`Take`]; [`Error::Setting`] for more than an hour.
    pub fn read(path: &Path, selection: &Selection) -> Result<Flac> {
        let mut take = Take::open(path, selection)?;
        let fold = (take.sample_rate_hz() / MAX_HZ).ceil().max(1.0) as usize;
        let rate_hz = take.sample_rate_hz() / fold as f64;
        let refused = |cause: String| {
            Error::setting(
                format!(
                    "{}: its sound cannot be embedded ({cause})",
                    shown_path(path)
                ),
                "leave --audio out",
            )
        };
        let mut packer = Packer::new(rate_hz.round() as usize).map_err(refused)?;
        let (mut block, mut samples, mut waiting) = (Vec::new(), Vec::new(), Vec::new());
        let mut count = 0;
        while take.next_block(&mut block)? {
            waiting.extend_from_slice(&block);
            let whole = waiting.len() / fold * fold;
            let mean = |c: &[f32]| c.iter().sum::<f32>() / fold as f32;
            let packed = waiting[..whole].chunks_exact(fold).map(mean);
            samples.extend(packed.map(|s| (s.clamp(-1.0, 1.0) * FULL).round() as i32));
            waiting.drain(..whole);
            count += block.len();
            if count as f64 > MAX_LENGTH_S * take.sample_rate_hz() {
                return Err(too_long(path));
            }
            packer.pack(&mut samples).map_err(refused)?;
        }
        let start_s = take.start_s();
        let bytes = packer.finish(&samples).map_err(refused)?;
        Ok(Flac { bytes, start_s })
    }
}

/// Encodes frame by frame, so that only the encoded sound is in memory.
struct Packer {
    config: Verified<Encoder>,
    info: StreamInfo,
    context: Context,
    frames: Vec<u8>,
}

/// Errors are the encoder's own, in its words.
impl Packer {
    fn new(rate_hz: usize) -> std::result::Result<Packer, String> {
        let config = Encoder::default()
            .into_verified()
            .map_err(|(_, e)| e.to_string())?;
        let mut info = StreamInfo::new(rate_hz, 1, BITS).map_err(|e| e.to_string())?;
        info.set_block_sizes(config.block_size, config.block_size)
            .map_err(|e| e.to_string())?;
        Ok(Packer {
            config,
            info,
            context: Context::new(BITS, 1),
            frames: Vec::new(),
        })
    }

    /// Encodes whole frames from the front of `samples` and removes them.
    fn pack(&mut self, samples: &mut Vec<i32>) -> std::result::Result<(), String> {
        let size = self.config.block_size;
        let whole = samples.len() / size * size;
        for frame in samples[..whole].chunks_exact(size) {
            self.frame(frame)?;
        }
        samples.drain(..whole);
        Ok(())
    }

    fn frame(&mut self, samples: &[i32]) -> std::result::Result<(), String> {
        let mut buffer =
            FrameBuf::with_size(1, self.config.block_size).map_err(|e| e.to_string())?;
        (&mut buffer, &mut self.context)
            .fill_interleaved(samples)
            .map_err(|e| e.to_string())?;
        let number = self.context.current_frame_number().unwrap_or(0);
        let frame = flacenc::encode_fixed_size_frame(&self.config, &buffer, number, &self.info)
            .map_err(|e| e.to_string())?;
        let mut sink = ByteSink::new();
        frame.write(&mut sink).map_err(|e| e.to_string())?;
        self.frames.extend(sink.as_slice());
        Ok(())
    }

    /// The last frame, shorter than the others, and the stream header.
    fn finish(mut self, rest: &[i32]) -> std::result::Result<Vec<u8>, String> {
        if !rest.is_empty() {
            self.frame(rest)?;
        }
        self.info.set_md5_digest(&self.context.md5_digest());
        self.info.set_total_samples(self.context.total_samples());
        let mut sink = ByteSink::new();
        Stream::with_stream_info(self.info)
            .write(&mut sink)
            .map_err(|e| e.to_string())?;
        let mut bytes = sink.as_slice().to_vec();
        bytes.append(&mut self.frames);
        Ok(bytes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Encoded here, read back by the decoder for takes (symphonia).
    #[test]
    fn sound_comes_back_sample_by_sample() {
        let folder = tempfile::tempdir().unwrap();
        let sine = |i: usize| (i as f32 * 0.05).sin() * 0.5;
        for (rate_hz, fold) in [(44_100, 1), (192_000, 2)] {
            let samples: Vec<f32> = (0..20_001).map(sine).collect();
            let wav = folder.path().join("a.wav");
            let mut file = std::fs::File::create(&wav).unwrap();
            crate::output::wav::write_mono(&samples, rate_hz, &mut file).unwrap();
            let selection = Selection {
                start_s: Some(0.01),
                ..Selection::default()
            };
            let flac = Flac::read(&wav, &selection).unwrap();
            assert_eq!(flac.start_s, 0.01);
            let packed = folder.path().join("a.flac");
            std::fs::write(&packed, &flac.bytes).unwrap();
            let mut take = Take::open(&packed, &Selection::default()).unwrap();
            assert_eq!(take.sample_rate_hz(), f64::from(rate_hz) / fold as f64);
            let (mut block, mut back) = (Vec::new(), Vec::new());
            while take.next_block(&mut block).unwrap() {
                back.extend_from_slice(&block);
            }
            let first = rate_hz as usize / 100;
            assert_eq!(back.len(), (20_001 - first) / fold);
            for (i, sample) in back.iter().enumerate() {
                let among = &samples[first + i * fold..first + (i + 1) * fold];
                let mean = among.iter().sum::<f32>() / fold as f32;
                assert!((sample - mean).abs() < 1e-4, "{i}: {sample} {mean}");
            }
        }
    }
}
