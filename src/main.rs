//! Parses the command line, calls the command, prints the error.

use std::process::ExitCode;

use clap::Parser;

mod commands;

use commands::{Command, demo, horns, intonation, track, transcribe, tunings};

/// A brass player's ear for the synthesizer rig: hears the horn, names every
/// note, and writes notes, MIDI and control voltages.
#[derive(Parser)]
#[command(
    version,
    about,
    after_help = "\
Start with `leadpipe demo --out demo`, then `leadpipe transcribe TAKE.wav`.

Exit codes: 0 done, 2 command line, 3 the take cannot be used, 4 a name or a
settings file, 5 cannot write, 6 the take is silent."
)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

fn main() -> ExitCode {
    let cli = Cli::parse();
    let result = match cli.command {
        Command::Demo(options) => demo::run(&options),
        Command::Transcribe(options) => transcribe::run(&options),
        Command::Track(options) => track::run(&options),
        Command::Intonation(options) => intonation::run(&options),
        Command::Horns(options) => horns::run(&options),
        Command::Tunings(options) => tunings::run(&options),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        // Whoever reads our output has had enough: that is no fault.
        Err(leadpipe::error::Error::Stdout(e)) if e.kind() == std::io::ErrorKind::BrokenPipe => {
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("leadpipe: {error}");
            ExitCode::from(error.exit_code())
        }
    }
}
