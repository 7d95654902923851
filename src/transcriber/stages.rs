//! The two passes over a take as stages that take frames, and threads for them.
//!
//! ```text
//! samples -> Analyser -> frames --+--> Live: what the causal tracker decides
//!                                 \--> Full: the offline decoder and the tone evidence
//! ```
//!
//! Neither stage needs the other before a chapter is decided, so each has a thread of its
//! own in a long take. What they find is the same as one after the other.

use std::panic::resume_unwind;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::{Builder, JoinHandle};

use crate::analysis::offline_decoder::{DecodedFrame, OfflineDecoder};
use crate::analysis::tone::{OFFLINE, ToneReader, ToneTrack};
use crate::analysis::{Analyser, Frame};
use crate::notes::Note;
use crate::notes::continuity::Sound;
use crate::notes::segment::{NoteEvent, Segmenter};

/// Takes the frames of a take, in order.
pub trait Stage: Send + 'static {
    /// Takes the next frames.
    fn take(&mut self, frames: &[Frame]);
}

/// What the causal tracker decides.
#[derive(Debug)]
pub(super) struct Live {
    segmenter: Segmenter,
    events: Vec<NoteEvent>,
    /// Its notes; without contours if only their times are wanted.
    pub notes: Vec<Note>,
    /// Its frames, if they are wanted: then it is the only pass.
    pub frames: Option<Vec<DecodedFrame>>,
}

impl Live {
    /// Stage for the frames of an analyser.
    pub fn new(analyser: &Analyser, alone: bool) -> Self {
        Live {
            segmenter: Segmenter::new(analyser),
            events: Vec::with_capacity(4),
            notes: Vec::new(),
            frames: alone.then(Vec::new),
        }
    }

    /// Ends a note that still sounds, at the end of the take.
    pub fn finish(&mut self) {
        self.segmenter.finish(&mut self.events);
        self.keep_notes();
    }

    fn keep_notes(&mut self) {
        for event in self.events.drain(..) {
            if let NoteEvent::Ended(mut note) = event {
                if self.frames.is_none() {
                    note.contour = Default::default();
                }
                self.notes.push(note);
            }
        }
    }
}

impl Stage for Live {
    fn take(&mut self, frames: &[Frame]) {
        for frame in frames {
            let causal = self.segmenter.push(frame, &mut self.events);
            if let Some(frames) = &mut self.frames {
                frames.push(DecodedFrame {
                    pitch: causal.pitch.unwrap_or(f32::NAN),
                    confidence: causal.confidence,
                    level_db: causal.level_db,
                    centroid_hz: frame.centroid_hz.unwrap_or(f32::NAN),
                });
            }
            self.keep_notes();
        }
    }
}

/// The offline decoder and the tone evidence.
#[derive(Debug)]
pub struct Full {
    decoder: OfflineDecoder,
    reader: ToneReader,
    /// Tone evidence for the frames, as far as it is read.
    pub tone: ToneTrack,
    /// The frames of the chapter.
    pub frames: Vec<DecodedFrame>,
    /// Their samples, if they are kept.
    pub(super) sound: Option<Sound>,
}

impl Full {
    /// Stage for the frames of an analyser.
    pub fn new(analyser: &Analyser) -> Self {
        Full {
            decoder: OfflineDecoder::new(analyser),
            reader: ToneReader::new(&OFFLINE, analyser),
            tone: ToneTrack::default(),
            frames: Vec::new(),
            sound: Some(Sound::default()),
        }
    }

    /// Decodes what is left at the end of the take.
    pub fn finish(&mut self) {
        let (reader, tone) = (&mut self.reader, &mut self.tone);
        reader.end_samples();
        self.decoder
            .finish(&mut self.frames, &mut |candidates, open| {
                reader.push_candidates(candidates, open, tone);
            });
        reader.finish(tone);
    }
}

impl Stage for Full {
    fn take(&mut self, frames: &[Frame]) {
        let (reader, tone) = (&mut self.reader, &mut self.tone);
        for frame in frames {
            reader.push_samples(&frame.samples);
            if let Some(sound) = &mut self.sound {
                sound.push(&frame.samples);
            }
            (self.decoder).push(frame, &mut self.frames, &mut |candidates, open| {
                reader.push_candidates(candidates, open, tone);
            });
        }
    }
}

/// Batches that may wait for a stage: a slow one holds the analyser up, not the memory.
const WAITING: usize = 4;

/// A stage that works in a thread of its own as long as batches come.
#[derive(Debug)]
pub(super) struct Beside<S> {
    stage: Arc<Mutex<S>>,
    worker: Option<Worker>,
}

#[derive(Debug)]
struct Worker {
    batches: SyncSender<Arc<[Frame]>>,
    thread: JoinHandle<()>,
}

impl<S: Stage> Beside<S> {
    /// A stage that has not begun.
    pub fn new(stage: S) -> Self {
        Beside {
            stage: Arc::new(Mutex::new(stage)),
            worker: None,
        }
    }

    /// Gives the stage its next frames. Where no thread can be had, they are taken here.
    ///
    /// # Panics
    /// With the stage's own panic.
    pub fn push(&mut self, batch: &Arc<[Frame]>) {
        if self.worker.is_none() {
            let (batches, given) = sync_channel::<Arc<[Frame]>>(WAITING);
            let stage = Arc::clone(&self.stage);
            let work = move || {
                for batch in given {
                    lock(&stage).take(&batch);
                }
            };
            let thread = Builder::new().name("transcriber".into()).spawn(work);
            self.worker = thread.ok().map(|thread| Worker { batches, thread });
        }
        match &self.worker {
            None => lock(&self.stage).take(batch),
            Some(worker) => {
                if worker.batches.send(Arc::clone(batch)).is_err() {
                    // It has panicked.
                    drop(self.settled());
                }
            }
        }
    }

    /// The stage, once it has taken all that it was given.
    ///
    /// # Panics
    /// With the stage's own panic.
    pub fn settled(&mut self) -> MutexGuard<'_, S> {
        if let Some(Worker { batches, thread }) = self.worker.take() {
            drop(batches);
            if let Err(panic) = thread.join() {
                resume_unwind(panic);
            }
        }
        lock(&self.stage)
    }
}

/// A panic in the stage is passed on by [`Beside::settled`], not by the lock.
fn lock<S>(stage: &Mutex<S>) -> MutexGuard<'_, S> {
    stage.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::panic::{AssertUnwindSafe, catch_unwind};

    struct Count(usize);

    impl Stage for Count {
        fn take(&mut self, frames: &[Frame]) {
            assert!(!frames.is_empty(), "an empty batch");
            self.0 += frames.len();
        }
    }

    #[test]
    fn all_batches_are_taken_before_a_stage_is_settled() {
        let mut beside = Beside::new(Count(0));
        let mut frames = Vec::new();
        let settings = crate::analysis::Settings::builder(48_000.0)
            .build()
            .unwrap();
        Analyser::new(settings).push(&[0.0; 4_800], &mut |frame| frames.push(*frame));
        let batch: Arc<[Frame]> = frames[..10].into();
        for round in 1..4 {
            for _ in 0..50 {
                beside.push(&batch);
            }
            assert_eq!(beside.settled().0, round * 500);
        }
    }

    #[test]
    fn a_panic_in_a_stage_is_passed_on() {
        let mut beside = Beside::new(Count(0));
        let empty: Arc<[Frame]> = Vec::new().into();
        let pushed = catch_unwind(AssertUnwindSafe(|| {
            beside.push(&empty);
            drop(beside.settled());
        }));
        assert!(pushed.is_err());
    }
}
