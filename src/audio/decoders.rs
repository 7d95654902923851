//! The libraries that decode takes, behind one interface: symphonia for nearly all, hound
//! for WAV files with more channels than symphonia supports. What a damaged file lacks is
//! counted, so that the rest keeps its time.

use std::fs::File;
use std::io::{BufReader, Seek, SeekFrom};
use std::ops::Range;

use hound::{SampleFormat, WavReader};
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error as Symphonia;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatReader, Track, TrackType};
use symphonia::core::io::{MediaSource, MediaSourceStream, ReadOnlySource};
use symphonia::core::packet::Packet;

use super::caf_header;
use super::first_bytes;
use super::mpeg_frames::{self, Repaired, Scan};
use super::ogg_pages;
use super::patched::Patched;
use super::wave_header::{self, Wave};

/// What the file's header says, and what is wrong with it.
#[derive(Debug, Clone, PartialEq)]
pub struct Format {
    pub sample_rate_hz: f64,
    pub channels: usize,
    /// Length in frames, if it is given.
    pub frames: Option<u64>,
    /// Whether the recorder left the length out of the header.
    pub unclosed: bool,
    /// Whether the file ends early, though no header tells how long it should be.
    pub cut_off: bool,
    /// Frames that are lost, and silent in what is decoded.
    pub lost: Vec<Range<u64>>,
}

/// A file being decoded.
pub enum Decoder {
    Common(Box<Common>),
    Wide(WavReader<BufReader<File>>),
}

/// What comes next in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Next {
    /// Interleaved samples.
    Samples,
    /// So many frames that are damaged or missing.
    Lost(u64),
    /// Nothing any more.
    End,
}

/// Samples of a multichannel file that are read at once.
const WIDE_SAMPLES: usize = 1 << 16;
/// Longest stretch that may be missing in a file without a length, in frames: ten minutes
/// and more at any rate. A longer one is a damaged time stamp.
const MAX_LOST: u64 = 1 << 27;

impl Decoder {
    /// Detects the format of a file; its extension `ending` is a hint. `None` if it cannot
    /// be decoded.
    pub fn open(mut file: File, ending: Option<&str>) -> Option<(Decoder, Format)> {
        // A header that cannot be read is not one of these.
        if let Some(wave) = wave_header::read(&mut file).ok().flatten() {
            return behind_wav_header(file, wave);
        }
        if let Some(scan) = mpeg_frames::scan(&mut file).ok().flatten() {
            return mpeg(file, scan, ending);
        }
        let cut_off = ogg_pages::is_cut_off(&mut file).unwrap_or(false);
        file.seek(SeekFrom::Start(0)).ok()?;
        let (second, third) = (file.try_clone().ok()?, file.try_clone().ok()?);
        let (decoder, format) = common(Box::new(file), ending)
            .or_else(|| wide(second))
            .or_else(|| shortened(third))?;
        Some((decoder, Format { cut_off, ..format }))
    }

    /// Reads on.
    ///
    /// # Errors
    /// What is wrong with the file, in words.
    pub fn next(&mut self, interleaved: &mut Vec<f32>) -> Result<Next, String> {
        match self {
            Decoder::Common(common) => common.next(interleaved),
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
                match interleaved.is_empty() {
                    true => Ok(Next::End),
                    false => Ok(Next::Samples),
                }
            }
        }
    }
}

/// A file decoded by symphonia.
pub struct Common {
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track_id: u32,
    channels: usize,
    /// Time stamps count frames, so that a gap between packets can be seen.
    counts_frames: bool,
    /// Where the next packet should begin, in frames, and where the file ends at the
    /// latest.
    due: i64,
    latest: i64,
    /// A packet after a gap.
    waiting: Option<Packet>,
}

impl Common {
    fn next(&mut self, interleaved: &mut Vec<f32>) -> Result<Next, String> {
        loop {
            let packet = match self.waiting.take() {
                Some(packet) => packet,
                None => match self.format.next_packet() {
                    Ok(Some(packet)) => packet,
                    Ok(None) => return Ok(Next::End),
                    Err(Symphonia::IoError(e)) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
                        return Ok(Next::End);
                    }
                    Err(e) => return Err(e.to_string()),
                },
            };
            if packet.track_id != self.track_id {
                continue;
            }
            let frames = packet.dur.get();
            if self.counts_frames {
                let at = packet
                    .pts
                    .get()
                    .saturating_add_unsigned(packet.trim_start.get());
                let gap = at.saturating_sub(self.due);
                if gap > 0 && at <= self.latest {
                    self.due = at;
                    self.waiting = Some(packet);
                    return Ok(Next::Lost(gap.unsigned_abs()));
                }
                self.due = at.saturating_add_unsigned(frames);
            }
            let audio = match self.decoder.decode(&packet) {
                Ok(audio) => audio,
                Err(Symphonia::DecodeError(_)) if self.counts_frames && frames <= MAX_LOST => {
                    return Ok(Next::Lost(frames));
                }
                Err(e) => return Err(e.to_string()),
            };
            if audio.spec().channels().count() != self.channels {
                return Err("the number of channels changes within the file".into());
            }
            interleaved.resize(audio.samples_interleaved(), 0.0);
            audio.copy_to_slice_interleaved(interleaved);
            return Ok(Next::Samples);
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

/// A file with a WAV header put before its sound.
fn behind_wav_header(file: File, wave: Wave) -> Option<(Decoder, Format)> {
    let patched = Patched::new(file, wave.parts);
    let (decoder, format) = common(Box::new(patched), Some("wav"))?;
    let format = Format {
        frames: Some(wave.frames),
        unclosed: wave.unclosed,
        ..format
    };
    Some((decoder, format))
}

/// What is there of an AIFF, CAF or Ogg file that was cut off.
fn shortened(mut file: File) -> Option<(Decoder, Format)> {
    if let Some(caf) = caf_header::shortened(&mut file).ok()? {
        let patched = Patched::new(file, caf.parts);
        let (decoder, format) = common(Box::new(patched), Some("caf"))?;
        let frames = Some(caf.frames);
        return Some((decoder, Format { frames, ..format }));
    }
    let kind = first_bytes(&mut file).ok()?;
    file.rewind().ok()?;
    // The library looks for chunks after the sound, or for a last page, and fails where the file
    // ends before them, unless it can only read on.
    let source = matches!(&kind, b"FORM" | b"OggS").then(|| ReadOnlySource::new(file))?;
    common(Box::new(source), None)
}

/// An MPEG audio file.
fn mpeg(mut file: File, scan: Scan, ending: Option<&str>) -> Option<(Decoder, Format)> {
    file.seek(SeekFrom::Start(0)).ok()?;
    let described = scan.length.is_none();
    let (decoder, mut format) = match scan.repaired {
        Some(repaired) => repaired_mpeg(file, repaired, described, ending)?,
        None => common(mpeg_source(file, described), ending)?,
    };
    format.frames = scan.length.or(format.frames);
    Some((decoder, format))
}

/// Of a file without a count of its frames the library estimates the length by its size,
/// if it can know that, and reads no further.
fn mpeg_source(from: impl MediaSource + 'static, described: bool) -> Box<dyn MediaSource> {
    if described {
        Box::new(from)
    } else {
        Box::new(ReadOnlySource::new(from))
    }
}

/// The same with silent frames put where some are lost.
fn repaired_mpeg(
    file: File,
    repaired: Repaired,
    described: bool,
    ending: Option<&str>,
) -> Option<(Decoder, Format)> {
    let patched = Patched::new(file, repaired.parts);
    let (decoder, mut format) = common(mpeg_source(patched, described), ending)?;
    let Decoder::Common(common) = &decoder else {
        return None;
    };
    // A first frame that describes the others is not decoded, and the encoder's delay is
    // left out.
    let track = common.format.default_track(TrackType::Audio)?;
    let before = track
        .delay
        .map_or(0, |delay| u64::from(delay) + repaired.first);
    let place = |frame: u64| frame.saturating_sub(before);
    let lost = repaired.lost.into_iter();
    format.lost = lost
        .map(|lost| place(lost.start)..place(lost.end))
        .collect();
    Some((decoder, format))
}

fn common(source: Box<dyn MediaSource>, ending: Option<&str>) -> Option<(Decoder, Format)> {
    let mut hint = Hint::new();
    if let Some(ending) = ending {
        hint.with_extension(ending);
    }
    let stream = MediaSourceStream::new(source, Default::default());
    let format = symphonia::default::get_probe()
        .probe(&hint, stream, Default::default(), Default::default())
        .ok()?;
    let track = format.default_track(TrackType::Audio)?;
    let parameters = track.codec_params.as_ref().and_then(|p| p.audio())?;
    let decoder = symphonia::default::get_codecs()
        .make_audio_decoder(parameters, &AudioDecoderOptions::default())
        .ok()?;
    let channels = parameters.channels.as_ref().map_or(1, |c| c.count());
    let sample_rate = parameters.sample_rate?;
    let found = Format {
        sample_rate_hz: f64::from(sample_rate),
        channels,
        frames: track.num_frames,
        unclosed: false,
        cut_off: false,
        lost: Vec::new(),
    };
    let due = track.start_ts.get().max(0);
    let length = track.num_frames.unwrap_or(MAX_LOST);
    let common = Common {
        counts_frames: counts_frames(track, sample_rate),
        due,
        latest: due.saturating_add_unsigned(length),
        track_id: track.id,
        waiting: None,
        channels,
        format,
        decoder,
    };
    Some((Decoder::Common(Box::new(common)), found))
}

/// Whether a track's time stamps are in frames.
fn counts_frames(track: &Track, sample_rate: u32) -> bool {
    let base = track.time_base;
    base.is_some_and(|base| base.numer.get() == 1 && base.denom.get() == sample_rate)
}

fn wide(mut file: File) -> Option<(Decoder, Format)> {
    file.seek(SeekFrom::Start(0)).ok()?;
    let reader = WavReader::new(BufReader::new(file)).ok()?;
    let spec = reader.spec();
    let found = Format {
        sample_rate_hz: f64::from(spec.sample_rate),
        channels: usize::from(spec.channels),
        frames: Some(u64::from(reader.duration())),
        unclosed: false,
        cut_off: false,
        lost: Vec::new(),
    };
    (found.channels > 0).then_some((Decoder::Wide(reader), found))
}
