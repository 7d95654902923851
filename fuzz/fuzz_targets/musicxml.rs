//! Any bytes as a score, compressed or not: parts in order of time, or refused.
#![no_main]

use leadpipe::internals::reference::{compressed, musicxml};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let unpacked = compressed::score(bytes);
    let Ok(parts) = musicxml::parts(unpacked.as_deref().unwrap_or(bytes)) else {
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
