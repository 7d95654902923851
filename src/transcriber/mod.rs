//! Samples in, notes out: the crate's front door.
//!
//! [`Tracker`] is causal: it reports notes while the horn plays, and the live engine
//! uses it. [`Transcriber`] takes a whole take: it gives the same frames to the causal tracker
//! and to a second pass, which decides with later sound taken into account.

#[cfg(feature = "pitch-detection")]
mod baseline;
pub mod stages;
mod take;

use crate::analysis::{Analyser, Frame, Settings};
use crate::notes::PitchFrame;
use crate::notes::segment::{NoteEvent, Segmenter};

#[cfg(feature = "pitch-detection")]
pub use baseline::BaselineTranscriber;
pub use take::{Mode, Transcriber, Transcription};

/// What a [`Tracker`] reports.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// Pitch and level, every 1.4 ms.
    Frame(PitchFrame),
    /// A note began or ended.
    Note(NoteEvent),
}

/// Causal pitch and note tracker.
///
/// ```
/// use leadpipe::{Event, NoteEvent, Settings, Tracker};
///
/// let mut tracker = Tracker::new(Settings::builder(48_000.0).build()?);
/// let tone: Vec<f32> = (0..24_000)
///     .map(|i| {
///         let phase = i as f32 * 233.08 * std::f32::consts::TAU / 48_000.0;
///         let harmonic = |k: f32| (k * phase).sin() / k;
///         0.1 * [1.0, 2.0, 3.0, 4.0].map(harmonic).iter().sum::<f32>()
///     })
///     .collect();
/// let mut started = Vec::new();
/// tracker.push(&tone, |event| {
///     if let Event::Note(NoteEvent::Started(note)) = event {
///         started.push(note);
///     }
/// });
/// assert_eq!(started.len(), 1);
/// assert!((started[0].pitch - 58.0).abs() < 0.1);
/// assert!(started[0].decided_s < 0.030);
/// # Ok::<(), leadpipe::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Tracker {
    analyser: Analyser,
    segmenter: Segmenter,
    events: Vec<NoteEvent>,
}

impl Tracker {
    /// Tracker of one channel.
    pub fn new(settings: Settings) -> Self {
        let analyser = Analyser::new(settings);
        Tracker {
            segmenter: Segmenter::new(&analyser),
            analyser,
            events: Vec::with_capacity(4),
        }
    }

    /// Time between frames in seconds.
    #[doc(hidden)]
    pub fn hop_s(&self) -> f64 {
        self.analyser.hop_s()
    }

    /// Takes samples (full scale 1.0, blocks of any length) and calls `on_event` with each
    /// frame and then with the note events that it decides. Up to 12 ms of zeros in the middle
    /// of sound are a dropout of the device and are filled; so are samples that are not finite.
    pub fn push(&mut self, samples: &[f32], mut on_event: impl FnMut(Event)) {
        self.receive(
            |analyser, on_frame| analyser.push(samples, on_frame),
            &mut on_event,
        );
    }

    /// Takes the frames that the analyser gives.
    fn receive(
        &mut self,
        give: impl FnOnce(&mut Analyser, &mut dyn FnMut(&Frame)),
        on_event: &mut dyn FnMut(Event),
    ) {
        let (segmenter, events) = (&mut self.segmenter, &mut self.events);
        give(&mut self.analyser, &mut |frame| {
            on_event(Event::Frame(segmenter.push(frame, events)));
            for event in events.drain(..) {
                on_event(Event::Note(event));
            }
        });
    }

    /// Number of dropouts so far, of up to 12 ms, that were filled.
    #[doc(hidden)]
    pub fn dropouts(&self) -> u64 {
        self.analyser.dropouts()
    }

    /// The rig that follows the notes plays a pitch now, in MIDI semitones, other than the
    /// horn's: if the microphone hears it, it should not be taken for the horn. To be said again
    /// as long as it plays. A note of the horn that begins on that pitch is then decided 5 to
    /// 10 ms later, or up to 30 ms if it is slurred.
    pub fn rig_plays(&mut self, pitch: f32) {
        self.segmenter.rig_plays(pitch);
    }

    /// Ends a note that still sounds, at the end of the stream.
    pub fn finish(&mut self, mut on_event: impl FnMut(Event)) {
        self.receive(Analyser::finish, &mut on_event);
        self.segmenter.finish(&mut self.events);
        for event in self.events.drain(..) {
            on_event(Event::Note(event));
        }
    }
}
