//! Any bytes as a take: read to the end or refused, in bounded memory.
#![no_main]

use std::io::Write;

use leadpipe::{Selection, Take};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let mut file = tempfile::NamedTempFile::new_in("/dev/shm").expect("a file");
    file.write_all(bytes).expect("room");
    let Ok(mut take) = Take::open(file.path(), &Selection::default()) else {
        return;
    };
    let (mut block, mut samples) = (Vec::new(), 0usize);
    while let Ok(true) = take.next_block(&mut block) {
        assert!(block.iter().all(|s| s.is_finite()));
        samples += block.len();
        if samples > 10_000_000 {
            return;
        }
    }
});
