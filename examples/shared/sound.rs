//! The sound of a take.

use std::path::Path;

use leadpipe::{Selection, Take};

/// All samples of a take, and their rate in hertz.
pub fn samples(path: &Path) -> (Vec<f32>, f64) {
    let mut take = Take::open(path, &Selection::default()).expect("a take");
    let (mut all, mut block) = (Vec::new(), Vec::new());
    while take.next_block(&mut block).expect("sound") {
        all.extend_from_slice(&block);
    }
    (all, take.sample_rate_hz())
}
