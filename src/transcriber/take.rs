//! Transcription of whole takes: tracked causally, then decided again with the whole
//! take known.

use std::ops::Range;

use super::{Event, Tracker, causal_frame};
use crate::analysis::offline_decoder::{DecodedFrame, OfflineDecoder};
use crate::analysis::tone::{OFFLINE, ToneReader, ToneTrack};
use crate::analysis::{Frame, Settings};
use crate::notes::continuity::Sound;
use crate::notes::segment::NoteEvent;
use crate::notes::timeline::{Timeline, extend_to_edges};
use crate::notes::{Note, articulation, refinement};

/// A transcribed take.
#[derive(Debug, Clone)]
pub struct Transcription {
    /// Every frame with its pitch; empty with [`Transcriber::notes_alone`].
    pub track: Timeline,
    /// The notes.
    pub notes: Vec<Note>,
}

impl Transcription {
    /// Moves all times later by `start_s` seconds: for an excerpt, to count from the
    /// start of its file.
    pub fn shift(&mut self, start_s: f64) {
        self.track.shift(start_s);
        for note in &mut self.notes {
            note.shift(start_s);
        }
    }
}

/// Transcribes whole takes.
///
/// Long takes are decided in chapters, from rest to rest, so that memory holds one
/// chapter at a time (besides the notes, and the track if it is wanted).
#[derive(Debug)]
pub struct Transcriber {
    tracker: Tracker,
    decoder: OfflineDecoder,
    reader: ToneReader,
    /// Tone evidence for the frames, as far as it is read.
    tone: ToneTrack,
    /// Frames of the current chapter, the first at `from_s`.
    frames: Vec<DecodedFrame>,
    from_s: Option<f64>,
    /// Their samples, if they are kept.
    sound: Option<Sound>,
    /// The causal tracker's notes in them.
    causal: Vec<Note>,
    /// Number of frames in a chapter.
    chapter: usize,
    /// Notes of closed chapters, and their tracks as far as they are not taken yet.
    notes: Vec<Note>,
    tracks: Vec<Timeline>,
    /// How many notes have their articulation.
    described: usize,
    keep_track: bool,
    keep_contours: bool,
    decisions: bool,
    /// Samples in a frame, and their rate in hertz.
    hop: (usize, f64),
    mode: Mode,
}

/// A chapter of this length is closed at the longest rest of its second half, in
/// seconds.
const CHAPTER_S: f64 = 1_200.0;
/// If there was no such rest, time to the next search, in seconds.
const RETRY_S: f64 = 60.0;
/// Shortest rest that a chapter may end in, in seconds: the previous note has
/// decayed.
const REST_S: f64 = 1.0;
/// Part of that rest that goes to the next chapter, in seconds: its first note may
/// begin with breath.
const BREATH_S: f64 = 0.25;

/// With or without offline refinement.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// Causal: exactly what the live engine decides.
    Causal,
    /// Offline: decided again with the whole take known.
    Full,
}

impl Transcriber {
    /// Transcriber of one take.
    pub fn new(settings: Settings, mode: Mode) -> Self {
        let tracker = Tracker::new(settings);
        Transcriber {
            decoder: OfflineDecoder::new(&tracker.analyser),
            reader: ToneReader::new(&OFFLINE, &tracker.analyser),
            tone: ToneTrack::default(),
            chapter: (CHAPTER_S / tracker.hop_s()) as usize,
            hop: tracker.analyser.hop(),
            sound: (mode == Mode::Full).then(Sound::default),
            tracker,
            frames: Vec::new(),
            from_s: None,
            causal: Vec::new(),
            notes: Vec::new(),
            tracks: Vec::new(),
            described: 0,
            keep_track: true,
            keep_contours: true,
            decisions: true,
            mode,
        }
    }

    /// Leaves the track out: notes alone take a fraction of the memory.
    pub fn notes_alone(mut self) -> Self {
        self.keep_track = false;
        self
    }

    /// Removes each note's contour as soon as its articulation is known: for lists.
    pub fn without_contours(mut self) -> Self {
        self.keep_contours = false;
        self
    }

    /// Leaves out when the live engine would have decided on each note, which takes a second
    /// analysis of the take: [`Note::decided_s`] is the note's end then. In causal mode it is
    /// known anyway.
    pub fn without_decisions(mut self) -> Self {
        self.decisions = false;
        self
    }

    /// Leaves out how much of the tone goes on through the onset of a note that touches one of
    /// its pitch, by which a written part leaves out what a click has cut in two
    /// ([`NotationOptions::leave_out_doubtful`](crate::NotationOptions)): the sound of a chapter
    /// need not be kept then, 24 kB a second. In causal mode it is not known anyway.
    pub fn without_continuity(mut self) -> Self {
        self.sound = None;
        self
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f32]) {
        let (decoder, frames) = (&mut self.decoder, &mut self.frames);
        let (causal, from_s) = (&mut self.causal, &mut self.from_s);
        let (reader, tone) = (&mut self.reader, &mut self.tone);
        let (sound, mode) = (&mut self.sound, self.mode);
        let mut take = |frame: &Frame, events: &mut Vec<NoteEvent>| {
            from_s.get_or_insert(frame.time_s);
            match mode {
                Mode::Full => {
                    reader.push_samples(frame.samples.as_slice());
                    if let Some(sound) = sound {
                        sound.push(frame.samples.as_slice());
                    }
                    decoder.push(frame, frames, &mut |candidates, open| {
                        reader.push_candidates(candidates, open, tone);
                    });
                }
                Mode::Causal => frames.push(causal_decoded_frame(frame)),
            }
            for event in events.drain(..) {
                if let NoteEvent::Ended(note) = event {
                    keep(causal, note, mode);
                }
            }
        };
        if self.decisions || mode == Mode::Causal {
            self.tracker.push_frames(samples, &mut take);
        } else {
            let mut none = Vec::new();
            (self.tracker.analyser).push(samples, &mut |frame| take(frame, &mut none));
        }
        if frames.len() >= self.chapter
            && let Some(cut) = self.chapter_end()
        {
            self.close(cut);
            self.describe(articulation::NEIGHBOURS);
            self.chapter = self.hops(CHAPTER_S);
        }
    }

    /// Takes the next decided part of the track, if there is one: some twenty minutes
    /// at a time. The track of [`Transcriber::finish`] continues after it.
    #[doc(hidden)]
    pub fn take_track(&mut self) -> Option<Timeline> {
        (!self.tracks.is_empty()).then(|| self.tracks.remove(0))
    }

    fn hops(&self, seconds: f64) -> usize {
        (seconds / self.tracker.hop_s()) as usize
    }

    /// Where a chapter may end: in a long rest, or anywhere in causal mode.
    fn chapter_end(&mut self) -> Option<usize> {
        if self.mode == Mode::Causal {
            return Some(self.frames.len());
        }
        // Only frames whose tone evidence is there.
        let known = self.frames.len().min(self.tone.len() * OFFLINE.hops);
        let half = known / 2;
        let pause = longest_rest(&self.frames[half..known]);
        if pause.len() < self.hops(REST_S) {
            self.chapter = self.frames.len() + self.hops(RETRY_S);
            return None;
        }
        Some((half + pause.end - self.hops(BREATH_S)) / OFFLINE.hops * OFFLINE.hops)
    }

    /// Decides the first `cut` frames.
    fn close(&mut self, cut: usize) {
        let hop_s = self.tracker.hop_s();
        let rest = self.frames.split_off(cut);
        let chapter = std::mem::replace(&mut self.frames, rest);
        let from_s = self.from_s.unwrap_or(0.0);
        let cut_s = from_s + cut as f64 * hop_s;
        self.from_s = Some(cut_s);
        let mut track = Timeline::new(chapter, from_s, hop_s);
        if self.mode == Mode::Full {
            let tone = self.tone.split_front(cut.div_ceil(OFFLINE.hops));
            let mut notes = second_pass(&mut track, tone, &self.causal);
            if let Some(sound) = &mut self.sound {
                let (hop, rate_hz) = self.hop;
                // A frame is dated at its last sample.
                let first_s = from_s - (hop - 1) as f64 / rate_hz;
                let sound = sound.split_front(cut * hop);
                sound.measure(&mut notes, first_s, rate_hz);
            }
            self.notes.extend(notes);
            self.causal.retain(|note| note.offset_s > cut_s);
        }
        if self.keep_track {
            self.tracks.push(track);
        }
    }

    /// Names the articulation of all notes but the last `except`.
    fn describe(&mut self, except: usize) {
        let notes = match self.mode {
            Mode::Causal => &mut self.causal,
            Mode::Full => &mut self.notes,
        };
        let range = self.described..notes.len().saturating_sub(except).max(self.described);
        articulation::describe_range(notes, range.clone());
        if !self.keep_contours {
            for note in &mut notes[range.clone()] {
                note.contour = Default::default();
            }
        }
        self.described = range.end;
    }

    /// Ends the take and returns its notes and the rest of its track.
    pub fn finish(mut self) -> Transcription {
        let (causal, mode) = (&mut self.causal, self.mode);
        self.tracker.finish(|event| {
            if let Event::Note(NoteEvent::Ended(note)) = event {
                keep(causal, note, mode);
            }
        });
        if mode == Mode::Full {
            let (reader, tone) = (&mut self.reader, &mut self.tone);
            reader.end_samples();
            self.decoder
                .finish(&mut self.frames, &mut |candidates, open| {
                    reader.push_candidates(candidates, open, tone);
                });
            reader.finish(tone);
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

/// The longest run of frames without a pitch.
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

/// In the full pass only the times of causal notes are needed.
fn keep(causal: &mut Vec<Note>, mut note: Note, mode: Mode) {
    if mode == Mode::Full {
        note.contour = Default::default();
    }
    causal.push(note);
}

fn causal_decoded_frame(frame: &Frame) -> DecodedFrame {
    let causal = causal_frame(frame);
    DecodedFrame {
        pitch: causal.pitch.unwrap_or(f32::NAN),
        confidence: causal.confidence,
        level_db: causal.level_db,
        centroid_hz: frame.centroid_hz.unwrap_or(f32::NAN),
    }
}

fn second_pass(track: &mut Timeline, tone: ToneTrack, causal: &[Note]) -> Vec<Note> {
    let mut notes = refinement::notes(track, tone);
    extend_to_edges(track, &notes);
    for note in &mut notes {
        note.decided_s = causal_decision_s(note, causal);
    }
    notes
}

/// When the causal tracker decided on a note: that of the causal note of the same pitch
/// that overlaps it, or the note's end if there is none.
fn causal_decision_s(note: &Note, causal: &[Note]) -> f64 {
    causal
        .iter()
        .filter(|c| (c.pitch - note.pitch).abs() < 0.65)
        .filter(|c| c.onset_s < note.offset_s && c.offset_s > note.onset_s)
        .map(|c| c.decided_s)
        .find(|&s| s > note.onset_s)
        .unwrap_or(note.offset_s)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::line;

    #[test]
    fn chapters_give_the_same_as_the_whole() {
        let rate_hz = 48_000.0;
        let mut take = Vec::new();
        for _ in 0..3 {
            take.extend(line::render(rate_hz));
        }
        let transcribe = |chapter_s: f64, alone: bool| {
            let mut transcriber =
                Transcriber::new(Settings::builder(rate_hz).build().unwrap(), Mode::Full);
            transcriber.chapter = (chapter_s / transcriber.tracker.hop_s()) as usize;
            if alone {
                transcriber = transcriber.notes_alone().without_contours();
            }
            take.chunks(4_800).for_each(|block| transcriber.push(block));
            assert_eq!(transcriber.notes.is_empty(), chapter_s == CHAPTER_S);
            transcriber.finish()
        };
        let (whole, parts) = (transcribe(CHAPTER_S, false), transcribe(14.0, false));
        assert_eq!(whole.notes.len(), 54);
        assert_eq!(parts.notes.len(), 54);
        for (a, b) in whole.notes.iter().zip(&parts.notes) {
            assert!((a.pitch - b.pitch).abs() < 0.01, "{} {}", a.pitch, b.pitch);
            assert!((a.onset_s - b.onset_s).abs() < 0.005);
            assert!((a.offset_s - b.offset_s).abs() < 0.02);
            assert!((a.decided_s - b.decided_s).abs() < 0.005);
            match (a.measured.continuity, b.measured.continuity) {
                (Some(a), Some(b)) => assert!((a - b).abs() < 0.02, "{a} {b}"),
                (a, b) => assert_eq!(a, b),
            }
        }
        // Its repeated notes are tongued.
        let again = parts.notes.windows(2).filter(|pair| {
            let [before, note] = pair else { return false };
            (note.pitch - before.pitch).abs() < 0.5 && note.onset_s - before.offset_s < 0.02
        });
        let continuity: Vec<f32> = again.flat_map(|pair| pair[1].measured.continuity).collect();
        assert_eq!(continuity.len(), 3);
        assert!(continuity.iter().all(|c| *c < 0.5), "{continuity:?}");
        assert_eq!(whole.track.len(), parts.track.len());
        for (a, b) in whole.track.frames().zip(parts.track.frames()) {
            assert!((a.time_s - b.time_s).abs() < 1e-6);
        }
        let alone = transcribe(14.0, true);
        assert_eq!(alone.track.len(), 0);
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
            let transcribe = |chapter_s: f64| {
                let mut transcriber =
                    Transcriber::new(Settings::builder(rate_hz).build().unwrap(), mode);
                transcriber.chapter = transcriber.hops(chapter_s);
                let mut frames = Vec::new();
                for block in take.chunks(4_800) {
                    transcriber.push(block);
                    frames.extend(transcriber.take_track().iter().flat_map(Timeline::frames));
                }
                let taken = frames.len();
                let transcription = transcriber.finish();
                frames.extend(transcription.track.frames());
                (frames, taken, transcription.notes.len())
            };
            let (whole, none, _) = transcribe(CHAPTER_S);
            let (parts, taken, notes) = transcribe(14.0);
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
