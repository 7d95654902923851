//! Any bytes as a score: parts in order of time, or refused.
#![no_main]

use leadpipe::target::musicxml;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let Ok(parts) = musicxml::parts(bytes) else {
        return;
    };
    for part in parts {
        for pair in part.aims.windows(2) {
            assert!(pair[0].start_s <= pair[1].start_s);
        }
        for aim in &part.aims {
            assert!(aim.start_s.is_finite() && aim.length_s.is_finite());
            assert!(aim.length_s >= 0.0, "{aim:?}");
        }
    }
});
