use clap::{Args, Subcommand};
use leadpipe::internals::live::rig::{self, Rig};
use leadpipe::internals::output::StagedFile;
use leadpipe::internals::text::shown_path;
use leadpipe::{Error, Result};

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
    List,
    /// Check a rig for mistakes
    Check {
        /// Name or path
        name: String,
    },
}

pub fn run(options: &Options) -> Result<()> {
    match &options.action {
        Action::New { name } => {
            let path = rig::path_of(name)?;
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
        Action::List => {
            let folder = rig::folder()?;
            let names = rig::names()?;
            super::print(|to| {
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
            super::live::check(&rig)?;
            super::print(|to| writeln!(to, "{name}: no mistakes found"))
        }
    }
}
