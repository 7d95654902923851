//! Opens a take in any common format and reads one channel of it, block by block, so
//! that a long take is never in memory as a whole.

use std::fmt;
use std::fs::File;
use std::io::{Read, Seek};
use std::ops::Range;
use std::path::{Path, PathBuf};

use super::channels::{Cancelling, pick_channel};
use super::decoders::{Decoder, Format, Next};
use crate::error::{Error, Result};
use crate::input_file;
use crate::text::shown_path;
use crate::units::SAMPLE_RATES_HZ;

/// What part of a take to read.
#[derive(Debug, Clone, Default)]
pub struct Selection {
    /// Channel counted from 1; the mean of all channels where `None`.
    pub channel: Option<usize>,
    /// Start in seconds.
    pub start_s: Option<f64>,
    /// End in seconds.
    pub end_s: Option<f64>,
}

/// A take being read.
pub struct Take {
    path: PathBuf,
    decoder: Decoder,
    sample_rate_hz: f64,
    channels: usize,
    promised: Option<u64>,
    /// Frames read so far, including those before `first`.
    read: u64,
    first: u64,
    last: Option<u64>,
    channel: Option<usize>,
    /// Whether the channels cancel each other where they are mixed.
    cancelling: Cancelling,
    interleaved: Vec<f32>,
    /// Frames of silence to come, in place of lost ones.
    silence: u64,
    /// Frames that are lost, in order.
    lost: Vec<Range<u64>>,
    unclosed: bool,
    cut_off: bool,
    done: bool,
}

impl fmt::Debug for Take {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Take")
            .field("path", &self.path)
            .field("sample_rate_hz", &self.sample_rate_hz)
            .field("channels", &self.channels)
            .field("read", &self.read)
            .finish_non_exhaustive()
    }
}

/// Said of a file that is no recording.
pub const NOT_AUDIO: &str = "not an audio file that can be read";
/// Advised for a take of which the beginning is intact, before the second at which that ends.
const USE_INTACT_PART: &str = "use the intact part with --end";
const FORMATS: &str = "give a WAV, AIFF, CAF, FLAC, MP3 or OGG take";
/// Frames of silence at a time.
const SILENCE_FRAMES: u64 = 4_096;
/// Damaged places that are named.
const PLACES: usize = 3;

/// Formats that are not read: where their files are marked, how, and their name.
const FOREIGN: [(usize, &[u8], &str); 6] = [
    (0, b"wvpk", "WavPack"),
    (4, b"ftyp", "MPEG-4 (M4A)"),
    (0, &[0x30, 0x26, 0xb2, 0x75], "WMA"),
    (0, &[0x1a, 0x45, 0xdf, 0xa3], "Matroska or WebM"),
    (0, b"MAC ", "Monkey's Audio"),
    (0, b"TTA1", "True Audio"),
];

/// The name of a known format that is not read, by the first bytes of the file: in the sound of
/// some of them a frame of MPEG audio could be found, of which the rest would be missing. Leaves
/// the file at its beginning.
fn foreign_format(file: &mut File) -> Option<&'static str> {
    const MOST: usize = 64;
    let mut head = Vec::with_capacity(MOST);
    let read = file.by_ref().take(MOST as u64).read_to_end(&mut head);
    file.rewind().ok()?;
    read.ok()?;
    let holds = |at: usize, mark: &[u8]| head.get(at..).is_some_and(|rest| rest.starts_with(mark));
    // An Ogg page's header is followed by its stream's own.
    if holds(0, b"OggS") && head.windows(8).any(|bytes| bytes == b"OpusHead") {
        return Some("Opus");
    }
    let marked = FOREIGN.iter().find(|(at, mark, _)| holds(*at, mark));
    marked.map(|(.., name)| *name)
}

/// The error of a take where it is read as a whole, and there is no `--end`.
#[cfg(feature = "live")]
pub fn of_whole_take(error: Error) -> Error {
    error.reworded(|text| text.replace(USE_INTACT_PART, "cut it to its intact part, seconds 0 to"))
}

impl Take {
    /// Extensions of the files that are takes where a folder is searched, in lower case.
    pub const EXTENSIONS: [&str; 13] = [
        "wav", "wave", "bwf", "rf64", "w64", "aif", "aiff", "aifc", "caf", "flac", "mp3", "ogg",
        "oga",
    ];

    /// Opens a take. A pipe, or standard input for the path `-`, is read to its end first.
    ///
    /// # Errors
    /// [`Error::Input`] for a missing, empty or foreign file, a device, a rate outside
    /// 8 to 192 kHz, or a channel that is not there; [`Error::Setting`]
    /// for a selection that ends before it starts.
    pub fn open(path: &Path, selection: &Selection) -> Result<Take> {
        let mut file = input_file::open_whole(path).map_err(|e| e.input(path, "a take"))?;
        let length = file
            .metadata()
            .map_err(|e| Error::unreadable(path, e))?
            .len();
        if length == 0 {
            return Err(Error::input(path, "the file is empty", FORMATS));
        }
        if let Some(format) = foreign_format(&mut file) {
            let problem = format!("its format, {format}, is not read");
            return Err(Error::input(path, problem, FORMATS));
        }
        let ending = path.extension().and_then(|e| e.to_str());
        let (decoder, format) =
            Decoder::open(file, ending).ok_or_else(|| Error::input(path, NOT_AUDIO, FORMATS))?;
        let Format {
            sample_rate_hz,
            channels,
            frames: promised,
            unclosed,
            cut_off,
            lost,
        } = format;
        if !SAMPLE_RATES_HZ.contains(&sample_rate_hz) {
            return Err(Error::input(
                path,
                format!("sample rate {sample_rate_hz} Hz"),
                "resample it to between 8 and 192 kHz",
            ));
        }
        if let Some(channel) = selection.channel
            && (channel == 0 || channel > channels)
        {
            let hint = match channels {
                1 => "it has only one: leave --channel out".to_owned(),
                _ => format!("choose --channel 1 to {channels}"),
            };
            return Err(Error::input(path, format!("no channel {channel}"), hint));
        }
        let frame = |s: f64| (s.max(0.0) * sample_rate_hz).round() as u64;
        let first = selection.start_s.map_or(0, frame);
        let last = selection.end_s.map(frame);
        if last.is_some_and(|last| last <= first) {
            return Err(Error::setting(
                "--end is not after --start",
                "give a later --end",
            ));
        }
        Ok(Take {
            path: path.to_owned(),
            decoder,
            sample_rate_hz,
            channels,
            promised,
            read: 0,
            first,
            last,
            channel: selection.channel,
            cancelling: Cancelling::default(),
            interleaved: Vec::new(),
            silence: 0,
            lost,
            unclosed,
            cut_off,
            done: false,
        })
    }

    /// Sample rate in hertz.
    pub fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }

    /// Time in the file at which the first block starts, in seconds.
    pub fn start_s(&self) -> f64 {
        self.first as f64 / self.sample_rate_hz
    }

    /// Length of the selected part in seconds, if the file gives it.
    pub fn length_s(&self) -> Option<f64> {
        let promised = self.promised?;
        let end = self.last.map_or(promised, |last| last.min(promised));
        Some(end.saturating_sub(self.first) as f64 / self.sample_rate_hz)
    }

    /// Next block of samples of the chosen channel; `false` at the end. What is damaged is
    /// silent.
    ///
    /// # Errors
    /// [`Error::Input`] where the file ends before its header says, is damaged beyond use,
    /// holds values that are not numbers, or where channels that are mixed cancel each other.
    pub fn next_block(&mut self, block: &mut Vec<f32>) -> Result<bool> {
        block.clear();
        while block.is_empty() {
            if self.done || self.last.is_some_and(|last| self.read >= last) {
                self.check_mix()?;
                return Ok(false);
            }
            if self.silence == 0 {
                let next = self.decoder.next(&mut self.interleaved);
                match next.map_err(|cause| self.damaged(&cause))? {
                    Next::Samples => {}
                    Next::Lost(frames) => self.lose(frames),
                    Next::End => {
                        self.done = true;
                        self.check_length()?;
                        self.check_intact()?;
                        self.check_mix()?;
                        return Ok(false);
                    }
                }
            }
            if self.silence > 0 {
                let frames = self.silence.min(SILENCE_FRAMES);
                self.silence -= frames;
                self.interleaved.clear();
                self.interleaved
                    .resize(frames as usize * self.channels, 0.0);
            }
            self.take_channel(block)?;
        }
        Ok(true)
    }

    /// Puts silence in place of lost frames.
    fn lose(&mut self, frames: u64) {
        self.silence = frames;
        let lost = self.read..self.read + frames;
        match self.lost.last_mut().filter(|last| last.end >= lost.start) {
            Some(last) => last.end = last.end.max(lost.end),
            None => self.lost.push(lost),
        }
    }

    /// What the selected part lacks, in frames, as far as it has been read.
    fn lost(&self) -> impl Iterator<Item = Range<u64>> {
        let end = self.last.unwrap_or(u64::MAX).min(self.read);
        let inside = move |lost: &Range<u64>| lost.start.max(self.first)..lost.end.min(end);
        self.lost.iter().map(inside).filter(|lost| !lost.is_empty())
    }

    /// Faults of the file that do not keep it from being used, a line for each; known when
    /// it has been read.
    pub fn warnings(&self) -> Vec<String> {
        let mut warnings = Vec::new();
        if self.unclosed {
            warnings.push(
                "its header has no length, as after a recorder that lost power; read to the end"
                    .into(),
            );
        }
        let s = |frame: u64| frame as f64 / self.sample_rate_hz;
        let place = |lost: Range<u64>| format!("{:.3} to {:.3} s", s(lost.start), s(lost.end));
        let places: Vec<String> = self.lost().map(place).collect();
        if let Some(first) = places
            .get(..places.len().min(PLACES))
            .filter(|p| !p.is_empty())
        {
            let more = match places.len() - first.len() {
                0 => String::new(),
                more => format!(" and {more} more"),
            };
            warnings.push(format!(
                "damaged at {}{more}: silence is in its place, and all else has its time; copy the file again if you can",
                first.join(", ")
            ));
        }
        warnings
    }

    fn take_channel(&mut self, block: &mut Vec<f32>) -> Result<()> {
        let channels = self.channels;
        let frames = (self.interleaved.len() / channels) as u64;
        // The part of these frames that is inside the selection.
        let from = self.first.clamp(self.read, self.read + frames);
        let to = self
            .last
            .unwrap_or(u64::MAX)
            .clamp(from, self.read + frames);
        let at = |frame: u64| (frame - self.read) as usize * channels;
        let inside = &self.interleaved[at(from)..at(to)];
        pick_channel(inside, channels, self.channel, block);
        if self.channel.is_none() {
            self.cancelling.push(inside, block);
        }
        self.read += frames;
        let Some(bad) = block.iter().position(|s| !s.is_finite()) else {
            return Ok(());
        };
        let at = from + bad as u64;
        Err(Error::input(
            &self.path,
            format!(
                "sample {at} ({:.3} s) is not a number",
                at as f64 / self.sample_rate_hz
            ),
            "export the take again as 16- or 24-bit",
        ))
    }

    /// A file that is shorter than its header says was cut off. MP3 headers count
    /// padding, hence the tolerance of a twentieth of a second.
    fn check_length(&self) -> Result<()> {
        let here_s = self.read as f64 / self.sample_rate_hz;
        if self.read == 0 {
            return Err(Error::input(&self.path, "the file holds no sound", FORMATS));
        }
        let promised_s = self
            .promised
            .map(|frames| frames as f64 / self.sample_rate_hz);
        let there = match promised_s.filter(|promised_s| here_s + 0.05 < *promised_s) {
            Some(promised_s) => Some(format!("{here_s:.2} s of {promised_s:.2} s are there")),
            None if self.cut_off => Some(format!("only the first {here_s:.2} s are there")),
            None => None,
        };
        if let Some(there) = there {
            let problem = format!("cut off: {there}");
            return Err(Error::input(&self.path, problem, self.use_what_is_there()));
        }
        if self.read <= self.first {
            return Err(Error::setting(
                format!(
                    "{}: --start {:.2} is past the end ({here_s:.2} s)",
                    shown_path(&self.path),
                    self.start_s()
                ),
                "give an earlier --start",
            ));
        }
        Ok(())
    }

    /// A file of which more is lost than there is cannot be used.
    fn check_intact(&self) -> Result<()> {
        let lost: u64 = self.lost().map(|lost| lost.end - lost.start).sum();
        let all = self.read.min(self.last.unwrap_or(u64::MAX)) - self.first;
        if 2 * lost <= all {
            return Ok(());
        }
        let s = |frames: u64| frames as f64 / self.sample_rate_hz;
        Err(Error::input(
            &self.path,
            format!("damaged: {:.2} s of {:.2} s are lost", s(lost), s(all)),
            "copy it again",
        ))
    }

    /// Channels that cancel each other are no silence.
    fn check_mix(&self) -> Result<()> {
        let channels = self.channels;
        match self.cancelling.is_certain() {
            true => Err(Error::input(
                &self.path,
                format!(
                    "its {channels} channels cancel each other when they are mixed, as where one of two is the other upside down"
                ),
                format!("choose one of them: --channel 1 to {channels}"),
            )),
            false => Ok(()),
        }
    }

    fn use_what_is_there(&self) -> String {
        // Rounded down: the end must be inside.
        let end_s = (self.read as f64 / self.sample_rate_hz * 100.0).floor() / 100.0;
        format!("copy it again, or {USE_INTACT_PART} {end_s:.2}")
    }

    fn damaged(&self, cause: &str) -> Error {
        let here_s = self.read as f64 / self.sample_rate_hz;
        Error::input(
            &self.path,
            format!("damaged at {here_s:.2} s ({cause})"),
            self.use_what_is_there(),
        )
    }
}
