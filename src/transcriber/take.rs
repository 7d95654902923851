//! Transcription of whole takes: tracked causally, then decided again with the whole
//! take known.

use std::ops::Range;
use std::sync::Arc;

use super::stages::{Beside, Full, Live, Stage};
use crate::analysis::offline_decoder::DecodedFrame;
use crate::analysis::resampler::ANALYSIS_RATE_HZ;
use crate::analysis::tone::{OFFLINE, ToneTrack};
use crate::analysis::{Analyser, Frame, HOP, Settings};
use crate::notes::note_model::{DraftNote, NoteModel};
use crate::notes::technique_model::TechniqueModel;
use crate::notes::timeline::{Timeline, extend_to_edges};
use crate::notes::{Note, STRAY, articulation, refinement};

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
/// chapter at a time (besides the notes, and the track if it is wanted). Where
/// there is more than a second of sound, the two passes over it have threads of their own.
#[derive(Debug)]
pub struct Transcriber {
    analyser: Analyser,
    /// Frames that no stage has been given yet.
    batch: Vec<Frame>,
    /// The causal tracker's notes, and in causal mode its frames.
    live: Option<Beside<Live>>,
    /// Frames and tone evidence of the full pass.
    full: Option<Beside<Full>>,
    /// When the current chapter begins, and how many frames of it the stages were given.
    from_s: Option<f64>,
    count: usize,
    /// Number of frames in a chapter.
    chapter: usize,
    /// Notes of closed chapters, and their tracks as far as they are not taken yet.
    notes: Vec<Note>,
    tracks: Vec<Timeline>,
    /// How many notes have their articulation.
    described: usize,
    /// Samples that are analysed at once at most.
    block: usize,
    keep_track: bool,
    keep_contours: bool,
}

/// Frames that are given to the stages at once: about a second.
const BATCH: usize = 750;
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
        let analyser = Analyser::new(settings);
        Transcriber {
            live: Some(Beside::new(Live::new(&analyser, mode == Mode::Causal))),
            full: (mode == Mode::Full).then(|| Beside::new(Full::new(&analyser))),
            chapter: (CHAPTER_S / analyser.hop_s()) as usize,
            block: (0.5 * BATCH as f64 * analyser.hop_s() * settings.sample_rate_hz()) as usize,
            analyser,
            batch: Vec::with_capacity(BATCH),
            from_s: None,
            count: 0,
            notes: Vec::new(),
            tracks: Vec::new(),
            described: 0,
            keep_track: true,
            keep_contours: true,
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
        if self.full.is_some() {
            self.live = None;
        }
        self
    }

    /// Leaves out how much of the tone goes on through the onset of a note that touches one of
    /// its pitch, by which a written part leaves out what a click has cut in two
    /// ([`NotationOptions::leave_out_doubtful`](crate::NotationOptions)): the sound of a chapter
    /// need not be kept then, 24 kB a second. In causal mode it is not known anyway.
    pub fn without_continuity(mut self) -> Self {
        if let Some(full) = &mut self.full {
            full.settled().sound = None;
        }
        self
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f32]) {
        // Less than a batch at once, so that where chapters end does not depend on how the samples
        // come.
        for block in samples.chunks(self.block) {
            self.receive(|analyser, on_frame| analyser.push(block, on_frame));
        }
    }

    /// Takes the frames that the analyser gives.
    fn receive(&mut self, give: impl FnOnce(&mut Analyser, &mut dyn FnMut(&Frame))) {
        let (batch, from_s, count) = (&mut self.batch, &mut self.from_s, &mut self.count);
        let (live, full) = (&mut self.live, &mut self.full);
        give(&mut self.analyser, &mut |frame| {
            from_s.get_or_insert(frame.time_s);
            batch.push(*frame);
            if batch.len() < BATCH {
                return;
            }
            *count += BATCH;
            let batch: Arc<[Frame]> = batch.drain(..).collect();
            if let Some(live) = live {
                live.push(&batch);
            }
            if let Some(full) = full {
                full.push(&batch);
            }
        });
        if self.count >= self.chapter
            && let Some(cut) = self.chapter_end()
        {
            self.close(cut);
            self.describe(articulation::NEIGHBOURS);
            self.chapter = self.hops(CHAPTER_S);
        }
    }

    /// Number of dropouts so far, of up to 12 ms, that were filled.
    pub fn dropouts(&self) -> u64 {
        self.analyser.dropouts()
    }

    /// Takes the next decided part of the track, if there is one: some twenty minutes
    /// at a time. The track of [`Transcriber::finish`] continues after it.
    #[doc(hidden)]
    pub fn take_track(&mut self) -> Option<Timeline> {
        (!self.tracks.is_empty()).then(|| self.tracks.remove(0))
    }

    fn hops(&self, seconds: f64) -> usize {
        (seconds / self.analyser.hop_s()) as usize
    }

    /// Where a chapter may end: in a long rest, or anywhere in causal mode.
    fn chapter_end(&mut self) -> Option<usize> {
        let rest = self.hops(REST_S);
        let Some(full) = &mut self.full else {
            return Some(self.count);
        };
        let full = full.settled();
        // The decoder is some frames behind.
        if full.frames.len() < self.chapter {
            return None;
        }
        let frames = full.frames.len();
        let known = full.tone.len().min(frames / OFFLINE.hops);
        let moment_s = OFFLINE.moment_s(self.analyser.hop_s());
        let notes = NoteModel::new(moment_s).decode(&full.tone);
        let pause = longest_rest(&notes, known / 2..known);
        drop(full);
        if pause.len() * OFFLINE.hops < rest {
            self.chapter = frames + self.hops(RETRY_S);
            return None;
        }
        Some((pause.end - self.hops(BREATH_S) / OFFLINE.hops) * OFFLINE.hops)
    }

    /// Decides the first `cut` frames.
    fn close(&mut self, cut: usize) {
        let hop_s = self.analyser.hop_s();
        let from_s = self.from_s.unwrap_or(0.0);
        let cut_s = from_s + cut as f64 * hop_s;
        self.from_s = Some(cut_s);
        self.count -= cut;
        let mut live = self.live.as_mut().map(Beside::settled);
        let track = |frames: &mut Vec<DecodedFrame>| {
            let rest = frames.split_off(cut);
            Timeline::new(std::mem::replace(frames, rest), from_s, hop_s)
        };
        let track = if let Some(full) = &mut self.full {
            let mut full = full.settled();
            let mut track = track(&mut full.frames);
            let tone = full.tone.split_front(cut.div_ceil(OFFLINE.hops));
            let causal = live.as_mut().map_or(&mut [][..], |live| &mut live.notes);
            let mut notes = second_pass(&mut track, tone, causal);
            if let Some(sound) = &mut full.sound {
                // A frame is dated at its last sample.
                let first_s = from_s - (HOP - 1) as f64 / ANALYSIS_RATE_HZ;
                let sound = sound.split_front(cut * HOP);
                sound.measure(&mut notes, first_s, ANALYSIS_RATE_HZ);
            }
            self.notes.extend(notes);
            if let Some(live) = &mut live {
                live.notes.retain(|note| note.offset_s > cut_s);
            }
            Some(track)
        } else {
            live.as_mut().map(|live| {
                self.notes.append(&mut live.notes);
                track(live.frames.get_or_insert_default())
            })
        };
        if self.keep_track {
            self.tracks.extend(track);
        }
    }

    /// Names the articulation of all notes but the last `except`.
    fn describe(&mut self, except: usize) {
        let notes = &mut self.notes;
        let range = self.described..notes.len().saturating_sub(except).max(self.described);
        articulation::describe_range(notes, range.clone(), &TechniqueModel::DEFAULT);
        if !self.keep_contours {
            for note in &mut notes[range.clone()] {
                note.contour = Default::default();
            }
        }
        self.described = range.end;
    }

    /// Time that is decided on at once, in seconds: what sounds in the first of it or the last
    /// sounds from the take's beginning or to its end.
    pub(crate) fn moment_s(&self) -> f64 {
        OFFLINE.moment_s(self.analyser.hop_s())
    }

    /// A note that is cut off by the end of the take ends there: its last moment goes beyond,
    /// and may also look as if it were half a tone and half what comes after.
    fn end_notes(&mut self) {
        let end_s = self.analyser.received_s();
        let moment_s = self.moment_s();
        if let Some(last) = self.notes.last_mut()
            && last.offset_s > end_s - moment_s
        {
            // Decided by its end, if not before.
            if last.decided_s >= last.offset_s {
                last.decided_s = end_s;
            }
            last.offset_s = end_s;
        }
    }

    /// Ends the take and returns its notes and the rest of its track.
    pub fn finish(mut self) -> Transcription {
        self.receive(Analyser::finish);
        self.count += self.batch.len();
        if let Some(live) = &mut self.live {
            let mut live = live.settled();
            live.take(&self.batch);
            live.finish();
        }
        if let Some(full) = &mut self.full {
            let mut full = full.settled();
            full.take(&self.batch);
            full.finish();
        }
        self.close(self.count);
        self.end_notes();
        self.describe(0);
        let track = Timeline::joined(self.tracks, self.analyser.hop_s());
        Transcription {
            track,
            notes: self.notes,
        }
    }
}

/// The longest run of moments among some in which no note sounds. A hum has a pitch, too, but is
/// no note.
fn longest_rest(notes: &[DraftNote], moments: Range<usize>) -> Range<usize> {
    let mut longest = 0..0;
    let mut from = moments.start;
    let ends = notes.iter().map(|note| (note.first, note.end()));
    for (first, end) in ends.chain([(moments.end, moments.end)]) {
        let rest = from..first.min(moments.end);
        if rest.len() > longest.len() {
            longest = rest;
        }
        from = from.max(end);
    }
    longest
}

fn second_pass(track: &mut Timeline, tone: ToneTrack, causal: &[Note]) -> Vec<Note> {
    let mut notes = refinement::notes(track, tone, &TechniqueModel::DEFAULT);
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
        .filter(|c| (c.pitch - note.pitch).abs() < f64::from(STRAY))
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
        let transcribe = |chapter_s: f64, alone: bool, block: usize| {
            let mut transcriber =
                Transcriber::new(Settings::builder(rate_hz).build().unwrap(), Mode::Full);
            transcriber.chapter = (chapter_s / transcriber.analyser.hop_s()) as usize;
            if alone {
                transcriber = transcriber.notes_alone().without_contours();
            }
            take.chunks(block).for_each(|block| transcriber.push(block));
            assert_eq!(transcriber.notes.is_empty(), chapter_s == CHAPTER_S);
            transcriber.finish()
        };
        let whole = transcribe(CHAPTER_S, false, 4_800);
        let parts = transcribe(14.0, false, 4_800);
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
        // However the samples come, the chapters are the same.
        let at_once = transcribe(14.0, false, take.len());
        let heard = |n: &Note| (n.onset_s, n.offset_s, n.pitch, n.decided_s);
        assert!(
            at_once
                .notes
                .iter()
                .map(heard)
                .eq(parts.notes.iter().map(heard))
        );
        let alone = transcribe(14.0, true, 4_800);
        assert_eq!(alone.track.len(), 0);
        for (mut with, without) in parts.notes.into_iter().zip(alone.notes) {
            assert!(!with.contour.points.is_empty());
            with.contour = Default::default();
            assert_eq!(with, without);
        }
    }

    /// A hum that never pauses has a pitch and is no tone: its rests end chapters, too.
    #[test]
    fn chapters_end_beside_a_hum() {
        let rate_hz = 48_000.0;
        let take = [line::render(rate_hz), line::render(rate_hz)].concat();
        let hum = |i: usize| 0.003 * (std::f64::consts::TAU * 100.0 * i as f64 / rate_hz).sin();
        let take: Vec<f32> = (take.iter().enumerate())
            .map(|(i, x)| x + hum(i) as f32)
            .collect();
        let settings = Settings::builder(rate_hz).build().unwrap();
        let mut transcriber = Transcriber::new(settings, Mode::Full);
        transcriber.chapter = transcriber.hops(14.0);
        for block in take.chunks(4_800) {
            transcriber.push(block);
        }
        assert!(!transcriber.notes.is_empty());
        assert_eq!(transcriber.finish().notes.len(), 36);
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
