//! Any bytes as an OSC packet or a MIDI message: commands, or nothing.
#![no_main]

use leadpipe::internals::live::controls::{midi_command, osc_commands};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let _ = osc_commands(bytes);
    let mut down = 0;
    for message in bytes.chunks(3) {
        let _ = midi_command(message, &[], &mut down);
    }
});
