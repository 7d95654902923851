//! Commands received by MIDI and OSC while the horn plays.

use std::net::{SocketAddr, UdpSocket};
use std::sync::mpsc::SyncSender;
use std::time::Duration;

use rosc::{OscMessage, OscPacket, OscType, decoder};

use super::command::Command;
use super::midi_listener::MidiListener;
use super::rig::{Switch, Trigger};
use super::ui_snapshot::PortStatus;
use crate::error::{Error, Result};

/// Largest OSC packet that is read, in bytes; a command is far shorter.
const MAX_PACKET: usize = 1_024;
/// Nesting depth to which bundles are read.
const MAX_BUNDLE_DEPTH: usize = 4;

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

/// A MIDI input for foot controllers.
pub struct Pedals {
    listener: MidiListener,
    switches: Vec<Switch>,
    /// Controllers that are down, a bit each.
    down: u128,
}

impl Pedals {
    /// Opens a port: `virtual`, or (part of) a port's name.
    ///
    /// # Errors
    /// [`Error::Device`] where there is no such port.
    pub fn open(port: &str, switches: Vec<Switch>) -> Result<Self> {
        Ok(Pedals {
            listener: MidiListener::open("pedals", port)?,
            switches,
            down: 0,
        })
    }

    /// The next command that a foot has given, if any; never blocks.
    pub fn next_command(&mut self) -> Option<Command> {
        while let Some((_, bytes)) = self.listener.next_message() {
            // A program change has one data byte.
            let length = if bytes[0] & 0xf0 == 0xc0 { 2 } else { 3 };
            let command = midi_command(&bytes[..length], &self.switches, &mut self.down);
            if command.is_some() {
                return command;
            }
        }
        if self.listener.is_lost() {
            self.down = 0;
        }
        None
    }

    /// Name and error for the screen.
    pub fn status(&self) -> PortStatus {
        self.listener.status()
    }
}

/// Commands in an OSC packet. Malformed and unknown messages are ignored.
///
/// `/leadpipe/horn s`, `/leadpipe/tuning s`, `/leadpipe/source s` (without an
/// argument: the next one), `/leadpipe/shift i`, `/leadpipe/mute i` (without:
/// toggles), `/leadpipe/panic`, `/leadpipe/timbre`, `/leadpipe/voice-level f`,
/// `/leadpipe/record i` (without: toggles), `/leadpipe/mark`, `/leadpipe/quit`.
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
        "voice-level" => match first {
            Some(OscType::Float(db)) if db.is_finite() => Some(Command::VoiceLevel((*db).into())),
            Some(OscType::Int(db)) => Some(Command::VoiceLevel((*db).into())),
            _ => None,
        },
        "record" if first.is_none() => Some(Command::ToggleRecord),
        "record" => number.map(|n| Command::Record(n != 0)),
        "mark" => Some(Command::Mark),
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
    let receive = move || {
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
        .spawn(receive)
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

    /// A command, and the OSC message that asks for it.
    fn asked() -> impl Strategy<Value = (Command, OscMessage)> {
        let ask = |what: &str, args| OscMessage {
            addr: format!("/leadpipe/{what}"),
            args,
        };
        let named = ("\\PC{0,12}", 0usize..3).prop_map(move |(name, which)| {
            let args = vec![OscType::String(name.clone())];
            match which {
                0 => (Command::Horn(name), ask("horn", args)),
                1 => (Command::Tuning(name), ask("tuning", args)),
                _ => (Command::Source(name), ask("source", args)),
            }
        });
        let shift = (any::<i32>(), any::<bool>()).prop_map(move |(by, float)| {
            if float {
                let by = by >> 8;
                (
                    Command::Shift(by),
                    ask("shift", vec![OscType::Float(by as f32)]),
                )
            } else {
                (Command::Shift(by), ask("shift", vec![OscType::Int(by)]))
            }
        });
        let switched = (any::<bool>(), any::<bool>()).prop_map(move |(on, mute)| {
            let on_or_off = vec![OscType::Bool(on)];
            match mute {
                true => (Command::Mute(on), ask("mute", on_or_off)),
                false => (Command::Record(on), ask("record", on_or_off)),
            }
        });
        let level = (-60i16..=0).prop_map(move |db| {
            let asked = ask("voice-level", vec![OscType::Float(db.into())]);
            (Command::VoiceLevel(db.into()), asked)
        });
        let plain = prop::sample::select(vec![
            (Command::NextHorn, ask("horn", vec![])),
            (Command::NextTuning, ask("tuning", vec![])),
            (Command::NextSource, ask("source", vec![])),
            (Command::ToggleMute, ask("mute", vec![])),
            (Command::Panic, ask("panic", vec![])),
            (Command::NextTimbre, ask("timbre", vec![])),
            (Command::ToggleRecord, ask("record", vec![])),
            (Command::Mark, ask("mark", vec![])),
            (Command::Quit, ask("quit", vec![])),
        ]);
        prop_oneof![named, shift, switched, level, plain]
    }

    proptest! {
        /// Every command can be asked for, alone or in a bundle, and a packet that was
        /// cut off asks for nothing.
        #[test]
        fn what_is_asked_by_osc_is_done(all in prop::collection::vec(asked(), 1..5), cut in 0.0f64..1.0) {
            let (commands, messages): (Vec<_>, Vec<_>) = all.into_iter().unzip();
            let alone = rosc::encoder::encode(&OscPacket::Message(messages[0].clone())).unwrap();
            prop_assert_eq!(osc_commands(&alone), &commands[..1]);
            let short = &alone[..(cut * alone.len() as f64) as usize];
            prop_assert_eq!(osc_commands(short), []);
            let bundle = rosc::OscBundle {
                timetag: (0, 1).into(),
                content: messages.into_iter().map(OscPacket::Message).collect(),
            };
            let bundle = rosc::encoder::encode(&OscPacket::Bundle(bundle)).unwrap();
            prop_assert_eq!(osc_commands(&bundle), commands);
        }

        /// No packet asks for anything that does not name this program.
        #[test]
        fn noise_asks_for_nothing(packet in prop::collection::vec(any::<u8>(), 0..200)) {
            let names_us = packet.windows(10).any(|w| w == b"/leadpipe/");
            prop_assert!(names_us || osc_commands(&packet).is_empty());
        }

        /// Whatever comes in by MIDI, only what a switch waits for is done.
        #[test]
        fn midi_does_only_what_switches_say(messages in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..5), 0..40)) {
            let switches = [
                Switch { on: Trigger::Controller(64), command: Command::ToggleMute },
                Switch { on: Trigger::Program(1), command: Command::NextHorn },
            ];
            let (mut down, mut pressed) = (0, false);
            for bytes in &messages {
                let command = midi_command(bytes, &switches, &mut down);
                let expected = match bytes[..] {
                    [0xb0..=0xbf, 64, value] => {
                        let goes_down = value >= 64 && !pressed;
                        pressed = value >= 64;
                        goes_down.then_some(Command::ToggleMute)
                    }
                    [0xc0..=0xcf, 1] => Some(Command::NextHorn),
                    _ => None,
                };
                prop_assert_eq!(command, expected, "{:?}", bytes);
            }
        }
    }
}
