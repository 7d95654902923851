//! One error type for the whole crate. Each message is one line, whatever text of others
//! is in it, that says what is wrong, where, and what to do about it; each kind has an exit code that
//! scripts can rely on.

use std::path::PathBuf;

use crate::input_file::Unreadable;
use crate::text::{shown, shown_path};

/// Everything that can go wrong, each with a hint how to fix it. Kinds of error that
/// only the program meets are not shown here.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The input cannot be used (exit code 3).
    #[error("{}: {}; {}", shown_path(.path), shown(.problem), shown(.hint))]
    Input {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        problem: String,
        /// How to fix it.
        hint: String,
    },
    /// A name, option or settings file is invalid (exit code 4).
    #[error("{}; {}", shown(.problem), shown(.hint))]
    Setting {
        /// What is wrong.
        problem: String,
        /// How to fix it.
        hint: String,
    },
    /// An output could not be written (exit code 5).
    #[error("{}: {}; {}", shown_path(.path), shown(.problem), shown(.hint))]
    Output {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        problem: String,
        /// How to fix it.
        hint: String,
    },
    /// A sound device or a port cannot be used (exit code 7).
    #[doc(hidden)]
    #[error("{}: {}; {}", shown(.device), shown(.problem), shown(.hint))]
    Device {
        /// Its name.
        device: String,
        /// What is wrong.
        problem: String,
        /// How to fix it.
        hint: String,
    },
    /// The take holds no sound at all (exit code 6).
    #[doc(hidden)]
    #[error("{}: the take is silent: its loudest sample is {peak_db:.0} dBFS; {}", shown_path(.path), shown(.hint))]
    Silent {
        /// The take.
        path: PathBuf,
        /// Its loudest sample, dBFS.
        peak_db: f64,
        /// How to fix it.
        hint: String,
    },
    /// Nothing was heard where something should be (exit code 6).
    #[doc(hidden)]
    #[error("{problem}; {hint}")]
    Unheard {
        /// What is missing.
        problem: String,
        /// How to fix it.
        hint: String,
    },
    /// Some of many takes could not be used (exit code of the first).
    #[doc(hidden)]
    #[error("{failed} of {of} takes could not be used; each is named above, with how to fix it")]
    Several {
        /// How many could not be used.
        failed: usize,
        /// How many there are.
        of: usize,
        /// The error of the first.
        first: Box<Error>,
    },
    /// The program was interrupted while it wrote files; none is half written
    /// (exit code 130).
    #[doc(hidden)]
    #[error("interrupted")]
    Interrupted,
    /// Writing to standard output failed (exit code 5).
    #[doc(hidden)]
    #[error("standard output: {0}; check where it is redirected to")]
    Stdout(std::io::Error),
}

/// Result with this crate's error.
pub type Result<T> = std::result::Result<T, Error>;

impl Error {
    /// Input problem at `path`.
    #[doc(hidden)]
    pub fn input(
        path: impl Into<PathBuf>,
        problem: impl std::fmt::Display,
        hint: impl Into<String>,
    ) -> Self {
        Error::Input {
            path: path.into(),
            problem: problem.to_string(),
            hint: hint.into(),
        }
    }

    /// A file that cannot be read.
    #[doc(hidden)]
    pub fn unreadable(path: impl Into<PathBuf>, cause: std::io::Error) -> Self {
        Unreadable::Io(cause).input(&path.into(), "")
    }

    /// Setting problem.
    #[doc(hidden)]
    pub fn setting(problem: impl std::fmt::Display, hint: impl Into<String>) -> Self {
        Error::Setting {
            problem: problem.to_string(),
            hint: hint.into(),
        }
    }

    /// Output problem at `path`.
    #[doc(hidden)]
    pub fn output(
        path: impl Into<PathBuf>,
        problem: impl std::fmt::Display,
        hint: impl Into<String>,
    ) -> Self {
        Error::Output {
            path: path.into(),
            problem: problem.to_string(),
            hint: hint.into(),
        }
    }

    /// Problem with a sound device or a port.
    #[doc(hidden)]
    pub fn device(
        device: impl Into<String>,
        problem: impl std::fmt::Display,
        hint: impl Into<String>,
    ) -> Self {
        Error::Device {
            device: device.into(),
            problem: problem.to_string(),
            hint: hint.into(),
        }
    }

    /// The same about a setting or the file that it stands in; other errors name their place
    /// themselves.
    #[doc(hidden)]
    pub fn about(self, what: impl std::fmt::Display) -> Self {
        match self {
            Error::Setting { problem, hint } => Error::Setting {
                problem: format!("{what}: {problem}"),
                hint,
            },
            other => other,
        }
    }

    /// The same in the words of a command that has other options than most, or other names for
    /// them.
    #[doc(hidden)]
    pub fn reworded(mut self, words: impl Fn(&str) -> String) -> Self {
        match &mut self {
            Error::Input { problem, hint, .. } | Error::Setting { problem, hint } => {
                *problem = words(problem);
                *hint = words(hint);
            }
            Error::Silent { hint, .. } => *hint = words(hint),
            _ => {}
        }
        self
    }

    /// In words, for where its place stands beside it: without the name of a device.
    #[cfg(feature = "live")]
    pub(crate) fn beside_its_name(&self) -> String {
        match self {
            Error::Device { problem, hint, .. } => format!("{}; {}", shown(problem), shown(hint)),
            other => other.to_string(),
        }
    }

    /// The process exit code for this error. Code 2 is kept for the command
    /// line itself.
    #[doc(hidden)]
    pub fn exit_code(&self) -> u8 {
        match self {
            Error::Input { .. } => 3,
            Error::Setting { .. } => 4,
            Error::Output { .. } | Error::Stdout(_) => 5,
            Error::Silent { .. } | Error::Unheard { .. } => 6,
            Error::Device { .. } => 7,
            Error::Interrupted => 130,
            Error::Several { first, .. } => first.exit_code(),
        }
    }
}

/// Similarity (Jaro and Winkler's, 0 to 1) from which a name may have been intended.
const MIN_SIMILARITY: f64 = 0.7;
/// Share of a name's letters that may at most be others (Damerau and Levenshtein's distance): a
/// long name holds the letters of many short words, and is none of them.
const MAX_OTHER: f64 = 0.5;
/// How much less similar than the nearest name another may be and still be suggested.
const AS_SIMILAR: f64 = 0.03;
/// Most names that are suggested: as many as one reads at a glance.
const MAX_SUGGESTED: usize = 3;

/// The names that may have been meant by one that is unknown, as a question.
pub fn did_you_mean<'a>(wanted: &str, names: impl IntoIterator<Item = &'a str>) -> Option<String> {
    let is_near = |word: &str| {
        let begins = wanted.chars().count() > 2 && word.starts_with(wanted);
        begins || 1.0 - strsim::normalized_damerau_levenshtein(wanted, word) <= MAX_OTHER
    };
    let similarity = |name: &str| match name.split('-').any(|word| word == wanted) {
        // One of its words is as good as the whole.
        true => 1.0,
        false if is_near(name) || name.split('-').any(is_near) => {
            strsim::jaro_winkler(wanted, name)
        }
        false => 0.0,
    };
    let near = names.into_iter().map(|name| (similarity(name), name));
    let mut near: Vec<(f64, &str)> = near.filter(|(s, _)| *s >= MIN_SIMILARITY).collect();
    near.sort_by(|a, b| b.0.total_cmp(&a.0));
    let best = near.first().map_or(0.0, |(similarity, _)| *similarity);
    near.retain(|(similarity, _)| *similarity >= best - AS_SIMILAR);
    near.truncate(MAX_SUGGESTED);
    let quoted: Vec<String> = near.iter().map(|(_, name)| format!("\"{name}\"")).collect();
    let (last, others) = quoted.split_last()?;
    Some(match others {
        [] => format!("did you mean {last}?"),
        _ => format!("did you mean {} or {last}?", others.join(", ")),
    })
}

/// The hint for an unknown name: similar ones, if there are any, and the command that
/// lists them all.
pub fn name_hint<'a>(
    wanted: &str,
    names: impl IntoIterator<Item = &'a str>,
    listing: &str,
) -> String {
    let meant = did_you_mean(wanted, names).map_or_else(String::new, |meant| meant + " ");
    format!("{meant}`{listing}` lists them")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn near_names_are_suggested() {
        let names = || {
            [
                "trumpet",
                "trumpet-c",
                "tuba-f",
                "tuba-c",
                "tenor-horn",
                "tenor-tuba",
            ]
        };
        let hint = |wanted: &str| name_hint(wanted, names(), "list");
        assert!(hint("trumpt").starts_with("did you mean \"trumpet\"?"));
        assert!(hint("tuba-g").starts_with("did you mean \"tuba-f\" or \"tuba-c\"?"));
        assert!(hint("tenor").starts_with("did you mean \"tenor-horn\" or \"tenor-tuba\"?"));
        assert_eq!(hint("kazoo"), "`list` lists them");
        // All of its letters are in there, in this order.
        let tunings = ["minor-pentatonic", "just"];
        assert_eq!(name_hint("nope", tunings, "list"), "`list` lists them");
        assert!(name_hint("jsut", tunings, "list").contains("just"));
        assert!(name_hint("minor", tunings, "list").contains("minor-pentatonic"));
    }
}
