//! Notes from a brass instrument, as they are played: pitch, onset, attack and
//! technique from a microphone or a file, named for the horn in hand, measured against
//! a tuning table, and written as a note list, MIDI, control voltages or MusicXML.
//!
//! # A take, written down
//!
//! ```
//! use leadpipe::{Horn, Line, LineContext, Mode, Reference, Settings, Transcriber, Tuning};
//!
//! // A second of B flat 3 by a plain synthesiser; yours comes from `Take::open`.
//! let samples: Vec<f32> = (0..48_000)
//!     .map(|i| 0.2 * (2.0 * (i as f32 * 233.08 / 48_000.0).fract() - 1.0))
//!     .collect();
//!
//! let flugelhorn = Horn::find("flugelhorn")?;
//! let settings = Settings::builder(48_000.0).horn(&flugelhorn).build()?;
//! let mut transcriber = Transcriber::new(settings, Mode::Full);
//! transcriber.push(&samples); // blocks of any length
//! let transcription = transcriber.finish();
//!
//! let tuning = Tuning::find("equal-12", None, Reference::default())?;
//! let context = LineContext::new(tuning).for_horn(flugelhorn);
//! let line = Line::new("take", 1.0, transcription.notes, context);
//! let note = &line.notes[0];
//! assert_eq!(note.concert.to_string(), "Bb3");
//! assert_eq!(note.written.to_string(), "C4");
//! assert!(note.cents.abs() < 1.0);
//! # Ok::<(), leadpipe::Error>(())
//! ```
//!
//! [`save_all`] writes the line as files, in any of the formats below.
//!
//! # Live
//!
//! ```
//! use leadpipe::{Event, NoteEvent, Settings, Tracker};
//!
//! let mut tracker = Tracker::new(Settings::builder(48_000.0).build()?);
//! // In the loop that reads the sound card's blocks:
//! # let block = [0.0; 128];
//! tracker.push(&block, |event| match event {
//!     Event::Frame(frame) => { /* frame.pitch, frame.level_db: every 1.4 ms */ }
//!     Event::Note(NoteEvent::Started(note)) => { /* note.pitch, note.attack */ }
//!     Event::Note(NoteEvent::Ended(note)) => { /* the note with its length */ }
//! });
//! # Ok::<(), leadpipe::Error>(())
//! ```
//!
//! `examples/follow.rs`, `examples/write_down.rs` and `examples/where_it_lies.rs` are
//! whole programs of this kind.
//!
//! # Which type does what
//!
//! | you want | type |
//! |---|---|
//! | samples from a file, one channel | [`Take`], [`Selection`] |
//! | sample rate, range and noise gate | [`Settings`] |
//! | notes while they are played, never looking ahead | [`Tracker`], [`Event`], [`NoteEvent`], [`NoteStart`], [`PitchFrame`] |
//! | the notes of a whole take | [`Transcriber`], [`Mode`], [`Transcription`], [`Timeline`] |
//! | one note: times, pitch, articulation | [`Note`], [`Attack`], [`Length`], [`Technique`], [`Contour`] |
//! | transposition, range, fingerings | [`Horn`], [`Fingering`] |
//! | pitches to measure against | [`Tuning`], [`Reference`], [`Snap`] |
//! | notes with names and cents | [`Line`], [`LineContext`], [`LineNote`] |
//! | files | [`save`], [`save_all`], [`Output`]: [`Csv`], [`Json`], [`MidiFile`], [`ControlVoltage`], [`MusicXml`] and [`Pdf`] with a [`Heading`], [`Picture`] |
//! | a written part's tempo, metre and key | [`NotationOptions`], [`Metre`], [`TempoTrack`], [`LazyPart`] |
//! | how in tune a line is | [`intonation()`], [`IntonationReport`] |
//! | what was played against a score | [`compare()`], [`ReferencePart`], [`Comparison`] |
//! | what went wrong, with a hint | [`Error`] |
//!
//! # Units
//!
//! A name ends in its unit: `_s` seconds, `_hz` hertz, `_db` dBFS (RMS, 0 = a mean
//! square of 1.0) or dB, `_cents` hundredths of an equal semitone, positive is sharp.
//! Pitch is in MIDI semitones with fractions, A4 = 69.0 at 440 Hz ([`Pitch`]); a key is
//! a whole one, [`Concert`] as it sounds or [`Written`] as it stands in the part.
//! Samples are mono `f32`, full scale 1.0, at 8 to 192 kHz. Times count from the first
//! sample pushed, and carry no filter delay.
//!
//! # Features
//!
//! | feature | default | what it adds |
//! |---|---|---|
//! | `cli` | yes | the program `leadpipe`; a library needs none of it |
//! | `live` | yes | the program's live session: devices, MIDI ports, OSC, the screen |
//! | `page` | yes | the live session's page for a browser |
//! | `jack` | no | sound and MIDI by JACK |
//! | `decode` | yes | [`Take`]: reading WAV (RF64, Wave64), AIFF, CAF, FLAC, MP3 and OGG files, and compressed scores |
//! | `report` | yes | the program's intonation reports |
//! | `pitch-detection` | yes | the McLeod detector of that crate, for comparison |
//!
//! With `default-features = false` the tracker, the transcriber, horns, tunings and all
//! writers are there.

#![forbid(unsafe_code)]
#![warn(missing_debug_implementations, missing_docs)]

// Where only this package reaches, a field may do without a description, and what
// holds a system's handle without `Debug`.
mod analysis;
mod audio;
mod brightness;
mod compare;
#[allow(missing_docs)]
mod demo;
mod error;
mod horn;
mod input_file;
mod intonation;
mod line;
#[cfg(feature = "live")]
#[allow(missing_debug_implementations, missing_docs)]
mod live;
mod midi_values;
#[allow(missing_docs)]
mod notation;
mod note_list;
mod notes;
mod output;
mod reference;
mod sending;
mod settings_file;
mod statistics;
mod text;
mod transcriber;
mod tuning;
mod units;
mod voice;

pub use analysis::{Settings, SettingsBuilder};
#[cfg(feature = "decode")]
pub use audio::{Selection, Take};
pub use compare::{Compared, Comparison, Verdict, compare};
pub use error::{Error, Result};
pub use horn::tube::Fingering;
pub use horn::{Clef, Horn};
pub use intonation::{IntonationReport, PitchReport, intonation};
pub use line::{Line, LineContext, LineNote};
pub use notation::tempo_track::TempoTrack;
pub use notation::{LazyPart, Metre, NotationOptions};
pub use notes::contour::{Contour, Point};
pub use notes::segment::{NoteEvent, NoteStart};
pub use notes::timeline::Timeline;
pub use notes::{Attack, Length, Note, PitchFrame, Technique};
pub use output::csv::Csv;
pub use output::cv::ControlVoltage;
pub use output::json::Json;
pub use output::midi::MidiFile;
pub use output::musicxml::MusicXml;
pub use output::page_signs::Heading;
pub use output::pdf::Pdf;
pub use output::picture::Picture;
pub use output::{Output, Sink, save, save_all};
pub use reference::ReferencePart;
pub use transcriber::{Event, Mode, Tracker, Transcriber, Transcription};
pub use tuning::quantiser::Snap;
pub use tuning::{Reference, Tuning};
pub use units::{Concert, Pitch, Written};

// Besides, for the Python package in this repository.
#[doc(hidden)]
pub use analysis::DEFAULT_GATE_DB;
#[doc(hidden)]
pub use audio::{channels::pick_channel, health::Health};
#[doc(hidden)]
pub use compare::better_shift;
#[doc(hidden)]
pub use demo::line::render as demo_line;
#[doc(hidden)]
pub use notes::Measured;
#[doc(hidden)]
pub use reference::is_score;

/// What this package's program, examples, benchmarks, tests and fuzz targets reach
/// into. No part of the library's promise: it changes with any release.
#[doc(hidden)]
pub mod internals {
    macro_rules! open {
        ($($module:ident)*) => {
            $(pub mod $module {
                pub use crate::$module::*;
            })*
        };
    }

    open!(analysis audio brightness compare demo error horn intonation line notation note_list notes
        output reference sending settings_file statistics text transcriber tuning units voice);
    #[cfg(feature = "live")]
    open!(live);
}
