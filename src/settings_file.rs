//! Reads TOML settings, with errors that name line and column.

use std::path::Path;

use serde::de::DeserializeOwned;

use crate::error::{Error, Result, did_you_mean};
use crate::input_file;
use crate::text::shown_path;

/// Largest settings file, in bytes.
const MAX_BYTES: u64 = 1 << 20;

/// What is wrong with a settings text, and where.
#[derive(Debug, Clone, PartialEq)]
pub struct ParseError {
    /// In words.
    pub message: String,
    /// Line and column, counted from 1.
    pub place: Option<(usize, usize)>,
}

impl ParseError {
    /// Error without a place.
    pub fn plain(message: String) -> Self {
        ParseError {
            message,
            place: None,
        }
    }

    /// Error at a byte of a text.
    pub fn at(text: &str, offset: usize, message: String) -> Self {
        ParseError {
            message,
            place: Some(place(text, offset)),
        }
    }
}

/// Parses TOML.
pub fn parse<T: DeserializeOwned>(text: &str) -> std::result::Result<T, ParseError> {
    toml::from_str(text).map_err(|error| ParseError {
        message: plain(error.message()),
        place: error.span().map(|span| place(text, span.start)),
    })
}

/// What the parser says, on one line and without its names of types.
fn plain(message: &str) -> String {
    let whole = [
        "i8", "i16", "i32", "i64", "u8", "u16", "u32", "u64", "usize",
    ];
    let types = whole.map(|name| (name, "a whole number"));
    let types = types
        .into_iter()
        .chain(["f32", "f64"].map(|name| (name, "a number")));
    let message = with_near_names(&message.replace('\n', ", "));
    types.fold(message, |message, (name, words)| {
        match message.strip_suffix(&format!("expected {name}")) {
            Some(begins) => format!("{begins}expected {words}"),
            None => message,
        }
    })
}

/// A message that lists all known names after an unknown one, with the near ones instead.
fn with_near_names(message: &str) -> String {
    let mut names = message.split('`').skip(1).step_by(2);
    let unknown = message.split_once(", expected ");
    if let (Some((what, _)), Some(wanted)) = (unknown, names.next())
        && what.starts_with("unknown ")
        && let Some(meant) = did_you_mean(wanted, names)
    {
        return format!("{what} ({meant})");
    }
    message.to_owned()
}

fn place(text: &str, offset: usize) -> (usize, usize) {
    let before = text.get(..offset).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.chars().rev().take_while(|&c| c != '\n').count() + 1;
    (line, column)
}

/// Reads a file and parses it with `parse`.
///
/// # Errors
/// [`Error::Setting`] naming file, line and column.
pub fn read<T>(
    path: &Path,
    parse: impl Fn(&str) -> std::result::Result<T, ParseError>,
) -> Result<T> {
    let shown = shown_path(path);
    let text = input_file::read_text(path, MAX_BYTES)
        .map_err(|e| e.setting(path, "a settings file (TOML)"))?;
    parse(&text).map_err(|error| {
        let (place, hint) = match error.place {
            Some((line, column)) => (
                format!(" line {line}, column {column}:"),
                "correct that line",
            ),
            None => (String::new(), "correct it in the file"),
        };
        Error::setting(format!("{shown}:{place} {}", error.message), hint)
    })
}

/// The same, of a file that a command writes to start from; `missing` says that there is none.
///
/// # Errors
/// Those of [`read`]; where the file is missing, [`Error::Setting`] naming the command.
pub fn read_started<T>(
    path: &Path,
    missing: &str,
    command: &str,
    parse: impl Fn(&str) -> std::result::Result<T, ParseError>,
) -> Result<T> {
    if matches!(path.try_exists(), Ok(false)) {
        return Err(Error::setting(
            format!("{}: {missing}", shown_path(path)),
            format!("`{command}` writes one to start from"),
        ));
    }
    read(path, parse)
}

/// For tests: an error is a sentence, and its place lies in the text (one past the end
/// of a line where something is missing).
#[cfg(test)]
pub fn assert_useful(text: &str, error: &ParseError) {
    assert!(!error.message.is_empty(), "{error:?}");
    assert!(!error.message.contains('\n'), "{error:?}");
    if let Some((line, column)) = error.place {
        let lines: Vec<&str> = text.split('\n').collect();
        assert!((1..=lines.len()).contains(&line), "{error:?}: {text:?}");
        let length = lines[line - 1].chars().count();
        assert!((1..=length + 1).contains(&column), "{error:?}: {text:?}");
    }
}
