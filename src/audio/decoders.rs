//! The libraries that decode takes, behind one interface: symphonia for nearly all, hound
//! for WAV files with more channels than symphonia supports.

use std::fs::File;
use std::io::{BufReader, Seek, SeekFrom};

use hound::{SampleFormat, WavReader};
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error as Symphonia;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatReader, TrackType};
use symphonia::core::io::MediaSourceStream;

/// What the file's header says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Format {
    pub sample_rate_hz: f64,
    pub channels: usize,
    /// Length in frames, if it is given.
    pub frames: Option<u64>,
}

/// A file being decoded.
pub enum Decoder {
    Common {
        format: Box<dyn FormatReader>,
        decoder: Box<dyn AudioDecoder>,
        track_id: u32,
        channels: usize,
    },
    Wide(WavReader<BufReader<File>>),
}

/// Samples of a multichannel file that are read at once.
const WIDE_SAMPLES: usize = 1 << 16;

impl Decoder {
    /// Detects the format of a file; its extension `ending` is a hint. `None` if it cannot
    /// be decoded.
    pub fn open(file: File, ending: Option<&str>) -> Option<(Decoder, Format)> {
        let again = file.try_clone().ok()?;
        common(file, ending).or_else(|| wide(again))
    }

    /// The next interleaved samples, or `false` at the end.
    ///
    /// # Errors
    /// What is wrong with the file, in words.
    pub fn next(&mut self, interleaved: &mut Vec<f32>) -> Result<bool, String> {
        match self {
            Decoder::Common {
                format,
                decoder,
                track_id,
                channels,
            } => loop {
                let packet = match format.next_packet() {
                    Ok(Some(packet)) => packet,
                    Ok(None) => return Ok(false),
                    Err(Symphonia::IoError(e)) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
                        return Ok(false);
                    }
                    Err(e) => return Err(e.to_string()),
                };
                if packet.track_id != *track_id {
                    continue;
                }
                let audio = decoder.decode(&packet).map_err(|e| e.to_string())?;
                if audio.spec().channels().count() != *channels {
                    return Err("the number of channels changes within the file".into());
                }
                interleaved.resize(audio.samples_interleaved(), 0.0);
                audio.copy_to_slice_interleaved(interleaved);
                return Ok(true);
            },
            Decoder::Wide(reader) => {
                let spec = reader.spec();
                let channels = usize::from(spec.channels);
                let most = (WIDE_SAMPLES / channels).max(1) * channels;
                interleaved.clear();
                let scale = 2f32.powi(1 - i32::from(spec.bits_per_sample));
                let read = match spec.sample_format {
                    SampleFormat::Float => take(reader.samples::<f32>(), most, interleaved, |s| s),
                    SampleFormat::Int => take(reader.samples::<i32>(), most, interleaved, |s| {
                        s as f32 * scale
                    }),
                };
                // The rest of a truncated frame is dropped.
                let whole = interleaved.len() / channels * channels;
                interleaved.truncate(whole);
                match read {
                    // The end of a truncated file: detected by its length.
                    Err(hound::Error::IoError(e))
                        if e.kind() == std::io::ErrorKind::UnexpectedEof => {}
                    Err(hound::Error::FormatError(_)) if interleaved.is_empty() => {}
                    Err(e) => return Err(e.to_string().trim_end_matches('.').to_owned()),
                    Ok(()) => {}
                }
                Ok(!interleaved.is_empty())
            }
        }
    }
}

fn take<S>(
    samples: impl Iterator<Item = hound::Result<S>>,
    most: usize,
    to: &mut Vec<f32>,
    scaled: impl Fn(S) -> f32,
) -> hound::Result<()> {
    for sample in samples.take(most) {
        to.push(scaled(sample?));
    }
    Ok(())
}

fn common(file: File, ending: Option<&str>) -> Option<(Decoder, Format)> {
    let mut hint = Hint::new();
    if let Some(ending) = ending {
        hint.with_extension(ending);
    }
    let stream = MediaSourceStream::new(Box::new(file), Default::default());
    let format = symphonia::default::get_probe()
        .probe(&hint, stream, Default::default(), Default::default())
        .ok()?;
    let track = format.default_track(TrackType::Audio)?;
    let parameters = track.codec_params.as_ref().and_then(|p| p.audio())?;
    let decoder = symphonia::default::get_codecs()
        .make_audio_decoder(parameters, &AudioDecoderOptions::default())
        .ok()?;
    let channels = parameters.channels.as_ref().map_or(1, |c| c.count());
    let found = Format {
        sample_rate_hz: f64::from(parameters.sample_rate?),
        channels,
        frames: track.num_frames,
    };
    let track_id = track.id;
    Some((
        Decoder::Common {
            format,
            decoder,
            track_id,
            channels,
        },
        found,
    ))
}

fn wide(mut file: File) -> Option<(Decoder, Format)> {
    file.seek(SeekFrom::Start(0)).ok()?;
    let reader = WavReader::new(BufReader::new(file)).ok()?;
    let spec = reader.spec();
    let found = Format {
        sample_rate_hz: f64::from(spec.sample_rate),
        channels: usize::from(spec.channels),
        frames: Some(u64::from(reader.duration())),
    };
    (found.channels > 0).then_some((Decoder::Wide(reader), found))
}
