//! The note's name, as large as its place allows.

use font8x8::UnicodeFonts;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use ratatui::widgets::Widget;

/// Pixels of a letter either way.
const PIXELS: u16 = 8;
/// Letters that there is always room for: `Bb4`.
const LETTERS: u16 = 3;

/// A name in letters of pixels, each `scale` cells wide and half as many high: a cell of
/// a terminal is twice as high as wide.
pub struct BigNote<'a> {
    pub name: &'a str,
    pub scale: u16,
    pub style: Style,
}

/// The largest scale that fits, 0 if none does.
pub fn scale(name: &str, width: u16, height: u16) -> u16 {
    let letters = LETTERS.max(name.chars().count() as u16);
    (width / (PIXELS * letters)).min(height / self::height(1))
}

/// Width of a name in cells.
pub fn width(name: &str, scale: u16) -> u16 {
    let letters = LETTERS.max(name.chars().count() as u16);
    letters * PIXELS * scale
}

/// Height of a name in cells.
pub fn height(scale: u16) -> u16 {
    PIXELS * scale / 2
}

impl Widget for BigNote<'_> {
    fn render(self, area: Rect, buffer: &mut Buffer) {
        let scale = self.scale.max(1);
        let glyphs: Vec<[u8; 8]> = self
            .name
            .chars()
            .map(|letter| font8x8::BASIC_FONTS.get(letter).unwrap_or_default())
            .collect();
        let is_set = |column: u16, half_row: u16| {
            let (column, row) = (column / scale, half_row / scale);
            let glyph = glyphs.get(usize::from(column / PIXELS));
            glyph.is_some_and(|rows| rows[usize::from(row)] >> (column % PIXELS) & 1 == 1)
        };
        for y in 0..height(scale).min(area.height) {
            for x in 0..width(self.name, scale).min(area.width) {
                let symbol = match (is_set(x, 2 * y), is_set(x, 2 * y + 1)) {
                    (true, true) => "█",
                    (true, false) => "▀",
                    (false, true) => "▄",
                    (false, false) => continue,
                };
                if let Some(cell) = buffer.cell_mut((area.x + x, area.y + y)) {
                    cell.set_symbol(symbol).set_style(self.style);
                }
            }
        }
    }
}
