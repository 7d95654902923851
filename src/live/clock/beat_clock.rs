//! The clock that follows the player: notes in, pulses out.

use super::beat_follower::BeatFollower;
use super::generator::{ClockGenerator, Pulse};
use super::stream_time::Moment;
use crate::live::control_event::ControlEvent;

/// How far ahead pulses are sent to the outputs, in seconds: each of them waits for its
/// moment, so that no thread's delay shows. Longer than what an output buffers
/// (`output_device.rs`, at most 60 ms), and short beside the time in which a tempo is taken
/// on.
const AHEAD_S: f64 = 0.1;

/// A pulse and when it is due.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockEvent {
    /// The pulse.
    pub pulse: Pulse,
    /// Stream time in seconds; in the future.
    pub at_s: f64,
    /// The same by the clocks that outputs have.
    pub moment: Moment,
}

/// Follower and generator on the engine's clock.
#[derive(Debug, Default)]
pub struct BeatClock {
    follower: BeatFollower,
    generator: ClockGenerator,
    now_s: f64,
}

impl BeatClock {
    /// Takes the note starts among the newest events, and appends the pulses that are due up
    /// to a little after the stream time `now_s`. `moment` tells when it is so many seconds
    /// later; pulses are left out while nobody knows.
    pub fn run(
        &mut self,
        now_s: f64,
        moment: impl Fn(f64) -> Option<Moment>,
        events: &mut Vec<ControlEvent>,
    ) {
        self.now_s = now_s;
        for event in events.iter() {
            if let ControlEvent::NoteOn(start) = event {
                self.follower.onset(start.onset_s);
                if let Some(beat) = self.follower.beat() {
                    self.generator.follow(beat);
                }
            }
        }
        self.generator.run(now_s + AHEAD_S, |at_s, pulse| {
            if let Some(moment) = moment(at_s - now_s) {
                let event = ClockEvent {
                    pulse,
                    at_s,
                    moment,
                };
                events.push(ControlEvent::Clock(event));
            }
        });
    }

    /// Ends it, after the pulses that have been sent.
    pub fn stop(self, moment: impl Fn(f64) -> Option<Moment>, events: &mut Vec<ControlEvent>) {
        if let (true, Some(moment)) = (self.generator.running(), moment(AHEAD_S)) {
            events.push(ControlEvent::Clock(ClockEvent {
                pulse: Pulse::Stop,
                at_s: self.now_s + AHEAD_S,
                moment,
            }));
        }
    }

    /// Tempo that is sent, in quarters a minute, and how sure the beat is.
    pub fn tempo(&self) -> Option<(f64, f64)> {
        let sure = self.follower.beat()?.sure;
        Some((self.generator.tempo()?, sure))
    }
}
