//! Sends MIDI to a port.

use std::time::{Duration, Instant};

use super::Sender;
use crate::live::control_event::ControlEvent;
use crate::live::devices;
use crate::live::midi_system::{Bytes, Output, Patch, PortName};
use crate::live::routes::{Action, Routes};
use crate::output::midi_encoder::MidiEncoder;
use crate::sending::brightness::BrightnessRange;

/// Time between repeats of the bend range.
const BEND_RANGE_INTERVAL: Duration = Duration::from_millis(900);
/// So long after the last note its note-off is sent again, for a receiver that lost it: when
/// an xrun is over, however many blocks it took.
const NOTE_OFF_AGAIN: Duration = Duration::from_millis(200);
/// Messages that an event may need, with those that a receiver needs first.
const MESSAGES_PER_EVENT: usize = 64;
/// Keys whose note-offs may be repeated at once.
const KEYS: usize = 128;

/// Sends to a port.
pub struct MidiPort {
    port: PortName,
    patch: Patch,
    encoder: MidiEncoder,
    /// Whether a note moves to its own key where its attack was another's.
    correct_keys: bool,
    routes: Routes,
    output: Option<Output>,
    messages: Vec<Bytes>,
    /// The port took no more messages: what the receiver plays is unknown.
    behind: bool,
    /// When the bend range was last sent.
    bend_range_sent: Instant,
    /// When a note was last on.
    played: Instant,
}

impl MidiPort {
    /// Sender to a port on a channel from 0 to 15. Brightness is sent if there is a range for
    /// it. With `correct_keys` a note whose pitch settles at another key than its attack had is
    /// slurred to that key, for receivers that take no pitch bend.
    pub fn new(
        port: PortName,
        channel: u8,
        correct_keys: bool,
        routes: Routes,
        brightness: Option<BrightnessRange>,
    ) -> Self {
        MidiPort {
            port,
            patch: Patch::default(),
            encoder: MidiEncoder::new(channel, brightness),
            correct_keys,
            routes,
            output: None,
            messages: Vec::with_capacity(MESSAGES_PER_EVENT),
            behind: false,
            bend_range_sent: Instant::now(),
            played: Instant::now(),
        }
    }

    /// Whether the port takes the messages of an event. One that took none for a while
    /// is silenced and set up again first.
    fn is_ready(&mut self) -> Result<bool, String> {
        let output = self.output.as_ref().ok_or("not connected")?;
        if !output.has_room_for(MESSAGES_PER_EVENT) {
            self.behind = true;
        } else if self.behind {
            self.behind = false;
            self.encoder.setup(&mut self.messages);
            self.flush()?;
        }
        Ok(!self.behind)
    }

    /// A receiver that connects to the virtual port later has missed the bend
    /// range: it is repeated now and then while no note is on.
    fn repeat_bend_range(&mut self) -> Result<(), String> {
        if self.port != PortName::Virtual
            || !self.encoder.idle()
            || self.bend_range_sent.elapsed() < BEND_RANGE_INTERVAL
        {
            return Ok(());
        }
        self.bend_range_sent = Instant::now();
        self.encoder.bend_range(&mut self.messages);
        self.flush()
    }

    /// Repeats what a receiver may have missed, now and then while no note is on.
    fn repeat(&mut self) -> Result<(), String> {
        let output = self.output.as_ref().ok_or("not connected")?;
        let room = output.has_room_for(KEYS + MESSAGES_PER_EVENT);
        if room && self.played.elapsed() >= NOTE_OFF_AGAIN {
            self.encoder.repeat_note_offs(&mut self.messages);
            self.flush()?;
        }
        self.repeat_bend_range()
    }

    fn flush(&mut self) -> Result<(), String> {
        let output = self.output.as_mut().ok_or("not connected")?;
        let mut messages = self.messages.drain(..);
        messages.try_for_each(|bytes| output.send(bytes, None))
    }
}

impl Sender for MidiPort {
    fn open(&mut self) -> Result<(), String> {
        // The old client is closed first: its name is taken while it exists.
        self.output = None;
        let _lock = devices::open_close_lock();
        self.output = Some(Output::open("notes", &self.port, self.patch.clone())?);
        self.messages.clear();
        self.behind = false;
        self.encoder.setup(&mut self.messages);
        self.flush()
    }

    fn check(&mut self) -> Result<(), String> {
        let there = self.output.as_ref().map_or(Ok(()), Output::check);
        if there.is_err() {
            self.output = None;
            return there;
        }
        match self.is_ready()? {
            true => self.repeat(),
            false => Ok(()),
        }
    }

    fn send(&mut self, event: &ControlEvent) -> Result<(), String> {
        self.messages.clear();
        if !self.is_ready()? {
            return Ok(());
        }
        if !self.encoder.idle() {
            self.played = Instant::now();
        }
        if let Some(sent) = event.sent() {
            self.encoder.encode(&sent, &mut self.messages);
        }
        if let ControlEvent::NoteRenamed { name, .. } = event
            && self.correct_keys
        {
            let messages = &mut self.messages;
            self.encoder.move_to_key(name.key, name.pitch, messages);
        }
        if let ControlEvent::Gesture(gesture_event) = event {
            for action in self.routes.actions(gesture_event.gesture) {
                if let Action::Controller { controller, value } = action {
                    self.encoder
                        .control(*controller, *value, &mut self.messages);
                }
            }
        }
        self.flush()?;
        self.repeat()
    }
}
