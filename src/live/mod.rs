//! Playing live: the horn turned into control while it sounds.
//!
//! ```text
//! device or take -> ring -> engine thread -> signals -> MIDI, OSC, lines (a thread each)
//!                            |                      \-> voice, voltages -> rings -> devices
//!                            \-> screen (main thread); commands come back
//! ```

pub mod bridge;
pub mod calibration;
pub mod command;
pub mod controls;
pub mod devices;
pub mod engine;
pub mod gestures;
pub mod intake;
pub mod player;
mod priority;
pub mod record;
mod reopen;
pub mod rig;
pub mod routes;
pub mod screen;
pub mod send;
pub mod session;
pub mod shown;
pub mod signal;
pub mod soundcheck;
pub mod source;
pub mod speaker;
pub mod streams;
pub mod volts;
