//! One channel out of several.

#[cfg(feature = "decode")]
use super::health::is_silent;

/// Appends the horn's channel to `block`: the mean of all channels where `channel`
/// (counted from 1) is `None`. `interleaved` holds whole frames of `channels` samples.
///
/// ```
/// let mut block = Vec::new();
/// leadpipe::pick_channel(&[0.1, 0.3, 0.2, 0.4], 2, Some(2), &mut block);
/// assert_eq!(block, [0.3, 0.4]);
/// ```
///
/// # Panics
/// If there are no channels, or if `channel` is 0.
pub fn pick_channel(
    interleaved: &[f32],
    channels: usize,
    channel: Option<usize>,
    block: &mut Vec<f32>,
) {
    match channel {
        _ if channels == 1 => block.extend_from_slice(interleaved),
        Some(channel) => block.extend(interleaved.iter().skip(channel - 1).step_by(channels)),
        None => {
            let scale = 1.0 / channels as f32;
            let mean = |frame: &[f32]| frame.iter().sum::<f32>() * scale;
            block.extend(interleaved.chunks_exact(channels).map(mean));
        }
    }
}

/// Whether the channels of a mix cancel each other: each is there, and their mean is silent, as
/// where one side of a stereo pair is turned upside down.
#[cfg(feature = "decode")]
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Cancelling {
    mixed_peak: f32,
    single_peak: f32,
}

#[cfg(feature = "decode")]
impl Cancelling {
    /// Takes interleaved samples and what they were mixed to.
    pub(super) fn push(&mut self, interleaved: &[f32], mixed: &[f32]) {
        // Once there is sound in the mix there is nothing more to find out.
        if !is_silent(self.mixed_peak) {
            return;
        }
        let peak = |before: f32, samples: &[f32]| {
            (samples.iter()).fold(before, |peak, sample| peak.max(sample.abs()))
        };
        self.mixed_peak = peak(self.mixed_peak, mixed);
        self.single_peak = peak(self.single_peak, interleaved);
    }

    /// Whether they do in all that was taken.
    pub(super) fn is_certain(&self) -> bool {
        is_silent(self.mixed_peak) && !is_silent(self.single_peak)
    }
}
