//! MIDI clock as it comes in, placed in stream time.

use std::collections::VecDeque;
use std::time::{Duration, Instant};

use super::message::{ClockMessage, Song, TICKS_PER_QUARTER};
use crate::error::Result;
use crate::live::capture::Capture;
use crate::live::midi_listener::{MidiListener, TRANSPORT};
use crate::live::ui_snapshot::PortStatus;
use crate::notation::Metre;

/// How long a clock may be silent from the start on before that is said.
const SILENT: Duration = Duration::from_secs(5);
/// Ticks older than this show no tempo, in seconds.
const FRESH_S: f64 = 0.5;

/// What a clock said while a block of sound was played.
#[derive(Debug, Clone, Default)]
pub struct ClockBlock {
    /// Where the song was before.
    pub song: Song,
    /// Messages, each so many seconds before the block's end; negative after it.
    pub messages: Vec<(f64, ClockMessage)>,
    /// Its metre, where it tells one.
    pub metre: Option<Metre>,
}

/// The clock's port.
pub struct ClockInput {
    listener: MidiListener,
    /// Stream times of the last quarter's ticks, in seconds.
    ticks: VecDeque<f64>,
    song: Song,
    /// When it was opened, until the first tick comes.
    waits_since: Option<Instant>,
}

impl ClockInput {
    /// Opens a port: `virtual`, or (part of) a port's name; or listens to JACK's `transport`.
    ///
    /// # Errors
    /// [`crate::error::Error::Device`] where there is no such port.
    pub fn open(port: &str) -> Result<Self> {
        let listener = match port {
            TRANSPORT => MidiListener::transport("clock")?,
            port => MidiListener::open("clock", port)?,
        };
        Ok(ClockInput {
            listener,
            ticks: VecDeque::new(),
            song: Song::default(),
            waits_since: Some(Instant::now()),
        })
    }

    /// Another stream has begun.
    pub fn reset(&mut self) {
        self.ticks.clear();
    }

    /// What has come since the last call; the sound that was read ends at `end_s` of stream
    /// time.
    pub fn read(&mut self, sound: &Capture, end_s: f64) -> ClockBlock {
        let song = self.song;
        let mut messages = Vec::new();
        while let Some((moment, bytes)) = self.listener.next_message() {
            let Some(message) = ClockMessage::read(bytes) else {
                continue;
            };
            self.song.push(message);
            if message == ClockMessage::Tick {
                self.waits_since = None;
            }
            let Some(before_s) = sound.before_end_s(moment) else {
                continue;
            };
            if message == ClockMessage::Tick {
                self.ticks.push_back(end_s - before_s);
                if self.ticks.len() > TICKS_PER_QUARTER as usize + 1 {
                    self.ticks.pop_front();
                }
            }
            messages.push((before_s, message));
        }
        let told = self.listener.metre().filter(|_| !messages.is_empty());
        let metre = told.and_then(|(beats, value)| Metre::of(beats, value));
        ClockBlock {
            song,
            messages,
            metre,
        }
    }

    /// Tempo of the last quarter, in quarters a minute; none without a clock.
    pub fn tempo(&self, now_s: f64) -> Option<f64> {
        let (first, last) = (self.ticks.front()?, self.ticks.back()?);
        let is_whole = self.ticks.len() > TICKS_PER_QUARTER as usize;
        (is_whole && now_s - last < FRESH_S).then(|| 60.0 / (last - first))
    }

    /// Name and error for the screen; a clock that has not come is one.
    pub fn status(&self) -> PortStatus {
        let mut status = self.listener.status();
        let silent = self
            .waits_since
            .is_some_and(|since| since.elapsed() > SILENT);
        if silent && status.error.is_none() {
            let waits_for = match self.listener.is_transport() {
                true => "no beat has come yet: takes keep one once it rolls",
                false => "no clock has come yet: takes keep its beat once it does",
            };
            status.error = Some(waits_for.into());
        }
        status
    }
}
