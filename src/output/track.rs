//! Pitch track as comma-separated values: one row a hop, `frequency_hz` empty
//! where there is no tone.

use std::io;

use crate::notes::timeline::Timeline;
use crate::units::Pitch;

/// Writes the track.
pub fn write(track: &Timeline, to: &mut dyn io::Write) -> io::Result<()> {
    let mut rows = csv::Writer::from_writer(to);
    rows.write_record(["time_s", "frequency_hz", "confidence", "level_db"])?;
    for moment in track.moments() {
        let frequency = moment
            .pitch
            .map(|p| format!("{:.3}", Pitch(f64::from(p)).hz()));
        rows.write_record([
            format!("{:.5}", moment.time_s),
            frequency.unwrap_or_default(),
            format!("{:.3}", moment.confidence),
            format!("{:.1}", moment.level_db),
        ])?;
    }
    rows.flush()
}
