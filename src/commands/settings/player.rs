//! The settings file: what a player never changes.

use std::ops::Range;
use std::path::PathBuf;

use clap::ValueEnum;
use leadpipe::internals::settings_file::{self, ParseError};
use leadpipe::{Error, Horn, Reference, Result, Tuning};
use serde::{Deserialize, Serialize};
use toml::Spanned;

use super::super::files::FileKind;
use super::super::part;
use super::super::{ListFormat, TEMPERATURES_C};

/// A settings file to start from, with every setting explained.
pub const STARTING: &str = include_str!("starting_settings.toml");

/// What is set.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct PlayerSettings {
    pub horn: Option<String>,
    pub reference_hz: Option<f64>,
    pub tuning: Option<String>,
    pub tonic: Option<String>,
    pub key: Option<String>,
    pub temperature_c: Option<f64>,
    pub input: Option<String>,
    pub channel: Option<usize>,
    pub format: Option<String>,
    pub write: Option<Vec<String>>,
    pub colour: Colour,
}

/// When there is colour.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Colour {
    /// On a terminal, unless `NO_COLOR` is set.
    #[default]
    Auto,
    Always,
    Never,
}

/// The file, with the place of whatever can be wrong.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    horn: Option<Spanned<String>>,
    reference_hz: Option<Spanned<f64>>,
    tuning: Option<Spanned<String>>,
    tonic: Option<Spanned<String>>,
    key: Option<Spanned<String>>,
    temperature_c: Option<Spanned<f64>>,
    input: Option<String>,
    channel: Option<Spanned<i64>>,
    format: Option<Spanned<String>>,
    write: Option<Vec<Spanned<String>>>,
    #[serde(default)]
    colour: Colour,
}

/// Where the settings file is, whether there is one or not.
///
/// # Errors
/// [`Error::Setting`] where the system has no configuration folder.
pub fn path() -> Result<PathBuf> {
    dirs::config_dir()
        .map(|folder| folder.join("leadpipe").join("settings.toml"))
        .ok_or_else(|| Error::setting("no configuration folder", "set XDG_CONFIG_HOME"))
}

impl PlayerSettings {
    /// The settings of this machine's player; none set where there is no file.
    ///
    /// # Errors
    /// [`Error::Setting`] for a file that is wrong, with line and column.
    pub fn read() -> Result<PlayerSettings> {
        match path() {
            Ok(path) if path.exists() => settings_file::read(&path, parse),
            _ => Ok(PlayerSettings::default()),
        }
    }
}

/// Reads and checks the text of a settings file.
pub fn parse(text: &str) -> std::result::Result<PlayerSettings, ParseError> {
    let file: File = settings_file::parse(text)?;
    let wrong = |span: Range<usize>, what: String| ParseError::at(text, span.start, what);
    let said = |error: Error| error.to_string();
    if let Some(horn) = &file.horn {
        Horn::find(horn.as_ref()).map_err(|e| wrong(horn.span(), said(e)))?;
    }
    let tonic = file.tonic.as_ref().map(|tonic| tonic.as_ref().as_str());
    let reference = match &file.reference_hz {
        Some(hz) => Reference::new(*hz.as_ref()).map_err(|e| wrong(hz.span(), said(e)))?,
        None => Reference::default(),
    };
    if let Some(tuning) = &file.tuning {
        Tuning::find(tuning.as_ref(), None, reference)
            .map_err(|e| wrong(tuning.span(), said(e)))?;
    }
    if let Some(tonic_at) = &file.tonic {
        let tuning = file.tuning.as_ref().map_or("equal-12", |t| t.as_ref());
        Tuning::find(tuning, tonic, reference).map_err(|e| wrong(tonic_at.span(), said(e)))?;
    }
    if let Some(key) = &file.key {
        part::key(key.as_ref()).map_err(|what| wrong(key.span(), format!("key: {what}")))?;
    }
    if let Some(c) = &file.temperature_c
        && !TEMPERATURES_C.contains(c.as_ref())
    {
        let (low, high) = (TEMPERATURES_C.start(), TEMPERATURES_C.end());
        let what = format!("temperature_c: give degrees Celsius, {low} to {high}");
        return Err(wrong(c.span(), what));
    }
    if let Some(channel) = &file.channel
        && !(1..=256).contains(channel.as_ref())
    {
        let what = "channel: give one from 1, the first".into();
        return Err(wrong(channel.span(), what));
    }
    if let Some(format) = &file.format {
        check_kind::<ListFormat>(format).map_err(|what| wrong(format.span(), what))?;
    }
    for kind in file.write.iter().flatten() {
        check_kind::<FileKind>(kind).map_err(|what| wrong(kind.span(), what))?;
    }
    let text = |setting: Option<Spanned<String>>| setting.map(Spanned::into_inner);
    Ok(PlayerSettings {
        horn: text(file.horn),
        reference_hz: file.reference_hz.map(Spanned::into_inner),
        tuning: text(file.tuning),
        tonic: text(file.tonic),
        key: text(file.key),
        temperature_c: file.temperature_c.map(Spanned::into_inner),
        input: file.input,
        channel: file.channel.map(|channel| channel.into_inner() as usize),
        format: text(file.format),
        write: (file.write).map(|kinds| kinds.into_iter().map(Spanned::into_inner).collect()),
        colour: file.colour,
    })
}

/// Whether a word is one of an option's values.
fn check_kind<T: ValueEnum>(word: &Spanned<String>) -> std::result::Result<(), String> {
    T::from_str(word.as_ref(), false).map(drop).map_err(|_| {
        let values = T::value_variants().iter();
        let names: Vec<String> = values
            .filter_map(|value| Some(format!("\"{}\"", value.to_possible_value()?.get_name())))
            .collect();
        format!("\"{}\" is none of {}", word.as_ref(), names.join(", "))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The file to start from with every setting in use.
    fn all_in_use() -> String {
        let setting = |line: &str| {
            line.strip_prefix("# ")
                .filter(|rest| rest.contains(" = "))
                .unwrap_or(line)
                .to_owned()
        };
        let lines: Vec<String> = STARTING.lines().map(setting).collect();
        lines.join("\n")
    }

    #[test]
    fn the_file_to_start_from_sets_nothing_and_shows_everything() {
        assert_eq!(parse(STARTING).unwrap(), PlayerSettings::default());
        let all = parse(&all_in_use()).unwrap();
        let shown = serde_json::to_value(&all).unwrap();
        for (name, value) in shown.as_object().unwrap() {
            assert!(!value.is_null(), "{name}");
        }
    }

    #[test]
    fn mistakes_are_named_with_their_place() {
        for (text, place, words) in [
            ("horn = \"trumpt\"", (1, 8), "did you mean \"trumpet\"?"),
            ("\nreference_hz = 44", (2, 16), "380"),
            ("tuning = \"jsut\"", (1, 10), "just"),
            ("tonic = \"H\"", (1, 9), "tonic such as"),
            ("key = \"H\"", (1, 7), "a key such as F"),
            ("temperature_c = 99.0", (1, 17), "degrees Celsius"),
            ("channel = 0", (1, 11), "from 1"),
            ("format = \"tabel\"", (1, 10), "\"table\""),
            ("write = [\"csv\", \"mid\"]", (1, 17), "\"midi\""),
            ("hron = \"trumpet\"", (1, 1), "did you mean \"horn\"?"),
            ("colour = \"red\"", (1, 10), "never"),
        ] {
            let error = parse(text).unwrap_err();
            assert_eq!(error.place, Some(place), "{text}: {error:?}");
            assert!(error.message.contains(words), "{text}: {error:?}");
        }
    }
}
