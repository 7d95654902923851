//! Colour in tables on a terminal.

use super::picture;

/// Colours, or none.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Paint {
    on: bool,
}

impl Paint {
    /// Colours where `on`.
    pub fn new(on: bool) -> Paint {
        Paint { on }
    }

    /// A table's heading.
    pub fn heading(self, text: &str) -> String {
        self.with("1", text)
    }

    /// Text that stands for a deviation in cents: green in tune, red sharp, blue flat, as in
    /// the report.
    pub fn cents(self, cents: f64, text: &str) -> String {
        let code = match picture::tune(cents).0 {
            "sharp" => "31",
            "flat" => "34",
            _ => "32",
        };
        self.with(code, text)
    }

    /// Select Graphic Rendition (ECMA-48, 8.3.117) around a text.
    fn with(self, code: &str, text: &str) -> String {
        match self.on {
            true => format!("\x1b[{code}m{text}\x1b[0m"),
            false => text.to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colours_say_which_way() {
        let paint = Paint::new(true);
        assert_eq!(paint.cents(12.0, "+12"), "\x1b[31m+12\x1b[0m");
        assert_eq!(paint.cents(-12.0, "-12"), "\x1b[34m-12\x1b[0m");
        assert_eq!(Paint::default().cents(12.0, "+12"), "+12");
    }
}
