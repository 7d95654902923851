//! Two meters: deviation from the tuning, and level.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::{Line, Span};
use ratatui::widgets::Paragraph;

use super::View;

/// Cents from the middle of the tuning meter to its ends.
const REACH_CENTS: f32 = 50.0;
/// Level at the left end of the level meter, dBFS; the right end is full scale.
const LOWEST_DB: f32 = -80.0;

/// Draws both meters, one per line.
pub fn draw(view: &View, frame: &mut Frame, area: Rect) {
    let width = usize::from(area.width);
    let lines = vec![cents(view, width), level(view, width)];
    frame.render_widget(Paragraph::new(lines), area);
}

/// `flat ----------|----▲----- sharp`
fn cents(view: &View, width: usize) -> Line<'static> {
    // An odd number of cells has a middle.
    let rail = width.saturating_sub(13).max(2) | 1;
    let middle = rail / 2;
    let at = view.cents.map(|cents| {
        let share = cents.clamp(-REACH_CENTS, REACH_CENTS) / REACH_CENTS;
        (middle as f32 * (1.0 + share)).round() as usize
    });
    let mark = |i: usize| match (at, i) {
        (Some(at), i) if at == i => '▲',
        (_, i) if i == middle => '│',
        // A tick every 10 cents.
        (_, i) if i.abs_diff(middle) % (middle / 5).max(1) == 0 => '┴',
        _ => '─',
    };
    let text: String = (0..rail).map(mark).collect();
    Line::from(vec![
        Span::raw("flat  "),
        Span::styled(text, view.accent()),
        Span::raw(" sharp"),
    ])
}

/// `soft ████████░░░░┃░░░░ loud`: filled up to the level, the gate marked.
fn level(view: &View, width: usize) -> Line<'static> {
    let rail = width.saturating_sub(11).max(3);
    let place = |db: f32| {
        let share = ((db - LOWEST_DB) / -LOWEST_DB).clamp(0.0, 1.0);
        (share * (rail - 1) as f32).round() as usize
    };
    let level_db = view.trace.back().map_or(-120.0, |p| p.level_db);
    let (filled, gate) = (place(level_db), place(view.now.gate_db as f32));
    let mark = |i: usize| match i {
        i if i == gate => '┃',
        i if i < filled => '█',
        _ => '░',
    };
    let text: String = (0..rail).map(mark).collect();
    Line::from(vec![
        Span::raw("soft  "),
        Span::raw(text),
        Span::raw(" loud"),
    ])
}
