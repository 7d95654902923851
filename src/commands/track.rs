use std::io;

use clap::Args;
use leadpipe::internals::output::track::Rows;
use leadpipe::{Error, Result, Timeline};

use super::transcription::follow;
use super::{PitchOptions, TakeOptions};

/// Print the pitch of a take over time, a row every 1.3 ms
#[derive(Args)]
#[command(after_help = "\
Writes CSV to standard output: time_s, frequency_hz (empty where there is no
tone), confidence (share of the sound that the pitch explains), level_db.

Examples:
  leadpipe track take.wav > pitch.csv
  leadpipe track take.wav --horn tuba-eb --start 12 --end 20")]
pub struct Options {
    #[command(flatten)]
    take: TakeOptions,
    #[command(flatten)]
    pitch: PitchOptions,
}

pub fn run(options: &Options) -> Result<()> {
    let horn = options.pitch.horn()?;
    let TakeOptions { take, excerpt } = &options.take;
    let mut rows = Rows::new(io::stdout().lock());
    let mut push = |part: &Timeline| rows.push(part).map_err(Error::Stdout);
    follow(take, excerpt, &options.pitch, horn.as_ref(), &mut push)?;
    rows.finish().map_err(Error::Stdout)
}
