//! Encodes what is sent as MIDI 1.0 messages, for files and sessions alike: monophonic on
//! one channel, with pitch bend.

use crate::midi_values::{
    BREATH, BRIGHTNESS, CONTROL_STEP_S, SET_BEND_RANGE, bend_value, seven_bits,
};
use crate::sending::brightness::BrightnessRange;
use crate::sending::{NoteUpdate, Sent, SentStart};
use crate::units::Pitch;

/// A channel message.
pub type Bytes = [u8; 3];

/// MIDI 1.0 Detailed Specification, table III.
const MODULATION: u8 = 1;
const EXPRESSION: u8 = 11;
const ALL_NOTES_OFF: u8 = 123;
/// Vibrato depth at full modulation, in cents: the widest brass vibrato that is not
/// a shake.
const FULL_VIBRATO_CENTS: f32 = 60.0;

/// Encodes what is sent as messages.
#[derive(Debug, Clone)]
pub struct MidiEncoder {
    /// Channel, 0 to 15.
    channel: u8,
    held: Option<u8>,
    /// Velocity of the last note.
    velocity: u8,
    /// Keys that were let go since their note-offs were last repeated, a bit for each.
    let_go: u128,
    bend: Option<i16>,
    controls: [Option<u8>; 128],
    /// What brightness is sent as, if it is sent.
    brightness: Option<BrightnessRange>,
    updated_s: f64,
}

impl MidiEncoder {
    /// Encoder for a channel from 0 to 15. Brightness is sent if there is a range for it.
    pub fn new(channel: u8, brightness: Option<BrightnessRange>) -> Self {
        MidiEncoder {
            brightness,
            channel: channel & 15,
            held: None,
            velocity: 0,
            let_go: 0,
            bend: None,
            controls: [None; 128],
            updated_s: f64::NEG_INFINITY,
        }
    }

    /// Messages that a receiver needs first: the bend range, and all notes off.
    pub fn setup(&mut self, out: &mut Vec<Bytes>) {
        *self = MidiEncoder::new(self.channel, self.brightness);
        self.bend_range(out);
        self.silence(out);
    }

    /// Whether no note is on.
    pub fn idle(&self) -> bool {
        self.held.is_none()
    }

    /// Repeats the note-off of each key let go since the last time: a receiver that lost one
    /// goes on sounding, and to others it says nothing new (MIDI 1.0 Detailed Specification:
    /// a note-off for a key that is not on is ignored). Only while no note is on, so that it
    /// never ends one; never in a file.
    pub fn repeat_note_offs(&mut self, out: &mut Vec<Bytes>) {
        if !self.idle() {
            return;
        }
        let let_go = std::mem::take(&mut self.let_go);
        for key in (0..128u8).filter(|key| let_go >> key & 1 == 1) {
            out.push([0x80 | self.channel, key, 64]);
        }
    }

    /// Sets the bend range by RPN 0,0, followed by the null RPN so that later data
    /// entry does not change it.
    pub fn bend_range(&self, out: &mut Vec<Bytes>) {
        for (controller, value) in SET_BEND_RANGE {
            out.push([0xb0 | self.channel, controller, value]);
        }
    }

    /// Appends the messages for an event.
    pub fn encode(&mut self, sent: &Sent, out: &mut Vec<Bytes>) {
        match sent {
            Sent::Start(start) => self.start(start, out),
            Sent::Update(update) => self.follow(update, out),
            Sent::Stop => self.stop(out),
            Sent::Silence => self.silence(out),
        }
    }

    /// Appends a controller message even if the value is unchanged.
    pub fn control(&mut self, controller: u8, value: u8, out: &mut Vec<Bytes>) {
        let (controller, value) = (controller & 127, value & 127);
        self.controls[usize::from(controller)] = Some(value);
        out.push([0xb0 | self.channel, controller, value]);
    }

    fn start(&mut self, start: &SentStart, out: &mut Vec<Bytes>) {
        let before = self.held.take();
        if let Some(key) = before.filter(|_| !start.slurred) {
            self.off(key, out);
        }
        self.bend_to(start.pitch, start.key, out);
        self.change(MODULATION, 0, out);
        self.loudness(start.strength, out);
        self.velocity = seven_bits(start.velocity).max(1);
        // Slurred to the same key (a sequence may repeat a note): it must end
        // before it can start again.
        if let Some(key) = before.filter(|key| start.slurred && *key == start.key) {
            self.off(key, out);
        }
        out.push([0x90 | self.channel, start.key, self.velocity]);
        // The old note ends after the new one starts: receivers play legato.
        if let Some(key) = before.filter(|key| start.slurred && *key != start.key) {
            self.off(key, out);
        }
        self.held = Some(start.key);
        self.updated_s = start.at_s;
    }

    /// Moves the held note to another key, slurred; the bend makes up for the difference.
    pub fn move_to_key(&mut self, key: u8, pitch: Pitch, out: &mut Vec<Bytes>) {
        let Some(before) = self.held.filter(|before| *before != key) else {
            return;
        };
        self.bend_to(pitch, key, out);
        out.push([0x90 | self.channel, key, self.velocity]);
        self.off(before, out);
        self.held = Some(key);
    }

    fn follow(&mut self, update: &NoteUpdate, out: &mut Vec<Bytes>) {
        let Some(key) = self.held else {
            return;
        };
        if update.at_s - self.updated_s < CONTROL_STEP_S {
            return;
        }
        self.updated_s = update.at_s;
        self.bend_to(update.pitch, key, out);
        self.loudness(update.strength, out);
        let depth = (update.vibrato_cents / FULL_VIBRATO_CENTS).min(1.0);
        self.change(MODULATION, seven_bits(depth), out);
        if let (Some(range), Some(brightness)) = (self.brightness, update.brightness) {
            self.change(BRIGHTNESS, seven_bits(range.share(brightness)), out);
        }
    }

    fn stop(&mut self, out: &mut Vec<Bytes>) {
        if let Some(key) = self.held.take() {
            self.off(key, out);
        }
        self.change(BREATH, 0, out);
        self.change(MODULATION, 0, out);
    }

    fn silence(&mut self, out: &mut Vec<Bytes>) {
        if let Some(key) = self.held.take() {
            self.off(key, out);
        }
        self.control(ALL_NOTES_OFF, 0, out);
        self.bend = None;
        self.bend_value(0, out);
        self.control(MODULATION, 0, out);
        self.control(BREATH, 0, out);
        self.control(EXPRESSION, 127, out);
    }

    fn off(&mut self, key: u8, out: &mut Vec<Bytes>) {
        self.let_go |= 1 << key;
        out.push([0x80 | self.channel, key, 64]);
    }

    fn loudness(&mut self, strength: f32, out: &mut Vec<Bytes>) {
        let value = seven_bits(strength);
        self.change(BREATH, value, out);
        self.change(EXPRESSION, value.max(1), out);
    }

    fn change(&mut self, controller: u8, value: u8, out: &mut Vec<Bytes>) {
        if self.controls[usize::from(controller)] != Some(value) {
            self.control(controller, value, out);
        }
    }

    fn bend_to(&mut self, pitch: Pitch, key: u8, out: &mut Vec<Bytes>) {
        self.bend_value(bend_value(pitch.0 - f64::from(key)), out);
    }

    fn bend_value(&mut self, value: i16, out: &mut Vec<Bytes>) {
        if self.bend != Some(value) {
            self.bend = Some(value);
            let bits = (i32::from(value) + 8192) as u16;
            out.push([0xe0 | self.channel, (bits & 127) as u8, (bits >> 7) as u8]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn start(key: u8, pitch: f64, slurred: bool) -> Sent {
        Sent::Start(SentStart {
            at_s: 0.0,
            key,
            pitch: Pitch(pitch),
            velocity: 0.5,
            strength: 0.5,
            level_db: -20.0,
            slurred,
        })
    }

    fn encode(encoder: &mut MidiEncoder, sent: &Sent) -> Vec<Bytes> {
        let mut out = Vec::new();
        encoder.encode(sent, &mut out);
        out
    }

    fn notes(bytes: &[Bytes]) -> Vec<(u8, u8)> {
        let is_note = |b: &&Bytes| matches!(b[0] & 0xf0, 0x80 | 0x90);
        bytes.iter().filter(is_note).map(|b| (b[0], b[1])).collect()
    }

    #[test]
    fn setup_sets_the_bend_range_first() {
        let mut out = Vec::new();
        MidiEncoder::new(2, None).setup(&mut out);
        assert_eq!(
            out[..4],
            [[0xb2, 101, 0], [0xb2, 100, 0], [0xb2, 6, 12], [0xb2, 38, 0]]
        );
    }

    #[test]
    fn tongued_parts_and_slurred_joins() {
        let mut encoder = MidiEncoder::new(0, None);
        encode(&mut encoder, &start(60, 60.0, false));
        let tongued = encode(&mut encoder, &start(62, 62.0, false));
        assert_eq!(notes(&tongued), [(0x80, 60), (0x90, 62)]);
        let slurred = encode(&mut encoder, &start(64, 64.0, true));
        assert_eq!(notes(&slurred), [(0x90, 64), (0x80, 62)]);
        let again = encode(&mut encoder, &start(64, 64.0, true));
        assert_eq!(notes(&again), [(0x80, 64), (0x90, 64)]);
        assert_eq!(notes(&encode(&mut encoder, &Sent::Stop)), [(0x80, 64)]);
    }

    #[test]
    fn a_note_moves_to_another_key_before_the_old_one_ends() {
        let (mut encoder, mut out) = (MidiEncoder::new(0, None), Vec::new());
        encoder.move_to_key(60, Pitch(60.0), &mut out);
        assert!(out.is_empty(), "no note is held");
        encode(&mut encoder, &start(61, 60.8, false));
        encoder.move_to_key(61, Pitch(60.9), &mut out);
        assert!(out.is_empty(), "it is on that key");
        encoder.move_to_key(60, Pitch(60.0), &mut out);
        let velocity = seven_bits(0.5);
        assert_eq!(out, [[0xe0, 0, 64], [0x90, 60, velocity], [0x80, 61, 64]]);
        assert_eq!(notes(&encode(&mut encoder, &Sent::Stop)), [(0x80, 60)]);
    }

    #[test]
    fn the_bend_is_there_before_the_note() {
        let out = encode(&mut MidiEncoder::new(0, None), &start(60, 60.25, false));
        // 25 cents of 1200 over 8192 steps: 171 above the middle.
        assert_eq!(out[0], [0xe0, (8192u16 + 171).to_le_bytes()[0] & 127, 65]);
    }

    /// Brightness is a controller of its own where it is asked for, and holds its value
    /// after the note.
    #[test]
    fn brightness_is_sent_where_it_is_asked_for() {
        let update = |at_s: f64, brightness| {
            Sent::Update(NoteUpdate {
                at_s,
                pitch: Pitch(60.0),
                strength: 0.5,
                level_db: -20.0,
                vibrato_cents: 0.0,
                brightness,
            })
        };
        let range = BrightnessRange {
            dark: 1.0,
            bright: 4.0,
        };
        for (wanted, values) in [(Some(range), vec![64, 127]), (None, vec![])] {
            let mut encoder = MidiEncoder::new(0, wanted);
            let mut sent = encode(&mut encoder, &start(60, 60.0, false));
            for (at_s, brightness) in [
                (0.01, None),
                (0.02, Some(2.0)),
                (0.03, Some(2.0)),
                (0.04, Some(9.0)),
            ] {
                sent.extend(encode(&mut encoder, &update(at_s, brightness)));
            }
            sent.extend(encode(&mut encoder, &Sent::Stop));
            sent.extend(encode(&mut encoder, &Sent::Silence));
            let sent = sent.iter().filter(|b| b[..2] == [0xb0, 74]);
            assert_eq!(sent.map(|b| b[2]).collect::<Vec<_>>(), values);
        }
    }

    /// A receiver that loses note-offs, as in an xrun of its own, holds none once they were
    /// repeated; and each is repeated once.
    #[test]
    fn lost_note_offs_are_repeated() {
        let mut encoder = MidiEncoder::new(3, None);
        let mut repeated = Vec::new();
        for key in [60, 0, 127] {
            encode(&mut encoder, &start(key, f64::from(key), true));
            encoder.repeat_note_offs(&mut repeated);
            assert!(repeated.is_empty(), "a note is on");
        }
        encode(&mut encoder, &Sent::Stop);
        encoder.repeat_note_offs(&mut repeated);
        let keys: Vec<Bytes> = [0, 60, 127].map(|key| [0x83, key, 64]).to_vec();
        assert_eq!(repeated, keys);
        repeated.clear();
        encoder.repeat_note_offs(&mut repeated);
        assert!(repeated.is_empty());
    }

    #[derive(Debug, Clone)]
    enum Step {
        Start(u8, bool),
        Stop,
        Silence,
    }

    fn step() -> impl Strategy<Value = Step> {
        prop_oneof![
            (0u8..128, any::<bool>()).prop_map(|(key, slurred)| Step::Start(key, slurred)),
            Just(Step::Stop),
            Just(Step::Silence),
        ]
    }

    proptest! {
        /// Whatever the order of events, the receiver holds only the sounding note,
        /// and none after it ends.
        #[test]
        fn no_note_ever_hangs(steps in prop::collection::vec(step(), 1..60)) {
            let mut encoder = MidiEncoder::new(0, None);
            let mut held: Vec<u8> = Vec::new();
            for step in steps {
                let (event, sounds) = match step {
                    Step::Start(key, slurred) => (start(key, f64::from(key), slurred), true),
                    Step::Stop => (Sent::Stop, false),
                    Step::Silence => (Sent::Silence, false),
                };
                for bytes in encode(&mut encoder, &event) {
                    prop_assert!(bytes[1] < 128 && bytes[2] < 128);
                    match bytes[0] & 0xf0 {
                        0x90 => {
                            prop_assert!(!held.contains(&bytes[1]));
                            held.push(bytes[1]);
                        }
                        0x80 => held.retain(|key| *key != bytes[1]),
                        _ => {}
                    }
                }
                prop_assert_eq!(held.len(), usize::from(sounds));
            }
        }
    }
}
