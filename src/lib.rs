//! A brass player's ear for the synthesizer rig.
//!
//! [`transcriber`] is the front door: feed samples to a [`transcriber::Tracker`] for what a live
//! engine decides while the horn plays, or a whole take to a [`transcriber::Transcriber`].
//! [`mod@line`] then names the notes for the horn in hand ([`horn`]) and measures
//! them against a table ([`tuning`]); [`output`] writes the line down.
//!
//! ```
//! use leadpipe::analysis::Settings;
//! use leadpipe::demo::line;
//! use leadpipe::transcriber::{Transcriber, Mode};
//! use leadpipe::line::{Line, LineContext};
//! use leadpipe::{horn, tuning};
//!
//! let mut transcriber = Transcriber::new(48_000.0, Settings::default(), Mode::Full);
//! transcriber.push(&line::render(48_000.0));
//! let transcription = transcriber.finish();
//!
//! let tuning = tuning::find("equal-12", None, tuning::Reference::default())?;
//! let mut context = LineContext::plain(tuning);
//! context.horn = Some(horn::find("flugelhorn")?);
//! let line = Line::new("lamplight", line::LENGTH_S, transcription.notes, context);
//! assert_eq!(line.notes[0].written.to_string(), "C4");
//! # Ok::<(), leadpipe::error::Error>(())
//! ```

#![forbid(unsafe_code)]

pub mod analysis;
pub mod audio;
pub mod compare;
pub mod demo;

pub mod error;
pub mod horn;
pub mod intonation;
pub mod line;
#[cfg(feature = "live")]
pub mod live;
pub mod notation;
pub mod note_list;
pub mod notes;
pub mod output;
pub mod reference;
mod settings_file;
pub mod transcriber;
pub mod tuning;
pub mod units;
pub mod voice;
