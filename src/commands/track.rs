use clap::Args;
use leadpipe::error::Result;
use leadpipe::output::track;

use super::listening::listen;
use super::{EarOptions, TakeOptions};

/// Follow the pitch of a take, a row every 1.3 ms
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
    ear: EarOptions,
}

pub fn run(options: &Options) -> Result<()> {
    let horn = options.ear.horn()?;
    let (heard, _) = listen(
        &options.take.take,
        &options.take.excerpt,
        &options.ear,
        horn.as_ref(),
        true,
    )?;
    super::print(|to| track::write(&heard.track, to))
}
