use std::io;

use clap::{Args, ValueEnum};
use leadpipe::internals::output::track::{Objects, Rows};
use leadpipe::{Error, Result, Timeline};

use super::transcription::follow;
use super::{PitchOptions, TakeOptions};

/// Print the pitch of a take over time, a row every 1.4 ms
#[derive(Args)]
#[command(after_help = "\
Writes rows to standard output: time_s, frequency_hz (empty where there is no
tone), confidence (share of the sound that the pitch explains), level_db.

Examples:
  leadpipe track take.wav > pitch.csv
  leadpipe track take.wav --horn tuba-eb --start 12 --end 20")]
pub struct Options {
    #[command(flatten)]
    take: TakeOptions,
    #[command(flatten)]
    pitch: PitchOptions,
    /// Format of the rows on standard output
    #[arg(long, value_enum, default_value_t = RowFormat::Csv)]
    format: RowFormat,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum RowFormat {
    Csv,
    Json,
}

pub fn run(options: &Options) -> Result<()> {
    let horn = options.pitch.horn()?;
    let TakeOptions { take, excerpt } = &options.take;
    let to = io::stdout().lock();
    match options.format {
        RowFormat::Csv => {
            let mut rows = Rows::new(to);
            let mut push = |part: &Timeline| rows.push(part).map_err(Error::Stdout);
            follow(take, excerpt, &options.pitch, horn.as_ref(), &mut push)?;
            rows.finish()
        }
        RowFormat::Json => {
            let mut objects = Objects::new(to);
            let mut push = |part: &Timeline| objects.push(part).map_err(Error::Stdout);
            follow(take, excerpt, &options.pitch, horn.as_ref(), &mut push)?;
            objects.finish()
        }
    }
    .map_err(Error::Stdout)
}
