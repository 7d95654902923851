//! Any text as a rig file: understood whole or refused.
#![no_main]

use leadpipe::internals::live::rig;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    let Ok(rig) = rig::parse(text) else {
        return;
    };
    let _ = rig.cv_scale();
    let _ = rig.routes();
    let _ = rig.switches();
    let _ = rig.voice();
    let _ = rig.voice_channels();
    let _ = rig.dynamic_range();
});
