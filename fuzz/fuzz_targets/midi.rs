//! Any bytes as a score: parts in order of time, or refused.
#![no_main]

use leadpipe::internals::reference::midi;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let Ok(parts) = midi::parts(bytes) else {
        return;
    };
    for part in parts {
        for pair in part.notes.windows(2) {
            assert!(pair[0].start_s <= pair[1].start_s);
        }
        for target in &part.notes {
            assert!(target.start_s.is_finite() && target.length_s.is_finite());
            assert!(target.length_s >= 0.0, "{target:?}");
        }
    }
});
