//! What the player can ask for while playing, from keys, MIDI and OSC alike.

/// One wish.
#[derive(Debug, Clone, PartialEq)]
pub enum Command {
    /// The next horn on the stand.
    NextHorn,
    /// A horn on the stand by name.
    Horn(String),
    /// The next table of the set.
    NextTable,
    /// A table of the set by name.
    Table(String),
    /// The next note source of the set.
    NextSource,
    /// A note source of the set by name.
    Source(String),
    /// Everything sent so many semitones higher.
    Shift(i32),
    /// The same, counted from where it is.
    ShiftBy(i32),
    /// Nothing sent, or sent again.
    Mute(bool),
    /// The other of the two.
    ToggleMute,
    /// All notes off, gates low, bend centred.
    Panic,
    /// The doubling voice's next timbre.
    NextTimbre,
    /// The end.
    Quit,
    /// A fault of the engine, to see what comes of it.
    #[cfg(test)]
    Fault,
}
