//! Sends MIDI to a port.

use std::time::{Duration, Instant};

use midir::{MidiOutput, MidiOutputConnection};

use super::Sender;
use super::midi::{Bytes, MidiEncoder};
use crate::live::control_event::ControlEvent;
use crate::live::devices;
use crate::live::routes::{Action, Routes};

/// Client name of this program.
pub const CLIENT: &str = "leadpipe";
/// Name of the port that this program opens.
pub const PORT: &str = "notes";

/// Time between repeats of the bend range.
const BEND_RANGE_INTERVAL: Duration = Duration::from_millis(900);

/// Which port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Port {
    /// A new virtual port that others connect to.
    Virtual,
    /// An existing port: its name, or any part of it that no other port has.
    Named(String),
}

impl Port {
    /// Parses the value of `--midi`.
    pub fn parse(text: &str) -> Self {
        match text {
            "virtual" => Port::Virtual,
            name => Port::Named(name.to_owned()),
        }
    }
}

/// Names of the MIDI output ports.
///
/// # Errors
/// What is wrong with the MIDI system, with a hint.
pub fn list_outputs() -> Result<Vec<String>, String> {
    let output = MidiOutput::new(CLIENT).map_err(|_| no_midi_system())?;
    Ok(output
        .ports()
        .iter()
        .filter_map(|port| output.port_name(port).ok())
        .collect())
}

/// Error message where there is no MIDI system, with a hint.
pub fn no_midi_system() -> String {
    if cfg!(feature = "jack") {
        "no MIDI: the JACK server is not running; start it first".into()
    } else if cfg!(target_os = "linux") {
        "no MIDI: the ALSA sequencer is missing; load it with `modprobe snd-seq`, or build with `--features jack`".into()
    } else {
        "no MIDI system found".into()
    }
}

/// Index of the only name that matches `wanted`.
pub fn find_port(names: &[String], wanted: &str) -> Result<usize, String> {
    if let Some(at) = names.iter().position(|n| n == wanted) {
        return Ok(at);
    }
    let part = wanted.to_lowercase();
    let holds = |(_, name): &(usize, &String)| name.to_lowercase().contains(&part);
    let found: Vec<usize> = names
        .iter()
        .enumerate()
        .filter(holds)
        .map(|(at, _)| at)
        .collect();
    match found[..] {
        [at] => Ok(at),
        [] => Err(format!(
            "no MIDI port is called \"{wanted}\"; `leadpipe devices` lists them"
        )),
        _ => Err(format!(
            "{} MIDI ports are called \"{wanted}\"; give more of the name",
            found.len()
        )),
    }
}

/// Sends to a port.
pub struct MidiPort {
    port: Port,
    encoder: MidiEncoder,
    routes: Routes,
    connection: Option<MidiOutputConnection>,
    /// Lists ports, to check that the destination still exists.
    watch: Option<MidiOutput>,
    /// Full name of the connected port.
    full_name: Option<String>,
    messages: Vec<Bytes>,
    /// When the bend range was last sent.
    bend_range_sent: Instant,
}

impl MidiPort {
    /// Sender to a port on a channel from 0 to 15.
    pub fn new(port: Port, channel: u8, routes: Routes) -> Self {
        MidiPort {
            port,
            encoder: MidiEncoder::new(channel),
            routes,
            connection: None,
            watch: None,
            full_name: None,
            messages: Vec::with_capacity(16),
            bend_range_sent: Instant::now(),
        }
    }

    /// A receiver that connects to the virtual port later has missed the bend
    /// range: it is repeated now and then while no note is on.
    fn repeat_bend_range(&mut self) -> Result<(), String> {
        if self.port != Port::Virtual
            || !self.encoder.idle()
            || self.bend_range_sent.elapsed() < BEND_RANGE_INTERVAL
        {
            return Ok(());
        }
        self.bend_range_sent = Instant::now();
        self.encoder.bend_range(&mut self.messages);
        self.flush()
    }

    fn close(&mut self) {
        self.connection = None;
        self.watch = None;
    }

    fn flush(&mut self) -> Result<(), String> {
        let Some(connection) = &mut self.connection else {
            return Err("not connected".into());
        };
        for bytes in self.messages.drain(..) {
            connection.send(&bytes).map_err(|e| e.to_string())?;
        }
        Ok(())
    }

    #[cfg(unix)]
    fn open_virtual(output: MidiOutput) -> Result<MidiOutputConnection, String> {
        use midir::os::unix::VirtualOutput;
        output.create_virtual(PORT).map_err(|e| e.to_string())
    }

    #[cfg(not(unix))]
    fn open_virtual(_: MidiOutput) -> Result<MidiOutputConnection, String> {
        Err("this system has no virtual MIDI ports; give the name of an existing port".into())
    }
}

impl Sender for MidiPort {
    fn open(&mut self) -> Result<(), String> {
        let _lock = devices::open_close_lock();
        // The old client is closed first: its name is taken while it exists.
        self.close();
        let output = MidiOutput::new(CLIENT).map_err(|_| no_midi_system())?;
        let connection = match &self.port {
            Port::Virtual => Self::open_virtual(output)?,
            Port::Named(wanted) => {
                let ports = output.ports();
                let name = |port| output.port_name(port).unwrap_or_default();
                let names: Vec<String> = ports.iter().map(name).collect();
                let at = find_port(&names, wanted)?;
                self.full_name = Some(names[at].clone());
                self.watch = MidiOutput::new("leadpipe-watch").ok();
                output
                    .connect(&ports[at], PORT)
                    .map_err(|e| e.to_string())?
            }
        };
        self.connection = Some(connection);
        self.messages.clear();
        self.encoder.setup(&mut self.messages);
        self.flush()
    }

    fn leave_jack(&mut self) -> bool {
        // Without the feature, MIDI uses ALSA.
        if cfg!(feature = "jack") {
            let _lock = devices::open_close_lock();
            self.close();
        }
        cfg!(feature = "jack")
    }

    fn check(&mut self) -> Result<(), String> {
        let (Some(watch), Some(name)) = (&self.watch, &self.full_name) else {
            return self.repeat_bend_range();
        };
        let there = watch
            .ports()
            .iter()
            .any(|port| watch.port_name(port).as_ref() == Ok(name));
        if there {
            return Ok(());
        }
        self.connection = None;
        Err(format!("{name} has gone; waiting for it"))
    }

    fn send(&mut self, event: &ControlEvent) -> Result<(), String> {
        self.messages.clear();
        self.encoder.encode(event, &mut self.messages);
        if let ControlEvent::Gesture(gesture_event) = event {
            for action in self.routes.actions(gesture_event.gesture) {
                if let Action::Controller { controller, value } = action {
                    self.encoder
                        .control(*controller, *value, &mut self.messages);
                }
            }
        }
        self.flush()?;
        self.repeat_bend_range()
    }
}
