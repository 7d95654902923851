use clap::{Args, Subcommand};
use leadpipe::error::{Error, Result};
use leadpipe::live::rig::{self, Rig};
use leadpipe::output::Draft;

/// Rig files: start one, list them, see what one says
#[derive(Args)]
#[command(after_help = "\
A rig file keeps horns, tables, devices, outputs and pedals from gig to gig. The
rig called \"default\" is used where none is named.

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
    /// List the rigs there are
    List,
    /// Read a rig and say what is wrong with it
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
                    "it is there already",
                    "choose another name, or edit it",
                ));
            }
            let written =
                Draft::write(path, |to| to.write_all(rig::STARTING.as_bytes()))?.keep()?;
            super::tell_files(&[written]);
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
                        "no rig in {}; `leadpipe rig new default` writes one",
                        folder.display()
                    )?;
                }
                Ok(())
            })
        }
        Action::Check { name } => {
            let rig = Rig::load(name)?;
            super::live::check(&rig)?;
            super::print(|to| writeln!(to, "{name}: in order"))
        }
    }
}
