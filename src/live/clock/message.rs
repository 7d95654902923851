//! Messages of MIDI clock (MIDI 1.0 Detailed Specification, system common and real-time
//! messages).

use crate::live::midi_system::Bytes;

/// Clock messages in a quarter note.
pub const TICKS_PER_QUARTER: u32 = 24;
/// Clock messages in a unit of the song position, a sixteenth.
pub const TICKS_PER_UNIT: u32 = 6;

/// A message of a clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ClockMessage {
    /// A 24th of a quarter has passed.
    Tick,
    /// The next tick is the song's beginning.
    Start,
    /// The next tick is the song position.
    Continue,
    /// The song stands still.
    Stop,
    /// The song position in ticks.
    Position(u32),
}

/// Where a song is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Song {
    /// Number of the next tick, from the song's beginning.
    pub next: u32,
    /// Whether ticks count.
    pub running: bool,
}

impl Default for Song {
    /// A clock that was started before anybody listened counts from its first tick.
    fn default() -> Self {
        Song {
            next: 0,
            running: true,
        }
    }
}

impl Song {
    /// Goes on by a message; the number of a tick that counts.
    pub fn push(&mut self, message: ClockMessage) -> Option<u32> {
        match message {
            ClockMessage::Tick => {
                // Many clocks go on while the song stands still.
                let number = self.running.then_some(self.next);
                self.next = self.next.saturating_add(u32::from(self.running));
                return number;
            }
            ClockMessage::Start => (self.next, self.running) = (0, true),
            ClockMessage::Continue => self.running = true,
            ClockMessage::Stop => self.running = false,
            ClockMessage::Position(ticks) => self.next = ticks,
        }
        None
    }
}

impl ClockMessage {
    /// The message's bytes. A position is told in whole sixteenths.
    pub fn bytes(self) -> Bytes {
        match self {
            ClockMessage::Tick => [0xf8, 0, 0],
            ClockMessage::Start => [0xfa, 0, 0],
            ClockMessage::Continue => [0xfb, 0, 0],
            ClockMessage::Stop => [0xfc, 0, 0],
            ClockMessage::Position(ticks) => {
                let units = ticks / TICKS_PER_UNIT;
                [0xf2, units as u8 & 127, (units >> 7) as u8 & 127]
            }
        }
    }

    /// Reads a message; `None` for others.
    pub fn read(bytes: Bytes) -> Option<ClockMessage> {
        match bytes {
            [0xf8, ..] => Some(ClockMessage::Tick),
            [0xfa, ..] => Some(ClockMessage::Start),
            [0xfb, ..] => Some(ClockMessage::Continue),
            [0xfc, ..] => Some(ClockMessage::Stop),
            [0xf2, low, high] => {
                let units = u32::from(low & 127) | u32::from(high & 127) << 7;
                Some(ClockMessage::Position(units * TICKS_PER_UNIT))
            }
            _ => None,
        }
    }
}
