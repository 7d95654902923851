//! Text that comes from outside (names of files, horns and tunings, words of a damaged
//! file), made safe for where it goes.

use std::borrow::Cow;
use std::path::Path;

/// Longest text of others in a line on the terminal, in characters.
const LONGEST: usize = 200;

/// The program, as files name it.
pub const PROGRAM: &str = "leadpipe";

/// Name of standard input as a take.
pub const STDIN: &str = "-";

/// Text for a terminal: control characters, line ends and marks that change the direction
/// of writing are escaped as in a Rust string; what is longer than a line or two is cut in
/// the middle.
pub fn shown(text: &str) -> String {
    let escaped = escaped(text);
    let count = escaped.chars().count();
    if count <= LONGEST {
        return escaped.into_owned();
    }
    let head = LONGEST * 2 / 3;
    let tail = LONGEST - head - 1;
    let start: String = escaped.chars().take(head).collect();
    let end: String = escaped.chars().skip(count - tail).collect();
    format!("{start}…{end}")
}

/// The same in full length.
pub fn escaped(text: &str) -> Cow<'_, str> {
    if !text.contains(acts) {
        return text.into();
    }
    let mut out = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        match acts(c) {
            true => out.extend(c.escape_default()),
            false => out.push(c),
        }
    }
    out.into()
}

/// Whether a character does something to a terminal instead of being shown.
fn acts(c: char) -> bool {
    // Line and paragraph separator; embeddings, overrides and isolates of direction.
    c.is_control()
        || matches!(c, '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{200e}' | '\u{200f}')
}

/// A path for a terminal.
pub fn shown_path(path: &Path) -> String {
    match path.as_os_str() == STDIN {
        true => "standard input".into(),
        false => shown(&path.to_string_lossy()),
    }
}

/// The ending of a file's name in small letters; empty where there is none.
pub fn ending(path: &Path) -> String {
    let ending = path.extension().and_then(|ending| ending.to_str());
    ending.map(str::to_lowercase).unwrap_or_default()
}

/// A number of things: "1 file", "2 files".
pub fn counted(count: u64, thing: &str) -> String {
    match count {
        1 => format!("1 {thing}"),
        _ => format!("{count} {thing}s"),
    }
}

/// Text with what XML 1.0 (section 2.2) forbids replaced by U+FFFD. It still has to be
/// escaped.
pub fn xml(text: &str) -> Cow<'_, str> {
    let forbidden = |c: char| {
        c.is_control() && c < ' ' && !matches!(c, '\t' | '\n' | '\r')
            || matches!(c, '\u{fffe}' | '\u{ffff}')
    };
    match text.contains(forbidden) {
        true => text.replace(forbidden, "\u{fffd}").into(),
        false => text.into(),
    }
}

/// The same, escaped for XML and HTML.
pub fn xml_escaped(text: &str) -> String {
    quick_xml::escape::escape(&*xml(text)).into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn escapes_are_readable_and_long_text_keeps_both_ends() {
        assert_eq!(shown("Bb cornet, 1\u{aa} voz"), "Bb cornet, 1\u{aa} voz");
        assert_eq!(shown("a\nb\x1b[2J\u{9b}"), "a\\nb\\u{1b}[2J\\u{9b}");
        let long = format!("{}.wav", "x".repeat(4_000));
        assert!(shown(&long).ends_with("x.wav") && shown(&long).contains('…'));
        assert_eq!(shown_path(Path::new("-")), "standard input");
    }

    proptest! {
        #[test]
        fn whatever_is_shown_is_one_short_line(text in any::<String>()) {
            let shown = shown(&text);
            prop_assert!(shown.chars().count() <= LONGEST);
            prop_assert!(!shown.contains(char::is_control), "{shown:?}");
        }

        #[test]
        fn any_text_is_read_back_from_xml(text in any::<String>()) {
            let document = format!("<t>{}</t>", xml_escaped(&text));
            let allowed = |c: char| matches!(c, '\t' | '\n' | '\r' | ' '..='\u{d7ff}' | '\u{e000}'..='\u{fffd}' | '\u{10000}'..);
            prop_assert!(document.chars().all(allowed), "{document:?}");
            let mut reader = quick_xml::Reader::from_str(&document);
            while reader.read_event().unwrap() != quick_xml::events::Event::Eof {}
        }
    }
}
