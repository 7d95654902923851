use clap::Args;
use leadpipe::internals::horn::{build_in_words, transposition_in_words};
use leadpipe::{Horn, Result};

/// List the horns, or show one
#[derive(Args)]
#[command(after_help = "\
A horn of your own is a TOML file; give its path as --horn FILE.toml:

  [[horn]]
  name = \"cavalry-trumpet\"
  title = \"Cavalry trumpet in E flat\"
  sounds = 3              # semitones from written to sounding
  clef = \"treble\"
  low = \"Bb2\"             # sounding range
  high = \"Bb5\"
  fundamental = \"Eb2\"     # sounding pedal note of the open horn
  valves = 3              # or: slide = true

Upper case, blanks and the order of name and key do not matter: \"F tuba\" is tuba-f.

Examples:
  leadpipe horns
  leadpipe horns flugelhorn
  leadpipe horns 'bass trumpet'
  leadpipe horns --json")]
pub struct Options {
    /// Horn to show
    name: Option<String>,
    /// Print as JSON
    #[arg(long)]
    json: bool,
}

pub fn run(options: &Options) -> Result<()> {
    let horns: Vec<Horn> = match &options.name {
        Some(name) => vec![Horn::find(name)?],
        None => Horn::catalogue().to_vec(),
    };
    super::print(|to| {
        if options.json {
            serde_json::to_writer_pretty(&mut *to, &horns)?;
            return writeln!(to);
        }
        for horn in &horns {
            writeln!(to, "{:<22} {}", horn.name, horn.title)?;
            writeln!(to, "{:<22} {}", "", transposition_in_words(horn.sounds))?;
            writeln!(to, "{:<22} {}", "", build_in_words(horn))?;
            if !horn.also.is_empty() {
                writeln!(to, "{:<22} also called {}", "", horn.also.join(", "))?;
            }
        }
        Ok(())
    })
}
