//! Playing live: the horn controls synthesizers while it sounds.
//!
//! ```text
//! device or take -> ring -> engine thread -> signals -> MIDI, OSC, lines (a thread each)
//!                            |                      \-> voice, voltages -> rings -> devices
//!                            \-> screen (main thread); commands come back
//! ```

pub mod calibration;
pub mod callbacks;
pub mod capture;
pub mod command;
pub mod control_event;
pub mod controls;
pub mod describer;
pub mod devices;
pub mod engine;
pub mod gestures;
pub mod note_mapper;
pub mod note_source;
pub mod output_device;
mod priority;
mod reconnect;
pub mod record;
pub mod rig;
pub mod routes;
pub mod screen;
pub mod send;
pub mod session;
pub mod setup;
pub mod soundcheck;
pub mod streams;
pub mod ui_snapshot;
