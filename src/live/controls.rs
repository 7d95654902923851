//! Commands received by MIDI and OSC while the horn plays.

use std::net::{SocketAddr, UdpSocket};
use std::sync::mpsc::SyncSender;
use std::time::Duration;

use midir::{MidiInput, MidiInputConnection};
use rosc::{OscMessage, OscPacket, OscType, decoder};

use super::command::Command;
use super::devices;
use super::rig::{Switch, Trigger};
use super::send::midi_port::{CLIENT, find_port, no_midi_system};
use crate::error::{Error, Result};

/// Largest OSC packet that is read, in bytes; a command is far shorter.
const MAX_PACKET: usize = 1_024;
/// Nesting depth to which bundles are read.
const MAX_BUNDLE_DEPTH: usize = 4;
/// Name of the virtual MIDI port for foot controllers.
const PORT: &str = "pedals";

/// Queue of commands to the session.
pub type Commands = SyncSender<Command>;

/// The command that a MIDI message is mapped to. A controller acts when it rises to
/// 64 or above, and again only after it was below; `down` holds a bit per
/// controller that is at or above.
pub fn midi_command(bytes: &[u8], switches: &[Switch], down: &mut u128) -> Option<Command> {
    let command = |on| {
        let hit = switches.iter().find(|s| s.on == on);
        hit.map(|s| s.command.clone())
    };
    match *bytes {
        [status, program] if status & 0xf0 == 0xc0 && program < 128 => {
            command(Trigger::Program(program))
        }
        [status, controller, value] if status & 0xf0 == 0xb0 && controller < 128 => {
            let bit = 1u128 << controller;
            let (was, is) = (*down & bit != 0, value >= 64);
            *down = if is { *down | bit } else { *down & !bit };
            if is && !was {
                command(Trigger::Controller(controller))
            } else {
                None
            }
        }
        _ => None,
    }
}

/// Names of the MIDI input ports.
///
/// # Errors
/// What is wrong with the MIDI system, with a hint.
pub fn list_inputs() -> std::result::Result<Vec<String>, String> {
    let input = MidiInput::new(CLIENT).map_err(|_| no_midi_system())?;
    let name = |port| input.port_name(port).ok();
    Ok(input.ports().iter().filter_map(name).collect())
}

/// A MIDI input for foot controllers: `virtual`, or (part of) a port's name.
pub struct Pedals {
    port: String,
    switches: Vec<Switch>,
    commands: Commands,
    connection: Option<MidiInputConnection<()>>,
}

impl Pedals {
    /// Opens a port.
    ///
    /// # Errors
    /// [`Error::Device`] where there is no such port.
    pub fn open(port: &str, switches: Vec<Switch>, commands: Commands) -> Result<Self> {
        let mut pedals = Pedals {
            port: port.to_owned(),
            switches,
            commands,
            connection: None,
        };
        pedals.reopen().map_err(|problem| {
            Error::device("MIDI in", problem, "`leadpipe devices` lists the ports")
        })?;
        Ok(pedals)
    }

    /// Closes the port, whose server has gone.
    pub fn close(&mut self) {
        self.connection = None;
    }

    /// Opens the port again.
    ///
    /// # Errors
    /// What is wrong.
    pub fn reopen(&mut self) -> std::result::Result<(), String> {
        let _lock = devices::open_close_lock();
        self.connection = None;
        let input = MidiInput::new(CLIENT).map_err(|_| no_midi_system())?;
        let (switches, commands) = (self.switches.clone(), self.commands.clone());
        let mut down = 0u128;
        let on_message = move |_: u64, bytes: &[u8], _: &mut ()| {
            if let Some(command) = midi_command(bytes, &switches, &mut down) {
                let _ = commands.try_send(command);
            }
        };
        if self.port == "virtual" {
            self.connection = Some(open_virtual(input, on_message)?);
            return Ok(());
        }
        let ports = input.ports();
        let name = |port| input.port_name(port).unwrap_or_default();
        let names: Vec<String> = ports.iter().map(name).collect();
        let at = find_port(&names, &self.port)?;
        let connected = input.connect(&ports[at], PORT, on_message, ());
        self.connection = Some(connected.map_err(|e| e.to_string())?);
        Ok(())
    }
}

#[cfg(unix)]
fn open_virtual(
    input: MidiInput,
    on_message: impl FnMut(u64, &[u8], &mut ()) + Send + 'static,
) -> std::result::Result<MidiInputConnection<()>, String> {
    use midir::os::unix::VirtualInput;
    input
        .create_virtual(PORT, on_message, ())
        .map_err(|e| e.to_string())
}

#[cfg(not(unix))]
fn open_virtual(
    _: MidiInput,
    _: impl FnMut(u64, &[u8], &mut ()) + Send + 'static,
) -> std::result::Result<MidiInputConnection<()>, String> {
    Err("this system has no virtual MIDI ports; give the name of an existing port".into())
}

/// Commands in an OSC packet. Malformed and unknown messages are ignored.
///
/// `/leadpipe/horn s`, `/leadpipe/tuning s`, `/leadpipe/source s` (without an
/// argument: the next one), `/leadpipe/shift i`, `/leadpipe/mute i` (without:
/// toggles), `/leadpipe/panic`, `/leadpipe/timbre`, `/leadpipe/quit`.
pub fn osc_commands(packet: &[u8]) -> Vec<Command> {
    let mut commands = Vec::new();
    if let Ok((_, packet)) = decoder::decode_udp(packet) {
        unpack(&packet, MAX_BUNDLE_DEPTH, &mut commands);
    }
    commands
}

fn unpack(packet: &OscPacket, depth: usize, commands: &mut Vec<Command>) {
    match packet {
        OscPacket::Message(message) => commands.extend(osc_command(message)),
        OscPacket::Bundle(bundle) if depth > 0 => {
            for inner in &bundle.content {
                unpack(inner, depth - 1, commands);
            }
        }
        OscPacket::Bundle(_) => {}
    }
}

fn osc_command(message: &OscMessage) -> Option<Command> {
    let what = message.addr.strip_prefix("/leadpipe/")?;
    let first = message.args.first();
    let named = |by_name: fn(String) -> Command, next: Command| match first {
        Some(OscType::String(name)) => Some(by_name(name.clone())),
        None => Some(next),
        _ => None,
    };
    let number = match first {
        Some(OscType::Int(n)) => Some(*n),
        // Many controllers send only floats.
        Some(OscType::Float(f)) if f.is_finite() => Some(f.round() as i32),
        Some(OscType::Bool(b)) => Some((*b).into()),
        _ => None,
    };
    match what {
        "horn" => named(Command::Horn, Command::NextHorn),
        "tuning" => named(Command::Tuning, Command::NextTuning),
        "source" => named(Command::Source, Command::NextSource),
        "shift" => number.map(Command::Shift),
        "mute" if first.is_none() => Some(Command::ToggleMute),
        "mute" => number.map(|n| Command::Mute(n != 0)),
        "panic" => Some(Command::Panic),
        "timbre" => Some(Command::NextTimbre),
        "quit" => Some(Command::Quit),
        _ => None,
    }
}

/// Parses an address to listen on or send to. A bare port means this machine only.
///
/// # Errors
/// [`Error::Setting`] where it is not an address.
pub fn address(what: &str, text: &str) -> Result<SocketAddr> {
    use std::net::ToSocketAddrs;
    let full = match text.parse::<u16>() {
        Ok(_) => format!("127.0.0.1:{text}"),
        Err(_) => text.to_owned(),
    };
    let found = full.to_socket_addrs().ok().and_then(|mut all| all.next());
    found.ok_or_else(|| {
        Error::setting(
            format!("{what}: \"{text}\" is not an address"),
            "write HOST:PORT, such as 127.0.0.1:9000",
        )
    })
}

/// Receives OSC packets on a thread that lives as long as the program.
///
/// # Errors
/// [`Error::Device`] where the address is in use.
pub fn listen_osc(at: SocketAddr, commands: Commands) -> Result<SocketAddr> {
    let failed = |e: std::io::Error| {
        Error::device(
            format!("OSC in on {at}"),
            e,
            "choose another port with --listen",
        )
    };
    let socket = UdpSocket::bind(at).map_err(failed)?;
    let bound = socket.local_addr().map_err(failed)?;
    let process = move || {
        // One extra byte tells which packets are too long.
        let mut packet = [0; MAX_PACKET + 1];
        loop {
            match socket.recv(&mut packet) {
                Ok(length @ ..=MAX_PACKET) => {
                    for command in osc_commands(&packet[..length]) {
                        let _ = commands.try_send(command);
                    }
                }
                Ok(_) => {}
                // Avoids spinning while the network is down.
                Err(_) => std::thread::sleep(Duration::from_millis(100)),
            }
        }
    };
    std::thread::Builder::new()
        .name("leadpipe OSC in".into())
        .spawn(process)
        .map_err(failed)?;
    Ok(bound)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn osc(address: &str, args: Vec<OscType>) -> Vec<Command> {
        let message = OscMessage {
            addr: address.into(),
            args,
        };
        osc_commands(&rosc::encoder::encode(&OscPacket::Message(message)).unwrap())
    }

    #[test]
    fn osc_asks_for_what_it_says() {
        let name = OscType::String("trumpet".into());
        assert_eq!(
            osc("/leadpipe/horn", vec![name]),
            [Command::Horn("trumpet".into())]
        );
        assert_eq!(osc("/leadpipe/horn", vec![]), [Command::NextHorn]);
        assert_eq!(
            osc("/leadpipe/shift", vec![OscType::Float(-12.0)]),
            [Command::Shift(-12)]
        );
        assert_eq!(
            osc("/leadpipe/mute", vec![OscType::Int(1)]),
            [Command::Mute(true)]
        );
        assert_eq!(osc("/leadpipe/panic", vec![]), [Command::Panic]);
        assert_eq!(osc("/elsewhere/panic", vec![]), []);
        assert_eq!(osc("/leadpipe/shift", vec![OscType::Float(f32::NAN)]), []);
    }

    #[test]
    fn a_pedal_acts_once_each_time_it_goes_down() {
        let switches = [
            Switch {
                on: Trigger::Controller(64),
                command: Command::ToggleMute,
            },
            Switch {
                on: Trigger::Program(1),
                command: Command::NextHorn,
            },
        ];
        let mut down = 0;
        let mut process = |bytes: &[u8]| midi_command(bytes, &switches, &mut down);
        assert_eq!(process(&[0xb0, 64, 127]), Some(Command::ToggleMute));
        assert_eq!(process(&[0xb0, 64, 100]), None);
        assert_eq!(process(&[0xb0, 64, 0]), None);
        assert_eq!(process(&[0xb3, 64, 64]), Some(Command::ToggleMute));
        assert_eq!(process(&[0xc0, 1]), Some(Command::NextHorn));
        assert_eq!(process(&[0xc0, 2]), None);
    }

    #[test]
    fn a_bare_port_is_this_machine() {
        assert_eq!(address("x", "9000").unwrap().to_string(), "127.0.0.1:9000");
        assert!(address("x", "nonsense").is_err());
    }

    proptest! {
        #[test]
        fn any_packet_is_survived(packet in prop::collection::vec(any::<u8>(), 0..200)) {
            let _ = osc_commands(&packet);
            let _ = midi_command(&packet, &[], &mut 0);
        }
    }
}
