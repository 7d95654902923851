//! Whole takes: heard as they are played, and decided on again with the future known.

use std::ops::Range;

use super::{Event, Tracker, causal_frame};
use crate::analysis::baseline::BaselineDetector;
use crate::analysis::offline_decoder::{DecodedFrame, OfflineDecoder};
use crate::analysis::{Frame, Settings};
use crate::notes::segment::NoteEvent;
use crate::notes::timeline::{Timeline, carry_to_edges};
use crate::notes::{Note, articulation, refinement};

/// A take, heard.
pub struct Transcription {
    /// Every hop with its pitch; empty where the notes alone were asked for.
    pub track: Timeline,
    /// The notes.
    pub notes: Vec<Note>,
}

impl Transcription {
    /// Counts all times from `start_s` earlier: for a part of a take, from the
    /// start of its file.
    pub fn shift(&mut self, start_s: f64) {
        self.track.shift(start_s);
        for note in &mut self.notes {
            note.shift(start_s);
        }
    }
}

/// The ear for whole takes.
///
/// Long takes are decided on in chapters, from rest to rest, so that memory holds
/// one of them at a time (and the notes; and the track, if it is asked for).
pub struct Transcriber {
    tracker: Tracker,
    decoder: OfflineDecoder,
    /// Frames that are still to be decided on, the first at `from_s`.
    frames: Vec<DecodedFrame>,
    from_s: Option<f64>,
    /// What the live engine heard in them.
    causal: Vec<Note>,
    /// So many frames make a chapter.
    chapter: usize,
    /// Notes of closed chapters, and their tracks but for those taken away.
    notes: Vec<Note>,
    tracks: Vec<Timeline>,
    /// So many notes are described.
    described: usize,
    keep_track: bool,
    keep_contours: bool,
    mode: Mode,
}

/// From this length on a chapter is closed at the longest rest of its second half,
/// in seconds.
const CHAPTER_S: f64 = 1_200.0;
/// How often such a rest is looked for where there was none, in seconds.
const LOOK_S: f64 = 60.0;
/// Shortest rest that will do, in seconds: the note before has rung.
const REST_S: f64 = 1.0;
/// What is left of the rest to the next chapter, in seconds: its first note may
/// begin with breath.
const BREATH_S: f64 = 0.25;

/// With or without hindsight.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// Exactly what the live engine decides.
    Causal,
    /// Decided again with the whole take known.
    Full,
}

impl Transcriber {
    /// Ear for a take at `sample_rate_hz`.
    pub fn new(sample_rate_hz: f64, settings: Settings, mode: Mode) -> Self {
        let tracker = Tracker::new(sample_rate_hz, settings);
        Transcriber {
            decoder: OfflineDecoder::new(&tracker.analyser),
            chapter: (CHAPTER_S / tracker.hop_s()) as usize,
            tracker,
            frames: Vec::new(),
            from_s: None,
            causal: Vec::new(),
            notes: Vec::new(),
            tracks: Vec::new(),
            described: 0,
            keep_track: true,
            keep_contours: true,
            mode,
        }
    }

    /// The same without a track: the notes alone, in a fraction of the memory.
    pub fn notes_alone(mut self) -> Self {
        self.keep_track = false;
        self
    }

    /// The same with notes that lose their contours as soon as all else is known of
    /// them: for lists.
    pub fn without_contours(mut self) -> Self {
        self.keep_contours = false;
        self
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f32]) {
        let (decoder, frames) = (&mut self.decoder, &mut self.frames);
        let (causal, from_s) = (&mut self.causal, &mut self.from_s);
        let mode = self.mode;
        self.tracker.push(samples, &mut |heard| match heard {
            Event::Frame(frame) => {
                from_s.get_or_insert(frame.time_s);
                match mode {
                    Mode::Full => decoder.push(frame, frames),
                    Mode::Causal => frames.push(causal_decoded_frame(frame)),
                }
            }
            Event::Note(NoteEvent::Ended(note)) => keep(causal, note, mode),
            Event::Note(NoteEvent::Started(_)) => {}
        });
        if frames.len() >= self.chapter
            && let Some(cut) = self.chapter_end()
        {
            self.close(cut);
            self.describe(articulation::NEIGHBOURS);
            self.chapter = self.hops(CHAPTER_S);
        }
    }

    /// Takes away the part of the track that is decided on, if there is any: some
    /// twenty minutes at a time. What [`Transcriber::finish`] gives goes on from there.
    pub fn decided(&mut self) -> Option<Timeline> {
        (!self.tracks.is_empty()).then(|| self.tracks.remove(0))
    }

    fn hops(&self, seconds: f64) -> usize {
        (seconds / self.tracker.hop_s()) as usize
    }

    /// Where a chapter may end: in a long rest. What is decided already, anywhere.
    fn chapter_end(&mut self) -> Option<usize> {
        if self.mode == Mode::Causal {
            return Some(self.frames.len());
        }
        let half = self.frames.len() / 2;
        let pause = longest_rest(&self.frames[half..]);
        if pause.len() < self.hops(REST_S) {
            self.chapter = self.frames.len() + self.hops(LOOK_S);
            return None;
        }
        Some(half + pause.end - self.hops(BREATH_S))
    }

    /// Decides on the first frames, so many.
    fn close(&mut self, cut: usize) {
        let hop_s = self.tracker.hop_s();
        let rest = self.frames.split_off(cut);
        let chapter = std::mem::replace(&mut self.frames, rest);
        let from_s = self.from_s.unwrap_or(0.0);
        let cut_s = from_s + cut as f64 * hop_s;
        self.from_s = Some(cut_s);
        let mut track = Timeline::new(chapter, from_s, hop_s);
        if self.mode == Mode::Full {
            self.notes.extend(second_pass(&mut track, &self.causal));
            self.causal.retain(|note| note.offset_s > cut_s);
        }
        if self.keep_track {
            self.tracks.push(track);
        }
    }

    /// Describes the notes there are but for the last, so many.
    fn describe(&mut self, but: usize) {
        let notes = match self.mode {
            Mode::Causal => &mut self.causal,
            Mode::Full => &mut self.notes,
        };
        let some = self.described..notes.len().saturating_sub(but).max(self.described);
        articulation::describe_some(notes, some.clone());
        if !self.keep_contours {
            for note in &mut notes[some.clone()] {
                note.contour = Default::default();
            }
        }
        self.described = some.end;
    }

    /// Hears the take out.
    pub fn finish(mut self) -> Transcription {
        let (causal, mode) = (&mut self.causal, self.mode);
        self.tracker.finish(&mut |heard| {
            if let Event::Note(NoteEvent::Ended(note)) = heard {
                keep(causal, note, mode);
            }
        });
        if mode == Mode::Full {
            self.decoder.finish(&mut self.frames);
        }
        self.close(self.frames.len());
        self.describe(0);
        let track = Timeline::joined(self.tracks, self.tracker.hop_s());
        let notes = match mode {
            Mode::Causal => self.causal,
            Mode::Full => self.notes,
        };
        Transcription { track, notes }
    }
}

/// The longest stretch without a pitch.
fn longest_rest(frames: &[DecodedFrame]) -> Range<usize> {
    let mut longest = 0..0;
    let mut from = 0;
    for (at, frame) in frames.iter().enumerate() {
        if !frame.pitch.is_nan() {
            from = at + 1;
        } else if at + 1 - from > longest.len() {
            longest = from..at + 1;
        }
    }
    longest
}

/// In the full pass only the times of the causal notes are wanted.
fn keep(causal: &mut Vec<Note>, mut note: Note, mode: Mode) {
    if mode == Mode::Full {
        note.contour = Default::default();
    }
    causal.push(note);
}

fn causal_decoded_frame(frame: &Frame) -> DecodedFrame {
    let moment = causal_frame(frame);
    DecodedFrame {
        pitch: moment.pitch.unwrap_or(f32::NAN),
        confidence: moment.confidence,
        level_db: moment.level_db,
    }
}

fn second_pass(track: &mut Timeline, causal: &[Note]) -> Vec<Note> {
    track.gate_noise();
    let mut notes = refinement::notes(track);
    carry_to_edges(track, &notes);
    for note in &mut notes {
        note.decided_s = causal_decision(note, causal);
    }
    notes
}

/// When the live engine committed to a note: at the causal note of the same
/// pitch that overlaps it. A note that it never committed to is known at its
/// end.
fn causal_decision(note: &Note, causal: &[Note]) -> f64 {
    causal
        .iter()
        .filter(|c| (c.pitch - note.pitch).abs() < 0.65)
        .filter(|c| c.onset_s < note.offset_s && c.offset_s > note.onset_s)
        .map(|c| c.decided_s)
        .find(|&s| s > note.onset_s)
        .unwrap_or(note.offset_s)
}

/// A take heard by the `pitch-detection` crate's ear and our segmenter. Notes
/// count as decided when the crate's window over their start is full.
pub struct BaselineTranscriber {
    detector: BaselineDetector,
    frames: Vec<DecodedFrame>,
}

impl BaselineTranscriber {
    /// Ear for a take at `sample_rate_hz`.
    pub fn new(sample_rate_hz: f64, settings: Settings) -> Self {
        BaselineTranscriber {
            detector: BaselineDetector::new(sample_rate_hz, settings),
            frames: Vec::new(),
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f32]) {
        self.detector.push(samples, &mut self.frames);
    }

    /// Hears the take out.
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::line;

    #[test]
    fn chapters_are_heard_as_the_whole() {
        let rate_hz = 48_000.0;
        let mut take = Vec::new();
        for _ in 0..3 {
            take.extend(line::render(rate_hz));
        }
        let hear = |chapter_s: f64, alone: bool| {
            let mut ear = Transcriber::new(rate_hz, Settings::default(), Mode::Full);
            ear.chapter = (chapter_s / ear.tracker.hop_s()) as usize;
            if alone {
                ear = ear.notes_alone().without_contours();
            }
            take.chunks(4_800).for_each(|block| ear.push(block));
            assert_eq!(ear.notes.is_empty(), chapter_s == CHAPTER_S);
            ear.finish()
        };
        let (whole, parts) = (hear(CHAPTER_S, false), hear(14.0, false));
        assert_eq!(whole.notes.len(), 54);
        assert_eq!(parts.notes.len(), 54);
        for (a, b) in whole.notes.iter().zip(&parts.notes) {
            assert!((a.pitch - b.pitch).abs() < 0.01, "{} {}", a.pitch, b.pitch);
            assert!((a.onset_s - b.onset_s).abs() < 0.005);
            assert!((a.offset_s - b.offset_s).abs() < 0.02);
            assert!((a.decided_s - b.decided_s).abs() < 0.005);
        }
        assert_eq!(whole.track.len(), parts.track.len());
        for (a, b) in whole.track.moments().zip(parts.track.moments()) {
            assert!((a.time_s - b.time_s).abs() < 1e-6);
        }
        let alone = hear(14.0, true);
        assert!(alone.track.is_empty());
        for (mut with, without) in parts.notes.into_iter().zip(alone.notes) {
            assert!(!with.contour.points.is_empty());
            with.contour = Default::default();
            assert_eq!(with, without);
        }
    }

    #[test]
    fn a_track_taken_in_parts_is_the_whole() {
        let rate_hz = 48_000.0;
        let take = [line::render(rate_hz), line::render(rate_hz)].concat();
        for mode in [Mode::Causal, Mode::Full] {
            let hear = |chapter_s: f64| {
                let mut ear = Transcriber::new(rate_hz, Settings::default(), mode);
                ear.chapter = ear.hops(chapter_s);
                let mut moments = Vec::new();
                for block in take.chunks(4_800) {
                    ear.push(block);
                    moments.extend(ear.decided().iter().flat_map(Timeline::moments));
                }
                let taken = moments.len();
                let heard = ear.finish();
                moments.extend(heard.track.moments());
                (moments, taken, heard.notes.len())
            };
            let (whole, none, _) = hear(CHAPTER_S);
            let (parts, taken, notes) = hear(14.0);
            assert_eq!((none, taken > 0, notes), (0, true, 36), "{mode:?}");
            assert_eq!(whole.len(), parts.len());
            for (a, b) in whole.iter().zip(&parts) {
                assert!((a.time_s - b.time_s).abs() < 1e-6, "{a:?} {b:?}");
                assert_eq!(a.level_db, b.level_db);
                assert!(mode == Mode::Full || a.pitch == b.pitch);
            }
        }
    }
}
