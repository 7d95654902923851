//! Pitch track as comma-separated values or JSON: one row or object per frame,
//! `frequency_hz` empty or null where there is no tone.

use std::io::{self, Write as _};

use crate::PitchFrame;
use crate::notes::timeline::Timeline;
use crate::units::Pitch;

/// Columns in order.
pub const HEADER: [&str; 4] = ["time_s", "frequency_hz", "confidence", "level_db"];

/// Values of a row.
fn fields(frame: &PitchFrame) -> [Option<String>; 4] {
    let frequency = frame.pitch.map(|p| Pitch(f64::from(p)).hz());
    [
        Some(format!("{:.5}", frame.time_s)),
        frequency.map(|hz| format!("{hz:.3}")),
        Some(format!("{:.3}", frame.confidence)),
        Some(format!("{:.1}", frame.level_db)),
    ]
}

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
            self.rows
                .write_record(fields(&frame).map(Option::unwrap_or_default))?;
        }
        Ok(())
    }

    /// Flushes the output.
    pub fn finish(mut self) -> io::Result<()> {
        self.rows.flush()
    }
}

/// Writes a track part by part as a JSON array with an object per frame, with the values
/// of the rows.
#[derive(Debug)]
pub struct Objects<W: io::Write> {
    to: io::BufWriter<W>,
    any: bool,
}

impl<W: io::Write> Objects<W> {
    /// Writer to a stream. Nothing is written before the first part.
    pub fn new(to: W) -> Self {
        Objects {
            to: io::BufWriter::new(to),
            any: false,
        }
    }

    /// Writes the next part.
    pub fn push(&mut self, part: &Timeline) -> io::Result<()> {
        for frame in part.frames() {
            let before = if self.any { ",\n" } else { "[\n" };
            self.any = true;
            let values = fields(&frame).map(|value| value.unwrap_or("null".into()));
            let [time, frequency, confidence, level] = values;
            write!(
                self.to,
                "{before}{{\"time_s\": {time}, \"frequency_hz\": {frequency}, \
                 \"confidence\": {confidence}, \"level_db\": {level}}}"
            )?;
        }
        Ok(())
    }

    /// Ends the array and flushes the output.
    pub fn finish(mut self) -> io::Result<()> {
        self.to
            .write_all(if self.any { b"\n]\n" } else { b"[]\n" })?;
        self.to.flush()
    }
}

/// Writes a whole track as comma-separated values.
pub fn write(track: &Timeline, to: &mut dyn io::Write) -> io::Result<()> {
    let mut rows = Rows::new(to);
    rows.push(track)?;
    rows.finish()
}
