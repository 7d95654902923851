//! Fills what a sound device has lost: zeros in the middle of sound.
//!
//! A wireless link or an overloaded device leaves a block of zeros, and a tone that stops and
//! starts within 2 ms sounds like a tongue. So a few zeros are held back until it is known what
//! follows. If sound does, they are filled with the period before, which goes on until it is
//! blended into what follows; if more zeros do, the sound was cut off, and nothing is filled.
//!
//! ```text
//! came      ~~~~~~~~~~~~~~~~~~~|__________|~~~~~~~~~~~~~~~
//! goes on   ~~~~~~~~~[ period ]|[ period ~|~ period ]~~~~~
//!                                 filled    blended
//! ```
//!
//! This is waveform substitution with pitch (ITU-T Recommendation G.711, appendix I, 1999),
//! with two differences: nothing is delayed where nothing is lost, and only the loss is known.

/// Recent samples, and zeros that may have been lost.
#[derive(Debug, Clone, Default)]
pub struct LostSamples {
    /// Samples that were passed on: first [`Lengths::reach`] of the past, then newer ones.
    past: Vec<f32>,
    write: usize,
    lengths: Lengths,
    /// Zeros that are held back.
    held: usize,
    /// Whether zeros are passed on as they are: there was no sound before, or it was cut off.
    cut_off: bool,
    /// The period that is blended into what follows a loss.
    blend: Option<Blend>,
    /// Places that were filled.
    filled: u64,
}

/// The last samples of a continued period.
#[derive(Debug, Clone, Copy)]
struct Blend {
    period: usize,
    length: usize,
    left: usize,
}

/// Numbers of samples at a rate.
#[derive(Debug, Clone, Copy, Default)]
struct Lengths {
    shortest: usize,
    longest: usize,
    shortest_period: usize,
    longest_period: usize,
    /// What is compared with itself a period earlier.
    compared: usize,
    /// Between the periods that are tried first.
    step: usize,
}

/// Shortest and longest loss, in seconds. Fewer zeros may lie where 16 bits of a low tone cross
/// zero: a tone of [`LEAST`] takes 0.2 ms at 28 Hz. The longest is a device's block of 512
/// samples at 44.1 kHz.
const LOSS_S: [f64; 2] = [0.000_25, 0.012];

/// Lowest peak before a loss: 32 steps of 16 bits. Below it there are zeros in any sound.
const LEAST: f32 = 32.0 / 32_768.0;

/// Samples that are taken at once.
const BLOCK: usize = 1024;

impl Lengths {
    fn new(sample_rate_hz: f64, range_hz: (f64, f64)) -> Self {
        let count = |seconds: f64| (seconds * sample_rate_hz).ceil() as usize;
        Lengths {
            shortest: count(LOSS_S[0]),
            longest: count(LOSS_S[1]),
            shortest_period: count(1.0 / range_hz.1),
            longest_period: count(1.0 / range_hz.0),
            compared: count(LOSS_S[1]),
            // A quarter of a period of 6 kHz.
            step: count(1.0 / 24_000.0),
        }
    }

    /// Samples of the past that are wanted.
    fn reach(&self) -> usize {
        self.longest_period + self.compared
    }
}

impl LostSamples {
    /// For sound whose periods are those of a range in hertz.
    pub fn new(sample_rate_hz: f64, range_hz: (f64, f64)) -> Self {
        let lengths = Lengths::new(sample_rate_hz, range_hz);
        LostSamples {
            // Seldom moved: it has room for sixteen blocks.
            past: vec![0.0; lengths.reach() + 16 * BLOCK + lengths.longest + 1],
            write: lengths.reach(),
            lengths,
            held: 0,
            cut_off: true,
            blend: None,
            filled: 0,
        }
    }

    /// Number of places that were filled.
    pub fn filled(&self) -> u64 {
        self.filled
    }

    /// Takes samples and passes on as many, some of them later, in blocks of at most
    /// [`LostSamples::most`]. What is not finite counts as lost. No memory is allocated.
    pub fn push(&mut self, samples: &[f32], mut pass_on: impl FnMut(&[f32])) {
        for block in samples.chunks(BLOCK) {
            let from = self.make_room(block.len());
            for &sample in block {
                self.take(finite(sample));
            }
            pass_on(&self.past[from..self.write]);
        }
    }

    /// Most samples that are passed on at once.
    pub fn most(&self) -> usize {
        BLOCK + self.lengths.longest + 1
    }

    /// Makes room for a block and the zeros that may be held; returns where it goes.
    fn make_room(&mut self, block: usize) -> usize {
        if self.write + block + self.lengths.longest + 1 > self.past.len() {
            let reach = self.lengths.reach();
            self.past.copy_within(self.write - reach..self.write, 0);
            self.write = reach;
        }
        self.write
    }

    #[inline]
    fn take(&mut self, sample: f32) {
        if sample == 0.0 && !self.cut_off {
            self.held += 1;
            if self.held > self.lengths.longest {
                self.cut_off = true;
                self.pass_zeros();
            }
            return;
        }
        if self.held > 0 {
            self.end_loss();
        }
        self.cut_off = sample == 0.0;
        let blended = match &mut self.blend {
            Some(blend) => {
                let share = blend.left as f32 / (blend.length + 1) as f32;
                let continued = self.past[self.write - blend.period];
                blend.left -= 1;
                share * continued + (1.0 - share) * sample
            }
            None => sample,
        };
        self.blend = self.blend.filter(|blend| blend.left > 0);
        self.put(blended);
    }

    #[inline]
    fn put(&mut self, sample: f32) {
        self.past[self.write] = sample;
        self.write += 1;
    }

    fn pass_zeros(&mut self) {
        self.blend = None;
        for _ in 0..std::mem::take(&mut self.held) {
            self.put(0.0);
        }
    }

    /// Passes on the zeros that were held, filled if they were lost.
    fn end_loss(&mut self) {
        let before = &self.past[self.write - self.lengths.shortest..self.write];
        let loud = before.iter().any(|sample| sample.abs() >= LEAST);
        if self.held < self.lengths.shortest || !loud {
            return self.pass_zeros();
        }
        self.filled += 1;
        let period = self.period();
        let lost = std::mem::take(&mut self.held);
        for _ in 0..lost {
            self.put(self.past[self.write - period]);
        }
        let length = lost.min(period);
        self.blend = Some(Blend {
            period,
            length,
            left: length,
        });
    }

    /// The period, in samples, after which the newest sound is most like itself: the maximum
    /// of the normalised correlation, first on a coarse grid, then around it.
    fn period(&self) -> usize {
        let Lengths {
            shortest_period,
            longest_period,
            compared,
            step,
            ..
        } = self.lengths;
        let newest = &self.past[self.write - compared..self.write];
        let likeness = |period: usize| {
            let earlier = &self.past[self.write - compared - period..self.write - period];
            let power = dot(earlier, earlier);
            dot(newest, earlier) / power.max(f32::MIN_POSITIVE).sqrt()
        };
        let best = |periods: &mut dyn Iterator<Item = usize>| {
            let likely = periods.map(|period| (period, likeness(period)));
            likely.fold((shortest_period, f32::NEG_INFINITY), |best, next| {
                match next.1 > best.1 {
                    true => next,
                    false => best,
                }
            })
        };
        let (near, _) = best(&mut (shortest_period..=longest_period).step_by(step));
        let from = near.saturating_sub(step).max(shortest_period);
        best(&mut (from..=(near + step).min(longest_period))).0
    }
}

/// A finite sample: 0 for NaN and infinities, at most 24 dB above full scale, which is more than a
/// mixer's headroom. Levels are measured against the loudest of late, so that what a broken client
/// sends once would hide the notes of seconds.
#[inline(always)]
fn finite(sample: f32) -> f32 {
    if sample.is_finite() {
        sample.clamp(-16.0, 16.0)
    } else {
        0.0
    }
}

/// Sum of products, in eight parts for vector registers.
fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut sums = [0f32; 8];
    let (a, a_rest) = a.as_chunks::<8>();
    let (b, b_rest) = b.as_chunks::<8>();
    for (a, b) in a.iter().zip(b) {
        for lane in 0..8 {
            sums[lane] += a[lane] * b[lane];
        }
    }
    let rest: f32 = a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum();
    sums.iter().sum::<f32>() + rest
}

#[cfg(test)]
mod tests {
    use std::f32::consts::TAU;

    use proptest::prelude::*;

    use super::*;

    const RATE_HZ: f64 = 48_000.0;

    fn passed(samples: &[f32], block: usize) -> Vec<f32> {
        let mut lost = LostSamples::new(RATE_HZ, (28.0, 1_650.0));
        let (most, mut out) = (lost.most(), Vec::new());
        for part in samples.chunks(block) {
            lost.push(part, |passed| {
                assert!(passed.len() <= most);
                out.extend_from_slice(passed);
            });
        }
        out
    }

    /// A quarter of a second of a tone with 12 harmonics.
    fn tone(hz: f32, amplitude: f32) -> Vec<f32> {
        let sample = |i: u16| {
            let phase = f32::from(i) * hz / RATE_HZ as f32 * TAU;
            let harmonic = |k: u8| (f32::from(k) * phase).sin() / f32::from(k);
            amplitude * (1..=12).map(harmonic).sum::<f32>()
        };
        (1..12_001).map(sample).collect()
    }

    fn power(samples: impl Iterator<Item = f32>) -> f32 {
        samples.map(|sample| sample * sample).sum()
    }

    proptest! {
        /// Lost blocks of a tone are filled to 15 dB under it at least; samples that are not
        /// finite as well.
        #[test]
        fn what_is_lost_of_a_tone_is_filled(
            hz in 40.0f32..1_200.0,
            amplitude in 0.02f32..0.5,
            from in 4_000usize..8_000,
            length in 24usize..570,
            broken in prop::sample::select(&[0.0, f32::NAN, f32::INFINITY][..]),
            block in 1usize..2_000,
        ) {
            let whole = tone(hz, amplitude);
            let mut holed = whole.clone();
            holed[from..from + length].fill(broken);
            let filled = passed(&holed, block);
            prop_assert_eq!(filled.len(), whole.len());
            let off = (from..from + 2 * length).map(|at| filled[at] - whole[at]);
            let count = whole.len() as f32 / (2 * length) as f32;
            let error_db = 10.0 * (count * power(off) / power(whole.iter().copied())).log10();
            prop_assert!(error_db < -15.0, "{error_db} dB");
        }

        /// Nothing else is changed, and nothing delayed.
        #[test]
        fn all_else_passes_as_it_is(
            rests in prop::collection::vec((0usize..3_000, 0usize..2), 0..6),
            block in 1usize..2_000,
        ) {
            let mut sound = Vec::new();
            for (length, kind) in rests {
                match kind {
                    // Longer than what a device loses.
                    0 => sound.resize(sound.len() + 600 + length, 0.0),
                    // 16 bits of a soft tone, with many zeros.
                    _ => sound.extend(
                        tone(90.0, 4.0 / 32_768.0)
                            .iter()
                            .take(length)
                            .map(|s| (s * 32_768.0).round() / 32_768.0),
                    ),
                }
            }
            sound.extend(tone(200.0, 0.1));
            prop_assert_eq!(passed(&sound, block), sound);
        }
    }

    #[test]
    fn a_tone_that_is_cut_off_is_not_continued() {
        let mut cut = tone(200.0, 0.1);
        let length = cut.len();
        cut.resize(2 * length, 0.0);
        assert_eq!(passed(&cut, 64), cut);
    }

    #[test]
    fn numbers_that_are_none_before_any_sound_are_silence() {
        let out = passed(&[f32::NAN, f32::NEG_INFINITY, 0.0, 1e30], 64);
        assert_eq!(out, [0.0, 0.0, 0.0, 16.0]);
    }
}
