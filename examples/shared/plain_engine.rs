//! A live engine without a horn, in equal temperament, that sends what is played.

use leadpipe::internals::live::engine::Engine;
use leadpipe::internals::live::setup::{Choices, Setup};
use leadpipe::internals::sending::DynamicRange;
use leadpipe::{LineContext, Reference, Tuning};

/// The engine for sound at a sample rate, with a gate in dBFS.
pub fn plain_engine(rate_hz: f64, gate_db: f64) -> leadpipe::Result<Engine> {
    let tuning = Tuning::find("equal-12", None, Reference::default())?;
    let choices = Choices {
        horns: Vec::new(),
        tunings: Vec::new(),
        sources: Vec::new(),
    };
    let setup = Setup::new(choices, LineContext::new(tuning), gate_db, rate_hz)?;
    Ok(Engine::new(setup, DynamicRange::default()))
}
