//! The promise to the sound system: its callbacks only copy. An allocation in
//! one would abort this test, as it aborts a debug build of the program.
#![cfg(all(feature = "live", debug_assertions))]

use assert_no_alloc::AllocDisabler;
use leadpipe::internals::live::callbacks::{capture_callback, playback_callback};

#[global_allocator]
static GUARD: AllocDisabler = AllocDisabler;

#[test]
fn callbacks_do_not_allocate() {
    let (mut callback, mut ring, _) = capture_callback(2, Some(0), 480);
    let block = [0.25f32; 256];
    // Until it is full, and beyond.
    for _ in 0..10 {
        callback.process(&block);
    }
    while ring.pop().is_ok() {}
    callback.process(&[1i16; 256]);
    let (mut callback, mut ring, _) = playback_callback(vec![true; 2], 48_000.0, 480);
    for _ in 0..300 {
        let _ = ring.push(0.5);
    }
    let mut block = [0f32; 256];
    // Until it is dry, and beyond.
    for _ in 0..200 {
        callback.process(&mut block);
    }
    callback.process(&mut [0i32; 256]);
}

/// The guard itself works: what it watches cannot allocate unseen.
#[test]
fn the_guard_sees_an_allocation() {
    if std::env::var_os("LEADPIPE_ALLOCATE").is_some() {
        assert_no_alloc::assert_no_alloc(|| drop(std::hint::black_box(vec![1u8; 64])));
        return;
    }
    let status = std::process::Command::new(std::env::current_exe().expect("this test"))
        .args(["the_guard_sees_an_allocation", "--exact"])
        .env("LEADPIPE_ALLOCATE", "1")
        .stderr(std::process::Stdio::null())
        .status()
        .expect("it starts");
    assert!(!status.success());
}
