//! Audio as a WAV file.

use std::io;

use super::Sink;

/// Writes one channel of samples (full scale 1.0) as 16-bit.
pub fn write_mono(samples: &[f32], sample_rate_hz: u32, to: &mut dyn Sink) -> io::Result<()> {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: sample_rate_hz,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::new(to, spec).map_err(into_io)?;
    for sample in samples {
        let value = (sample.clamp(-1.0, 1.0) * 32_767.0).round() as i16;
        writer.write_sample(value).map_err(into_io)?;
    }
    writer.finalize().map_err(into_io)
}

/// Converts the writer's error to the I/O error inside it, if any.
pub(super) fn into_io(error: hound::Error) -> io::Error {
    match error {
        hound::Error::IoError(error) => error,
        other => io::Error::other(other.to_string()),
    }
}
