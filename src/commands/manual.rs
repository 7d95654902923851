use std::path::PathBuf;

use clap::{Args, CommandFactory};
use clap_complete::Shell;
use leadpipe::Result;
use leadpipe::internals::output::provenance::MANUAL;
use leadpipe::internals::output::{commit_all, stage};

/// Write manual pages and shell completions, for packagers
#[derive(Args)]
#[command(after_help = "\
Writes leadpipe.1, a page for every command, and completions for bash, zsh and
fish.

Example:
  leadpipe manual --out manual")]
pub struct Options {
    /// Folder for the pages
    #[arg(long, value_name = "DIR", default_value = "leadpipe-manual", value_parser = super::output_path())]
    out: PathBuf,
}

pub fn run(options: &Options) -> Result<()> {
    let mut command = crate::Cli::command().disable_help_subcommand(true);
    // A page is named after the full command.
    command.build();
    let mut staged = Vec::new();
    for command in std::iter::once(&command).chain(command.get_subcommands()) {
        let name = command.get_display_name().unwrap_or(command.get_name());
        let page = clap_mangen::Man::new(command.clone());
        let path = options.out.join(format!("{name}.1"));
        staged.push(stage(&path, MANUAL, |to| page.render(to))?);
    }
    for (shell, name) in [
        (Shell::Bash, "leadpipe.bash"),
        (Shell::Zsh, "_leadpipe"),
        (Shell::Fish, "leadpipe.fish"),
    ] {
        let mut text = Vec::new();
        clap_complete::generate(shell, &mut crate::Cli::command(), "leadpipe", &mut text);
        let path = options.out.join(name);
        staged.push(stage(&path, MANUAL, |to| to.write_all(&text))?);
    }
    super::print_written(&commit_all(staged)?);
    Ok(())
}
