//! Whole takes by another pitch detector: a second opinion on pitch.

use super::Transcription;
use crate::analysis::baseline::BaselineDetector;
use crate::analysis::candidates::{Candidate, Candidates};
use crate::analysis::level::Level;
use crate::analysis::offline_decoder::DecodedFrame;
use crate::analysis::tone::{OFFLINE, ToneReader, ToneTrack};
use crate::analysis::{Analyser, Settings};
use crate::notes::technique_model::TechniqueModel;
use crate::notes::timeline::{Timeline, extend_to_edges};
use crate::notes::{articulation, refinement};

/// A take whose pitches are offered by the `pitch-detection` crate; tone evidence and
/// note model are ours. Notes count as decided when the crate's window over their start
/// is full.
#[derive(Debug)]
pub struct BaselineTranscriber {
    detector: BaselineDetector,
    detected: Vec<DecodedFrame>,
    analyser: Analyser,
    /// Time, level and gate of each hop.
    hops: Vec<(f64, Level)>,
    reader: ToneReader,
    tone: ToneTrack,
    /// Hops whose candidates have been given.
    given: usize,
}

/// Strength of the crate's pitch as a candidate, in nats: that of a clean tone.
const STRENGTH: f32 = 2.5;
/// Candidates follow their samples by so many hops, so that the windows around them and
/// the crate's are full: 0.17 s.
const LAG: usize = 128;

impl BaselineTranscriber {
    /// Transcriber of one take.
    pub fn new(settings: Settings) -> Self {
        let analyser = Analyser::new(settings);
        BaselineTranscriber {
            detector: BaselineDetector::new(settings),
            detected: Vec::new(),
            reader: ToneReader::new(&OFFLINE, &analyser),
            analyser,
            hops: Vec::new(),
            tone: ToneTrack::default(),
            given: 0,
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f32]) {
        self.detector.push(samples, &mut self.detected);
        let (reader, hops) = (&mut self.reader, &mut self.hops);
        self.analyser.push(samples, &mut |frame| {
            reader.push_samples(&frame.samples);
            hops.push((frame.time_s, frame.level));
        });
        self.give(self.hops.len().saturating_sub(LAG));
    }

    /// Gives the candidates of all hops before one.
    fn give(&mut self, until: usize) {
        for at in self.given..until {
            let mut candidates = Candidates::default();
            if let Some(found) = self.detected(self.hops[at].0) {
                candidates.add(Candidate::of(found.pitch, STRENGTH));
            }
            let open = !self.hops[at].1.closed;
            self.reader
                .push_candidates(&candidates, open, &mut self.tone);
        }
        self.given = self.given.max(until);
    }

    /// The crate's pitch nearest to a time, if it found one.
    fn detected(&self, time_s: f64) -> Option<&DecodedFrame> {
        let at = (time_s - self.detector.first_s()) / self.detector.hop_s();
        let frame = self.detected.get(at.round().max(0.0) as usize)?;
        (!frame.pitch.is_nan()).then_some(frame)
    }

    /// Transcribes what is left.
    pub fn finish(mut self) -> Transcription {
        self.reader.end_samples();
        self.give(self.hops.len());
        self.reader.finish(&mut self.tone);
        let frames = self.hops.iter().map(|&(time_s, level)| {
            let found = self.detected(time_s);
            DecodedFrame {
                pitch: found.map_or(f32::NAN, |f| f.pitch),
                confidence: found.map_or(0.0, |f| f.confidence),
                level_db: level.hop_db,
                centroid_hz: f32::NAN,
            }
        });
        let first_s = self.hops.first().map_or(0.0, |hop| hop.0);
        let mut track = Timeline::new(frames.collect(), first_s, self.analyser.hop_s());
        let mut notes = refinement::notes(&mut track, self.tone, &TechniqueModel::DEFAULT);
        extend_to_edges(&mut track, &notes);
        for note in &mut notes {
            note.decided_s += self.detector.first_s();
        }
        articulation::describe(&mut notes, &TechniqueModel::DEFAULT);
        Transcription { track, notes }
    }
}
