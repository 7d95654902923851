//! Tells the program's own files from others: every format has a place where its first
//! bytes name the program or can be nobody else's. What others wrote is never replaced,
//! nor what a command reads, nor a file of another kind; and what is no take is not
//! transcribed.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use super::staged_file::unwritable;
use super::{csv, json, pdf, track};
use crate::error::{Error, Result};

/// What a file of control voltages says of itself.
pub const CONTROL_VOLTAGES: &str = "control voltages: pitch, gate, trigger, loudness";

/// How a PDF begins.
const PDF: &[u8] = b"%PDF";
/// Bytes that are looked at.
const HEAD: u64 = 4_096;
/// Ending of a tuning's dump.
pub const DUMP: &str = ".syx";
/// What stands for the endings of manual pages and completions, which are many.
pub const MANUAL: &str = ".1";
/// Ending of the pitch over time.
pub const TRACK: &str = ".track.csv";

/// The first bytes of a file; of a PDF the last ones too, where its own mark is.
fn head(path: &Path) -> io::Result<Vec<u8>> {
    let mut head = Vec::new();
    let mut file = File::open(path)?;
    file.by_ref().take(HEAD).read_to_end(&mut head)?;
    if head.starts_with(PDF) {
        let end = i64::try_from(pdf::mark().len()).unwrap_or(0) + 1;
        file.seek(SeekFrom::End(-end))?;
        file.read_to_end(&mut head)?;
    }
    Ok(head)
}

fn contains(head: &[u8], bytes: &[u8]) -> bool {
    head.windows(bytes.len()).any(|window| window == bytes)
}

/// What the names of a format's files end in, if the first bytes of a file are this
/// program's; `None` for a file of others.
fn ending_of(head: &[u8]) -> Option<&'static str> {
    let marked = |mark: &str| contains(head, mark.as_bytes());
    let begins = |text: &str| head.starts_with(text.as_bytes());
    let (own, ending) = match head {
        [b'R', b'I' | b'F', b'F' | b'6', b'F' | b'4', ..] => {
            let voltages = marked(CONTROL_VOLTAGES);
            let ending = if voltages { ".cv.wav" } else { ".wav" };
            (marked("ISFT\u{9}\0\0\0leadpipe"), ending)
        }
        [b'%', b'P', b'D', b'F', ..] => {
            let end = head.trim_ascii_end();
            (end.ends_with(pdf::mark().as_bytes()), ".pdf")
        }
        [b'M', b'T', b'h', b'd', ..] => (marked("\u{1}\u{8}leadpipe"), ".mid"),
        [b'<', b's', b'v', b'g', ..] => (marked("class=\"still\" role=\"img\""), ".svg"),
        [b'<', b'?', b'x', b'm', b'l', ..] => (marked("<software>leadpipe "), ".musicxml"),
        [b'<', b'!', ..] => {
            let generator = "<meta name=\"generator\" content=\"leadpipe\">";
            (marked(generator), ".html")
        }
        // A dump has no room for a mark; it is replaced by another dump alone.
        [0xF0, 0x7E, _, 0x08, 0x01, ..] => (true, DUMP),
        // Pages of the manual and completions, as their generators begin them.
        _ if begins(".ie ") => (marked(".TH leadpipe"), MANUAL),
        _ if begins("_leadpipe() {")
            || begins("#compdef leadpipe")
            || marked("function __fish_leadpipe_") =>
        {
            (true, MANUAL)
        }
        _ if begins(json::BEGIN) => (true, ".json"),
        _ if begins(&track::HEADER.join(",")) => (true, TRACK),
        _ => (begins(&csv::HEADER[..4].join(",")), ".csv"),
    };
    own.then_some(ending)
}

/// The files that this run of the program reads.
static INPUTS: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

/// Keeps a file that is read from being written over, for as long as the program runs.
pub fn keep_input(path: &Path) {
    let mut inputs = INPUTS.lock().unwrap_or_else(PoisonError::into_inner);
    inputs.push(path.to_owned());
}

/// Whether a path leads to one of the files that are read, however it is spelled.
fn is_input(path: &Path) -> bool {
    let inputs = INPUTS.lock().unwrap_or_else(PoisonError::into_inner);
    inputs.iter().any(|input| is_same_file(input, path))
}

/// Whether two paths lead to one file: by links of either kind too.
fn is_same_file(one: &Path, other: &Path) -> bool {
    #[cfg(unix)]
    {
        use std::os::unix::fs::MetadataExt;
        let id = |path: &Path| std::fs::metadata(path).map(|m| (m.dev(), m.ino()));
        matches!((id(one), id(other)), (Ok(one), Ok(other)) if one == other)
    }
    #[cfg(not(unix))]
    {
        let whole = |path: &Path| path.canonicalize();
        matches!((whole(one), whole(other)), (Ok(one), Ok(other)) if one == other)
    }
}

/// Whether a file holds control voltages that this program wrote.
pub fn is_control_voltage(path: &Path) -> bool {
    head(path).is_ok_and(|head| ending_of(&head) == Some(".cv.wav"))
}

/// Whether a file is a note list that this program wrote, which a person may have corrected.
pub fn is_note_list(path: &Path) -> bool {
    let ending = head(path).map(|head| ending_of(&head));
    matches!(ending, Ok(Some(".csv" | ".json")))
}

/// Checks that an output of the format whose names end in `ending` may be written: nothing
/// is there, or a file of that format that this program wrote and does not read now, or an
/// empty one; and the name is one that the folder can hold.
///
/// # Errors
/// [`Error::Output`] saying what is in the way.
pub fn check_free(path: &Path, ending: &str) -> Result<()> {
    let in_the_way = |problem: &str, hint: &str| Err(Error::output(path, problem, hint));
    if let Err(error) = std::fs::symlink_metadata(path) {
        return match error.kind() {
            io::ErrorKind::NotFound => Ok(()),
            io::ErrorKind::InvalidFilename => {
                in_the_way("the name is too long or not allowed", "rename the take")
            }
            _ => Err(unwritable(path, error)),
        };
    }
    let problem = |error: io::Error| unwritable(path, error);
    // A link is replaced, not what it names; but what it names may be missed.
    let metadata = std::fs::metadata(path).map_err(problem)?;
    if !metadata.is_file() {
        return in_the_way(
            "something that is not a file has this name",
            "choose another folder",
        );
    }
    let there = match metadata.len() {
        0 => None,
        _ => match ending_of(&head(path).map_err(problem)?) {
            Some(there) => Some(there),
            None => {
                return in_the_way(
                    "a file that leadpipe did not write has this name",
                    "move it, or choose another folder or name",
                );
            }
        },
    };
    if is_input(path) {
        return in_the_way(
            "the output would replace this file, which is an input",
            "choose another folder or name for the output",
        );
    }
    match there.filter(|there| *there != ending) {
        Some(_) => in_the_way(
            "a file of another kind has this name",
            "move it, or choose another name",
        ),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::super::cv::ControlVoltage;
    use super::super::generated::{Shape, line};
    use super::super::{Output, csv::Csv, json::Json, midi::MidiFile};
    use super::super::{musicxml::MusicXml, picture::Picture};
    use super::*;

    #[test]
    fn every_output_is_known_again_and_others_are_not() {
        let folder = tempfile::tempdir().unwrap();
        let line = line(&[Shape {
            rest_s: 0.1,
            length_s: 0.5,
            pitch: 60.0,
            glide: 0.0,
            slurred: false,
        }]);
        let outputs: [Box<dyn Output>; 6] = [
            Box::new(Csv::default()),
            Box::new(Json::default()),
            Box::new(MidiFile::default()),
            Box::new(ControlVoltage::default()),
            Box::new(MusicXml::default()),
            Box::new(Picture),
        ];
        for output in outputs {
            let path = folder.path().join(format!("a{}", output.extension()));
            output
                .write(&line, &mut File::create(&path).unwrap())
                .unwrap();
            check_free(&path, output.extension()).unwrap();
            let other = check_free(&path, ".other").unwrap_err().to_string();
            assert!(other.contains("another kind"), "{other}");
            assert_eq!(is_control_voltage(&path), output.extension() == ".cv.wav");
        }
        for (name, bytes) in [
            ("a.txt", &b"set list"[..]),
            ("b.mid", b"MThd\0\0\0\x06\0\0\0\x01\x03\xc0MTrk"),
            ("c.csv", b"onset_s,offset_s\n"),
        ] {
            let path = folder.path().join(name);
            std::fs::write(&path, bytes).unwrap();
            let error = check_free(&path, ".csv").unwrap_err().to_string();
            assert!(error.contains("did not write"), "{error}");
        }
        check_free(&folder.path().join("new"), ".csv").unwrap();
        assert!(check_free(folder.path(), ".csv").is_err());
        assert!(check_free(&folder.path().join("x".repeat(300)), ".csv").is_err());
    }

    #[test]
    fn an_input_is_never_replaced_however_it_is_spelled() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.csv");
        std::fs::write(&path, csv::HEADER.join(",")).unwrap();
        check_free(&path, ".csv").unwrap();
        keep_input(&path);
        let mut spelled = vec![path.clone(), folder.path().join("./a.csv")];
        #[cfg(unix)]
        {
            let link = folder.path().join("link.csv");
            std::os::unix::fs::symlink(&path, &link).unwrap();
            spelled.push(link);
        }
        for path in spelled {
            let error = check_free(&path, ".csv").unwrap_err().to_string();
            assert!(error.contains("is an input"), "{error}");
        }
    }
}
