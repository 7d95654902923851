//! Whole takes by the `pitch-detection` crate, for comparison.

use super::Transcription;
use crate::analysis::Settings;
use crate::analysis::baseline::BaselineDetector;
use crate::analysis::offline_decoder::DecodedFrame;
use crate::notes::timeline::Timeline;
use crate::notes::{articulation, refinement};

/// Transcribes a take with the `pitch-detection` crate's detector and this crate's
/// segmenter. Notes count as decided when the detector's window over their start is
/// full.
#[derive(Debug)]
pub struct BaselineTranscriber {
    detector: BaselineDetector,
    frames: Vec<DecodedFrame>,
}

impl BaselineTranscriber {
    /// Transcriber of one take.
    pub fn new(settings: Settings) -> Self {
        BaselineTranscriber {
            detector: BaselineDetector::new(settings),
            frames: Vec::new(),
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f32]) {
        self.detector.push(samples, &mut self.frames);
    }

    /// Ends the take and returns its notes and track.
    pub fn finish(self) -> Transcription {
        let (hop_s, first_s) = (self.detector.hop_s(), self.detector.first_s());
        let mut track = Timeline::new(self.frames, first_s, hop_s);
        track.gate_noise();
        let mut notes = refinement::notes(&track);
        for note in &mut notes {
            note.decided_s += first_s;
        }
        articulation::describe(&mut notes);
        Transcription { track, notes }
    }
}
