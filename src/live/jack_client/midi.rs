//! MIDI by JACK.
//!
//! The callback writes what waits for it as long as the port's buffer takes it, and
//! leaves the rest for the next block. A library that reserves room for a message
//! without looking whether it got any crashes when a flood fills the buffer.

use std::sync::Arc;

use jack::{
    Client, Control, MidiIn, MidiOut, Port, PortFlags, ProcessHandler, ProcessScope, RawMidi,
};
use rtrb::{Consumer, Producer, RingBuffer};

use super::{Counted, Patch, Running, open};
use crate::live::callbacks::StreamStatus;
use crate::live::midi_system::{Bytes, PortName, find_port};

/// Messages that wait for the callback, either way.
const QUEUE: usize = 256;
/// Most messages in a block: a receiver has a buffer, too.
const MESSAGES_PER_BLOCK: usize = 64;
const MIDI: &str = "8 bit raw midi";

/// Names of the ports that take MIDI (`IS_INPUT`) or give it (`IS_OUTPUT`).
fn ports(client: &Client, flags: PortFlags) -> Vec<String> {
    client.ports(None, Some(MIDI), flags)
}

/// Names of all ports that take MIDI.
///
/// # Errors
/// Why the server cannot be used.
pub fn outputs() -> Result<Vec<String>, String> {
    let (_counted, client) = open("leadpipe-probe")?;
    Ok(ports(&client, PortFlags::IS_INPUT))
}

/// Names of all ports that give MIDI.
///
/// # Errors
/// Why the server cannot be used.
pub fn inputs() -> Result<Vec<String>, String> {
    let (_counted, client) = open("leadpipe-probe")?;
    Ok(ports(&client, PortFlags::IS_OUTPUT))
}

/// Starts a client whose port is called `own` and connects that as asked for.
fn start(
    (counted, client): (Counted, Client),
    process: impl ProcessHandler + 'static,
    (own, port, partners): (&str, &PortName, PortFlags),
    patch: Patch,
) -> Result<Running, String> {
    let partner = match port {
        PortName::Virtual => None,
        PortName::Named(wanted) => {
            let names = ports(&client, partners);
            Some(names[find_port(&names, wanted)?].clone())
        }
    };
    let usual = partner
        .iter()
        .map(|p| (own.to_owned(), p.clone()))
        .collect();
    let status = Arc::new(StreamStatus::default());
    Running::start((counted, client), process, status, patch, usual, partner)
}

/// Whether server and partner are still there.
fn check(client: &Running) -> Result<(), String> {
    match client.status.lost_reason() {
        None => Ok(()),
        Some(reason) => Err(format!("{reason}; waiting for it")),
    }
}

/// A MIDI output.
pub struct Output {
    client: Running,
    queue: Producer<Bytes>,
}

struct OutputClient {
    port: Port<MidiOut>,
    queue: Consumer<Bytes>,
}

impl ProcessHandler for OutputClient {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        let mut writer = self.port.writer(scope);
        for _ in 0..MESSAGES_PER_BLOCK {
            let Ok(bytes) = self.queue.peek() else {
                break;
            };
            if writer.write(&RawMidi { time: 0, bytes }).is_err() {
                break;
            }
            let _ = self.queue.pop();
        }
        Control::Continue
    }
}

impl Output {
    /// Opens the client `leadpipe` with a port `notes`.
    ///
    /// # Errors
    /// Why it cannot be opened.
    pub fn open(port: &PortName, patch: Patch) -> Result<Self, String> {
        let (counted, client) = open("leadpipe")?;
        let (queue, waiting) = RingBuffer::new(QUEUE);
        let own = client.register_port("notes", MidiOut::default());
        let process = OutputClient {
            port: own.map_err(|e| e.to_string())?,
            queue: waiting,
        };
        let client = start(
            (counted, client),
            process,
            ("notes", port, PortFlags::IS_INPUT),
            patch,
        )?;
        Ok(Output { client, queue })
    }

    /// Whether so many messages can be sent now. A server that stands still takes none.
    pub fn has_room_for(&self, messages: usize) -> bool {
        self.queue.slots() >= messages
    }

    /// Sends a message.
    ///
    /// # Errors
    /// Where the server is gone or stands still.
    pub fn send(&mut self, bytes: Bytes) -> Result<(), String> {
        check(&self.client)?;
        let full = |_| "the JACK server takes no more messages".to_owned();
        self.queue.push(bytes).map_err(full)
    }

    /// Whether server and receiver are still there; for about once a second.
    ///
    /// # Errors
    /// What has gone.
    pub fn check(&self) -> Result<(), String> {
        check(&self.client)
    }
}

/// A MIDI input.
pub struct Input {
    client: Running,
    queue: Consumer<Bytes>,
}

struct InputClient {
    port: Port<MidiIn>,
    queue: Producer<Bytes>,
}

impl ProcessHandler for InputClient {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        for message in self.port.iter(scope) {
            let mut bytes = Bytes::default();
            if let Some(to) = bytes.get_mut(..message.bytes.len()) {
                to.copy_from_slice(message.bytes);
                // A flood beyond the queue is no pedal's.
                let _ = self.queue.push(bytes);
            }
        }
        Control::Continue
    }
}

impl Input {
    /// Opens the client `leadpipe-pedals` with a port `pedals`.
    ///
    /// # Errors
    /// Why it cannot be opened.
    pub fn open(port: &PortName, patch: Patch) -> Result<Self, String> {
        let (counted, client) = open("leadpipe-pedals")?;
        let (received, queue) = RingBuffer::new(QUEUE);
        let own = client.register_port("pedals", MidiIn::default());
        let process = InputClient {
            port: own.map_err(|e| e.to_string())?,
            queue: received,
        };
        let client = start(
            (counted, client),
            process,
            ("pedals", port, PortFlags::IS_OUTPUT),
            patch,
        )?;
        Ok(Input { client, queue })
    }

    /// The next message that was received.
    pub fn next_message(&mut self) -> Option<Bytes> {
        self.queue.pop().ok()
    }

    /// Whether server and sender are still there; for about once a second.
    ///
    /// # Errors
    /// What has gone.
    pub fn check(&self) -> Result<(), String> {
        check(&self.client)
    }
}
