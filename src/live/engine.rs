//! The live engine: samples and commands in, control events out. No threads,
//! devices or clocks: the same take always gives the same events.

use std::sync::Arc;

use super::command::Command;
use super::control_event::{ControlEvent, GestureEvent};
use super::gestures::{FinishedNote, GestureDetector};
use super::note_mapper::NoteMapper;
use super::setup::{Changed, Setup};
use crate::error::Result;
use crate::notes::segment::NoteEvent;
use crate::notes::{PitchFrame, STRAY};
use crate::sending::{DynamicRange, Sent};
use crate::transcriber::{Event, Tracker};

/// The engine.
pub struct Engine {
    setup: Setup,
    tracker: Tracker,
    /// Stream time at which this tracker started: stream time continues when the
    /// tracker is replaced.
    tracker_start_s: f64,
    /// Samples processed since the stream started.
    samples: u64,
    /// Dropouts that the trackers before this one filled.
    earlier_dropouts: u64,
    forward: Forward,
    /// Interval of the doubling voice above what is sent, in semitones, where it may be taken
    /// for the horn.
    voice_interval: Option<f64>,
}

impl Engine {
    /// Engine for a setup.
    pub fn new(setup: Setup, dynamic_range: DynamicRange) -> Self {
        let tracker = Tracker::new(setup.settings());
        let context = setup.context.clone();
        Engine {
            forward: Forward {
                last: None,
                events: Vec::with_capacity(8),
                mapper: NoteMapper::new(context, dynamic_range),
                gestures: GestureDetector::new(tracker.hop_s()),
                gesture_events: Vec::with_capacity(8),
                finished: Vec::with_capacity(8),
            },
            setup,
            tracker,
            tracker_start_s: 0.0,
            samples: 0,
            earlier_dropouts: 0,
            voice_interval: None,
        }
    }

    /// Says at which interval above what is sent the doubling voice sounds, in semitones: its
    /// bleed into the microphone is then not taken for the horn. In unison nothing is to be
    /// told apart. What it plays is taken note of once a block, so that events may differ a
    /// little with the length of the blocks.
    pub fn set_voice_interval(&mut self, interval: Option<f64>) {
        self.voice_interval = interval.filter(|interval| interval.abs() > f64::from(STRAY));
    }

    /// What is in use.
    pub fn setup(&self) -> &Setup {
        &self.setup
    }

    /// The same with the note source where it stands now: what is recorded from here on goes
    /// on from there.
    pub fn setup_now(&self) -> Arc<Setup> {
        let mut setup = self.setup.clone();
        Arc::make_mut(&mut setup.context).source = self.forward.mapper.source.clone();
        Arc::new(setup)
    }

    /// Takes the notes that have ended, each still to be described.
    pub fn take_finished(&mut self) -> impl Iterator<Item = FinishedNote> {
        self.forward.finished.drain(..)
    }

    /// Stream time of the newest sample, in seconds.
    pub fn now_s(&self) -> f64 {
        self.samples as f64 / self.setup.rate_hz()
    }

    /// Number of dropouts of the input so far, of up to 12 ms, that were filled.
    pub fn dropouts(&self) -> u64 {
        self.earlier_dropouts + self.tracker.dropouts()
    }

    /// Whether a note sounds of which nothing is sent: after a panic or a mute, until the
    /// next attack.
    pub fn holds_back(&self) -> bool {
        self.forward.gestures.note_sounds() && !self.forward.mapper.note_sounds()
    }

    /// The note mapper.
    pub fn mapper(&self) -> &NoteMapper {
        &self.forward.mapper
    }

    /// The newest pitch frame.
    pub fn last(&self) -> Option<PitchFrame> {
        self.forward.last
    }

    /// Processes samples (full scale 1.0; NaN counts as lost).
    pub fn process(&mut self, samples: &[f32], out: &mut Vec<ControlEvent>) {
        let earlier = out.len();
        let forward = &mut self.forward;
        let (tracker_start_s, hop_s) = (self.tracker_start_s, self.tracker.hop_s());
        self.tracker.push(samples, |event| match event {
            Event::Frame(frame) => {
                // The events of a frame follow it.
                forward.note_events(out);
                let mut frame = frame;
                frame.time_s += tracker_start_s;
                forward.frame(frame, hop_s, out);
            }
            Event::Note(event) => forward.events.push(shifted(event, tracker_start_s)),
        });
        forward.note_events(out);
        self.samples += samples.len() as u64;
        let Some(interval) = self.voice_interval else {
            return;
        };
        // Once a block, which is soon enough: what is sent now is heard later.
        let sounding = out[earlier..]
            .iter()
            .filter_map(|event| match event.sent()? {
                Sent::Start(start) => Some(start.pitch),
                Sent::Update(update) => Some(update.pitch),
                Sent::Stop | Sent::Silence => None,
            });
        for sent in sounding {
            self.tracker.rig_plays((sent.0 + interval) as f32);
        }
    }

    /// Ends the sounding note, at the end of the stream or when the horn is
    /// changed.
    pub fn finish(&mut self, out: &mut Vec<ControlEvent>) {
        let forward = &mut self.forward;
        let tracker_start_s = self.tracker_start_s;
        self.tracker.finish(|heard| {
            if let Event::Note(event) = heard {
                forward.events.push(shifted(event, tracker_start_s));
            }
        });
        forward.note_events(out);
    }

    /// A new stream replaces the old one, perhaps at another sample rate: the
    /// sounding note ends, stream time continues.
    ///
    /// # Errors
    /// [`Error::Setting`](crate::Error::Setting) for a rate that cannot be used.
    pub fn restart(&mut self, rate_hz: f64, out: &mut Vec<ControlEvent>) -> Result<()> {
        self.finish(out);
        self.forward.mapper.silence(out);
        let now_s = self.now_s();
        self.setup.set_rate_hz(rate_hz)?;
        self.samples = (now_s * rate_hz).round() as u64;
        self.new_tracker();
        out.push(ControlEvent::SetupChanged(self.setup_now()));
        Ok(())
    }

    /// Carries out a command.
    pub fn apply(&mut self, command: &Command, out: &mut Vec<ControlEvent>) {
        match command {
            Command::NextHorn
            | Command::Horn(_)
            | Command::NextTuning
            | Command::Tuning(_)
            | Command::NextSource
            | Command::Source(_)
            | Command::Shift(_)
            | Command::ShiftBy(_) => {
                if let Some(changed) = self.setup.select(command) {
                    self.change(changed, out);
                }
            }
            Command::Mute(muted) => self.forward.mapper.mute(*muted, out),
            Command::ToggleMute => self.forward.mapper.mute(!self.forward.mapper.muted(), out),
            Command::Panic => self.forward.mapper.silence(out),
            // Handled by the session.
            Command::NextTimbre
            | Command::VoiceLevel(_)
            | Command::VoiceLevelBy(_)
            | Command::Record(_)
            | Command::ToggleRecord
            | Command::Mark
            | Command::Quit => {}
            #[cfg(test)]
            Command::Fault => panic!("asked for"),
        }
    }

    /// Takes over what has changed in the setup, and says so.
    fn change(&mut self, changed: Changed, out: &mut Vec<ControlEvent>) {
        if changed == Changed::Horn {
            // What sounds still belongs to the old horn.
            self.finish(out);
        }
        let mapper = &mut self.forward.mapper;
        let context = &self.setup.context;
        mapper.set_context(context.clone());
        match changed {
            // The new horn has another pitch range and needs a new tracker.
            Changed::Horn => self.new_tracker(),
            Changed::Tuning => mapper.source.set_tuning(&context.tuning),
            Changed::Source => mapper.source = context.source.clone(),
            Changed::Shift => {}
        }
        out.push(ControlEvent::SetupChanged(self.setup_now()));
    }

    fn new_tracker(&mut self) {
        self.earlier_dropouts = self.dropouts();
        self.tracker = Tracker::new(self.setup.settings());
        self.forward.gestures = GestureDetector::new(self.tracker.hop_s());
        self.tracker_start_s = self.now_s();
    }
}

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

/// What the tracker's frames and notes go through while it runs.
struct Forward {
    /// The newest frame.
    last: Option<PitchFrame>,
    events: Vec<NoteEvent>,
    mapper: NoteMapper,
    gestures: GestureDetector,
    gesture_events: Vec<GestureEvent>,
    finished: Vec<FinishedNote>,
}

impl Forward {
    fn frame(&mut self, frame: PitchFrame, hop_s: f64, out: &mut Vec<ControlEvent>) {
        if let Some(cents) = self.gestures.hop(frame, &mut self.gesture_events) {
            self.mapper.vibrato_cents = cents;
        }
        self.mapper.hop(frame, hop_s, out);
        self.last = Some(frame);
        self.send_gestures(out);
    }

    /// Sends the gestures of a frame, right after what else it sends.
    fn send_gestures(&mut self, out: &mut Vec<ControlEvent>) {
        let is_sent = self.mapper.note_is_told();
        let sent = self.gesture_events.drain(..).filter(|_| is_sent);
        out.extend(sent.map(ControlEvent::Gesture));
    }

    /// Forwards the note events of a frame: a note that ends, and the one that
    /// starts in its place. The note-off goes out here; what the note was is said
    /// later.
    fn note_events(&mut self, out: &mut Vec<ControlEvent>) {
        let now_s = self.last.map_or(0.0, |m| m.time_s);
        let after = self.events.iter().find_map(|event| match event {
            NoteEvent::Started(start) => Some((start.attack, start.onset_s)),
            NoteEvent::Ended(_) => None,
        });
        for event in self.events.drain(..) {
            match event {
                NoteEvent::Started(start) => {
                    self.gestures.start(start, &mut self.gesture_events);
                    self.mapper.vibrato_cents = 0.0;
                    self.mapper.start(start, out);
                }
                NoteEvent::Ended(note) => {
                    let context = self.mapper.note_context().clone();
                    let mut note = self.gestures.end(note, now_s, after, context);
                    note.sent = self.mapper.note_is_told();
                    note.given = self.mapper.given();
                    self.finished.push(note);
                    self.mapper.end(now_s);
                }
            }
        }
        self.mapper.flush_note_off(out);
        self.send_gestures(out);
    }
}

#[cfg(test)]
mod tests;
