//! Commands while playing, from keys, MIDI, OSC and the stage page alike.

/// A command.
#[derive(Debug, Clone, PartialEq)]
pub enum Command {
    /// The next horn of the set.
    NextHorn,
    /// A horn of the set by name.
    Horn(String),
    /// The next tuning of the set.
    NextTuning,
    /// A tuning of the set by name.
    Tuning(String),
    /// The next note source of the set.
    NextSource,
    /// A note source of the set by name.
    Source(String),
    /// Transposes everything sent by this many semitones.
    Shift(i32),
    /// Changes the transposition by this many semitones.
    ShiftBy(i32),
    /// Mutes or unmutes all outputs.
    Mute(bool),
    /// Mutes if unmuted and the reverse.
    ToggleMute,
    /// All notes off, gates low, bend centred.
    Panic,
    /// The doubling voice's next timbre.
    NextTimbre,
    /// Level of the doubling voice at the player's loudest, dBFS.
    VoiceLevel(f64),
    /// Changes that level by so many dB.
    VoiceLevelBy(f64),
    /// Starts a recorded take, or ends it.
    Record(bool),
    /// Starts one if none is recorded and the reverse.
    ToggleRecord,
    /// Marks this moment in the recorded take, as one to come back to.
    Mark,
    /// Ends the session.
    Quit,
    /// Panics in the engine thread, to test what follows.
    #[cfg(test)]
    Fault,
}

/// One step of the doubling voice's level, in dB: heard, and too small to hurt.
pub const LEVEL_STEP_DB: f64 = 2.0;
