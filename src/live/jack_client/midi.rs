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

use super::transport::{TransportClock, TransportSays};
use super::{Counted, Patch, Running, frame_time, moment, open};
use crate::live::callbacks::StreamStatus;
use crate::live::clock::stream_time::Moment;
use crate::live::midi_system::{Bytes, PortName, find_port, length};

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
    queue: Producer<(Option<Moment>, Bytes)>,
}

struct OutputClient {
    port: Port<MidiOut>,
    /// Messages in the order they are sent, each with its moment or at once.
    queue: Consumer<(Option<Moment>, Bytes)>,
}

impl ProcessHandler for OutputClient {
    fn process(&mut self, client: &Client, scope: &ProcessScope) -> Control {
        let mut writer = self.port.writer(scope);
        let mut earliest = 0;
        for _ in 0..MESSAGES_PER_BLOCK {
            let Ok((moment, bytes)) = self.queue.peek() else {
                break;
            };
            if let Some(moment) = moment {
                let due = frame_time(client, *moment).wrapping_sub(scope.last_frame_time());
                match u32::try_from(due.cast_signed()) {
                    Ok(due) if due >= scope.n_frames() => break,
                    Ok(due) => earliest = earliest.max(due),
                    // It is late.
                    Err(_) => {}
                }
            }
            let bytes = &bytes[..length(bytes[0])];
            let time = earliest;
            if writer.write(&RawMidi { time, bytes }).is_err() {
                break;
            }
            let _ = self.queue.pop();
        }
        Control::Continue
    }
}

impl Output {
    /// Opens a client with a port called `own`: `leadpipe` with `notes`, `leadpipe-beat`
    /// with `beat`.
    ///
    /// # Errors
    /// Why it cannot be opened.
    pub fn open(own: &str, port: &PortName, patch: Patch) -> Result<Self, String> {
        let name = match own {
            "notes" => "leadpipe".to_owned(),
            other => format!("leadpipe-{other}"),
        };
        let (counted, client) = open(&name)?;
        let (queue, waiting) = RingBuffer::new(QUEUE);
        let registered = client.register_port(own, MidiOut::default());
        let process = OutputClient {
            port: registered.map_err(|e| e.to_string())?,
            queue: waiting,
        };
        let client = start(
            (counted, client),
            process,
            (own, port, PortFlags::IS_INPUT),
            patch,
        )?;
        Ok(Output { client, queue })
    }

    /// Whether so many messages can be sent now. A server that stands still takes none.
    pub fn has_room_for(&self, messages: usize) -> bool {
        self.queue.slots() >= messages
    }

    /// Sends a message, at a moment or at once, but after those sent before. The moment is
    /// kept to the frame if it has not passed.
    ///
    /// # Errors
    /// Where the server is gone or stands still.
    pub fn send(&mut self, bytes: Bytes, moment: Option<Moment>) -> Result<(), String> {
        check(&self.client)?;
        let full = |_| "the JACK server takes no more messages".to_owned();
        self.queue.push((moment, bytes)).map_err(full)
    }

    /// Whether all has been sent.
    pub fn is_drained(&self) -> bool {
        self.queue.slots() == QUEUE
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
    queue: Consumer<(Moment, Bytes)>,
    /// What the transport says, if it is that.
    transport: Option<Arc<TransportSays>>,
}

struct InputClient {
    port: Port<MidiIn>,
    queue: Producer<(Moment, Bytes)>,
}

impl ProcessHandler for InputClient {
    fn process(&mut self, client: &Client, scope: &ProcessScope) -> Control {
        for message in self.port.iter(scope) {
            let mut bytes = Bytes::default();
            if let Some(to) = bytes.get_mut(..message.bytes.len()) {
                to.copy_from_slice(message.bytes);
                // A flood beyond the queue is no pedal's and no clock's.
                let _ = self
                    .queue
                    .push((moment(client, scope, message.time), bytes));
            }
        }
        Control::Continue
    }
}

struct TransportClient {
    clock: TransportClock,
    says: Arc<TransportSays>,
    queue: Producer<(Moment, Bytes)>,
}

impl ProcessHandler for TransportClient {
    fn process(&mut self, client: &Client, scope: &ProcessScope) -> Control {
        let queue = &mut self.queue;
        let frames = scope.n_frames();
        self.clock
            .cycle(client, &self.says, frames, |frame, bytes| {
                let _ = queue.push((moment(client, scope, frame), bytes));
            });
        Control::Continue
    }
}

impl Input {
    /// Opens a client with a port called `own`: `leadpipe-pedals` with `pedals`,
    /// `leadpipe-clock` with `clock`.
    ///
    /// # Errors
    /// Why it cannot be opened.
    pub fn open(own: &str, port: &PortName, patch: Patch) -> Result<Self, String> {
        let (counted, client) = open(&format!("leadpipe-{own}"))?;
        let (received, queue) = RingBuffer::new(QUEUE);
        let registered = client.register_port(own, MidiIn::default());
        let process = InputClient {
            port: registered.map_err(|e| e.to_string())?,
            queue: received,
        };
        let client = start(
            (counted, client),
            process,
            (own, port, PortFlags::IS_OUTPUT),
            patch,
        )?;
        Ok(Input {
            client,
            queue,
            transport: None,
        })
    }

    /// Opens a client that turns the server's transport into the messages of a clock.
    ///
    /// # Errors
    /// Why it cannot be opened.
    pub fn transport() -> Result<Self, String> {
        let (received, queue) = RingBuffer::new(QUEUE);
        let says = Arc::<TransportSays>::default();
        let process = TransportClient {
            clock: TransportClock::default(),
            says: says.clone(),
            queue: received,
        };
        let client = Running::start(
            open("leadpipe-clock")?,
            process,
            Arc::new(StreamStatus::default()),
            Patch::default(),
            Vec::new(),
            None,
        )?;
        Ok(Input {
            client,
            queue,
            transport: Some(says),
        })
    }

    /// Whether this is a transport that rolls without anybody telling its bars and beats.
    pub fn is_untold(&self) -> bool {
        self.transport.as_ref().is_some_and(|says| says.is_untold())
    }

    /// Beats of a bar and their value, if this is a transport and somebody tells them.
    pub fn metre(&self) -> Option<(u32, u32)> {
        self.transport.as_ref()?.metre()
    }

    /// The next message that was received, and when.
    pub fn next_message(&mut self) -> Option<(Moment, Bytes)> {
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
