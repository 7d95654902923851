//! Playing live: the horn controls synthesizers while it sounds.
//!
//! ```text
//! device or take -> ring -> engine thread -> events -> MIDI, OSC, lines (a thread each)
//!                            |                      \-> voice, voltages -> rings -> devices
//!                            \-> screen (a thread); commands come back
//! ```

pub mod calibration;
pub mod callbacks;
pub mod capture;
pub mod clock;
pub mod closing;
pub mod command;
pub mod control_event;
pub mod controls;
pub mod describer;
pub mod devices;
pub mod engine;
pub mod gestures;
#[cfg(feature = "jack")]
pub mod jack_client;
pub mod midi_listener;
pub mod midi_system;
pub mod note_mapper;
pub mod output_device;
#[cfg(feature = "page")]
pub mod page;
mod priority;
mod reconnect;
pub mod record;
pub mod recordings;
pub mod rig;
pub mod routes;
pub mod screen;
pub mod send;
pub mod session;
pub mod setup;
pub mod soundcheck;
pub mod streams;
pub mod ui_snapshot;
