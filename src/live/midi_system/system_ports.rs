//! MIDI ports of the operating system, by `midir`.

use std::time::Instant;

use midir::{MidiInput, MidiInputConnection, MidiOutput, MidiOutputConnection};
use rtrb::{Consumer, RingBuffer};

use super::{Bytes, PortName, find_port, length};
use crate::live::clock::stream_time::Moment;

/// Client name of this program.
const CLIENT: &str = "leadpipe";
/// Received messages that wait to be read.
const QUEUE: usize = 1_024;

/// The system itself keeps no connections over a restart.
#[derive(Debug, Clone, Default)]
pub struct Patch {}

/// Error message where there is no MIDI system, with a hint.
fn no_midi_system() -> String {
    if cfg!(target_os = "linux") {
        "no MIDI: the ALSA sequencer is missing; load it with `modprobe snd-seq`, or build with `--features jack`".into()
    } else {
        "no MIDI system found".into()
    }
}

fn output() -> Result<MidiOutput, String> {
    MidiOutput::new(CLIENT).map_err(|_| no_midi_system())
}

fn input() -> Result<MidiInput, String> {
    MidiInput::new(CLIENT).map_err(|_| no_midi_system())
}

/// Names of the MIDI output ports.
///
/// # Errors
/// What is wrong with the MIDI system, with a hint.
pub fn outputs() -> Result<Vec<String>, String> {
    let output = output()?;
    let name = |port| output.port_name(port).ok();
    Ok(output.ports().iter().filter_map(name).collect())
}

/// Names of the MIDI input ports.
///
/// # Errors
/// What is wrong with the MIDI system, with a hint.
pub fn inputs() -> Result<Vec<String>, String> {
    let input = input()?;
    let name = |port| input.port_name(port).ok();
    Ok(input.ports().iter().filter_map(name).collect())
}

/// A MIDI output.
pub struct Output {
    connection: MidiOutputConnection,
    /// The receiver and a client that looks for it.
    watch: Option<(MidiOutput, String)>,
}

impl Output {
    /// Opens a port called `own`.
    ///
    /// # Errors
    /// Why it cannot be opened.
    pub fn open(own: &str, port: &PortName, _: Patch) -> Result<Self, String> {
        let output = output()?;
        match port {
            PortName::Virtual => Ok(Output {
                connection: open_virtual_output(output, own)?,
                watch: None,
            }),
            PortName::Named(wanted) => {
                let ports = output.ports();
                let name = |port| output.port_name(port).unwrap_or_default();
                let names: Vec<String> = ports.iter().map(name).collect();
                let at = find_port(&names, wanted)?;
                let watch = MidiOutput::new("leadpipe-watch").ok();
                let connected = output.connect(&ports[at], own);
                Ok(Output {
                    connection: connected.map_err(|e| e.to_string())?,
                    watch: watch.map(|w| (w, names[at].clone())),
                })
            }
        }
    }

    /// Whether so many messages can be sent now.
    pub fn has_room_for(&self, _: usize) -> bool {
        true
    }

    /// Sends a message at once, or waits for its moment: the system takes no times.
    ///
    /// # Errors
    /// What the system says.
    pub fn send(&mut self, bytes: Bytes, moment: Option<Moment>) -> Result<(), String> {
        if let Some(moment) = moment {
            std::thread::sleep(moment.at.saturating_duration_since(Instant::now()));
        }
        let message = &bytes[..length(bytes[0])];
        self.connection.send(message).map_err(|e| e.to_string())
    }

    /// Whether all has been sent.
    pub fn is_drained(&self) -> bool {
        true
    }

    /// Whether the receiver is still there; for about once a second.
    ///
    /// # Errors
    /// What has gone.
    pub fn check(&self) -> Result<(), String> {
        let Some((watch, name)) = &self.watch else {
            return Ok(());
        };
        let ports = watch.ports();
        let mut names = ports.iter().filter_map(|port| watch.port_name(port).ok());
        match names.any(|n| n == *name) {
            true => Ok(()),
            false => Err(format!("{name} has gone; waiting for it")),
        }
    }
}

/// A MIDI input.
pub struct Input {
    _connection: MidiInputConnection<()>,
    queue: Consumer<(Moment, Bytes)>,
}

impl Input {
    /// Opens a port called `own`.
    ///
    /// # Errors
    /// Why it cannot be opened.
    pub fn open(own: &str, port: &PortName, _: Patch) -> Result<Self, String> {
        let input = input()?;
        let (mut received, queue) = RingBuffer::new(QUEUE);
        let on_message = move |_: u64, message: &[u8], _: &mut ()| {
            let mut bytes = Bytes::default();
            if let Some(to) = bytes.get_mut(..message.len()) {
                to.copy_from_slice(message);
                // A flood beyond the queue is no pedal's and no clock's.
                let _ = received.push((Moment::system(Instant::now()), bytes));
            }
        };
        let connection = match port {
            PortName::Virtual => open_virtual_input(input, own, on_message)?,
            PortName::Named(wanted) => {
                let ports = input.ports();
                let name = |port| input.port_name(port).unwrap_or_default();
                let names: Vec<String> = ports.iter().map(name).collect();
                let at = find_port(&names, wanted)?;
                let connected = input.connect(&ports[at], own, on_message, ());
                connected.map_err(|e| e.to_string())?
            }
        };
        Ok(Input {
            _connection: connection,
            queue,
        })
    }

    /// Only a JACK server has a transport.
    ///
    /// # Errors
    /// That this program has none.
    pub fn transport() -> Result<Self, String> {
        Err("this program was built without JACK, whose transport it would follow".into())
    }

    /// Only a JACK server has a transport.
    pub fn is_untold(&self) -> bool {
        false
    }

    /// Only a JACK server has a transport, and MIDI tells no metre.
    pub fn metre(&self) -> Option<(u32, u32)> {
        None
    }

    /// The next message that was received, and when.
    pub fn next_message(&mut self) -> Option<(Moment, Bytes)> {
        self.queue.pop().ok()
    }

    /// Whether the sender is still there.
    ///
    /// # Errors
    /// What has gone.
    pub fn check(&self) -> Result<(), String> {
        Ok(())
    }
}

#[cfg(unix)]
fn open_virtual_output(output: MidiOutput, own: &str) -> Result<MidiOutputConnection, String> {
    use midir::os::unix::VirtualOutput;
    output.create_virtual(own).map_err(|e| e.to_string())
}

#[cfg(unix)]
fn open_virtual_input(
    input: MidiInput,
    own: &str,
    on_message: impl FnMut(u64, &[u8], &mut ()) + Send + 'static,
) -> Result<MidiInputConnection<()>, String> {
    use midir::os::unix::VirtualInput;
    let created = input.create_virtual(own, on_message, ());
    created.map_err(|e| e.to_string())
}

#[cfg(not(unix))]
const NO_VIRTUAL: &str = "this system has no virtual MIDI ports; give the name of an existing port";

#[cfg(not(unix))]
fn open_virtual_output(_: MidiOutput, _: &str) -> Result<MidiOutputConnection, String> {
    Err(NO_VIRTUAL.into())
}

#[cfg(not(unix))]
fn open_virtual_input(
    _: MidiInput,
    _: &str,
    _: impl FnMut(u64, &[u8], &mut ()) + Send + 'static,
) -> Result<MidiInputConnection<()>, String> {
    Err(NO_VIRTUAL.into())
}
