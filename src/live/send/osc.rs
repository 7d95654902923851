//! Control events as OSC 1.0 messages over UDP.
//!
//! Addresses (all times seconds, pitches MIDI semitones with fractions):
//!
//! | address | arguments |
//! |---|---|
//! | `/leadpipe/start` | i key sent, f pitch sent, f strength 0 to 1, s attack, s written, s concert, f cents, f age: time since the onset |
//! | `/leadpipe/pitch` | f pitch sent |
//! | `/leadpipe/level` | f strength 0 to 1, f level dBFS |
//! | `/leadpipe/brightness` | f 0 to 1 over the brightness range, f units of the fundamental; where it is sent |
//! | `/leadpipe/vibrato` | f half of peak to peak, cents; when it changes |
//! | `/leadpipe/stop` | none |
//! | `/leadpipe/note` | a finished note: s written, s concert, f cents, f duration, s attack, s length, s techniques |
//! | `/leadpipe/cue` | s gesture |
//! | `/leadpipe/mark` | f stream time, i whether it is kept with a take |
//! | `/leadpipe/silence` | none: forget whatever sounds |
//!
//! A route to an OSC address sends one message without arguments. Pitch, level and brightness
//! come together in a bundle, at most every 10 ms.

use std::net::{SocketAddr, UdpSocket};

use rosc::{OscBundle, OscMessage, OscPacket, OscTime, OscType, encoder};

use super::Sender;
use crate::live::control_event::{ControlEvent, NoteUpdate};
use crate::live::routes::{Action, Routes};
use crate::sending::brightness::BrightnessRange;

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
    brightness: Option<BrightnessRange>,
}

impl Osc {
    /// Sender to `to`. Brightness is sent if there is a range for it.
    pub fn new(to: SocketAddr, routes: Routes, brightness: Option<BrightnessRange>) -> Self {
        Osc {
            to,
            socket: None,
            routes,
            updated_s: f64::NEG_INFINITY,
            vibrato_cents: 0.0,
            brightness,
        }
    }

    fn packets(&mut self, event: &ControlEvent) -> Vec<OscPacket> {
        match event {
            ControlEvent::NoteOn(start) => {
                self.updated_s = start.at_s;
                vec![message(
                    "/leadpipe/start",
                    vec![
                        OscType::Int(start.name.key.into()),
                        OscType::Float(start.name.pitch.0 as f32),
                        OscType::Float(start.strength),
                        OscType::String(start.attack.name().into()),
                        OscType::String(start.name.written.to_string()),
                        OscType::String(start.name.concert.to_string()),
                        OscType::Float(start.name.cents as f32),
                        OscType::Float((start.at_s - start.onset_s) as f32),
                    ],
                )]
            }
            ControlEvent::NoteRenamed { name, .. } => vec![message(
                "/leadpipe/name",
                vec![
                    OscType::String(name.written.to_string()),
                    OscType::String(name.concert.to_string()),
                    OscType::Float(name.cents as f32),
                ],
            )],
            ControlEvent::NoteUpdate(update) if update.at_s - self.updated_s >= STEP_S => {
                self.updated_s = update.at_s;
                vec![self.moved(update)]
            }
            ControlEvent::NoteUpdate(_)
            | ControlEvent::SetupChanged(_)
            | ControlEvent::Clock(_) => Vec::new(),
            ControlEvent::NoteOff { .. } => vec![message("/leadpipe/stop", vec![])],
            ControlEvent::Mark(mark) => {
                let kept = OscType::Int(mark.kept.into());
                let at_s = OscType::Float(mark.at_s as f32);
                vec![message("/leadpipe/mark", vec![at_s, kept])]
            }
            ControlEvent::Silence => vec![message("/leadpipe/silence", vec![])],
            ControlEvent::NoteFinished { note: named, .. } => {
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
        if let (Some(range), Some(brightness)) = (self.brightness, update.brightness) {
            let share = OscType::Float(range.share(brightness));
            let times = OscType::Float(brightness);
            content.push(message("/leadpipe/brightness", vec![share, times]));
        }
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

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use proptest::prelude::*;
    use rosc::decoder::decode_udp;

    use super::*;
    use crate::analysis::HOP_S;
    use crate::live::control_event::{Gesture, GestureEvent, NoteName, NoteOn};
    use crate::notes::Attack;
    use crate::units::{Concert, Pitch, Written};

    fn sender() -> Osc {
        let routes = vec![(Gesture::Accent, Action::Osc("/lamp/flash".into()))];
        Osc::new(([127, 0, 0, 1], 9).into(), Routes::new(routes), None)
    }

    fn note_on(pitch: f64, strength: f32, cents: f64) -> NoteOn {
        NoteOn {
            at_s: 1.5,
            onset_s: 1.25,
            name: NoteName {
                concert: Concert(58),
                written: Written(60),
                played: 58.0,
                cents,
                key: 58,
                pitch: Pitch(pitch),
            },
            velocity: strength,
            strength,
            level_db: -20.0,
            attack: Attack::Slurred,
        }
    }

    fn update(at_s: f64, vibrato_cents: f32) -> ControlEvent {
        ControlEvent::NoteUpdate(NoteUpdate {
            at_s,
            pitch: Pitch(58.25),
            strength: 0.5,
            level_db: -20.0,
            vibrato_cents,
            brightness: Some(2.0),
        })
    }

    /// What a receiver reads of an event: messages, bundles taken apart.
    fn received(sender: &mut Osc, event: &ControlEvent) -> Vec<OscMessage> {
        let mut messages = Vec::new();
        for packet in sender.packets(event) {
            let bytes = encoder::encode(&packet).unwrap();
            assert!(
                bytes.len().is_multiple_of(4) && bytes.len() < 512,
                "{} bytes",
                bytes.len()
            );
            let (rest, read) = decode_udp(&bytes).unwrap();
            assert!(rest.is_empty());
            match read {
                OscPacket::Message(message) => messages.push(message),
                OscPacket::Bundle(bundle) => {
                    assert_eq!(bundle.timetag, AT_ONCE);
                    for inner in bundle.content {
                        let OscPacket::Message(message) = inner else {
                            panic!("a bundle in a bundle");
                        };
                        messages.push(message);
                    }
                }
            }
        }
        messages
    }

    fn addresses(messages: &[OscMessage]) -> Vec<&str> {
        messages.iter().map(|m| m.addr.as_str()).collect()
    }

    /// The bytes as the specification (OSC 1.0) has them, written out by hand.
    #[test]
    fn bytes_are_those_of_the_specification() {
        let packets = sender().packets(&ControlEvent::NoteOff { at_s: 2.0 });
        let bytes = encoder::encode(&packets[0]).unwrap();
        assert_eq!(bytes, b"/leadpipe/stop\0\0,\0\0\0");
        let packets = sender().packets(&update(1.0, 0.0));
        let bytes = encoder::encode(&packets[0]).unwrap();
        let pitch = b"\0\0\0\x18/leadpipe/pitch\0,f\0\0\x42\x69\0\0";
        assert_eq!(bytes[..16], *b"#bundle\0\0\0\0\0\0\0\0\x01");
        assert_eq!(bytes[16..16 + pitch.len()], *pitch);
    }

    #[test]
    fn pitch_and_level_come_every_ten_milliseconds_and_vibrato_when_it_changes() {
        let mut sender = sender();
        sender.packets(&ControlEvent::NoteOn(note_on(58.0, 0.5, 0.0)));
        let mut counts = [0; 3];
        for hop in 0..1_000 {
            let at_s = 1.5 + f64::from(hop) * HOP_S;
            let vibrato = if hop < 500 { 0.0 } else { 30.0 };
            for message in received(&mut sender, &update(at_s, vibrato)) {
                let all = ["/leadpipe/pitch", "/leadpipe/level", "/leadpipe/vibrato"];
                counts[all.iter().position(|a| *a == message.addr).unwrap()] += 1;
            }
        }
        // 1.36 s, every eighth hop.
        assert_eq!(counts, [124, 124, 1]);
    }

    #[test]
    fn brightness_comes_with_the_level_where_it_is_asked_for() {
        let mut sender = sender();
        assert_eq!(received(&mut sender, &update(1.0, 0.0)).len(), 2);
        sender.brightness = Some(BrightnessRange::new(1.0, 8.0).unwrap());
        let got = received(&mut sender, &update(2.0, 0.0));
        assert_eq!(got[2].addr, "/leadpipe/brightness");
        // Twice the fundamental is one of three octaves.
        let want = [1.0f32 / 3.0, 2.0].map(OscType::Float);
        assert_eq!(got[2].args, want);
    }

    #[test]
    fn a_gesture_is_told_and_sets_off_its_routes() {
        let cue = |gesture| ControlEvent::Gesture(GestureEvent { at_s: 1.0, gesture });
        let got = received(&mut sender(), &cue(Gesture::Accent));
        assert_eq!(addresses(&got), ["/leadpipe/cue", "/lamp/flash"]);
        assert_eq!(got[0].args, [OscType::String("accent".into())]);
        assert!(got[1].args.is_empty());
        let got = received(&mut sender(), &cue(Gesture::Fall));
        assert_eq!(addresses(&got), ["/leadpipe/cue"]);
        let got = received(&mut sender(), &ControlEvent::Silence);
        assert_eq!(addresses(&got), ["/leadpipe/silence"]);
    }

    #[test]
    fn what_is_sent_arrives_over_the_network() {
        let socket = UdpSocket::bind("127.0.0.1:0").unwrap();
        socket
            .set_read_timeout(Some(Duration::from_secs(10)))
            .unwrap();
        let mut sender = Osc::new(socket.local_addr().unwrap(), Routes::default(), None);
        assert!(
            sender.send(&ControlEvent::Silence).is_err(),
            "it was not open"
        );
        sender.open().unwrap();
        sender.send(&ControlEvent::Silence).unwrap();
        let mut packet = [0; 512];
        let length = socket.recv(&mut packet).unwrap();
        assert_eq!(packet[..length], *b"/leadpipe/silence\0\0\0,\0\0\0");
    }

    proptest! {
        #[test]
        fn a_note_is_read_as_it_was_sent(
            pitch in 0f64..127.0,
            strength in 0f32..1.0,
            cents in -50f64..50.0,
        ) {
            let event = ControlEvent::NoteOn(note_on(pitch, strength, cents));
            let got = received(&mut sender(), &event);
            prop_assert_eq!(addresses(&got), ["/leadpipe/start"]);
            let text = |text: &str| OscType::String(text.into());
            let want = [
                OscType::Int(58),
                OscType::Float(pitch as f32),
                OscType::Float(strength),
                text("slurred"),
                text("C4"),
                text("Bb3"),
                OscType::Float(cents as f32),
                OscType::Float(0.25),
            ];
            prop_assert_eq!(&got[0].args[..], &want[..]);
        }
    }
}
