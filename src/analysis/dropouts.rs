//! Dropout concealment: zeros in the middle of sound are filled.
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
//! The method is that of ITU-T Recommendation G.711, appendix I (1999, "A high quality
//! low-complexity algorithm for packet loss concealment"). There a decoder is told what is lost;
//! here zeros tell. Sound is not delayed, zeros are: by up to 12 ms.

use super::FULL_RANGE_HZ;
use super::vector_math::dot;
use crate::units::LARGEST_SAMPLE;

/// Recent samples, and zeros that may have been lost.
#[derive(Debug, Clone, Default)]
pub struct DropoutConcealer {
    /// Samples that were passed on: first [`Lengths::reach`] of the past, then newer ones.
    past: Vec<f32>,
    write: usize,
    lengths: Lengths,
    /// Zeros that are held back.
    held: usize,
    /// Whether some of them were no numbers, and so no zeros of the sound.
    not_finite: bool,
    /// Whether zeros are passed on as they are: there was no sound before, or it was cut off.
    cut_off: bool,
    /// Samples that were passed on as they came since the last dropout.
    since: usize,
    /// The period that is blended into what follows a loss.
    blend: Option<Blend>,
    /// Dropouts that were filled.
    concealed: u64,
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
    longest: usize,
    shortest_period: usize,
    longest_period: usize,
    /// What is compared with itself a period earlier.
    compared: usize,
    /// Between the periods that are tried first.
    step: usize,
}

/// Longest dropout, in seconds: a device's block of 512 samples at 44.1 kHz.
const LONGEST_S: f64 = 0.012;
/// Shortest, in samples: noise of 16 bits has fewer zeros in a row.
const SHORTEST: usize = 8;
/// Lowest peak before a dropout: 32 steps of 16 bits. Below it there are zeros in any sound.
const LEAST: f32 = 32.0 / 32_768.0;

/// Samples that are taken at once.
const BLOCK: usize = 1024;

impl Lengths {
    fn new(sample_rate_hz: f64) -> Self {
        let (lowest_hz, highest_hz) = FULL_RANGE_HZ;
        let count = |seconds: f64| (seconds * sample_rate_hz).ceil() as usize;
        Lengths {
            longest: count(LONGEST_S),
            shortest_period: count(1.0 / highest_hz),
            longest_period: count(1.0 / lowest_hz),
            compared: count(LONGEST_S),
            // A quarter of a period of 12 kHz.
            step: count(1.0 / 48_000.0),
        }
    }

    /// Samples of the past that are wanted.
    fn reach(&self) -> usize {
        self.longest_period + self.compared
    }
}

impl DropoutConcealer {
    /// For sound at a sample rate.
    pub fn new(sample_rate_hz: f64) -> Self {
        let lengths = Lengths::new(sample_rate_hz);
        DropoutConcealer {
            // Seldom moved: it has room for sixteen blocks.
            past: vec![0.0; lengths.reach() + 16 * BLOCK + lengths.longest + 1],
            write: lengths.reach(),
            lengths,
            held: 0,
            not_finite: false,
            cut_off: true,
            blend: None,
            since: 0,
            concealed: 0,
        }
    }

    /// Number of dropouts that were filled.
    pub fn concealed(&self) -> u64 {
        self.concealed
    }

    /// Takes samples and passes on as many, some of them later, in blocks of at most
    /// [`DropoutConcealer::most`]. What is not finite counts as lost. No memory is allocated.
    pub fn push(&mut self, samples: &[f32], mut pass_on: impl FnMut(&[f32])) {
        for block in samples.chunks(BLOCK) {
            let from = self.make_room(block.len());
            for &sample in block {
                self.not_finite |= !sample.is_finite() && !self.cut_off;
                self.take(finite(sample));
            }
            pass_on(&self.past[from..self.write]);
        }
    }

    /// Passes on the zeros that are held back at the end of the stream.
    pub fn finish(&mut self, pass_on: impl FnOnce(&[f32])) {
        let from = self.make_room(0);
        self.pass_zeros();
        pass_on(&self.past[from..self.write]);
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
                self.blend = None;
                self.pass_zeros();
            }
            return;
        }
        if self.held > 0 {
            match self.is_dropout() {
                true => self.conceal(),
                false => self.pass_zeros(),
            }
        }
        self.cut_off = sample == 0.0;
        self.pass(sample);
    }

    /// Passes on a sample, blended with the period that still goes on.
    #[inline]
    fn pass(&mut self, sample: f32) {
        let Some(blend) = &mut self.blend else {
            self.since += 1;
            return self.put(sample);
        };
        let share = blend.left as f32 / (blend.length + 1) as f32;
        let continued = self.past[self.write - blend.period];
        blend.left -= 1;
        self.blend = self.blend.filter(|blend| blend.left > 0);
        self.put(share * continued + (1.0 - share) * sample);
    }

    #[inline]
    fn put(&mut self, sample: f32) {
        self.past[self.write] = sample;
        self.write += 1;
    }

    fn pass_zeros(&mut self) {
        self.not_finite = false;
        for _ in 0..std::mem::take(&mut self.held) {
            self.pass(0.0);
        }
    }

    /// Whether the zeros that are held are a dropout: in sound that came as it was (what was filled
    /// is no sample of it), and either no numbers when they came, or many enough, loud, and cut.
    /// Where coarse steps of a tone cross zero, its last sample is the smallest.
    fn is_dropout(&self) -> bool {
        if self.since < self.lengths.compared {
            return false;
        }
        if self.not_finite {
            return true;
        }
        if self.held < SHORTEST {
            return false;
        }
        let newest = &self.past[self.write - self.lengths.compared..self.write];
        let sizes = newest.iter().map(|sample| sample.abs());
        let loudest = sizes.clone().fold(0.0, f32::max);
        let smallest = sizes.filter(|size| *size > 0.0).fold(f32::MAX, f32::min);
        loudest >= LEAST && self.past[self.write - 1].abs() > smallest
    }

    /// Passes on the period before in place of the zeros that are held.
    fn conceal(&mut self) {
        self.concealed += 1;
        self.since = 0;
        self.not_finite = false;
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

/// A finite sample: 0 for NaN and infinities, at most [`LARGEST_SAMPLE`]. Levels are measured against the
/// loudest of late, so that what a broken client sends once would hide the notes of seconds.
#[inline(always)]
fn finite(sample: f32) -> f32 {
    if sample.is_finite() {
        sample.clamp(-LARGEST_SAMPLE, LARGEST_SAMPLE)
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use std::f32::consts::TAU;

    use proptest::prelude::*;

    use super::*;

    /// What is passed on, and how many dropouts were filled.
    fn passed(samples: &[f32], rate_hz: f64, block: usize) -> (Vec<f32>, u64) {
        let mut concealer = DropoutConcealer::new(rate_hz);
        let (most, mut out) = (concealer.most(), Vec::new());
        for (number, part) in samples.chunks(block).enumerate() {
            concealer.push(part, |passed| {
                assert!(passed.len() <= most);
                out.extend_from_slice(passed);
            });
            let came = &samples[..number * block + part.len()];
            let zeros = came
                .iter()
                .rev()
                .take_while(|s| **s == 0.0 || !s.is_finite());
            assert!(came.len() - out.len() <= zeros.count(), "sound is delayed");
        }
        concealer.finish(|passed| out.extend_from_slice(passed));
        (out, concealer.concealed())
    }

    /// A quarter of a second of a tone with up to 12 harmonics.
    fn tone(rate_hz: f64, hz: f32, amplitude: f32) -> Vec<f32> {
        let count = (0.25 * rate_hz) as u16;
        let harmonics = (1..=12u8).filter(|k| f64::from(hz) * f64::from(*k) < 0.45 * rate_hz);
        let sample = |i: u16| {
            let phase = f32::from(i) * hz / rate_hz as f32 * TAU;
            let harmonic = |k: u8| (f32::from(k) * phase).sin() / f32::from(k);
            amplitude * harmonics.clone().map(harmonic).sum::<f32>()
        };
        (1..=count).map(sample).collect()
    }

    /// In steps of so many bits.
    fn quantised(sound: &[f32], bits: i32) -> Vec<f32> {
        let steps = 2f32.powi(bits - 1);
        sound.iter().map(|s| (s * steps).round() / steps).collect()
    }

    fn power(samples: impl Iterator<Item = f32>) -> f32 {
        samples.map(|sample| sample * sample).sum()
    }

    proptest! {
        /// A dropout of a tone is filled to 15 dB under the tone at least; samples that are not
        /// finite as well.
        #[test]
        fn what_is_lost_of_a_tone_is_filled(
            rate_hz in prop::sample::select(&[22_050.0, 44_100.0, 48_000.0, 96_000.0][..]),
            hz in 40.0f32..1_200.0,
            amplitude in 0.02f32..0.5,
            from_s in 0.1f64..0.15,
            length_s in 0.0005f64..0.0118,
            broken in prop::sample::select(&[0.0, f32::NAN, f32::INFINITY][..]),
            block in 1usize..2_000,
        ) {
            let whole = quantised(&tone(rate_hz, hz, amplitude), 16);
            let from = (from_s * rate_hz) as usize;
            let length = (length_s * rate_hz) as usize;
            let newest = &whole[from - (LONGEST_S * rate_hz).ceil() as usize..from];
            let sizes = newest.iter().map(|s| s.abs()).filter(|s| *s > 0.0);
            // Or the tone may just have crossed zero.
            prop_assume!(whole[from - 1].abs() > sizes.fold(f32::MAX, f32::min));
            let mut holed = whole.clone();
            holed[from..from + length].fill(broken);
            let (filled, concealed) = passed(&holed, rate_hz, block);
            prop_assert_eq!((filled.len(), concealed), (whole.len(), 1));
            let off = (from..from + 2 * length).map(|at| filled[at] - whole[at]);
            let count = whole.len() as f32 / (2 * length) as f32;
            let error_db = 10.0 * (count * power(off) / power(whole.iter().copied())).log10();
            prop_assert!(error_db < -15.0, "{error_db} dB");
        }

        /// Rests, tones of few steps and noise pass as they are.
        #[test]
        fn all_else_passes_as_it_is(
            rate_hz in prop::sample::select(&[8_000.0, 22_050.0, 48_000.0, 192_000.0][..]),
            length in 0usize..3_000,
            kind in 0..4,
            block in 1usize..2_000,
        ) {
            let mut noise = fastrand::Rng::with_seed(3);
            let mut sound = match kind {
                // A tone before a rest that is longer than a dropout.
                0 => [tone(rate_hz, 90.0, 0.1), vec![0.0; 2_500 + length]].concat(),
                1 => quantised(&tone(rate_hz, 90.0, 1.3e-4), 16),
                2 => quantised(&tone(rate_hz, 90.0, 0.01), 8),
                _ => {
                    let white = (0..length).map(|_| 0.003 * (noise.f32() - 0.5));
                    quantised(&white.collect::<Vec<f32>>(), 16)
                }
            };
            sound.extend(tone(rate_hz, 200.0, 0.1));
            prop_assert!(passed(&sound, rate_hz, block) == (sound, 0), "changed");
        }
    }

    #[test]
    fn a_tone_that_is_cut_off_is_not_continued() {
        let mut cut = tone(48_000.0, 200.0, 0.1);
        cut.truncate(10_030);
        cut.resize(20_000, 0.0);
        assert!(passed(&cut, 48_000.0, 64) == (cut, 0));
    }

    /// Cut off to the last bit now and then.
    #[test]
    fn a_tone_goes_on_once_at_most() {
        let mut cut = tone(48_000.0, 200.0, 0.1);
        cut.truncate(10_030);
        for _ in 0..200 {
            cut.resize(cut.len() + 50, 0.0);
            cut.push(1.0 / 32_768.0);
        }
        let (out, concealed) = passed(&cut, 48_000.0, 64);
        assert_eq!((out.len(), concealed), (cut.len(), 1));
        assert!(out[10_630..].iter().all(|s| s.abs() < 1e-4));
    }

    #[test]
    fn one_sample_that_is_no_number_is_filled() {
        let whole = tone(48_000.0, 200.0, 0.1);
        for at in [10_000, 10_013, 10_047] {
            let mut broken = whole.clone();
            broken[at] = f32::NAN;
            let (out, concealed) = passed(&broken, 48_000.0, 64);
            assert_eq!(concealed, 1);
            assert!((out[at] - whole[at]).abs() < 1e-3);
        }
    }

    #[test]
    fn numbers_that_are_none_before_any_sound_are_silence() {
        let out = passed(&[f32::NAN, f32::NEG_INFINITY, 0.0, 1e30], 48_000.0, 64);
        assert_eq!(out, (vec![0.0, 0.0, 0.0, 16.0], 0));
    }
}
