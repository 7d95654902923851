//! Opens what a person has named as an input: looks at its kind first, and reads no more
//! than it may hold, whatever length the system gives for it.

use std::fs::{File, FileType};
use std::io::{self, Read};
use std::path::Path;

use crate::error::Error;
#[cfg(feature = "decode")]
use crate::text::STDIN;

/// Why an input cannot be read.
#[derive(Debug)]
pub enum Unreadable {
    /// Nothing of that name can be opened or read.
    Io(io::Error),
    /// It is something else than a file.
    Kind {
        /// What it is.
        problem: &'static str,
        /// What to do.
        hint: &'static str,
    },
    /// It holds more than so many bytes.
    TooLarge(u64),
}

impl Unreadable {
    /// What is wrong and how to fix it; `expected` says what should be given.
    fn words(self, expected: &str) -> (String, String) {
        match self {
            Unreadable::Kind { problem, hint } => (problem.into(), hint.into()),
            Unreadable::TooLarge(most) => {
                let size = match most >> 20 {
                    0 => format!("{} kilobytes", most >> 10),
                    megabytes => format!("{megabytes} MB"),
                };
                (format!("larger than {size}"), format!("give {expected}"))
            }
            Unreadable::Io(error) => match error.kind() {
                io::ErrorKind::NotFound => (
                    "no such file".into(),
                    "check the name and the folder".into(),
                ),
                io::ErrorKind::PermissionDenied => {
                    ("permission denied".into(), "ask for read permission".into())
                }
                _ => (error.to_string(), "check the file".into()),
            },
        }
    }

    /// As an [`Error::Input`] at a path; `expected` says what should be given.
    pub fn input(self, path: &Path, expected: &str) -> Error {
        let (problem, hint) = self.words(expected);
        Error::input(path, problem, hint)
    }

    /// As an [`Error::Setting`] about a path; `expected` says what should be given.
    pub fn setting(self, path: &Path, expected: &str) -> Error {
        let (problem, hint) = self.words(expected);
        Error::setting(
            format!("{}: {problem}", crate::text::shown_path(path)),
            hint,
        )
    }
}

/// What an opened input is.
pub enum Opened {
    /// A file, which can be read twice and at any place.
    File(File),
    /// A pipe, which can be read once.
    Pipe(File),
}

/// Opens a file or a named pipe; a pipe is waited for until something writes to it.
///
/// # Errors
/// [`Unreadable`] for a folder, a device, a socket, or what cannot be opened.
pub fn open(path: &Path) -> Result<Opened, Unreadable> {
    let kind = std::fs::metadata(path).map_err(Unreadable::Io)?.file_type();
    check(kind)?;
    let file = File::open(path).map_err(Unreadable::Io)?;
    match kind.is_file() {
        true => Ok(Opened::File(file)),
        false => Ok(Opened::Pipe(file)),
    }
}

fn check(kind: FileType) -> Result<(), Unreadable> {
    if kind.is_dir() {
        return Err(Unreadable::Kind {
            problem: "this is a folder",
            hint: "give a file in it",
        });
    }
    #[cfg(unix)]
    {
        use std::os::unix::fs::FileTypeExt;
        if kind.is_char_device() || kind.is_block_device() || kind.is_socket() {
            return Err(Unreadable::Kind {
                problem: "this is a device or a socket",
                hint: "give a file or a pipe",
            });
        }
    }
    Ok(())
}

/// Opens a file, or what a pipe or standard input ([`STDIN`]) brings, once it is all there:
/// as a file, which can be read at any place.
///
/// # Errors
/// As [`open`]; standard input that is a terminal; no room for what a pipe brings.
#[cfg(feature = "decode")]
pub fn open_whole(path: &Path) -> Result<File, Unreadable> {
    if path.as_os_str() == STDIN {
        let stdin = io::stdin();
        if io::IsTerminal::is_terminal(&stdin) {
            return Err(Unreadable::Kind {
                problem: "this is the terminal",
                hint: "send a file into it with | or <, or name one",
            });
        }
        return whole(stdin.lock()).map_err(Unreadable::Io);
    }
    match open(path)? {
        Opened::File(file) => Ok(file),
        Opened::Pipe(pipe) => whole(pipe).map_err(Unreadable::Io),
    }
}

/// A nameless file with all that is read.
#[cfg(feature = "decode")]
fn whole(mut from: impl Read) -> io::Result<File> {
    use std::io::Seek;
    let mut file = tempfile::tempfile()?;
    io::copy(&mut from, &mut file)?;
    file.rewind()?;
    Ok(file)
}

/// Reads a whole file or pipe of at most so many bytes.
///
/// # Errors
/// As [`open`], and [`Unreadable::TooLarge`].
pub fn read(path: &Path, most: u64) -> Result<Vec<u8>, Unreadable> {
    let (Opened::File(file) | Opened::Pipe(file)) = open(path)?;
    let mut bytes = Vec::new();
    file.take(most + 1)
        .read_to_end(&mut bytes)
        .map_err(Unreadable::Io)?;
    match bytes.len() as u64 > most {
        true => Err(Unreadable::TooLarge(most)),
        false => Ok(bytes),
    }
}

/// The same as text.
///
/// # Errors
/// As [`read`]; bytes that are not UTF-8.
pub fn read_text(path: &Path, most: u64) -> Result<String, Unreadable> {
    String::from_utf8(read(path, most)?).map_err(|_| Unreadable::Kind {
        problem: "not a text in UTF-8",
        hint: "save it as UTF-8",
    })
}
