//! Any bytes as a tuning dump or a table file: a table that finds a pitch near
//! every pitch, or refused.
#![no_main]

use leadpipe::internals::tuning::{bulk_dump, tuning_file};
use leadpipe::{Pitch, Reference, Tuning};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    if let Ok(dump) = bulk_dump::decode(bytes) {
        let tuning = Tuning::from_keys(&dump.name, &dump.pitches, Reference::default());
        assert!(tuning.nearest(Pitch(60.0)).0.is_finite());
    }
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    let Ok(file) = tuning_file::parse(text) else {
        return;
    };
    if let Ok(tuning) = Tuning::new(&file, None, Reference::default()) {
        for key in 0..128 {
            let pitch = Pitch(f64::from(key));
            assert!(tuning.nearest(pitch).0.is_finite());
        }
    }
});
