//! The server's transport as a clock: where some client tells bars and beats (JACK's
//! "timebase master"), it is turned into the messages of MIDI clock.

use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};

use jack::{Client, TransportBBT, TransportState};

use crate::live::clock::message::{ClockMessage, TICKS_PER_QUARTER, TICKS_PER_UNIT};
use crate::live::midi_system::Bytes;

/// What the transport says besides, for other threads.
#[derive(Debug, Default)]
pub struct TransportSays {
    /// Whether it rolls, but nobody tells bars and beats.
    untold: AtomicBool,
    /// Beats of a bar and their value, in 16 bits each; 0 while nobody tells them.
    metre: AtomicU32,
}

impl TransportSays {
    /// Whether the transport rolls, but nobody tells bars and beats.
    pub fn is_untold(&self) -> bool {
        self.untold.load(Ordering::Relaxed)
    }

    /// Beats of a bar and their value, as last told.
    pub fn metre(&self) -> Option<(u32, u32)> {
        let both = self.metre.load(Ordering::Relaxed);
        (both != 0).then_some((both >> 16, both & 0xffff))
    }

    fn set_metre(&self, bbt: &TransportBBT) {
        let [beats, value] = [bbt.sig_num, bbt.sig_denom].map(|n| n.round() as u16);
        let both = u32::from(beats) << 16 | u32::from(value);
        self.metre.store(both, Ordering::Relaxed);
    }
}

/// Follows the transport cycle by cycle.
#[derive(Debug, Default)]
pub struct TransportClock {
    /// Number of the next tick from the song's beginning, while it rolls.
    next: Option<u32>,
}

/// Where the song is at the first frame of a cycle.
#[derive(Debug, Clone, Copy)]
struct Place {
    /// 24ths of a quarter from its beginning.
    ticks: f64,
    /// The same in a frame.
    ticks_per_frame: f64,
}

/// Where the song is; none where it stands still, or nobody tells bars and beats.
fn place(client: &Client, says: &TransportSays) -> Option<Place> {
    let transport = client.transport().query().ok()?;
    let (rolls, bbt) = (
        transport.state == TransportState::Rolling,
        transport.pos.bbt(),
    );
    says.untold.store(rolls && bbt.is_none(), Ordering::Relaxed);
    let bbt = bbt.filter(|_| rolls)?;
    says.set_metre(&bbt);
    let ticks_per_beat = f64::from(TICKS_PER_QUARTER) * 4.0 / f64::from(bbt.sig_denom);
    let beats = bbt.bar_start_tick / bbt.ticks_per_beat
        + (bbt.beat as f64 - 1.0)
        + bbt.tick as f64 / bbt.ticks_per_beat;
    let ticks_per_frame = bbt.bpm / 60.0 * ticks_per_beat / f64::from(client.sample_rate());
    let since = f64::from(transport.pos.bbt_offset().unwrap_or(0));
    Some(Place {
        ticks: beats * ticks_per_beat + since * ticks_per_frame,
        ticks_per_frame,
    })
}

impl TransportClock {
    /// Gives the messages of a cycle of so many frames, each with its frame, and what the
    /// transport says besides.
    pub fn cycle(
        &mut self,
        client: &Client,
        says: &TransportSays,
        frames: u32,
        send: impl FnMut(u32, Bytes),
    ) {
        self.go_on(place(client, says), frames, send);
    }

    fn go_on(&mut self, place: Option<Place>, frames: u32, mut send: impl FnMut(u32, Bytes)) {
        let unit = f64::from(TICKS_PER_UNIT);
        let follows = |next: u32| {
            let ahead = place.map(|place| f64::from(next) - place.ticks);
            ahead.is_some_and(|ahead| (-1.0..=unit + 1.0).contains(&ahead))
        };
        if self.next.is_some_and(|next| !follows(next)) {
            send(0, ClockMessage::Stop.bytes());
            self.next = None;
        }
        let Some(place) = place.filter(|place| place.ticks_per_frame > 0.0) else {
            return;
        };
        let mut next = self.next.unwrap_or_else(|| {
            // MIDI tells a position in sixteenths.
            let first = (place.ticks.max(0.0) / unit).ceil() as u32 * TICKS_PER_UNIT;
            send(0, ClockMessage::Position(first).bytes());
            send(0, ClockMessage::Continue.bytes());
            first
        });
        loop {
            let frame = ((f64::from(next) - place.ticks) / place.ticks_per_frame).round();
            if frame >= f64::from(frames) {
                break;
            }
            send(frame.max(0.0) as u32, ClockMessage::Tick.bytes());
            next += 1;
        }
        self.next = Some(next);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A transport that rolls at 120, is stopped, and rolls on from elsewhere.
    #[test]
    fn it_ticks_where_the_song_is() {
        let (mut clock, mut sent) = (TransportClock::default(), Vec::new());
        let mut play = |from: f64, cycles: u32| {
            for cycle in 0..cycles {
                let first = 128 * cycle;
                let place = Place {
                    ticks: from + f64::from(first) / 1_000.0,
                    ticks_per_frame: 1.0 / 1_000.0,
                };
                clock.go_on(Some(place), 128, |frame, bytes| {
                    sent.push((first + frame, ClockMessage::read(bytes).unwrap()));
                });
            }
            clock.go_on(None, 128, |frame, bytes| {
                sent.push((frame, ClockMessage::read(bytes).unwrap()));
            });
            std::mem::take(&mut sent)
        };
        let began = |position, tick: u32, ticks: u32| {
            let first = [(0, position), (0, ClockMessage::Continue)].into_iter();
            let ticks = (0..ticks).map(|i| (tick + 1_000 * i, ClockMessage::Tick));
            let all = first.chain(ticks).chain([(0, ClockMessage::Stop)]);
            all.collect::<Vec<(u32, ClockMessage)>>()
        };
        assert_eq!(play(0.0, 40), began(ClockMessage::Position(0), 0, 6));
        // A tick and a half before the second sixteenth.
        assert_eq!(play(10.5, 40), began(ClockMessage::Position(12), 1_500, 4));
    }
}
