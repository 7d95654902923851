//! The promise: it plays for a whole evening. Ten minutes here, or as long as
//! `LEADPIPE_SOAK_S` says:
//!
//! ```sh
//! cargo test --release --features jack --test soak -- --ignored --nocapture
//! ```
#![cfg(all(feature = "cli", feature = "jack"))]

mod common;
#[path = "common/stage.rs"]
mod stage;

#[test]
#[ignore = "takes ten minutes"]
fn nothing_is_lost_grows_or_hangs() {
    let seconds = std::env::var("LEADPIPE_SOAK_S").map_or(600.0, |s| s.parse().expect("seconds"));
    let soak = stage::soak(seconds);
    println!("{soak:#?}");
    assert_eq!(soak.notes.0, soak.notes.1);
    assert_eq!(soak.hanging, 0);
    assert!(soak.cpu < 0.10, "{:.1} % of a core", 100.0 * soak.cpu);
    assert!(soak.said.contains(" 0 input frames lost"), "{}", soak.said);
    let grown_kb = soak.memory_kb.1.saturating_sub(soak.memory_kb.0);
    assert!(grown_kb < 1_024, "{:?}", soak.memory_kb);
}
