//! The live engine: samples and commands in, control events out. No threads,
//! devices or clocks: the same take always gives the same events.

use std::sync::Arc;

use super::command::Command;
use super::control_event::{ControlEvent, GestureEvent};
use super::gestures::GestureDetector;
use super::note_mapper::NoteMapper;
use crate::horn::{Horn, analysis_settings};
use crate::notes::segment::NoteEvent;
use crate::notes::{Attack, PitchFrame};
use crate::transcriber::{Event, Tracker, causal_frame};
use crate::tuning::Tuning;

/// What can be selected while playing.
#[derive(Debug, Clone)]
pub struct Choices {
    /// Horns of the set; empty for concert pitch.
    pub horns: Vec<Arc<Horn>>,
    /// Tunings of the set.
    pub tunings: Vec<Arc<Tuning>>,
    /// Note sources of the set.
    pub sources: Vec<super::note_source::NoteSource>,
}

/// The engine.
pub struct Engine {
    rate_hz: f64,
    gate_db: f64,
    tracker: Tracker,
    /// Stream time at which this tracker started: stream time continues when the
    /// tracker is replaced.
    tracker_start_s: f64,
    /// Samples processed since the stream started.
    samples: u64,
    mapper: NoteMapper,
    gestures: GestureDetector,
    choices: Choices,
    horn: usize,
    tuning: usize,
    source: usize,
    gesture_events: Vec<GestureEvent>,
    events: Vec<NoteEvent>,
    last: Option<PitchFrame>,
}

impl Engine {
    /// Engine for a stream at `rate_hz`. The mapper's context must hold the first
    /// horn and tuning of `choices`.
    pub fn new(rate_hz: f64, gate_db: f64, mapper: NoteMapper, choices: Choices) -> Self {
        let horn = mapper.context().horn.as_ref();
        let tracker = Tracker::new(rate_hz, analysis_settings(horn, gate_db));
        Engine {
            rate_hz,
            gate_db,
            gestures: GestureDetector::new(tracker.hop_s()),
            tracker,
            tracker_start_s: 0.0,
            samples: 0,
            mapper,
            choices,
            horn: 0,
            tuning: 0,
            source: 0,
            gesture_events: Vec::with_capacity(8),
            events: Vec::with_capacity(8),
            last: None,
        }
    }

    /// Stream time of the newest sample, in seconds.
    pub fn now_s(&self) -> f64 {
        self.samples as f64 / self.rate_hz
    }

    /// The note mapper.
    pub fn mapper(&self) -> &NoteMapper {
        &self.mapper
    }

    /// The newest pitch frame.
    pub fn last(&self) -> Option<PitchFrame> {
        self.last
    }

    /// Noise gate, dBFS.
    pub fn gate_db(&self) -> f64 {
        self.gate_db
    }

    /// Processes samples (full scale 1.0; NaN counts as silence).
    pub fn process(&mut self, samples: &[f32], out: &mut Vec<ControlEvent>) {
        let (mapper, gestures) = (&mut self.mapper, &mut self.gestures);
        let (gesture_events, events, last) =
            (&mut self.gesture_events, &mut self.events, &mut self.last);
        let (tracker_start_s, hop_s) = (self.tracker_start_s, self.tracker.hop_s());
        self.tracker.push(samples, &mut |event| match event {
            Event::Frame(frame) => {
                // The events of a frame follow it.
                dispatch_events(events, *last, mapper, gestures, gesture_events, out);
                let mut frame = causal_frame(frame);
                frame.time_s += tracker_start_s;
                if let Some(cents) = gestures.hop(frame, gesture_events) {
                    mapper.vibrato_cents = cents;
                }
                mapper.hop(frame, hop_s, out);
                *last = Some(frame);
            }
            Event::Note(event) => events.push(shifted(event, tracker_start_s)),
        });
        dispatch_events(events, *last, mapper, gestures, gesture_events, out);
        self.send_gestures(out);
        self.samples += samples.len() as u64;
    }

    /// Ends the sounding note, at the end of the stream or when the horn is
    /// changed.
    pub fn finish(&mut self, out: &mut Vec<ControlEvent>) {
        let (events, tracker_start_s) = (&mut self.events, self.tracker_start_s);
        self.tracker.finish(&mut |event| {
            if let Event::Note(event) = event {
                events.push(shifted(event, tracker_start_s));
            }
        });
        dispatch_events(
            events,
            self.last,
            &mut self.mapper,
            &mut self.gestures,
            &mut self.gesture_events,
            out,
        );
        self.mapper.flush_note_off(out);
        self.send_gestures(out);
    }

    fn send_gestures(&mut self, out: &mut Vec<ControlEvent>) {
        let sent = self
            .gesture_events
            .drain(..)
            .filter(|_| !self.mapper.muted());
        out.extend(sent.map(ControlEvent::Gesture));
    }

    /// A new stream replaces the old one, perhaps at another sample rate: the
    /// sounding note ends, stream time continues.
    pub fn restart(&mut self, rate_hz: f64, out: &mut Vec<ControlEvent>) {
        self.finish(out);
        self.mapper.silence(out);
        let now_s = self.now_s();
        self.rate_hz = rate_hz;
        self.samples = (now_s * rate_hz).round() as u64;
        self.new_tracker();
    }

    /// Carries out a command.
    pub fn apply(&mut self, command: &Command, out: &mut Vec<ControlEvent>) {
        match command {
            Command::NextHorn => self.switch_horn(self.horn + 1, out),
            Command::Horn(name) => {
                if let Some(at) = self.choices.horns.iter().position(|h| h.name == *name) {
                    self.switch_horn(at, out);
                }
            }
            Command::NextTuning => self.switch_tuning(self.tuning + 1),
            Command::Tuning(name) => {
                if let Some(at) = self.choices.tunings.iter().position(|t| t.name() == name) {
                    self.switch_tuning(at);
                }
            }
            Command::NextSource => self.switch_source(self.source + 1),
            Command::Source(name) => {
                if let Some(at) = self.choices.sources.iter().position(|s| s.name() == name) {
                    self.switch_source(at);
                }
            }
            Command::Shift(semitones) => {
                self.mapper.shift = (*semitones).clamp(-MAX_SHIFT, MAX_SHIFT);
            }
            Command::ShiftBy(semitones) => {
                let shift = self.mapper.shift.saturating_add(*semitones);
                self.mapper.shift = shift.clamp(-MAX_SHIFT, MAX_SHIFT);
            }
            Command::Mute(muted) => self.mapper.mute(*muted, out),
            Command::ToggleMute => self.mapper.mute(!self.mapper.muted(), out),
            Command::Panic => self.mapper.silence(out),
            // Handled by the session.
            Command::NextTimbre | Command::Quit => {}
            #[cfg(test)]
            Command::Fault => panic!("asked for"),
        }
    }

    fn switch_horn(&mut self, to: usize, out: &mut Vec<ControlEvent>) {
        let count = self.choices.horns.len();
        if count == 0 {
            return;
        }
        self.horn = to % count;
        let horn = self.choices.horns[self.horn].clone();
        let mut context = self.mapper.context().clone();
        if context.horn.as_ref() == Some(&*horn) {
            return;
        }
        // The new horn has another pitch range and needs a new tracker.
        self.finish(out);
        context.horn = Some((*horn).clone());
        self.mapper.set_context(context);
        self.new_tracker();
    }

    fn switch_tuning(&mut self, to: usize) {
        let count = self.choices.tunings.len();
        if count == 0 {
            return;
        }
        self.tuning = to % count;
        let mut context = self.mapper.context().clone();
        context.tuning = (*self.choices.tunings[self.tuning]).clone();
        self.mapper.set_context(context);
    }

    fn switch_source(&mut self, to: usize) {
        let count = self.choices.sources.len();
        if count > 0 {
            self.source = to % count;
            self.mapper.source = self.choices.sources[self.source].clone();
        }
    }

    fn new_tracker(&mut self) {
        let horn = self.mapper.context().horn.as_ref();
        self.tracker = Tracker::new(self.rate_hz, analysis_settings(horn, self.gate_db));
        self.gestures = GestureDetector::new(self.tracker.hop_s());
        self.tracker_start_s = self.now_s();
    }
}

/// Largest transposition either way, in semitones.
const MAX_SHIFT: i32 = 48;

fn shifted(mut event: NoteEvent, by_s: f64) -> NoteEvent {
    match &mut event {
        NoteEvent::Started(start) => {
            start.onset_s += by_s;
            start.decided_s += by_s;
        }
        NoteEvent::Ended(note) => note.shift(by_s),
    }
    event
}

/// Forwards the note events of a frame: a note that ends, and the one that starts
/// in its place.
fn dispatch_events(
    events: &mut Vec<NoteEvent>,
    last: Option<PitchFrame>,
    mapper: &mut NoteMapper,
    gestures: &mut GestureDetector,
    gesture_events: &mut Vec<GestureEvent>,
    out: &mut Vec<ControlEvent>,
) {
    let now_s = last.map_or(0.0, |m| m.time_s);
    let slurred_on = events
        .iter()
        .any(|e| matches!(e, NoteEvent::Started(s) if s.attack == Attack::Slurred));
    for event in events.drain(..) {
        match event {
            NoteEvent::Started(start) => {
                gestures.start(start, gesture_events);
                mapper.vibrato_cents = 0.0;
                mapper.start(start, out);
            }
            NoteEvent::Ended(mut note) => {
                gestures.end(&mut note, now_s, slurred_on, gesture_events);
                mapper.end(note, now_s, out);
            }
        }
    }
}
