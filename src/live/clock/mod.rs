//! The rig's clock. MIDI clock that comes in while a take is recorded is kept with it as a
//! tempo map; the other way round, the player's beat is estimated and sent as a clock.
//!
//! ```text
//! in:  MIDI callback -> (Moment, bytes) -> StreamTime -> recorder -> ClockLog -> TAKE.tempo.mid
//! out: note starts -> BeatFollower -> ClockGenerator -> ClockEvent -> Moment -> MIDI, voltage
//! ```

pub mod beat_clock;
pub mod beat_follower;
pub mod generator;
pub mod input;
pub mod log;
pub mod message;
mod segments;
pub mod stream_time;
pub mod tempo_file;
