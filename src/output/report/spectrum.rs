//! What a take's spectrum says, heard in a pass of its own once its notes are known.

use std::path::Path;

use super::spectrogram::Spectrogram;
use crate::audio::decode::{Selection, Take};
use crate::brightness::Meter;
use crate::error::Result;
use crate::line::Line;

/// Spectrogram of a take and brightness of its notes.
#[derive(Debug)]
pub struct Spectrum {
    /// Levels over time and frequency.
    pub(super) spectrogram: Spectrogram,
    /// Brightness of each note of the line, in order.
    pub brightness: Vec<Option<f64>>,
}

impl Spectrum {
    /// Hears a take again.
    ///
    /// # Errors
    /// Those of [`Take`].
    pub fn read(path: &Path, selection: &Selection, line: &Line) -> Result<Spectrum> {
        let mut take = Take::open(path, selection)?;
        let (rate_hz, start_s) = (take.sample_rate_hz(), take.start_s());
        let mut spectrogram = Spectrogram::new(rate_hz, start_s);
        let mut meter = Meter::new(line, rate_hz, start_s);
        let mut block = Vec::new();
        while take.next_block(&mut block)? {
            spectrogram.push(&block);
            meter.push(&block);
        }
        Ok(Spectrum {
            spectrogram,
            brightness: meter.finish(),
        })
    }
}
