//! Whole takes by learned tone evidence and one note model, in place of the hand-set
//! rules: far better in rooms, noise and beside other instruments, and slower.

use super::Transcription;
use crate::analysis::offline_decoder::{DecodedFrame, OfflineDecoder};
use crate::analysis::tone::{OFFLINE, ToneReader, ToneTrack};
use crate::analysis::{Analyser, Settings};
use crate::notes::live_segmenter::LiveSegmenter;
use crate::notes::segment::NoteEvent;
use crate::notes::timeline::{Timeline, extend_to_edges};
use crate::notes::{Note, articulation, refinement};
use crate::transcriber::Mode;

/// Transcribes a take by learned tone evidence and a note model. The
/// whole take stays in memory: some 20 kB a second.
#[derive(Debug)]
pub struct LearnedTranscriber {
    analyser: Analyser,
    segmenter: LiveSegmenter,
    events: Vec<NoteEvent>,
    decoder: OfflineDecoder,
    reader: ToneReader,
    tone: ToneTrack,
    frames: Vec<DecodedFrame>,
    first_s: Option<f64>,
    /// The notes as the model decides them while they are played.
    causal: Vec<Note>,
    mode: Mode,
}

impl LearnedTranscriber {
    /// Transcriber of one take.
    pub fn new(settings: Settings, mode: Mode) -> Self {
        let analyser = Analyser::new(settings);
        let (hop, rate_hz) = analyser.hop();
        LearnedTranscriber {
            segmenter: LiveSegmenter::new(rate_hz, hop),
            events: Vec::new(),
            decoder: OfflineDecoder::new(&analyser),
            reader: ToneReader::new(&OFFLINE, rate_hz, hop),
            tone: ToneTrack::default(),
            frames: Vec::new(),
            first_s: None,
            causal: Vec::new(),
            analyser,
            mode,
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f32]) {
        let (segmenter, events, causal) = (&mut self.segmenter, &mut self.events, &mut self.causal);
        let (decoder, reader) = (&mut self.decoder, &mut self.reader);
        let (tone, frames, first_s) = (&mut self.tone, &mut self.frames, &mut self.first_s);
        let mode = self.mode;
        self.analyser.push(samples, &mut |frame| {
            first_s.get_or_insert(frame.time_s);
            let live = segmenter.push(frame, events);
            keep(events, causal);
            match mode {
                Mode::Full => {
                    reader.push_samples(frame.samples.as_slice());
                    decoder.push(frame, frames, &mut |candidates| {
                        reader.push_candidates(candidates, tone);
                    });
                }
                Mode::Causal => frames.push(DecodedFrame {
                    pitch: live.pitch.unwrap_or(f32::NAN),
                    confidence: live.confidence,
                    level_db: live.level_db,
                }),
            }
        });
    }

    /// Ends the take and returns its notes and track.
    pub fn finish(mut self) -> Transcription {
        self.segmenter.finish(&mut self.events);
        keep(&mut self.events, &mut self.causal);
        let (reader, tone) = (&mut self.reader, &mut self.tone);
        if self.mode == Mode::Full {
            reader.end_samples();
            self.decoder.finish(&mut self.frames, &mut |candidates| {
                reader.push_candidates(candidates, tone);
            });
            reader.finish(tone);
        }
        let first_s = self.first_s.unwrap_or(0.0);
        let mut track = Timeline::new(self.frames, first_s, self.analyser.hop_s());
        let mut notes = match self.mode {
            Mode::Causal => self.causal,
            Mode::Full => {
                let mut notes = refinement::model_notes(&mut track, &self.tone);
                extend_to_edges(&mut track, &notes);
                for note in &mut notes {
                    note.decided_s = super::take::causal_decision_s(note, &self.causal);
                }
                notes
            }
        };
        articulation::describe(&mut notes);
        Transcription { track, notes }
    }
}

/// Keeps the notes that have ended.
fn keep(events: &mut Vec<NoteEvent>, notes: &mut Vec<Note>) {
    notes.extend(events.drain(..).filter_map(|event| match event {
        NoteEvent::Ended(note) => Some(note),
        NoteEvent::Started(_) => None,
    }));
}
