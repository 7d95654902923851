//! Which frame of a stream belongs to which moment: MIDI is dated by clocks, sound is counted
//! in frames.
//!
//! Where both come from a JACK server, its own frame time says it exactly. Otherwise the
//! system's clock does, through a delay-locked loop: a callback is called late, by chance and
//! by up to milliseconds, but its frames are played evenly (F. Adriaensen, "Using a DLL to
//! filter time", Linux Audio Conference 2005).

use std::collections::VecDeque;
use std::time::Instant;

/// A moment by the clocks that know it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    /// By the system's monotonic clock.
    pub at: Instant,
    /// By the JACK server, if it dates it: its frame time, which wraps around.
    pub jack_frame: Option<u32>,
}

impl Moment {
    /// A moment that JACK does not date.
    pub fn system(at: Instant) -> Self {
        Moment {
            at,
            jack_frame: None,
        }
    }
}

/// When the first frame of a block is captured or played.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BlockTime {
    pub moment: Moment,
    /// Number of that frame in its stream, from 0.
    pub frame: u64,
}

/// Blocks of a JACK server that are remembered: a message may be read that much later than
/// the block it came with.
const BLOCKS: usize = 256;
/// Bandwidth of the loop, in hertz: slow enough for late callbacks to average out, and fast
/// beside the drift of crystals.
const BANDWIDTH_HZ: f64 = 0.1;
/// A block that is off by more seconds belongs to a stream that was interrupted.
const INTERRUPTED_S: f64 = 0.1;

/// Frames of a stream and the moments at which they are captured or played.
#[derive(Debug, Clone)]
pub struct StreamTime {
    rate_hz: f64,
    epoch: Instant,
    jack_blocks: VecDeque<(u32, u64)>,
    filter: Option<Filter>,
}

/// The loop's state: a line through the blocks.
#[derive(Debug, Clone, Copy)]
struct Filter {
    /// Number and filtered time of the newest block's first frame.
    frame: f64,
    at_s: f64,
    /// Seconds from frame to frame.
    frame_s: f64,
    /// Blocks so far.
    blocks: f64,
}

impl StreamTime {
    /// Nothing is known yet of a stream with this sample rate in hertz.
    pub fn new(rate_hz: f64) -> Self {
        StreamTime {
            rate_hz,
            epoch: Instant::now(),
            jack_blocks: VecDeque::with_capacity(BLOCKS),
            filter: None,
        }
    }

    /// Takes in a block's time. Frames rise.
    pub fn block(&mut self, block: BlockTime) {
        if let Some(jack_frame) = block.moment.jack_frame {
            if self.jack_blocks.len() == BLOCKS {
                self.jack_blocks.pop_front();
            }
            self.jack_blocks.push_back((jack_frame, block.frame));
        }
        let (at_s, frame) = (self.seconds(block.moment.at), block.frame as f64);
        let filter = self.filter.and_then(|filter| filter.next(at_s, frame));
        self.filter = Some(filter.unwrap_or(Filter {
            frame,
            at_s,
            frame_s: 1.0 / self.rate_hz,
            blocks: 1.0,
        }));
    }

    /// Number of the frame at a moment, with its fraction; none before the first block.
    pub fn frame_at(&self, moment: Moment) -> Option<f64> {
        if let Some(jack_frame) = moment.jack_frame
            && !self.jack_blocks.is_empty()
        {
            // An xrun moves the server's frame time on, but not the stream's: the block
            // counts that the moment is in.
            let since = |first: u32| jack_frame.wrapping_sub(first).cast_signed();
            let later = self.jack_blocks.iter().rev();
            let mut at_or_before = later.filter(|(first, _)| since(*first) >= 0);
            let (first, frame) = at_or_before.next().unwrap_or(&self.jack_blocks[0]);
            return Some(*frame as f64 + f64::from(since(*first)));
        }
        let filter = self.filter?;
        Some(filter.frame + (self.seconds(moment.at) - filter.at_s) / filter.frame_s)
    }

    /// Moment of a frame that is captured or played about now; none before the first block.
    pub fn moment_of(&self, frame: f64) -> Option<Moment> {
        let filter = self.filter?;
        let since_s = (frame - filter.frame) * filter.frame_s + filter.at_s;
        let jack_frame = self.jack_blocks.back().map(|(first, block)| {
            let since = (frame - *block as f64).round() as i32;
            first.wrapping_add_signed(since)
        });
        let at = match since_s >= 0.0 {
            true => self.epoch + std::time::Duration::from_secs_f64(since_s),
            false => self.epoch,
        };
        Some(Moment { at, jack_frame })
    }

    /// Seconds from the epoch, negative before it.
    fn seconds(&self, at: Instant) -> f64 {
        match at.checked_duration_since(self.epoch) {
            Some(since) => since.as_secs_f64(),
            None => -self.epoch.duration_since(at).as_secs_f64(),
        }
    }
}

impl Filter {
    /// Goes on to a block; none where it does not follow.
    fn next(self, at_s: f64, frame: f64) -> Option<Filter> {
        let frames = frame - self.frame;
        let expected_s = self.at_s + frames * self.frame_s;
        let off_s = at_s - expected_s;
        if frames <= 0.0 || off_s.abs() > INTERRUPTED_S {
            return None;
        }
        // Adriaensen's coefficients. The rate is known to start with, so that the first
        // blocks' mean says more than the loop would.
        let blocks = self.blocks + 1.0;
        let omega = std::f64::consts::TAU * BANDWIDTH_HZ * frames * self.frame_s;
        let (b, c) = (std::f64::consts::SQRT_2 * omega, omega * omega);
        Some(Filter {
            frame,
            at_s: expected_s + b.max(1.0 / blocks).min(1.0) * off_s,
            frame_s: self.frame_s + c.min(1.0) * off_s / frames,
            blocks,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::time::Duration;

    const RATE_HZ: f64 = 48_000.0;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        /// Callbacks that come late by up to 5 ms, at a rate that is a little off: moments
        /// are placed to a millisecond once some blocks have come, but for what the callbacks
        /// are late on the average (a millisecond is 5.8 standard deviations of what is left of
        /// that chance); and a frame's moment is that frame's.
        #[test]
        fn late_callbacks_average_out(
            drift in -1e-4f64..1e-4,
            block in prop_oneof![Just(64u64), Just(256), Just(1_024)],
            seed: u64,
        ) {
            let mut random = fastrand::Rng::with_seed(seed);
            let mut time = StreamTime::new(RATE_HZ);
            let start = Instant::now() + Duration::from_secs(1);
            let when = |frame: f64| {
                start + Duration::from_secs_f64(frame / RATE_HZ * (1.0 + drift))
            };
            for frame in (0..20 * 48_000).step_by(block as usize) {
                let late = Duration::from_secs_f64(0.005 * random.f64());
                time.block(BlockTime { moment: Moment::system(when(frame as f64) + late), frame });
                if frame > 100 * block {
                    let wanted = frame as f64 - 100.5;
                    let moment = Moment::system(when(wanted) + Duration::from_micros(2_500));
                    let got = time.frame_at(moment).unwrap();
                    prop_assert!((got - wanted).abs() < 48.0, "{got} {wanted}");
                    let back = time.frame_at(time.moment_of(wanted).unwrap()).unwrap();
                    prop_assert!((back - wanted).abs() < 0.1, "{back} {wanted}");
                }
            }
        }
    }

    /// The server's own frame time is exact from the first block on, over its end and past
    /// an xrun, however late the callbacks are.
    #[test]
    fn jack_dates_to_the_frame() {
        let mut time = StreamTime::new(RATE_HZ);
        let start = Instant::now();
        let moment = |jack_frame: u32| Moment {
            at: start,
            jack_frame: Some(jack_frame),
        };
        assert_eq!(time.frame_at(moment(0)), None);
        let first = u32::MAX - 100;
        let mut block = |since: u32, frame: u64| {
            time.block(BlockTime {
                moment: moment(first.wrapping_add(since)),
                frame,
            });
            time.clone()
        };
        let at_once = block(0, 0);
        assert_eq!(at_once.frame_at(moment(first.wrapping_add(17))), Some(17.0));
        block(128, 128);
        // Two blocks were lost.
        let after = block(512, 256);
        for (since, frame) in [(17, 17.0), (130, 130.0), (513, 257.0), (700, 444.0)] {
            let moment = moment(first.wrapping_add(since));
            assert_eq!(after.frame_at(moment), Some(frame));
            if since > 512 {
                assert_eq!(
                    after.moment_of(frame).unwrap().jack_frame,
                    moment.jack_frame
                );
            }
        }
    }
}
