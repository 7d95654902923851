//! The written part as a printed page, engraved by LilyPond where that is installed.

use std::ffi::OsString;
use std::io;
use std::process::{Command, Stdio};

use super::page_signs::Heading;
use super::{Output, Sink, lilypond};
use crate::error::{Error, Result};
use crate::line::Line;
use crate::notation::LazyPart;
use crate::text::PROGRAM;

/// The printed part.
#[derive(Debug, Clone, Default)]
pub struct Pdf {
    /// The part.
    pub part: LazyPart,
    /// What stands above it.
    pub heading: Heading,
}

/// Name of the engraver's program, another of which may be named by `LILYPOND`.
const ENGRAVER: &str = "lilypond";
const ENGRAVER_VARIABLE: &str = "LILYPOND";

fn engraver() -> OsString {
    std::env::var_os(ENGRAVER_VARIABLE).unwrap_or_else(|| ENGRAVER.into())
}

/// Checks, before long work, that there is an engraver.
///
/// # Errors
/// [`Error::Setting`] saying what to install.
pub fn check_engraver() -> Result<()> {
    let ran = Command::new(engraver())
        .arg("--version")
        .stdin(Stdio::null())
        .output();
    match ran {
        Ok(output) if output.status.success() => Ok(()),
        _ => Err(Error::setting(
            "no engraver for a PDF",
            "install LilyPond 2.24 or later (`apt install lilypond`, `brew install lilypond`, lilypond.org), or write musicxml",
        )),
    }
}

impl Output for Pdf {
    fn extension(&self) -> &'static str {
        ".pdf"
    }

    /// Runs the engraver in a folder of its own.
    fn write(&self, line: &Line, to: &mut dyn Sink) -> io::Result<()> {
        let folder = tempfile::tempdir()?;
        let input = folder.path().join("part.ly");
        let part = self.part.of(line);
        std::fs::write(&input, lilypond::text(line, part, &self.heading))?;
        let ran = Command::new(engraver())
            .args(["--silent", "--pdf", "-dno-point-and-click", "--output=part"])
            .arg("part.ly")
            .current_dir(folder.path())
            .stdin(Stdio::null())
            .output()?;
        let pdf = std::fs::read(folder.path().join("part.pdf"));
        let pdf = match (ran.status.success(), pdf) {
            (true, Ok(pdf)) => pdf,
            _ => {
                let said = String::from_utf8_lossy(&ran.stderr);
                let said = said.lines().find(|line| line.contains("error"));
                let said = said.unwrap_or("it wrote no page");
                return Err(io::Error::other(format!("the engraver failed: {said}")));
            }
        };
        to.write_all(&pdf)?;
        // A comment after the end, by which the file is known again.
        writeln!(to, "{}", mark())
    }
}

/// How the program's PDF files end.
pub(super) fn mark() -> String {
    format!("%{PROGRAM}")
}
