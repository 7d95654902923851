//! A take's sound as FLAC, small enough to stand in a page.

use std::path::Path;

use flacenc::component::BitRepr;
use flacenc::error::Verify;

use super::{Selection, Take};
use crate::error::{Error, Result};

/// Sound of the chosen channel and part, 16 bits, mono.
pub struct Flac {
    /// A whole FLAC stream (RFC 9639).
    pub bytes: Vec<u8>,
    /// Moment in the take at which it starts, in seconds.
    pub start_s: f64,
}

/// Longest sound that is put into a page, in seconds: a browser holds it all.
const MOST_S: f64 = 3_600.0;
const FULL: f32 = 32_767.0;

impl Flac {
    /// Reads a take and packs it.
    ///
    /// # Errors
    /// Those of [`Take`]; [`Error::Setting`] for more than an hour.
    pub fn read(path: &Path, selection: &Selection) -> Result<Flac> {
        let mut take = Take::open(path, selection)?;
        let rate_hz = take.sample_rate_hz();
        let most = (MOST_S * rate_hz) as usize;
        let (mut block, mut samples) = (Vec::new(), Vec::new());
        while take.next_block(&mut block)? {
            samples.extend(
                block
                    .iter()
                    .map(|s| (s.clamp(-1.0, 1.0) * FULL).round() as i32),
            );
            if samples.len() > most {
                return Err(Error::setting(
                    format!(
                        "{}: more than an hour of sound for one page",
                        path.display()
                    ),
                    "choose a part with --start and --end, or leave --audio out",
                ));
            }
        }
        let start_s = take.start_s();
        let refused = |cause: String| {
            Error::setting(
                format!("{}: its sound cannot be embedded ({cause})", path.display()),
                "leave --audio out",
            )
        };
        let config = flacenc::config::Encoder::default()
            .into_verified()
            .map_err(|(_, e)| refused(e.to_string()))?;
        let source = flacenc::source::MemSource::from_samples(&samples, 1, 16, rate_hz as usize);
        let stream = flacenc::encode_with_fixed_block_size(&config, source, config.block_size)
            .map_err(|e| refused(e.to_string()))?;
        let mut sink = flacenc::bitsink::ByteSink::new();
        stream
            .write(&mut sink)
            .map_err(|e| refused(e.to_string()))?;
        Ok(Flac {
            bytes: sink.into_inner(),
            start_s,
        })
    }
}
