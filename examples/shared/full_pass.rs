//! What the full pass reads of a take before it decides on notes.

use leadpipe::internals::analysis::tone::ToneTrack;
use leadpipe::internals::analysis::{Analyser, Frame};
use leadpipe::internals::notes::timeline::Timeline;
use leadpipe::internals::transcriber::stages::{Full, Stage};

/// The pitch path and the tone evidence of a take; `each` sees every frame.
pub fn full_pass(
    mut analyser: Analyser,
    samples: &[f32],
    mut each: impl FnMut(&Frame),
) -> (Timeline, ToneTrack) {
    let mut full = Full::new(&analyser);
    let mut first_s = None;
    analyser.push(samples, &mut |frame| {
        first_s.get_or_insert(frame.time_s);
        full.take(std::slice::from_ref(frame));
        each(frame);
    });
    full.finish();
    let timeline = Timeline::new(full.frames, first_s.unwrap_or(0.0), analyser.hop_s());
    (timeline, full.tone)
}
