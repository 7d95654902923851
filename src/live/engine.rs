//! The live engine: samples and commands in, signals out. No threads, devices
//! or clocks: what it does with a take is the same every time.

use std::sync::Arc;

use super::command::Command;
use super::control_event::{ControlEvent, GestureEvent};
use super::gestures::Gestures;
use super::note_mapper::NoteMapper;
use crate::horn::{Horn, analysis_settings};
use crate::notes::segment::NoteEvent;
use crate::notes::{Attack, PitchFrame};
use crate::transcriber::{Event, Tracker, causal_frame};
use crate::tuning::Tuning;

/// What the engine can be switched between while playing.
#[derive(Debug, Clone)]
pub struct Choices {
    /// Horns within reach; none for concert pitch as it sounds.
    pub horns: Vec<Arc<Horn>>,
    /// Tables of the set.
    pub tables: Vec<Arc<Tuning>>,
    /// Note sources of the set.
    pub sources: Vec<super::note_source::NoteSource>,
}

/// The engine.
pub struct Engine {
    rate_hz: f64,
    gate_db: f64,
    tracker: Tracker,
    /// Stream time at which this tracker began, for times go on when it changes.
    tracker_start_s: f64,
    /// Samples heard since the stream began.
    samples: u64,
    mapper: NoteMapper,
    gestures: Gestures,
    choices: Choices,
    horn: usize,
    table: usize,
    source: usize,
    gesture_events: Vec<GestureEvent>,
    events: Vec<NoteEvent>,
    last: Option<PitchFrame>,
}

impl Engine {
    /// Engine for a stream at `rate_hz`. The player's reading must be of the
    /// stand's first horn and table.
    pub fn new(rate_hz: f64, gate_db: f64, mapper: NoteMapper, choices: Choices) -> Self {
        let horn = mapper.reading().horn.as_ref();
        let tracker = Tracker::new(rate_hz, analysis_settings(horn, gate_db));
        Engine {
            rate_hz,
            gate_db,
            gestures: Gestures::new(tracker.hop_s()),
            tracker,
            tracker_start_s: 0.0,
            samples: 0,
            mapper,
            choices,
            horn: 0,
            table: 0,
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

    /// The player.
    pub fn mapper(&self) -> &NoteMapper {
        &self.mapper
    }

    /// The last moment heard.
    pub fn last(&self) -> Option<PitchFrame> {
        self.last
    }

    /// Level under which nothing is tone, dBFS.
    pub fn gate_db(&self) -> f64 {
        self.gate_db
    }

    /// Hears samples (full scale 1.0; what is not a number is silence).
    pub fn process(&mut self, samples: &[f32], out: &mut Vec<ControlEvent>) {
        let (mapper, gestures) = (&mut self.mapper, &mut self.gestures);
        let (gesture_events, events, last) =
            (&mut self.gesture_events, &mut self.events, &mut self.last);
        let (tracker_start_s, hop_s) = (self.tracker_start_s, self.tracker.hop_s());
        self.tracker.push(samples, &mut |heard| match heard {
            Event::Frame(frame) => {
                // The events of a frame follow it.
                dispatch_events(events, *last, mapper, gestures, gesture_events, out);
                let mut moment = causal_frame(frame);
                moment.time_s += tracker_start_s;
                if let Some(cents) = gestures.hop(moment, gesture_events) {
                    mapper.vibrato_cents = cents;
                }
                mapper.hop(moment, hop_s, out);
                *last = Some(moment);
            }
            Event::Note(event) => events.push(shifted(event, tracker_start_s)),
        });
        dispatch_events(events, *last, mapper, gestures, gesture_events, out);
        self.send_cues(out);
        self.samples += samples.len() as u64;
    }

    /// Ends what sounds, at the end of the stream or of the horn's turn.
    pub fn finish(&mut self, out: &mut Vec<ControlEvent>) {
        let (events, tracker_start_s) = (&mut self.events, self.tracker_start_s);
        self.tracker.finish(&mut |heard| {
            if let Event::Note(event) = heard {
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
        self.mapper.settle_end(out);
        self.send_cues(out);
    }

    fn send_cues(&mut self, out: &mut Vec<ControlEvent>) {
        let sent = self
            .gesture_events
            .drain(..)
            .filter(|_| !self.mapper.muted());
        out.extend(sent.map(ControlEvent::Gesture));
    }

    /// The stream has stopped and another begins, perhaps at another rate: what
    /// sounds ends, times go on.
    pub fn restart(&mut self, rate_hz: f64, out: &mut Vec<ControlEvent>) {
        self.finish(out);
        self.mapper.silence(out);
        let now_s = self.now_s();
        self.rate_hz = rate_hz;
        self.samples = (now_s * rate_hz).round() as u64;
        self.new_tracker();
    }

    /// Does what the player asks for.
    pub fn apply(&mut self, command: &Command, out: &mut Vec<ControlEvent>) {
        match command {
            Command::NextHorn => self.switch_horn(self.horn + 1, out),
            Command::Horn(name) => {
                if let Some(at) = self.choices.horns.iter().position(|h| h.name == *name) {
                    self.switch_horn(at, out);
                }
            }
            Command::NextTable => self.switch_table(self.table + 1),
            Command::Table(name) => {
                if let Some(at) = self.choices.tables.iter().position(|t| t.name() == name) {
                    self.switch_table(at);
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
            // The session's own.
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
        let mut reading = self.mapper.reading().clone();
        if reading.horn.as_ref() == Some(&*horn) {
            return;
        }
        // The ear of the new horn has another range: it starts anew.
        self.finish(out);
        reading.horn = Some((*horn).clone());
        self.mapper.read(reading);
        self.new_tracker();
    }

    fn switch_table(&mut self, to: usize) {
        let count = self.choices.tables.len();
        if count == 0 {
            return;
        }
        self.table = to % count;
        let mut reading = self.mapper.reading().clone();
        reading.tuning = (*self.choices.tables[self.table]).clone();
        self.mapper.read(reading);
    }

    fn switch_source(&mut self, to: usize) {
        let count = self.choices.sources.len();
        if count > 0 {
            self.source = to % count;
            self.mapper.source = self.choices.sources[self.source].clone();
        }
    }

    fn new_tracker(&mut self) {
        let horn = self.mapper.reading().horn.as_ref();
        self.tracker = Tracker::new(self.rate_hz, analysis_settings(horn, self.gate_db));
        self.gestures = Gestures::new(self.tracker.hop_s());
        self.tracker_start_s = self.now_s();
    }
}

/// Farthest shift either way, in semitones.
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

/// Sends on the events of a frame: a note that ends, and the one that begins in
/// its place.
fn dispatch_events(
    events: &mut Vec<NoteEvent>,
    last: Option<PitchFrame>,
    mapper: &mut NoteMapper,
    gestures: &mut Gestures,
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
