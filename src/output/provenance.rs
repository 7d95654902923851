//! Tells the program's own files from others: every format has a place where its first
//! bytes name the program or can be nobody else's. What others wrote is never replaced,
//! and what is no take is not transcribed.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;

use super::staged_file::unwritable;
use super::{csv, json, pdf, track};
use crate::error::{Error, Result};

/// What a file of control voltages says of itself.
pub const CONTROL_VOLTAGES: &str = "control voltages: pitch, gate, trigger, loudness";

/// How a PDF begins.
const PDF: &[u8] = b"%PDF";
/// Bytes that are looked at.
const HEAD: u64 = 4_096;

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

/// Whether the first bytes of a file are this program's.
fn is_own(head: &[u8]) -> bool {
    let marked = |mark: &str| contains(head, mark.as_bytes());
    match head {
        [b'R', b'I' | b'F', b'F' | b'6', b'F' | b'4', ..] => marked("ISFT\u{9}\0\0\0leadpipe"),
        [b'%', b'P', b'D', b'F', ..] => head.trim_ascii_end().ends_with(pdf::mark().as_bytes()),
        [b'M', b'T', b'h', b'd', ..] => marked("\u{1}\u{8}leadpipe"),
        [b'<', b's', b'v', b'g', ..] => marked("class=\"still\" role=\"img\""),
        [b'<', b'?', b'x', b'm', b'l', ..] => marked("<software>leadpipe "),
        [b'<', b'!', ..] => marked("<meta name=\"generator\" content=\"leadpipe\">"),
        // A dump has no room for a mark; it is replaced by another dump alone.
        [0xF0, 0x7E, _, 0x08, 0x01, ..] => true,
        _ => {
            let begins = |text: &str| head.starts_with(text.as_bytes());
            begins(&csv::HEADER[..4].join(","))
                || begins(&track::HEADER.join(","))
                || begins(json::BEGIN)
        }
    }
}

/// Whether a file holds control voltages that this program wrote.
pub fn is_control_voltage(path: &Path) -> bool {
    head(path).is_ok_and(|head| is_own(&head) && contains(&head, CONTROL_VOLTAGES.as_bytes()))
}

/// Checks that an output may be written: nothing is there, or a file that this program
/// wrote, or an empty one; and the name is one that the folder can hold.
///
/// # Errors
/// [`Error::Output`] saying what is in the way.
pub fn check_free(path: &Path) -> Result<()> {
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
    if metadata.len() == 0 || is_own(&head(path).map_err(problem)?) {
        return Ok(());
    }
    in_the_way(
        "a file that leadpipe did not write has this name",
        "move it, or choose another folder or name",
    )
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
            check_free(&path).unwrap();
            assert_eq!(is_control_voltage(&path), output.extension() == ".cv.wav");
        }
        for (name, bytes) in [
            ("a.txt", &b"set list"[..]),
            ("b.mid", b"MThd\0\0\0\x06\0\0\0\x01\x03\xc0MTrk"),
            ("c.csv", b"onset_s,offset_s\n"),
        ] {
            let path = folder.path().join(name);
            std::fs::write(&path, bytes).unwrap();
            let error = check_free(&path).unwrap_err().to_string();
            assert!(error.contains("did not write"), "{error}");
        }
        check_free(&folder.path().join("new")).unwrap();
        assert!(check_free(folder.path()).is_err());
        assert!(check_free(&folder.path().join("x".repeat(300))).is_err());
    }
}
