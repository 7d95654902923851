//! `leadpipe settings`, and the settings file as defaults of the options.

mod player;

use std::sync::OnceLock;

use clap::parser::ValueSource;
use clap::{ArgMatches, Args, Subcommand};
use leadpipe::internals::output::StagedFile;
use leadpipe::internals::settings_file;
use leadpipe::internals::text::{shown, shown_path};
use leadpipe::{Error, Result};

use super::files::FileKind;
use super::{ListFormat, say};
pub use player::{Colour, PlayerSettings};

/// Show, write and check the settings that you never change
#[derive(Args)]
#[command(after_help = "\
The settings file keeps what stays the same from day to day: your horn, reference
pitch, tuning, key, temperature, input, output formats, colour. It is settings.toml in the
folder leadpipe of your configuration folder (XDG_CONFIG_HOME, ~/.config). Options on
the command line override it, and so does a rig file when you play live.

Examples:
  leadpipe settings new        write one to start from, every setting explained
  leadpipe settings            what is set, and where
  leadpipe settings check")]
pub struct Options {
    #[command(subcommand)]
    action: Option<Action>,
    /// Format of the settings on standard output
    #[arg(long, value_enum, default_value_t = ListFormat::Table)]
    format: ListFormat,
}

#[derive(Subcommand)]
enum Action {
    /// Write a file to start from, every setting explained
    New,
    /// Check the file for mistakes
    Check,
}

pub fn run(options: &Options) -> Result<()> {
    let path = player::path()?;
    match options.action {
        Some(Action::New) => {
            if path.exists() {
                return Err(Error::output(path, "it already exists", "edit it"));
            }
            let text = player::STARTING.as_bytes();
            let written = StagedFile::write(path, |to| to.write_all(text))?.commit()?;
            super::print_written(&[written]);
            Ok(())
        }
        Some(Action::Check) => {
            let missing = "there is no settings file yet";
            settings_file::read_started(&path, missing, "leadpipe settings new", player::parse)?;
            super::print(|to| writeln!(to, "{}: no mistakes found", shown_path(&path)))
        }
        None => show(options, &path),
    }
}

fn show(options: &Options, path: &std::path::Path) -> Result<()> {
    let settings = PlayerSettings::read()?;
    let values = serde_json::to_value(&settings).expect("plain values");
    let set = || {
        let entries = values.as_object().into_iter().flatten();
        entries.filter(|(_, value)| !value.is_null())
    };
    super::print(|to| match options.format {
        ListFormat::Json => super::write_json(&values, to),
        ListFormat::Csv => {
            let mut rows = csv::Writer::from_writer(to);
            rows.write_record(["setting", "value"])?;
            for (name, value) in set() {
                rows.write_record([name.clone(), in_words(value)])?;
            }
            rows.flush()
        }
        ListFormat::Table => {
            let there = match path.exists() {
                true => "",
                false => ": not there yet; `leadpipe settings new` writes it",
            };
            writeln!(to, "{}{there}", shown_path(path))?;
            for (name, value) in set() {
                writeln!(to, "{name:<14} {}", shown(&in_words(value)))?;
            }
            Ok(())
        }
    })
}

fn in_words(value: &serde_json::Value) -> String {
    match value {
        serde_json::Value::String(text) => text.clone(),
        serde_json::Value::Array(values) => {
            let words: Vec<String> = values.iter().map(in_words).collect();
            words.join(",")
        }
        other => other.to_string(),
    }
}

/// Commands that settings are defaults for, and those whose lists have the format alone.
const COMMANDS: [&str; 5] = ["transcribe", "write", "track", "intonation", "compare"];
const LISTS: [&str; 4] = ["horns", "tunings", "devices", "soundcheck"];

/// The player's settings, once they are read.
static PLAYER: OnceLock<PlayerSettings> = OnceLock::new();

/// Keeps the settings for commands that ask for them when they run.
pub fn keep(settings: PlayerSettings) {
    let _ = PLAYER.set(settings);
}

/// The settings that were kept.
pub fn kept() -> PlayerSettings {
    PLAYER.get().cloned().unwrap_or_default()
}

impl PlayerSettings {
    /// Options and the values that the settings give them.
    fn defaults(&self) -> Vec<(&'static str, Vec<String>)> {
        let one = |value: &Option<String>| value.clone().map(|value| vec![value]);
        let number = |value: Option<f64>| value.map(|value| vec![value.to_string()]);
        let all = [
            ("horn", one(&self.horn)),
            ("reference", number(self.reference_hz)),
            ("tuning", one(&self.tuning)),
            ("tonic", one(&self.tonic)),
            ("key", one(&self.key)),
            ("temperature", number(self.temperature_c)),
            ("format", one(&self.format)),
            ("write", self.write.clone()),
        ];
        let given = all.into_iter().filter_map(|(id, value)| Some((id, value?)));
        given.collect()
    }

    /// Reads the command line with the settings as defaults of the options, so that options
    /// win and the help shows them. A tonic belongs to its tuning: where an option names
    /// another, it is forgotten.
    pub fn parse(
        &mut self,
        program: clap::Command,
    ) -> std::result::Result<ArgMatches, clap::Error> {
        let matches = self.apply(program.clone()).try_get_matches()?;
        let given = |id: &str| {
            let (_, given) = matches.subcommand()?;
            given.try_contains_id(id).ok()?;
            given.value_source(id)
        };
        if self.tonic.is_some() && given("tuning") == Some(ValueSource::CommandLine) {
            self.tonic = None;
            return self.apply(program).try_get_matches();
        }
        Ok(matches)
    }

    fn apply(&self, program: clap::Command) -> clap::Command {
        let mut program = program.color(match self.colour {
            Colour::Auto => clap::ColorChoice::Auto,
            Colour::Always => clap::ColorChoice::Always,
            Colour::Never => clap::ColorChoice::Never,
        });
        for (id, values) in self.defaults() {
            let commands = COMMANDS.iter().chain(match id {
                "reference" => &["tunings"][..],
                "format" => &LISTS[..],
                _ => &[],
            });
            for name in commands {
                // A build without live commands has fewer.
                if program.find_subcommand(name).is_none() {
                    continue;
                }
                program = program.mut_subcommand(*name, |command| {
                    let known = command.get_arguments().any(|arg| arg.get_id() == id)
                        // Its rows are no table.
                        && !(id == "format" && *name == "track" && values == ["table"]);
                    match known {
                        true => command.mut_arg(id, |arg| arg.default_values(values.clone())),
                        false => command,
                    }
                });
            }
        }
        program
    }

    /// Says which settings decided something that no option did, nor an input that has a word
    /// in `otherwise`.
    pub fn say_what_decided(&self, matches: &ArgMatches, otherwise: &[&str]) {
        let Some((name, given)) = matches.subcommand() else {
            return;
        };
        if !COMMANDS.contains(&name) && !LISTS.contains(&name) {
            return;
        }
        let has = |id: &str| given.try_contains_id(id).unwrap_or(false);
        let writes_report = || {
            let kinds = given.try_get_many::<FileKind>("write").ok().flatten();
            has("out") && kinds.is_some_and(|mut kinds| kinds.any(|k| *k == FileKind::Report))
        };
        let decided = |id: &str| {
            has(id)
                && !otherwise.contains(&id)
                && given.value_source(id) == Some(ValueSource::DefaultValue)
                // Kinds of file count where files are written, the air in the horn where
                // intonation is reported.
                && (id != "write" || has("out"))
                && (id != "temperature" || name == "intonation" || writes_report())
                // By its own default a track is rows.
                && !(id == "format" && name == "track" && self.format.as_deref() == Some("table"))
        };
        let defaults = self.defaults();
        let words = defaults.iter().filter(|(id, _)| decided(id));
        let words = words.map(|(id, values)| format!("{id} {}", shown(&values.join(","))));
        say_decided(&words.collect::<Vec<_>>());
    }

    /// Fills in what neither a rig nor the command line says.
    #[cfg(feature = "live")]
    pub fn fill(&self, rig: &mut leadpipe::internals::live::rig::Rig) {
        let mut words = Vec::new();
        if let (Some(horn), true) = (&self.horn, rig.horns.is_empty()) {
            rig.horns = vec![horn.clone()];
            words.push(format!("horn {}", shown(horn)));
        }
        if let (Some(tuning), true) = (&self.tuning, rig.tunings.is_empty()) {
            rig.tunings = vec![tuning.clone()];
            words.push(format!("tuning {}", shown(tuning)));
            if let (Some(tonic), None) = (&self.tonic, &rig.tonic) {
                rig.tonic = Some(tonic.clone());
                words.push(format!("tonic {}", shown(tonic)));
            }
        }
        if let (Some(hz), None) = (self.reference_hz, rig.reference_hz) {
            rig.reference_hz = Some(hz);
            words.push(format!("reference {hz}"));
        }
        say_decided(&words);
    }

    /// The same for the horn's input.
    #[cfg(feature = "live")]
    pub fn fill_input(&self, input: &mut leadpipe::internals::live::rig::Input) {
        let mut words = Vec::new();
        if let (Some(device), None) = (&self.input, &input.device) {
            input.device = Some(device.clone());
            words.push(format!("input {}", shown(device)));
            if let (Some(channel), None) = (self.channel, input.channel) {
                input.channel = Some(channel);
                words.push(format!("channel {channel}"));
            }
        }
        say_decided(&words);
    }
}

fn say_decided(words: &[String]) {
    if !words.is_empty() {
        say(format_args!(
            "leadpipe: from your settings: {}",
            words.join(", ")
        ));
    }
}
