use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use leadpipe::internals::live::rig::{self, Rig};
use leadpipe::internals::output::StagedFile;
use leadpipe::internals::text::shown_path;
use leadpipe::{Error, Result};
use serde::Serialize;

use super::ListFormat;

/// Create, list and check rig files
#[derive(Args)]
#[command(after_help = "\
A rig file keeps horns, tunings, devices, outputs and pedals from gig to gig. The
rig called \"default\" is used unless you name another.

Examples:
  leadpipe rig new stage       write one to start from, every setting explained
  leadpipe rig list
  leadpipe rig check stage")]
pub struct Options {
    #[command(subcommand)]
    action: Action,
}

#[derive(Subcommand)]
enum Action {
    /// Write a rig to start from, every setting explained
    New {
        /// Name, or a path ending in .toml
        name: String,
    },
    /// List your rigs
    List {
        /// Format of the list on standard output
        #[arg(long, value_enum, default_value_t = ListFormat::Table)]
        format: ListFormat,
    },
    /// Check a rig for mistakes
    Check {
        /// Name or path
        name: String,
    },
}

/// A rig in one row.
#[derive(Serialize)]
struct Row<'a> {
    name: &'a str,
    path: &'a Path,
}

pub fn run(options: &Options) -> Result<()> {
    match &options.action {
        Action::New { name } => {
            let path = rig::path_to_write(name)?;
            if path.exists() {
                return Err(Error::output(
                    path,
                    "it already exists",
                    "choose another name, or edit it",
                ));
            }
            let written =
                StagedFile::write(path, |to| to.write_all(rig::STARTING.as_bytes()))?.commit()?;
            super::print_written(&[written]);
            Ok(())
        }
        Action::List { format } => {
            let folder = rig::folder()?;
            let names = rig::names()?;
            let paths = names.iter().map(|name| rig::path_of(name));
            let paths: Vec<PathBuf> = paths.collect::<Result<_>>()?;
            let rows = names.iter().zip(&paths);
            let rows: Vec<Row> = rows.map(|(name, path)| Row { name, path }).collect();
            super::print_rows(*format, &rows, |to| {
                for name in &names {
                    writeln!(to, "{name}")?;
                }
                if names.is_empty() {
                    writeln!(
                        to,
                        "no rigs in {}; `leadpipe rig new default` writes one",
                        shown_path(&folder)
                    )?;
                }
                Ok(())
            })
        }
        Action::Check { name } => {
            let rig = Rig::load(name)?;
            super::live::check_file(name, &rig)?;
            super::print(|to| writeln!(to, "{name}: no mistakes found"))
        }
    }
}
