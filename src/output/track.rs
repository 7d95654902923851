//! Pitch track as comma-separated values: one row per frame, `frequency_hz` empty
//! where there is no tone.

use std::io;

use crate::notes::timeline::Timeline;
use crate::units::Pitch;

/// Columns in order.
pub const HEADER: [&str; 4] = ["time_s", "frequency_hz", "confidence", "level_db"];

/// Writes a track part by part, so that a long one need not be held in memory.
#[derive(Debug)]
pub struct Rows<W: io::Write> {
    rows: csv::Writer<W>,
    headed: bool,
}

impl<W: io::Write> Rows<W> {
    /// Writer to a stream. Nothing is written before the first part.
    pub fn new(to: W) -> Self {
        Rows {
            rows: csv::Writer::from_writer(to),
            headed: false,
        }
    }

    /// Writes the next part.
    pub fn push(&mut self, part: &Timeline) -> io::Result<()> {
        if !self.headed {
            self.rows.write_record(HEADER)?;
            self.headed = true;
        }
        for frame in part.frames() {
            let frequency = frame
                .pitch
                .map(|p| format!("{:.3}", Pitch(f64::from(p)).hz()));
            self.rows.write_record([
                format!("{:.5}", frame.time_s),
                frequency.unwrap_or_default(),
                format!("{:.3}", frame.confidence),
                format!("{:.1}", frame.level_db),
            ])?;
        }
        Ok(())
    }

    /// Flushes the output.
    pub fn finish(mut self) -> io::Result<()> {
        self.rows.flush()
    }
}

/// Writes a whole track.
pub fn write(track: &Timeline, to: &mut dyn io::Write) -> io::Result<()> {
    let mut rows = Rows::new(to);
    rows.push(track)?;
    rows.finish()
}
