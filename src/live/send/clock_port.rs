//! Sends MIDI clock to a port.

use std::time::{Duration, Instant};

use super::Sender;
use crate::live::clock::beat_clock::ClockEvent;
use crate::live::clock::generator::Pulse;
use crate::live::clock::message::ClockMessage;
use crate::live::control_event::ControlEvent;
use crate::live::devices;
use crate::live::midi_system::{Output, Patch, PortName};

/// How long the last pulses may take.
const LAST: Duration = Duration::from_millis(400);

/// Sends to a port.
pub struct ClockPort {
    port: PortName,
    patch: Patch,
    output: Option<Output>,
}

impl ClockPort {
    /// Sender to a port.
    pub fn new(port: PortName) -> Self {
        ClockPort {
            port,
            patch: Patch::default(),
            output: None,
        }
    }
}

fn message(pulse: Pulse) -> ClockMessage {
    match pulse {
        Pulse::Tick(_) => ClockMessage::Tick,
        Pulse::Start => ClockMessage::Start,
        Pulse::Stop => ClockMessage::Stop,
    }
}

impl Sender for ClockPort {
    fn open(&mut self) -> Result<(), String> {
        // The old client is closed first: its name is taken while it exists.
        self.output = None;
        let _lock = devices::open_close_lock();
        self.output = Some(Output::open("beat", &self.port, self.patch.clone())?);
        Ok(())
    }

    fn check(&mut self) -> Result<(), String> {
        let there = self.output.as_ref().map_or(Ok(()), Output::check);
        if there.is_err() {
            self.output = None;
        }
        there
    }

    fn send(&mut self, event: &ControlEvent) -> Result<(), String> {
        let ControlEvent::Clock(ClockEvent { pulse, moment, .. }) = event else {
            return Ok(());
        };
        let output = self.output.as_mut().ok_or("not connected")?;
        output.send(message(*pulse).bytes(), Some(*moment))?;
        if *pulse == Pulse::Stop {
            // The session ends, and what has not been sent is lost with the port.
            let deadline = Instant::now() + LAST;
            while !output.is_drained() && Instant::now() < deadline {
                std::thread::sleep(Duration::from_millis(2));
            }
        }
        Ok(())
    }
}
