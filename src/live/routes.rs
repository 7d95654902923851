//! Which gesture sends what, as the rig file says.

use std::sync::Arc;

use super::control_event::Gesture;

/// What a route sends.
#[derive(Debug, Clone, PartialEq)]
pub enum Action {
    /// Sends a MIDI controller.
    Controller { controller: u8, value: u8 },
    /// Sends an OSC message to an address, without arguments.
    Osc(String),
    /// Fires a trigger voltage: index of the route trigger, from 0.
    Trigger(usize),
}

/// All routes.
#[derive(Debug, Clone, Default)]
pub struct Routes(Arc<[(Gesture, Action)]>);

impl Routes {
    /// Collects routes.
    pub fn new(routes: Vec<(Gesture, Action)>) -> Self {
        Routes(routes.into())
    }

    /// Actions of a gesture.
    pub fn actions(&self, gesture: Gesture) -> impl Iterator<Item = &Action> {
        let waits = move |(when, _): &&(Gesture, Action)| *when == gesture;
        self.0.iter().filter(waits).map(|(_, action)| action)
    }
}
