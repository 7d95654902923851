//! Between the audio callbacks and the engine: two lock-free rings.
//!
//! A callback runs on the sound system's own thread and must come back in a
//! fraction of a block. So it only copies: no allocation, no lock, no print, no
//! system call. An allocation guard stands around each (it aborts a debug build
//! that allocates there; `tests/realtime.rs` proves that it does). What goes
//! wrong is counted and told by the engine.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use assert_no_alloc::assert_no_alloc;
use cpal::{FromSample, Sample};
use rtrb::{Consumer, Producer, RingBuffer};

/// What callbacks count.
#[derive(Debug, Default)]
pub struct Counts {
    /// Frames in the newest block.
    pub block: AtomicU64,
    /// Frames lost to a full ring (input) or missing from an empty one (output).
    pub missed: AtomicU64,
    /// Times that the sound system said it was late.
    pub xruns: AtomicU64,
    /// Whether the device is gone.
    pub lost: AtomicBool,
    /// Why, if its system says so.
    pub why: Mutex<Option<String>>,
}

impl Counts {
    /// The device is gone.
    pub fn lose(&self, why: String) {
        if let Ok(mut place) = self.why.try_lock() {
            place.get_or_insert(why);
        }
        self.lost.store(true, Ordering::Release);
    }

    /// Why the device is gone, if it is.
    pub fn lost(&self) -> Option<String> {
        if !self.lost.load(Ordering::Acquire) {
            return None;
        }
        let why = self.why.lock().ok().and_then(|mut why| why.take());
        Some(why.unwrap_or_else(|| "the device has gone".into()))
    }

    fn block(&self, frames: usize) {
        self.block.store(frames as u64, Ordering::Relaxed);
    }
}

/// The callback's end of an input: takes one channel out of each block.
pub struct Intake {
    ring: Producer<f32>,
    channels: usize,
    /// Which channel, or all of them mixed.
    channel: Option<usize>,
    counts: Arc<Counts>,
}

/// Input of `channels` channels of which `channel` (from 0) is taken, or the
/// mix; the ring holds `room` frames.
pub fn intake(
    channels: usize,
    channel: Option<usize>,
    room: usize,
) -> (Intake, Consumer<f32>, Arc<Counts>) {
    let (ring, consumer) = RingBuffer::new(room);
    let counts = Arc::new(Counts::default());
    let intake = Intake {
        ring,
        channels: channels.max(1),
        channel,
        counts: counts.clone(),
    };
    (intake, consumer, counts)
}

impl Intake {
    /// Copies a block of interleaved frames into the ring; what finds no room is
    /// counted and let go.
    pub fn take<T: Sample>(&mut self, data: &[T])
    where
        f32: FromSample<T>,
    {
        assert_no_alloc(|| {
            let frames = data.len() / self.channels;
            let count = frames.min(self.ring.slots());
            if count < frames {
                let missed = (frames - count) as u64;
                self.counts.missed.fetch_add(missed, Ordering::Relaxed);
            }
            let (channels, channel) = (self.channels, self.channel);
            if let Ok(chunk) = self.ring.write_chunk_uninit(count) {
                let value = |frame: &[T]| match channel {
                    Some(at) => frame[at.min(channels - 1)].to_sample::<f32>(),
                    None => {
                        let sum: f32 = frame.iter().map(|s| s.to_sample::<f32>()).sum();
                        sum / channels as f32
                    }
                };
                chunk.fill_from_iter(data.chunks_exact(channels).take(count).map(value));
            }
            self.counts.block(frames);
        });
    }
}

/// The callback's end of an output: interleaved frames out of the ring.
pub struct Outlet {
    ring: Consumer<f32>,
    channels: usize,
    /// The last frame, held where the ring runs dry.
    held: Vec<f32>,
    /// Frames for which it has run dry.
    dry: u64,
    hold: u64,
    /// Channels that carry voltages: those are held, sound is not.
    volts: Vec<bool>,
    counts: Arc<Counts>,
}

/// How long voltages are held when the engine is late, in seconds. Longer than
/// any ordinary delay; after that the engine is taken for dead and every gate
/// goes low.
const HOLD_S: f64 = 0.2;
/// Fall of sound in a gap, per sample, so that it does not click.
const FADE: f32 = 0.99;

/// Output of so many channels; `volts` says which of them carry voltages. The
/// ring holds `room` frames.
pub fn outlet(volts: Vec<bool>, rate_hz: f64, room: usize) -> (Outlet, Producer<f32>, Arc<Counts>) {
    let channels = volts.len();
    let (producer, ring) = RingBuffer::new(room * channels.max(1));
    let counts = Arc::new(Counts::default());
    let outlet = Outlet {
        ring,
        channels,
        held: vec![0.0; channels],
        dry: 0,
        hold: (HOLD_S * rate_hz) as u64,
        volts,
        counts: counts.clone(),
    };
    (outlet, producer, counts)
}

impl Outlet {
    /// Fills a block of interleaved frames.
    pub fn fill<T: Sample + FromSample<f32>>(&mut self, data: &mut [T]) {
        assert_no_alloc(|| {
            let frames = data.len() / self.channels.max(1);
            let count = frames.min(self.ring.slots() / self.channels.max(1));
            let (filled, rest) = data.split_at_mut(count * self.channels);
            if let Ok(chunk) = self.ring.read_chunk(filled.len()) {
                let (first, second) = chunk.as_slices();
                for (to, from) in filled.iter_mut().zip(first.iter().chain(second)) {
                    *to = from.to_sample::<T>();
                }
                if count > 0 {
                    let all = first.iter().chain(second);
                    let last = all.skip((count - 1) * self.channels);
                    for (held, value) in self.held.iter_mut().zip(last) {
                        *held = *value;
                    }
                    self.dry = 0;
                }
                chunk.commit_all();
            }
            if count < frames {
                let missed = (frames - count) as u64;
                self.counts.missed.fetch_add(missed, Ordering::Relaxed);
                self.fill_gap(rest);
            }
            self.counts.block(frames);
        });
    }

    fn fill_gap<T: Sample + FromSample<f32>>(&mut self, data: &mut [T]) {
        for frame in data.chunks_mut(self.channels) {
            self.dry += 1;
            let over = self.dry > self.hold;
            for ((to, held), volts) in frame.iter_mut().zip(&mut self.held).zip(&self.volts) {
                if over {
                    *held = 0.0;
                } else if !volts {
                    *held *= FADE;
                }
                *to = held.to_sample::<T>();
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drain(ring: &mut Consumer<f32>) -> Vec<f32> {
        std::iter::from_fn(|| ring.pop().ok()).collect()
    }

    #[test]
    fn one_channel_or_the_mix() {
        let (mut intake, mut ring, _) = intake(2, Some(1), 8);
        intake.take(&[0.1f32, 0.2, 0.3, 0.4]);
        assert_eq!(drain(&mut ring), [0.2, 0.4]);
        let (mut intake, mut ring, _) = super::intake(2, None, 8);
        intake.take(&[i16::MAX, i16::MIN]);
        assert!(drain(&mut ring)[0].abs() < 1e-4);
    }

    #[test]
    fn a_full_ring_is_counted() {
        let (mut intake, mut ring, counts) = intake(1, None, 4);
        intake.take(&[1.0f32; 6]);
        assert_eq!(counts.missed.load(Ordering::Relaxed), 2);
        assert_eq!(drain(&mut ring).len(), 4);
    }

    #[test]
    fn a_gap_fades_sound_and_holds_voltages_for_a_while() {
        let (mut outlet, mut ring, counts) = outlet(vec![false, true], 1_000.0, 8);
        ring.push(0.5).unwrap();
        ring.push(0.5).unwrap();
        let mut data = [9.0f32; 2 * 100];
        outlet.fill(&mut data);
        assert_eq!(&data[..2], [0.5, 0.5]);
        assert!(data[198] < 0.2 && data[199] == 0.5);
        assert_eq!(counts.missed.load(Ordering::Relaxed), 99);
        let mut data = [9.0f32; 2 * 200];
        outlet.fill(&mut data);
        assert_eq!(data[399], 0.0);
    }
}
