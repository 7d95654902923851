//! Parses the command line, runs the command, prints its error.

#![forbid(unsafe_code)]

use std::io::{self, Write};
use std::process::ExitCode;

use clap::error::ErrorKind;
use clap::{CommandFactory, FromArgMatches, Parser};
use leadpipe::Error;
use leadpipe::internals::text::shown;

mod commands;

use commands::settings::PlayerSettings;

/// The features that were built in.
#[cfg(feature = "jack")]
macro_rules! built_with {
    () => {
        "live, JACK"
    };
}
#[cfg(all(feature = "live", not(feature = "jack")))]
macro_rules! built_with {
    () => {
        "live"
    };
}
#[cfg(not(feature = "live"))]
macro_rules! built_with {
    () => {
        "files only"
    };
}

use commands::{
    Command, compare, demo, horns, intonation, manual, settings, track, transcribe, tunings, write,
};
#[cfg(feature = "live")]
use commands::{calibrate, devices, live, rig, soundcheck};

/// Aborts where an audio callback allocates, in debug builds.
#[cfg(all(feature = "live", debug_assertions))]
#[global_allocator]
static GUARD: assert_no_alloc::AllocDisabler = assert_no_alloc::AllocDisabler;

/// Version, target, compiler and features.
const VERSION: &str = concat!(
    env!("CARGO_PKG_VERSION"),
    " (",
    env!("LEADPIPE_TARGET"),
    ", ",
    env!("LEADPIPE_COMPILER"),
    "; ",
    built_with!(),
    ")"
);

/// Plays a synthesizer rig from a brass instrument: follows pitch and articulation,
/// sends MIDI, OSC and control voltages, transcribes takes, reports intonation.
#[derive(Parser)]
#[command(
    version = VERSION,
    about,
    after_help = "\
Start with `leadpipe` alone: it says what to type first on this machine.

Exit codes: 0 success, 2 wrong command line, 3 the take cannot be used, 4 wrong
name, option or settings file, 5 cannot write, 6 the take is silent or a
soundcheck without notes, 7 a sound device or port cannot be used, 130 interrupted."
)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

/// Exit code for a command line that cannot be understood.
const WRONG_COMMAND_LINE: u8 = 2;
/// A group of commands without a command gets the help.
const NO_COMMAND: ErrorKind = ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand;

fn main() -> ExitCode {
    // A mistake in the settings file is no obstacle to the commands that mend it.
    let (mut player, mistake) = match PlayerSettings::read() {
        Ok(player) => (player, None),
        Err(mistake) => (PlayerSettings::default(), Some(mistake)),
    };
    if std::env::args_os().len() <= 1 {
        settings::keep(player);
        commands::say(commands::first_minute::text().trim_end());
        return ExitCode::from(WRONG_COMMAND_LINE);
    }
    let parsed = player.parse(command_line());
    let (cli, matches) = match parsed.and_then(|m| Ok((Cli::from_arg_matches(&m)?, m))) {
        Ok(parsed) => parsed,
        // Help and version, asked for or not, are printed as they are.
        Err(asked) if !asked.use_stderr() => {
            let printed = asked.print().and_then(|()| io::stdout().flush());
            return ended(printed.map_err(Error::Stdout));
        }
        Err(unasked) if unasked.kind() == NO_COMMAND => unasked.exit(),
        Err(wrong) => {
            eprintln!("leadpipe: {}", one_line(&wrong));
            return ExitCode::from(WRONG_COMMAND_LINE);
        }
    };
    if let Some(mistake) = mistake.filter(|_| cli.command.reads_settings()) {
        commands::say(format_args!("leadpipe: {mistake}"));
        return ExitCode::from(mistake.exit_code());
    }
    // A list that is written may decide what the settings would.
    if !matches!(cli.command, Command::Write(_)) {
        player.say_what_decided(&matches, &[]);
    }
    settings::keep(player);
    // A live session ends by itself.
    if !cli.command.plays() {
        let _ = ctrlc::set_handler(|| {
            commands::discard_unfinished();
            // What shells give for an interrupt.
            std::process::exit(Error::Interrupted.exit_code().into());
        });
    }
    ended(match cli.command {
        Command::Demo(options) => demo::run(&options),
        #[cfg(feature = "live")]
        Command::Live(options) => live::run(&options),
        #[cfg(feature = "live")]
        Command::Soundcheck(options) => soundcheck::run(&options),
        #[cfg(feature = "live")]
        Command::Rig(options) => rig::run(&options),
        #[cfg(feature = "live")]
        Command::Devices(options) => devices::run(&options),
        #[cfg(feature = "live")]
        Command::Calibrate(options) => calibrate::run(&options),
        Command::Transcribe(options) => transcribe::run(&options),
        Command::Write(mut options) => write::run(&mut options, &matches),
        Command::Track(options) => track::run(&options),
        Command::Intonation(options) => intonation::run(&options),
        Command::Compare(options) => compare::run(&options),
        Command::Horns(options) => horns::run(&options),
        Command::Tunings(options) => tunings::run(&options),
        Command::Settings(options) => settings::run(&options),
        Command::Manual(options) => manual::run(&options),
    })
}

/// Prints the error of a command, if it has one; gives the exit code.
fn ended(result: leadpipe::Result<()>) -> ExitCode {
    match result {
        Ok(()) => ExitCode::SUCCESS,
        // The reader of the output has closed it, as `head` does: not an error.
        Err(Error::Stdout(e)) if commands::is_closed(&e) => ExitCode::SUCCESS,
        Err(error) => {
            // Whoever interrupted the program needs no message.
            if !matches!(error, Error::Interrupted) {
                commands::say(format_args!("leadpipe: {error}"));
            }
            ExitCode::from(error.exit_code())
        }
    }
}

/// The command line. Numbers may be negative after every option: whether one may be is said
/// by what reads it, in words.
fn command_line() -> clap::Command {
    Cli::command().mut_subcommands(|command| {
        command.mut_args(
            |arg| match arg.is_positional() || !arg.get_action().takes_values() {
                true => arg,
                false => arg.allow_negative_numbers(true),
            },
        )
    })
}

/// What range a number must lie in, without the number, which has been told.
fn without_value(problem: String) -> String {
    let parts = problem
        .rsplit_once(" is not in ")
        .and_then(|(said, range)| {
            let (said, _value) = said.rsplit_once(' ')?;
            range
                .contains("..=")
                .then(|| format!("{said} give {range}"))
        });
    parts.unwrap_or(problem)
}

/// What is wrong with the command line and where help is, in one line like every error.
fn one_line(wrong: &clap::Error) -> String {
    let text = wrong.render().to_string();
    let lines = text.lines().map(str::trim).filter(|line| !line.is_empty());
    // A list of names that is longer than a line is left to the command that prints it.
    let lines = lines.filter(|line| !line.starts_with("[possible values") || line.len() < 100);
    // An unknown option is not meant as a value.
    let lines = lines.filter(|line| !line.starts_with("tip: to pass '--"));
    // The usage and where to find help are left to the hint.
    let said =
        lines.take_while(|line| !line.starts_with("Usage:") && !line.starts_with("For more"));
    let said: Vec<String> = said.map(shown).collect();
    let problem = said
        .join(" ")
        .replacen("error: ", "", 1)
        .replace(" tip: ", "; ")
        // The standard library's words for a number.
        .replace("invalid float literal", "give a number")
        .replace("invalid digit found in string", "give a whole number");
    let problem = without_value(problem).replace("..=", " to ");
    let mut command = Cli::command();
    let named = std::env::args().skip(1).find(|word| !word.starts_with('-'));
    let of_command = named.filter(|name| command.find_subcommand_mut(name).is_some());
    let command = of_command.map_or(String::new(), |name| format!(" {name}"));
    format!("{problem}; `leadpipe{command} --help` explains it")
}
