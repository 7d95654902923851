//! The live engine: samples and commands in, signals out. No threads, devices
//! or clocks: what it does with a take is the same every time.

use std::sync::Arc;

use super::command::Command;
use super::gestures::Gestures;
use super::player::Player;
use super::signal::{Cue, Signal};
use crate::horn::{Horn, listening};
use crate::notes::segment::NoteEvent;
use crate::notes::{Attack, PitchFrame};
use crate::transcriber::{Event, Tracker, causal_frame};
use crate::tuning::Tuning;

/// What the engine can be switched between while playing.
#[derive(Debug, Clone)]
pub struct Stand {
    /// Horns within reach; none for concert pitch as it sounds.
    pub horns: Vec<Arc<Horn>>,
    /// Tables of the set.
    pub tables: Vec<Arc<Tuning>>,
    /// Note sources of the set.
    pub sources: Vec<super::source::Source>,
}

/// The engine.
pub struct Engine {
    rate_hz: f64,
    gate_db: f64,
    tracker: Tracker,
    /// Stream time at which this tracker began, for times go on when it changes.
    began_s: f64,
    /// Samples heard since the stream began.
    samples: u64,
    player: Player,
    gestures: Gestures,
    stand: Stand,
    horn: usize,
    table: usize,
    source: usize,
    cues: Vec<Cue>,
    events: Vec<NoteEvent>,
    last: Option<PitchFrame>,
}

impl Engine {
    /// Engine for a stream at `rate_hz`. The player's reading must be of the
    /// stand's first horn and table.
    pub fn new(rate_hz: f64, gate_db: f64, player: Player, stand: Stand) -> Self {
        let horn = player.reading().horn.as_ref();
        let tracker = Tracker::new(rate_hz, listening(horn, gate_db));
        Engine {
            rate_hz,
            gate_db,
            gestures: Gestures::new(tracker.hop_s()),
            tracker,
            began_s: 0.0,
            samples: 0,
            player,
            stand,
            horn: 0,
            table: 0,
            source: 0,
            cues: Vec::with_capacity(8),
            events: Vec::with_capacity(8),
            last: None,
        }
    }

    /// Stream time of the newest sample, in seconds.
    pub fn now_s(&self) -> f64 {
        self.samples as f64 / self.rate_hz
    }

    /// The player.
    pub fn player(&self) -> &Player {
        &self.player
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
    pub fn hear(&mut self, samples: &[f32], out: &mut Vec<Signal>) {
        let (player, gestures) = (&mut self.player, &mut self.gestures);
        let (cues, events, last) = (&mut self.cues, &mut self.events, &mut self.last);
        let (began_s, hop_s) = (self.began_s, self.tracker.hop_s());
        self.tracker.push(samples, &mut |heard| match heard {
            Event::Frame(frame) => {
                // The events of a frame follow it.
                settle(events, *last, player, gestures, cues, out);
                let mut moment = causal_frame(frame);
                moment.time_s += began_s;
                if let Some(cents) = gestures.hop(moment, cues) {
                    player.vibrato_cents = cents;
                }
                player.hop(moment, hop_s, out);
                *last = Some(moment);
            }
            Event::Note(event) => events.push(shifted(event, began_s)),
        });
        settle(events, *last, player, gestures, cues, out);
        self.send_cues(out);
        self.samples += samples.len() as u64;
    }

    /// Ends what sounds, at the end of the stream or of the horn's turn.
    pub fn finish(&mut self, out: &mut Vec<Signal>) {
        let (events, began_s) = (&mut self.events, self.began_s);
        self.tracker.finish(&mut |heard| {
            if let Event::Note(event) = heard {
                events.push(shifted(event, began_s));
            }
        });
        settle(
            events,
            self.last,
            &mut self.player,
            &mut self.gestures,
            &mut self.cues,
            out,
        );
        self.player.settle_end(out);
        self.send_cues(out);
    }

    fn send_cues(&mut self, out: &mut Vec<Signal>) {
        let sent = self.cues.drain(..).filter(|_| !self.player.muted());
        out.extend(sent.map(Signal::Cue));
    }

    /// The stream has stopped and another begins, perhaps at another rate: what
    /// sounds ends, times go on.
    pub fn restart(&mut self, rate_hz: f64, out: &mut Vec<Signal>) {
        self.finish(out);
        self.player.silence(out);
        let now_s = self.now_s();
        self.rate_hz = rate_hz;
        self.samples = (now_s * rate_hz).round() as u64;
        self.new_tracker();
    }

    /// Does what the player asks for.
    pub fn obey(&mut self, command: &Command, out: &mut Vec<Signal>) {
        match command {
            Command::NextHorn => self.switch_horn(self.horn + 1, out),
            Command::Horn(name) => {
                if let Some(at) = self.stand.horns.iter().position(|h| h.name == *name) {
                    self.switch_horn(at, out);
                }
            }
            Command::NextTable => self.switch_table(self.table + 1),
            Command::Table(name) => {
                if let Some(at) = self.stand.tables.iter().position(|t| t.name() == name) {
                    self.switch_table(at);
                }
            }
            Command::NextSource => self.switch_source(self.source + 1),
            Command::Source(name) => {
                if let Some(at) = self.stand.sources.iter().position(|s| s.name() == name) {
                    self.switch_source(at);
                }
            }
            Command::Shift(semitones) => {
                self.player.shift = (*semitones).clamp(-MAX_SHIFT, MAX_SHIFT);
            }
            Command::ShiftBy(semitones) => {
                let shift = self.player.shift.saturating_add(*semitones);
                self.player.shift = shift.clamp(-MAX_SHIFT, MAX_SHIFT);
            }
            Command::Mute(muted) => self.player.mute(*muted, out),
            Command::ToggleMute => self.player.mute(!self.player.muted(), out),
            Command::Panic => self.player.silence(out),
            // The session's own.
            Command::NextTimbre | Command::Quit => {}
            #[cfg(test)]
            Command::Fault => panic!("asked for"),
        }
    }

    fn switch_horn(&mut self, to: usize, out: &mut Vec<Signal>) {
        let count = self.stand.horns.len();
        if count == 0 {
            return;
        }
        self.horn = to % count;
        let horn = self.stand.horns[self.horn].clone();
        let mut reading = self.player.reading().clone();
        if reading.horn.as_ref() == Some(&*horn) {
            return;
        }
        // The ear of the new horn has another range: it starts anew.
        self.finish(out);
        reading.horn = Some((*horn).clone());
        self.player.read(reading);
        self.new_tracker();
    }

    fn switch_table(&mut self, to: usize) {
        let count = self.stand.tables.len();
        if count == 0 {
            return;
        }
        self.table = to % count;
        let mut reading = self.player.reading().clone();
        reading.tuning = (*self.stand.tables[self.table]).clone();
        self.player.read(reading);
    }

    fn switch_source(&mut self, to: usize) {
        let count = self.stand.sources.len();
        if count > 0 {
            self.source = to % count;
            self.player.source = self.stand.sources[self.source].clone();
        }
    }

    fn new_tracker(&mut self) {
        let horn = self.player.reading().horn.as_ref();
        self.tracker = Tracker::new(self.rate_hz, listening(horn, self.gate_db));
        self.gestures = Gestures::new(self.tracker.hop_s());
        self.began_s = self.now_s();
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
fn settle(
    events: &mut Vec<NoteEvent>,
    last: Option<PitchFrame>,
    player: &mut Player,
    gestures: &mut Gestures,
    cues: &mut Vec<Cue>,
    out: &mut Vec<Signal>,
) {
    let now_s = last.map_or(0.0, |m| m.time_s);
    let slurred_on = events
        .iter()
        .any(|e| matches!(e, NoteEvent::Started(s) if s.attack == Attack::Slurred));
    for event in events.drain(..) {
        match event {
            NoteEvent::Started(start) => {
                gestures.start(start, cues);
                player.vibrato_cents = 0.0;
                player.start(start, out);
            }
            NoteEvent::Ended(mut note) => {
                gestures.end(&mut note, now_s, slurred_on, cues);
                player.end(note, now_s, out);
            }
        }
    }
}
