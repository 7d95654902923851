//! The pitch of the last seconds, scrolling from right to left.

use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::symbols::Marker;
use ratatui::widgets::Paragraph;
use ratatui::widgets::canvas::{Canvas, Points};

use super::{View, titled};
use crate::units::key_name;

/// Time from the left end to the right, in seconds.
pub const SPAN_S: f64 = 8.0;
/// Smallest pitch range shown, in semitones.
const MIN_SPAN: f64 = 7.0;

/// Draws the trace with its lowest and highest key at the left.
pub fn draw(view: &View, frame: &mut Frame, area: Rect) {
    let title = format!("concert pitch, last {SPAN_S:.0} s");
    let block = titled(&title);
    let inside = block.inner(area);
    frame.render_widget(block, area);
    let [names, plot] =
        Layout::horizontal([Constraint::Length(5), Constraint::Min(1)]).areas(inside);
    let now_s = view.now.now_s;
    let points: Vec<(f64, f64)> = view
        .trace
        .iter()
        .filter_map(|p| Some((p.time_s - now_s, f64::from(p.pitch?))))
        .collect();
    let pitches = points.iter().map(|(_, pitch)| *pitch);
    let (low, high) = pitches.fold((f64::MAX, f64::MIN), |(l, h), p| (l.min(p), h.max(p)));
    if low > high || names.height < 2 {
        return;
    }
    let middle = 0.5 * (low + high);
    let half = (0.5 * (high - low)).max(0.5 * MIN_SPAN) + 0.5;
    let (low, high) = ((middle - half).floor(), (middle + half).ceil());
    let mut lines = vec![String::new(); usize::from(names.height)];
    let last = lines.len() - 1;
    lines[0] = key_name(high as i32);
    lines[last] = key_name(low as i32);
    frame.render_widget(Paragraph::new(lines.join("\n")), names);
    let style = view.accent();
    let colour = style.fg.unwrap_or(ratatui::style::Color::Reset);
    let canvas = Canvas::default()
        .marker(Marker::Braille)
        .x_bounds([-SPAN_S, 0.0])
        .y_bounds([low, high])
        .paint(|context| {
            context.draw(&Points {
                coords: &points,
                color: colour,
            });
        });
    frame.render_widget(canvas, plot);
}
