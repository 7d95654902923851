//! One channel out of several.

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
