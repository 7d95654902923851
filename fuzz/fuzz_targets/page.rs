//! Any bytes as a request to the stage page, and any text as a message of it: read or refused.
#![no_main]

use leadpipe::internals::live::page::http::{self, Reading};
use leadpipe::internals::live::page::message;
use leadpipe::internals::live::rig::parse_action;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    if let Reading::Complete(head, length) = http::read_head(bytes) {
        assert!(length <= bytes.len() && length <= http::MAX_HEAD);
        assert!(!head.path.contains('?'));
        // All of it was needed.
        assert_eq!(http::read_head(&bytes[..length - 1]), Reading::Partial);
    }
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    if let Some(asked) = message::read(text) {
        assert!(text.len() <= message::MAX_MESSAGE);
        let (_, action) = text.split_once(' ').expect("a number and an action");
        assert_eq!(parse_action(action), asked.command);
    }
});
