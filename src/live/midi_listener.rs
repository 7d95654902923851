//! A MIDI input that is opened again where it was lost.

use super::clock::stream_time::Moment;
use super::devices;
use super::midi_system::{Bytes, Input, Patch, PortName};
use super::reconnect::Reconnect;
use super::ui_snapshot::PortStatus;
use crate::error::{Error, Result};

/// What stands for JACK's transport instead of a port.
pub const TRANSPORT: &str = "transport";

/// Of a transport that rolls without bars and beats.
const UNTOLD: &str = "it rolls, but no program tells its tempo and bars (JACK's timebase \
                      master), so there is no beat to keep";

/// The input.
pub struct MidiListener {
    config: Config,
    input: Option<Input>,
    reconnect: Reconnect<Input>,
    error: Option<String>,
}

/// What is opened, and opened again.
#[derive(Clone)]
struct Config {
    own: &'static str,
    /// The port that it is connected to; `None` listens to JACK's transport instead.
    port: Option<PortName>,
    patch: Patch,
}

impl Config {
    fn open(&self) -> Result<Input> {
        let _lock = devices::open_close_lock();
        let input = match &self.port {
            Some(port) => Input::open(self.own, port, self.patch.clone()),
            None => Input::transport(),
        };
        let hint = match self.port {
            Some(_) => "`leadpipe devices` lists the ports",
            None => "start the JACK server first, or give a MIDI port",
        };
        input.map_err(|problem| Error::device(format!("MIDI in ({})", self.own), problem, hint))
    }
}

impl MidiListener {
    /// Opens a port of ours called `own` and connects it to another: `virtual` to none, or
    /// (part of) a port's name.
    ///
    /// # Errors
    /// [`Error::Device`] where there is no such port.
    pub fn open(own: &'static str, port: &str) -> Result<Self> {
        MidiListener::on(own, Some(PortName::parse(port)))
    }

    /// Listens to JACK's transport as to a MIDI clock.
    ///
    /// # Errors
    /// [`Error::Device`] where there is no JACK server.
    pub fn transport(own: &'static str) -> Result<Self> {
        MidiListener::on(own, None)
    }

    fn on(own: &'static str, port: Option<PortName>) -> Result<Self> {
        let config = Config {
            own,
            port,
            patch: Patch::default(),
        };
        Ok(MidiListener {
            input: Some(config.open()?),
            config,
            reconnect: Reconnect::new(),
            error: None,
        })
    }

    /// The next message and when it came, if there is one. Opens the port again where it
    /// was lost; never blocks.
    pub fn next_message(&mut self) -> Option<(Moment, Bytes)> {
        let Some(input) = &mut self.input else {
            match self.reconnect.poll(&self.config, Config::open) {
                Some(Ok(input)) => (self.input, self.error) = (Some(input), None),
                Some(Err(error)) => self.error = Some(error.to_string()),
                None => {}
            }
            return None;
        };
        if let Err(problem) = input.check() {
            self.error = Some(problem);
            self.input = None;
            self.reconnect = Reconnect::new();
            return None;
        }
        input.next_message()
    }

    /// Whether the port is lost.
    pub fn is_lost(&self) -> bool {
        self.input.is_none()
    }

    /// Beats of a bar and their value, where JACK's transport tells them.
    pub fn metre(&self) -> Option<(u32, u32)> {
        self.input.as_ref()?.metre()
    }

    /// Whether it is JACK's transport that is listened to.
    pub fn is_transport(&self) -> bool {
        self.config.port.is_none()
    }

    /// Name and error for the screen.
    pub fn status(&self) -> PortStatus {
        let name = match &self.config.port {
            Some(PortName::Virtual) => "virtual",
            Some(PortName::Named(name)) => name,
            None => TRANSPORT,
        };
        let name = format!("{} on {name}", self.config.own);
        let untold = self.input.as_ref().is_some_and(Input::is_untold);
        let error = self.error.clone().or(untold.then(|| UNTOLD.to_owned()));
        PortStatus::new(name, error, &[])
    }
}
