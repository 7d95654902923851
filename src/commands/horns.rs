use std::io;

use clap::Args;
use leadpipe::internals::horn::{build_in_words, transposition_in_words};
use leadpipe::{Horn, Result};
use serde::Serialize;

use super::{CatalogueOptions, ListFormat};

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

Of several in a file one is named, --horn FILE.toml:NAME; `leadpipe horns FILE.toml` lists
them. Upper case, blanks and the order of name and key do not matter: \"F tuba\" is tuba-f.

Examples:
  leadpipe horns
  leadpipe horns flugelhorn
  leadpipe horns 'bass trumpet'
  leadpipe horns --format json")]
pub struct Options {
    /// Horn to show, or a TOML file of your own
    #[arg(value_parser = super::HORN, hide_possible_values = true)]
    name: Option<String>,
    #[command(flatten)]
    list: CatalogueOptions,
}

pub fn run(options: &Options) -> Result<()> {
    let horns: Vec<Horn> = match &options.name {
        Some(name) => Horn::find_all(name)?,
        None => Horn::catalogue().to_vec(),
    };
    super::print(|to| match options.list.format() {
        ListFormat::Json => super::write_json(&horns, to),
        ListFormat::Csv => super::write_rows(&horns.iter().map(Row::new).collect::<Vec<_>>(), to),
        ListFormat::Table => horns.iter().try_for_each(|horn| describe(horn, to)),
    })
}

/// A horn in one row.
#[derive(Serialize)]
struct Row<'a> {
    name: &'a str,
    title: &'a str,
    sounds: i32,
    low: String,
    high: String,
    valves: u8,
    slide: bool,
}

impl Row<'_> {
    fn new(horn: &Horn) -> Row<'_> {
        Row {
            name: &horn.name,
            title: &horn.title,
            sounds: horn.sounds,
            low: horn.low.to_string(),
            high: horn.high.to_string(),
            valves: horn.valves,
            slide: horn.slide,
        }
    }
}

fn describe(horn: &Horn, to: &mut dyn io::Write) -> io::Result<()> {
    writeln!(to, "{:<22} {}", horn.name, horn.title)?;
    writeln!(to, "{:<22} {}", "", transposition_in_words(horn.sounds))?;
    writeln!(to, "{:<22} {}", "", build_in_words(horn))?;
    match horn.also.is_empty() {
        true => Ok(()),
        false => writeln!(to, "{:<22} also called {}", "", horn.also.join(", ")),
    }
}
