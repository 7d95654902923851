//! The score in a compressed MusicXML file (`.mxl`): a ZIP archive whose
//! `META-INF/container.xml` names it (W3C MusicXML 4.0, "Compressed MXL files").
//!
//! Nothing is unpacked to disk, and nothing larger than a score in memory.

use std::io::{Cursor, Read};

use quick_xml::Reader;
use quick_xml::events::Event;
use zip::ZipArchive;

use super::MAX_BYTES;

/// Where the archive says which of its files is the score.
const CONTAINER: &str = "META-INF/container.xml";
/// Largest of those, in bytes: one that lists a dozen files has two thousand.
const MAX_CONTAINER_BYTES: u64 = 64 << 10;

/// The text of the score.
///
/// # Errors
/// What is wrong with the file, in words.
pub fn score(bytes: &[u8]) -> Result<Vec<u8>, String> {
    let mut archive =
        ZipArchive::new(Cursor::new(bytes)).map_err(|e| format!("not a ZIP archive: {e}"))?;
    let container = unpack(&mut archive, CONTAINER, MAX_CONTAINER_BYTES)?;
    let name = root_file(&container).ok_or(format!("no score is named in its {CONTAINER}"))?;
    unpack(&mut archive, &name, MAX_BYTES)
}

/// One file of the archive. What its header says of its size counts for nothing.
fn unpack(
    archive: &mut ZipArchive<Cursor<&[u8]>>,
    name: &str,
    max_bytes: u64,
) -> Result<Vec<u8>, String> {
    let file = archive.by_name(name);
    let file = file.map_err(|e| format!("no {name} can be read from it: {e}"))?;
    let mut content = Vec::new();
    file.take(max_bytes + 1)
        .read_to_end(&mut content)
        .map_err(|e| format!("{name} in it is damaged: {e}"))?;
    if content.len() as u64 > max_bytes {
        return Err(format!(
            "{name} in it is larger than {} kilobytes",
            max_bytes >> 10
        ));
    }
    Ok(content)
}

/// The first file that a container names: the score. Others are the same score in other
/// forms.
fn root_file(container: &[u8]) -> Option<String> {
    let mut reader = Reader::from_str(std::str::from_utf8(container).ok()?);
    loop {
        match reader.read_event().ok()? {
            Event::Start(tag) | Event::Empty(tag) if tag.name().as_ref() == "rootfile" => {
                let path = tag.try_get_attribute("full-path").ok()??;
                return Some(path.value.to_string());
            }
            Event::Eof => return None,
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use zip::ZipWriter;
    use zip::write::SimpleFileOptions;

    use super::*;

    fn archive(files: &[(&str, &[u8])]) -> Vec<u8> {
        let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
        for (name, content) in files {
            zip.start_file(*name, SimpleFileOptions::default()).unwrap();
            zip.write_all(content).unwrap();
        }
        zip.finish().unwrap().into_inner()
    }

    fn container(path: &str) -> Vec<u8> {
        format!(
            "<?xml version=\"1.0\"?><container><rootfiles><rootfile full-path=\"{path}\"/>\
             <rootfile full-path=\"page.pdf\"/></rootfiles></container>"
        )
        .into_bytes()
    }

    #[test]
    fn the_file_that_the_container_names_is_the_score() {
        let bytes = archive(&[
            ("other.xml", b"<other/>"),
            ("score.xml", b"<score-partwise/>"),
            (CONTAINER, &container("score.xml")),
        ]);
        assert_eq!(score(&bytes).unwrap(), b"<score-partwise/>");
    }

    #[test]
    fn what_is_no_score_is_refused_in_words() {
        let score_alone = archive(&[("score.xml", b"<score-partwise/>")]);
        let gone = archive(&[(CONTAINER, &container("score.xml"))]);
        let silent = archive(&[(CONTAINER, b"<container/>")]);
        let cut = &score_alone[..score_alone.len() / 2];
        for (bytes, words) in [
            (&b"PK"[..], "not a ZIP archive"),
            (cut, "not a ZIP archive"),
            (&score_alone, "no META-INF/container.xml"),
            (&gone, "no score.xml"),
            (&silent, "no score is named"),
        ] {
            let problem = score(bytes).unwrap_err();
            assert!(problem.contains(words), "{problem}");
        }
    }

    /// Twenty megabytes of nothing are twenty kilobytes in the archive.
    #[test]
    fn a_score_that_swells_is_refused() {
        let bytes = archive(&[
            (CONTAINER, &container("score.xml")),
            ("score.xml", &vec![b' '; 20 << 20]),
        ]);
        assert!(bytes.len() < 100 << 10);
        let problem = score(&bytes).unwrap_err();
        assert!(problem.contains("larger than 16384 kilobytes"), "{problem}");
    }
}
