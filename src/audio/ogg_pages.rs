//! The end of an Ogg file (RFC 3533). It has no length in its header: only its last page tells
//! whether it was cut off. That the page says so itself (the end-of-stream flag) is not asked for:
//! recordings of broadcasts often lack it, and are whole.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

use super::first_bytes;

/// Header of a page before its segment table.
const HEADER: usize = 27;
/// Longest page: 255 segments of 255 bytes each.
const LONGEST: u64 = HEADER as u64 + 255 + 255 * 255;
/// All flags of a page.
const FLAGS: u8 = 7;

/// Whether an Ogg file stops within a page. What follows a whole one, such as a tag, does not
/// matter. Leaves the file's position anywhere.
///
/// # Errors
/// Those of the file.
pub fn is_cut_off(file: &mut File) -> io::Result<bool> {
    let length = file.metadata()?.len();
    if &first_bytes(file)? != b"OggS" {
        return Ok(false);
    }
    let mut tail = Vec::new();
    file.seek(SeekFrom::Start(length.saturating_sub(LONGEST)))?;
    file.take(LONGEST).read_to_end(&mut tail)?;
    let mut ends = (0..tail.len()).rev().map(|at| &tail[at..]);
    let last = ends.find(|rest| is_page(rest));
    Ok(last.is_some_and(|page| !is_whole(page)))
}

/// Whether a page begins here, as far as there are bytes to tell. The version is 0.
fn is_page(rest: &[u8]) -> bool {
    rest.starts_with(b"OggS")
        && rest.get(4).is_none_or(|version| *version == 0)
        && rest.get(5).is_none_or(|flags| *flags <= FLAGS)
}

fn is_whole(page: &[u8]) -> bool {
    let table = page
        .get(HEADER - 1)
        .and_then(|segments| page.get(HEADER..HEADER + usize::from(*segments)));
    table.is_some_and(|table| {
        let body: usize = table.iter().map(|size| usize::from(*size)).sum();
        page.len() >= HEADER + table.len() + body
    })
}
