//! The ear: samples in, notes out. The crate's front door.
//!
//! [`Tracker`] is the live engine's ear: it answers while the horn plays and
//! never looks ahead. [`Listener`] hears a whole take: it runs the same engine,
//! keeps what it saw, and decides again with the future known.

mod takes;

use crate::analysis::{Analyser, Frame, Settings};
use crate::notes::Moment;
use crate::notes::segment::{Event, Segmenter};

pub use takes::{Listened, Listener, Mode, SecondListener};

/// Something heard.
#[derive(Debug)]
pub enum Heard<'a> {
    /// A frame of the analysis, every 1.3 ms.
    Frame(&'a Frame),
    /// A note began or ended.
    Note(Event),
}

/// The causal ear.
///
/// ```
/// use leadpipe::analysis::Settings;
/// use leadpipe::ear::{Heard, Tracker};
/// use leadpipe::notes::segment::Event;
///
/// let mut tracker = Tracker::new(48_000.0, Settings::default());
/// let tone: Vec<f32> = (0..24_000)
///     .map(|i| {
///         let phase = i as f32 * 233.08 * std::f32::consts::TAU / 48_000.0;
///         0.1 * (phase.sin() + 0.5 * (2.0 * phase).sin())
///     })
///     .collect();
/// let mut started = Vec::new();
/// tracker.push(&tone, &mut |heard| {
///     if let Heard::Note(Event::Started(note)) = heard {
///         started.push(note);
///     }
/// });
/// assert_eq!(started.len(), 1);
/// assert!((started[0].pitch - 58.0).abs() < 0.1);
/// assert!(started[0].decided_s < 0.030);
/// ```
#[derive(Debug, Clone)]
pub struct Tracker {
    analyser: Analyser,
    segmenter: Segmenter,
    events: Vec<Event>,
}

impl Tracker {
    /// Ear for samples at `sample_rate_hz` (8 to 192 kHz).
    pub fn new(sample_rate_hz: f64, settings: Settings) -> Self {
        let analyser = Analyser::new(sample_rate_hz, settings);
        Tracker {
            segmenter: Segmenter::new(analyser.hop_s(), true),
            analyser,
            events: Vec::with_capacity(4),
        }
    }

    /// Time between frames in seconds.
    pub fn hop_s(&self) -> f64 {
        self.analyser.hop_s()
    }

    /// Takes samples (full scale 1.0) and hands over what is heard in them.
    pub fn push(&mut self, samples: &[f32], heard: &mut dyn FnMut(Heard)) {
        let (segmenter, events) = (&mut self.segmenter, &mut self.events);
        self.analyser.push(samples, &mut |frame| {
            segmenter.push(causal_moment(frame), events);
            heard(Heard::Frame(frame));
            for event in events.drain(..) {
                heard(Heard::Note(event));
            }
        });
    }

    /// Ends a note that still sounds.
    pub fn finish(&mut self, heard: &mut dyn FnMut(Heard)) {
        self.segmenter.finish(&mut self.events);
        for event in self.events.drain(..) {
            heard(Heard::Note(event));
        }
    }
}

/// What the causal engine takes a frame for: the leading pitch, measured
/// precisely where that speaks of the same peak, and the level.
pub fn causal_moment(frame: &Frame) -> Moment {
    let leader = frame.belief.leader;
    let tuned = frame.tuned.map(|t| t.pitch);
    Moment {
        time_s: frame.time_s,
        pitch: leader.map(|l| match tuned {
            Some(pitch) if (pitch - l.pitch).abs() < 0.3 => pitch,
            _ => l.pitch,
        }),
        lead: frame.belief.lead,
        confidence: leader.map_or(0.0, |l| l.confidence),
        level_db: frame.level.hop_db,
        floor_db: frame.level.floor_db,
    }
}
