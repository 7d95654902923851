//! The audio callbacks, joined to the engine thread by lock-free ring buffers.
//!
//! A callback runs on the sound system's own thread and must return within a
//! fraction of a block. So it only copies: no allocation, no lock, no print, no
//! system call. An allocation guard wraps each (it aborts a debug build that
//! allocates there; `tests/realtime.rs` proves that it does). Errors are counted
//! here and reported by the engine thread.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use assert_no_alloc::assert_no_alloc;
use cpal::{FromSample, Sample};
use rtrb::{Consumer, Producer, RingBuffer};

use super::clock::stream_time::{BlockTime, Moment};

/// State of a stream, written by its callback and read by the engine thread.
#[derive(Debug, Default)]
pub struct StreamStatus {
    /// Frames in the last block.
    pub block: AtomicU64,
    /// Frames dropped because the ring was full (input) or missing because it was
    /// empty (output).
    pub missed_frames: AtomicU64,
    /// Xruns reported by the sound system.
    pub xruns: AtomicU64,
    /// Whether the device is lost.
    pub lost: AtomicBool,
    /// Why, where the sound system says so.
    pub reason: Mutex<Option<String>>,
}

impl StreamStatus {
    /// Marks the device as lost.
    pub fn set_lost(&self, reason: String) {
        if let Ok(mut place) = self.reason.try_lock() {
            place.get_or_insert(reason);
        }
        self.lost.store(true, Ordering::Release);
    }

    /// Why the device is lost, or `None`.
    pub fn lost_reason(&self) -> Option<String> {
        if !self.lost.load(Ordering::Acquire) {
            return None;
        }
        let reason = self.reason.lock().ok().and_then(|mut reason| reason.take());
        Some(reason.unwrap_or_else(|| "the device has gone".into()))
    }

    fn block(&self, frames: usize) {
        self.block.store(frames as u64, Ordering::Relaxed);
    }
}

/// Tells the engine when blocks are captured or played.
#[derive(Default)]
struct BlockTimes {
    times: Option<Producer<BlockTime>>,
    /// Frames that have gone through the ring.
    frames: u64,
}

/// Times that wait for the engine: if it is later than that, the newest are lost.
const BLOCK_TIMES: usize = 256;

impl BlockTimes {
    fn report(&mut self) -> Consumer<BlockTime> {
        let (times, reported) = RingBuffer::new(BLOCK_TIMES);
        self.times = Some(times);
        reported
    }

    fn push(&mut self, moment: Moment) {
        assert_no_alloc(|| {
            let frame = self.frames;
            if let Some(times) = &mut self.times {
                let _ = times.push(BlockTime { moment, frame });
            }
        });
    }
}

/// Input callback: copies one channel of each block into the ring.
pub struct CaptureCallback {
    ring: Producer<f32>,
    channels: usize,
    /// Channel from 0; `None` mixes all.
    channel: Option<usize>,
    status: Arc<StreamStatus>,
    times: BlockTimes,
}

/// Callback for an input of `channels` channels that copies `channel` (from 0) or
/// the mix of all into a ring of `capacity` frames.
pub fn capture_callback(
    channels: usize,
    channel: Option<usize>,
    capacity: usize,
) -> (CaptureCallback, Consumer<f32>, Arc<StreamStatus>) {
    let (ring, consumer) = RingBuffer::new(capacity);
    let status = Arc::new(StreamStatus::default());
    let callback = CaptureCallback {
        ring,
        channels: channels.max(1),
        channel,
        status: status.clone(),
        times: BlockTimes::default(),
    };
    (callback, consumer, status)
}

impl CaptureCallback {
    /// Blocks' times are reported from now on.
    pub fn report_times(&mut self) -> Consumer<BlockTime> {
        self.times.report()
    }

    /// When the first frame of the next block was captured.
    pub fn dated(&mut self, moment: Moment) {
        self.times.push(moment);
    }

    /// Copies a block of interleaved frames into the ring; what does not fit is
    /// counted and dropped.
    pub fn process<T: Sample>(&mut self, data: &[T])
    where
        f32: FromSample<T>,
    {
        assert_no_alloc(|| {
            let frames = data.len() / self.channels;
            let count = frames.min(self.ring.slots());
            if count < frames {
                let missed = (frames - count) as u64;
                self.status
                    .missed_frames
                    .fetch_add(missed, Ordering::Relaxed);
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
            self.times.frames += count as u64;
            self.status.block(frames);
        });
    }
}

/// Output callback: copies interleaved frames from the ring.
pub struct PlaybackCallback {
    ring: Consumer<f32>,
    channels: usize,
    /// The last frame, held or faded while the ring is empty.
    last_frame: Vec<f32>,
    /// Frames since the ring ran empty.
    underrun_frames: u64,
    hold_frames: u64,
    /// Channels that carry control voltages: these are held, sound is faded.
    is_cv: Vec<bool>,
    status: Arc<StreamStatus>,
    times: BlockTimes,
}

/// How long voltages are held when the engine is late, in seconds. Longer than any
/// ordinary delay; after that the engine counts as dead and every gate goes low.
const HOLD_S: f64 = 0.2;
/// Gain per sample of sound in a gap: a fade, so that it does not click.
const FADE: f32 = 0.99;

/// Callback for an output with a channel for each element of `is_cv`, which says
/// whether it carries control voltage; the ring holds `capacity` frames.
pub fn playback_callback(
    is_cv: Vec<bool>,
    rate_hz: f64,
    capacity: usize,
) -> (PlaybackCallback, Producer<f32>, Arc<StreamStatus>) {
    let channels = is_cv.len();
    let (producer, ring) = RingBuffer::new(capacity * channels.max(1));
    let status = Arc::new(StreamStatus::default());
    let callback = PlaybackCallback {
        ring,
        channels,
        last_frame: vec![0.0; channels],
        underrun_frames: 0,
        hold_frames: (HOLD_S * rate_hz) as u64,
        is_cv,
        status: status.clone(),
        times: BlockTimes::default(),
    };
    (callback, producer, status)
}

impl PlaybackCallback {
    /// Blocks' times are reported from now on.
    pub fn report_times(&mut self) -> Consumer<BlockTime> {
        self.times.report()
    }

    /// When the first frame of the next block will be played.
    pub fn dated(&mut self, moment: Moment) {
        self.times.push(moment);
    }

    /// Fills a block of interleaved frames.
    pub fn process<T: Sample + FromSample<f32>>(&mut self, data: &mut [T]) {
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
                    for (last_frame, value) in self.last_frame.iter_mut().zip(last) {
                        *last_frame = *value;
                    }
                    self.underrun_frames = 0;
                }
                chunk.commit_all();
            }
            if count < frames {
                let missed = (frames - count) as u64;
                self.status
                    .missed_frames
                    .fetch_add(missed, Ordering::Relaxed);
                self.fill_gap(rest);
            }
            self.times.frames += count as u64;
            self.status.block(frames);
        });
    }

    fn fill_gap<T: Sample + FromSample<f32>>(&mut self, data: &mut [T]) {
        for frame in data.chunks_mut(self.channels) {
            self.underrun_frames += 1;
            let over = self.underrun_frames > self.hold_frames;
            for ((to, last_frame), is_cv) in
                frame.iter_mut().zip(&mut self.last_frame).zip(&self.is_cv)
            {
                if over {
                    *last_frame = 0.0;
                } else if !is_cv {
                    *last_frame *= FADE;
                }
                *to = last_frame.to_sample::<T>();
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
        let (mut callback, mut ring, _) = capture_callback(2, Some(1), 8);
        callback.process(&[0.1f32, 0.2, 0.3, 0.4]);
        assert_eq!(drain(&mut ring), [0.2, 0.4]);
        let (mut callback, mut ring, _) = super::capture_callback(2, None, 8);
        callback.process(&[i16::MAX, i16::MIN]);
        assert!(drain(&mut ring)[0].abs() < 1e-4);
    }

    #[test]
    fn a_full_ring_is_counted() {
        let (mut callback, mut ring, status) = capture_callback(1, None, 4);
        callback.process(&[1.0f32; 6]);
        assert_eq!(status.missed_frames.load(Ordering::Relaxed), 2);
        assert_eq!(drain(&mut ring).len(), 4);
    }

    /// No sample of a gap jumps farther than the fade goes, so that it does not click,
    /// and the next block takes over where it comes.
    #[test]
    fn sound_fades_in_a_gap_without_a_step() {
        let (mut playback, mut ring, _) = playback_callback(vec![false], 48_000.0, 256);
        (0..64).for_each(|_| ring.push(0.8).unwrap());
        let mut data = [9.0f32; 1_024];
        playback.process(&mut data);
        assert!(data[..64].iter().all(|s| *s == 0.8));
        for pair in data[63..].windows(2) {
            assert!(pair[1] >= 0.0 && pair[1] <= pair[0] && pair[0] - pair[1] <= 0.0081);
        }
        assert!(data[1_023] < 1e-3);
        ring.push(-0.5).unwrap();
        playback.process(&mut data[..1]);
        assert_eq!(data[0], -0.5);
    }

    /// A gate that is held falls after the hold time, to the frame, unless the engine
    /// is back before.
    #[test]
    fn held_voltages_fall_after_the_hold_time() {
        let held = (HOLD_S * 1_000.0) as usize;
        let (mut playback, mut ring, _) = playback_callback(vec![true], 1_000.0, 8);
        let mut high = |gap: usize| {
            ring.push(0.5).unwrap();
            let mut data = vec![9.0f32; 1 + gap];
            playback.process(&mut data);
            data.iter().take_while(|v| **v == 0.5).count()
        };
        assert_eq!(high(held - 1), held);
        assert_eq!(high(2 * held), 1 + held);
        assert_eq!(high(0), 1);
    }

    #[test]
    fn integers_are_scaled_both_ways() {
        let (mut capture, mut ring, _) = capture_callback(1, None, 8);
        capture.process(&[i16::MIN, 0, 16_384]);
        assert_eq!(drain(&mut ring), [-1.0, 0.0, 0.5]);
        let (mut playback, mut ring, _) = playback_callback(vec![false], 48_000.0, 8);
        [-1.0, 0.0, 0.5]
            .into_iter()
            .for_each(|s| ring.push(s).unwrap());
        let mut data = [1i16; 3];
        playback.process(&mut data);
        assert_eq!(data, [i16::MIN, 0, 16_384]);
    }

    #[test]
    fn a_gap_fades_sound_and_holds_voltages_for_a_while() {
        let (mut callback, mut ring, status) = playback_callback(vec![false, true], 1_000.0, 8);
        ring.push(0.5).unwrap();
        ring.push(0.5).unwrap();
        let mut data = [9.0f32; 2 * 100];
        callback.process(&mut data);
        assert_eq!(&data[..2], [0.5, 0.5]);
        assert!(data[198] < 0.2 && data[199] == 0.5);
        assert_eq!(status.missed_frames.load(Ordering::Relaxed), 99);
        let mut data = [9.0f32; 2 * 200];
        callback.process(&mut data);
        assert_eq!(data[399], 0.0);
    }
}
