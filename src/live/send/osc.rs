//! Control events as OSC 1.0 messages over UDP.
//!
//! Addresses (all times seconds, pitches MIDI semitones with fractions):
//!
//! | address | arguments |
//! |---|---|
//! | `/leadpipe/start` | i key sent, f pitch sent, f strength 0 to 1, s attack, s written, s concert, f cents, f age: time since the onset |
//! | `/leadpipe/pitch` | f pitch sent |
//! | `/leadpipe/level` | f strength 0 to 1, f level dBFS |
//! | `/leadpipe/vibrato` | f half of peak to peak, cents; when it changes |
//! | `/leadpipe/stop` | none |
//! | `/leadpipe/note` | a finished note: s written, s concert, f cents, f duration, s attack, s length, s techniques |
//! | `/leadpipe/cue` | s gesture |
//! | `/leadpipe/silence` | none: forget whatever sounds |
//!
//! A route to an OSC address sends one message without arguments. Pitch and level
//! come together in a bundle, at most every 10 ms.

use std::net::{SocketAddr, UdpSocket};

use rosc::{OscBundle, OscMessage, OscPacket, OscTime, OscType, encoder};

use super::Sender;
use crate::live::control_event::{ControlEvent, NoteUpdate};
use crate::live::routes::{Action, Routes};

/// Time between two values of pitch and level, in seconds.
const STEP_S: f64 = 0.01;

/// The time tag that means "at once" (OSC 1.0 specification).
const AT_ONCE: OscTime = OscTime {
    seconds: 0,
    fractional: 1,
};

/// Sends to one address.
pub struct Osc {
    to: SocketAddr,
    socket: Option<UdpSocket>,
    routes: Routes,
    updated_s: f64,
    vibrato_cents: f32,
}

impl Osc {
    /// Sender to `to`.
    pub fn new(to: SocketAddr, routes: Routes) -> Self {
        Osc {
            to,
            socket: None,
            routes,
            updated_s: f64::NEG_INFINITY,
            vibrato_cents: 0.0,
        }
    }

    fn packets(&mut self, event: &ControlEvent) -> Vec<OscPacket> {
        match event {
            ControlEvent::NoteOn(start) => {
                self.updated_s = start.at_s;
                vec![message(
                    "/leadpipe/start",
                    vec![
                        OscType::Int(start.key.into()),
                        OscType::Float(start.pitch.0 as f32),
                        OscType::Float(start.strength),
                        OscType::String(start.attack.name().into()),
                        OscType::String(start.written.to_string()),
                        OscType::String(start.concert.to_string()),
                        OscType::Float(start.cents as f32),
                        OscType::Float((start.at_s - start.onset_s) as f32),
                    ],
                )]
            }
            ControlEvent::NoteUpdate(update) if update.at_s - self.updated_s >= STEP_S => {
                self.updated_s = update.at_s;
                vec![self.moved(update)]
            }
            ControlEvent::NoteUpdate(_) => Vec::new(),
            ControlEvent::NoteOff { .. } => vec![message("/leadpipe/stop", vec![])],
            ControlEvent::Silence => vec![message("/leadpipe/silence", vec![])],
            ControlEvent::NoteFinished(named) => {
                let techniques: Vec<_> = named.note.techniques.iter().map(|t| t.name()).collect();
                vec![message(
                    "/leadpipe/note",
                    vec![
                        OscType::String(named.written.to_string()),
                        OscType::String(named.concert.to_string()),
                        OscType::Float(named.cents as f32),
                        OscType::Float(named.note.duration_s() as f32),
                        OscType::String(named.note.attack.name().into()),
                        OscType::String(named.note.length.name().into()),
                        OscType::String(techniques.join(" ")),
                    ],
                )]
            }
            ControlEvent::Gesture(gesture_event) => {
                let name = OscType::String(gesture_event.gesture.name().into());
                let own = self
                    .routes
                    .actions(gesture_event.gesture)
                    .filter_map(|a| match a {
                        Action::Osc(address) => Some(message(address, vec![])),
                        _ => None,
                    });
                let own: Vec<_> = own.collect();
                std::iter::once(message("/leadpipe/cue", vec![name]))
                    .chain(own)
                    .collect()
            }
        }
    }

    fn moved(&mut self, update: &NoteUpdate) -> OscPacket {
        let mut content = vec![
            message(
                "/leadpipe/pitch",
                vec![OscType::Float(update.pitch.0 as f32)],
            ),
            message(
                "/leadpipe/level",
                vec![
                    OscType::Float(update.strength),
                    OscType::Float(update.level_db),
                ],
            ),
        ];
        if update.vibrato_cents != self.vibrato_cents {
            self.vibrato_cents = update.vibrato_cents;
            let depth = OscType::Float(update.vibrato_cents);
            content.push(message("/leadpipe/vibrato", vec![depth]));
        }
        OscPacket::Bundle(OscBundle {
            timetag: AT_ONCE,
            content,
        })
    }
}

fn message(address: &str, args: Vec<OscType>) -> OscPacket {
    OscPacket::Message(OscMessage {
        addr: address.to_owned(),
        args,
    })
}

impl Sender for Osc {
    fn open(&mut self) -> Result<(), String> {
        let any: SocketAddr = match self.to {
            SocketAddr::V4(_) => ([0, 0, 0, 0], 0).into(),
            SocketAddr::V6(_) => ([0u16; 8], 0).into(),
        };
        let socket = UdpSocket::bind(any).map_err(|e| e.to_string())?;
        // A full network buffer must not block.
        socket.set_nonblocking(true).map_err(|e| e.to_string())?;
        self.socket = Some(socket);
        Ok(())
    }

    fn send(&mut self, event: &ControlEvent) -> Result<(), String> {
        for packet in self.packets(event) {
            let bytes = encoder::encode(&packet).map_err(|e| e.to_string())?;
            let Some(socket) = &self.socket else {
                return Err("not open".into());
            };
            socket
                .send_to(&bytes, self.to)
                .map_err(|e| format!("{}: {e}", self.to))?;
        }
        Ok(())
    }
}
