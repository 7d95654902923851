//! The session on a terminal, made to be read from two metres: the written note as
//! large as the window allows, a meter for cents and one for level, the pitch of
//! the last seconds, and the outputs.
//!
//! Nothing is told by colour alone; with `NO_COLOR` set there is none.

mod meters;
mod trace;

use std::collections::VecDeque;
use std::sync::Arc;

use ratatui::Frame;
use ratatui::layout::{Alignment, Constraint, Layout, Rect};
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::{Line, Span};
use ratatui::widgets::{Block, Borders, Paragraph, Wrap};
use tui_big_text::{BigText, PixelSize};

use super::control_event::{Gesture, NoteOn};
use super::ui_snapshot::{PortStatus, TracePoint, UiSnapshot};
use crate::line::LineNote;

/// Number of notes in the line of the last notes.
const NOTE_HISTORY: usize = 12;
/// How long a gesture stays on the screen, in snapshots.
const GESTURE_SNAPSHOTS: u32 = 30;

/// What the screen keeps from snapshot to snapshot.
#[derive(Default)]
pub struct View {
    now: UiSnapshot,
    trace: VecDeque<TracePoint>,
    last: VecDeque<Arc<LineNote>>,
    gesture_event: Option<(&'static str, u32)>,
    /// The last note: it stays on the screen, dimmed, until the next.
    note: Option<NoteOn>,
    /// Current deviation from the tuning, in cents.
    cents: Option<f32>,
    colour: bool,
    /// Shown until the first note.
    cautions: Vec<String>,
}

impl View {
    /// View with or without colour; `cautions` are shown until the first note.
    pub fn new(colour: bool, cautions: Vec<String>) -> Self {
        View {
            colour,
            cautions,
            ..View::default()
        }
    }

    /// Takes a new snapshot.
    pub fn update(&mut self, mut snapshot: UiSnapshot) {
        self.trace.extend(snapshot.trace.drain(..));
        let oldest_s = snapshot.now_s - trace::SPAN_S;
        while self.trace.front().is_some_and(|p| p.time_s < oldest_s) {
            self.trace.pop_front();
        }
        for note in snapshot.notes.drain(..) {
            if self.last.len() == NOTE_HISTORY {
                self.last.pop_front();
            }
            self.last.push_back(note);
        }
        // The attack is shown with its note; gestures before it belong to the last one.
        let is_attack = |gesture: &Gesture| matches!(gesture, Gesture::Tongued | Gesture::Slurred);
        if let Some(attack) = snapshot.gestures.iter().rposition(is_attack) {
            snapshot.gestures.drain(..=attack);
            self.gesture_event = None;
        }
        self.gesture_event = match (snapshot.gestures.pop(), self.gesture_event) {
            (Some(gesture), _) => Some((gesture.name(), GESTURE_SNAPSHOTS)),
            (None, Some((name, left))) if left > 0 => Some((name, left - 1)),
            _ => None,
        };
        if snapshot.note.is_some() {
            self.note = snapshot.note;
        }
        self.cents = self.cents_now(&snapshot);
        self.now = snapshot;
    }

    /// Deviation of the newest pitch from the sounding note's tuned pitch, in
    /// cents.
    fn cents_now(&self, snapshot: &UiSnapshot) -> Option<f32> {
        let note = snapshot.note?;
        let pitch = self.trace.back().and_then(|p| p.pitch)?;
        let home = f64::from(note.played) - note.cents / 100.0;
        Some(((f64::from(pitch) - home) * 100.0) as f32)
    }

    fn accent(&self) -> Style {
        if self.colour {
            Style::new().fg(Color::Yellow).add_modifier(Modifier::BOLD)
        } else {
            Style::new().add_modifier(Modifier::BOLD)
        }
    }

    fn dimmed(&self) -> Style {
        Style::new().add_modifier(Modifier::DIM)
    }

    /// Draws everything that fits: the note first, then meters, outputs, the trace
    /// and the last notes.
    pub fn draw(&self, frame: &mut Frame) {
        let area = frame.area();
        if area.height < 3 || area.width < 12 {
            frame.render_widget(Paragraph::new(self.compact()), area);
            return;
        }
        let outputs = self.ports().len() as u16;
        let (note, outputs, last) = match area.height {
            0..=8 => (1, 0, 0),
            9..=15 => (4, 0, 1),
            16..=23 => (4, outputs.min(4), 1),
            _ => (8, outputs.min(8), 1),
        };
        let [head, big, meters, middle, ending, ports, foot] = Layout::vertical([
            Constraint::Length(1),
            Constraint::Length(note),
            Constraint::Length(2),
            Constraint::Min(0),
            Constraint::Length(last),
            Constraint::Length(outputs),
            Constraint::Length(1),
        ])
        .areas(area);
        frame.render_widget(Paragraph::new(self.header()), head);
        self.draw_note(frame, big);
        meters::draw(self, frame, meters);
        if middle.height >= 4 {
            trace::draw(self, frame, middle);
        }
        if last > 0 {
            frame.render_widget(Paragraph::new(self.last_notes(ending.width)), ending);
        }
        if outputs > 0 {
            frame.render_widget(Paragraph::new(self.ports()), ports);
        }
        frame.render_widget(Paragraph::new(self.key_help()), foot);
    }

    /// The text for a window of a few cells.
    fn compact(&self) -> String {
        match self.now.note {
            Some(note) => format!("{} {:+.0}", note.written, self.cents.unwrap_or(0.0)),
            None => "-".into(),
        }
    }

    fn header(&self) -> Line<'_> {
        let now = &self.now;
        let mut parts = vec![
            Span::styled(now.horn.clone(), self.accent()),
            Span::raw(format!(" │ {} │ source {}", now.tuning, now.source)),
        ];
        if now.shift != 0 {
            parts.push(Span::raw(format!(" │ shift {:+}", now.shift)));
        }
        if let Some(timbre) = now.timbre {
            parts.push(Span::raw(format!(" │ voice {timbre:?}").to_lowercase()));
        }
        if now.muted {
            let style = self.accent().add_modifier(Modifier::REVERSED);
            parts.push(Span::styled(" MUTED ", style));
        }
        Line::from(parts)
    }

    fn draw_note(&self, frame: &mut Frame, area: Rect) {
        let Some(note) = self.note else {
            let hint = Line::styled("Play: the written note appears here", self.dimmed());
            let cautions = self.cautions.iter().map(|c| Line::from(c.as_str()));
            let lines: Vec<Line> = std::iter::once(hint).chain(cautions).collect();
            frame.render_widget(Paragraph::new(lines).wrap(Wrap { trim: true }), area);
            return;
        };
        let active = self.now.note.is_some();
        let style = if active { self.accent() } else { self.dimmed() };
        let name = note.written.to_string();
        if area.height < 4 {
            let line = format!(
                "{name}  concert {}  {}",
                note.concert,
                self.cents_in_words()
            );
            frame.render_widget(Paragraph::new(line).style(style), area);
            return;
        }
        let (pixel, cell) = match area.height {
            8.. => (PixelSize::Full, 8),
            _ => (PixelSize::HalfHeight, 8),
        };
        let width = (cell * name.chars().count() as u16 + 2).min(area.width);
        let [left, right] =
            Layout::horizontal([Constraint::Length(width), Constraint::Min(0)]).areas(area);
        let big = BigText::builder()
            .pixel_size(pixel)
            .style(style)
            .lines(vec![name.into()])
            .build();
        frame.render_widget(big, left);
        let gesture_event = self.gesture_event.map_or("", |(name, _)| name);
        let words = vec![
            Line::from(format!("concert {}", note.concert)),
            Line::styled(self.cents_in_words(), style),
            Line::from(note.attack.name()),
            Line::styled(gesture_event, self.accent()),
        ];
        frame.render_widget(Paragraph::new(words), right);
    }

    fn cents_in_words(&self) -> String {
        match self.cents {
            Some(cents) if cents.round() > 0.0 => format!("{cents:+.0} cents, sharp"),
            Some(cents) if cents.round() < 0.0 => format!("{cents:+.0} cents, flat"),
            Some(_) => "in tune".into(),
            None => String::new(),
        }
    }

    /// The newest on the right, as many as fit.
    fn last_notes(&self, width: u16) -> Line<'_> {
        let mut words: Vec<String> = Vec::new();
        let mut length = 0;
        for named in self.last.iter().rev() {
            let note = &named.note;
            let mut word = format!("{} {}", named.written, note.length.name());
            if note.attack.name() != "tongued" {
                word = format!("{word} {}", note.attack.name());
            }
            for technique in &note.techniques {
                word = format!("{word} {}", technique.name());
            }
            length += word.len() + 3;
            if length > usize::from(width) {
                break;
            }
            words.push(word);
        }
        words.reverse();
        Line::from(words.join(" · ")).alignment(Alignment::Right)
    }

    /// One line each: a mark, the name, its error and losses.
    fn ports(&self) -> Vec<Line<'_>> {
        let line = |port: &PortStatus, way: &'static str| {
            let lost = match port.lost {
                0 => String::new(),
                lost => format!(", {lost} lost"),
            };
            match &port.error {
                Some(error) => Line::styled(
                    format!("!! {way} {}: {error}{lost}", port.name),
                    self.accent().add_modifier(Modifier::REVERSED),
                ),
                None => Line::from(format!("ok {way} {}{lost}", port.name)),
            }
        };
        let input = std::iter::once(line(&self.now.input, "in "));
        let outputs = self.now.outputs.iter().map(|port| line(port, "out"));
        let delay = std::iter::once(Line::styled(self.delay(), self.dimmed()));
        input.chain(outputs).chain(delay).collect()
    }

    /// Latency of decisions and outputs.
    fn delay(&self) -> String {
        let now = &self.now;
        let out = match now.output_latency_s {
            0.0 => String::new(),
            s => format!(", sound out {:.0} ms later", 1e3 * s),
        };
        let realtime = if now.realtime {
            ""
        } else {
            "; no real-time priority"
        };
        let decided_ms = 1e3 * now.decision_latency_s;
        format!("   notes known {decided_ms:.0} ms after the attack{out}{realtime}")
    }

    fn key_help(&self) -> Line<'_> {
        let keys = "h horn  t tuning  o source  b timbre  +/- shift  m mute  p panic  q quit";
        Line::styled(keys, self.dimmed())
    }
}

/// Titled border of a part of the screen.
fn titled(title: &str) -> Block<'_> {
    Block::new().borders(Borders::TOP).title(title)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notes::Attack;
    use crate::units::{Concert, Pitch, Written};
    use ratatui::Terminal;
    use ratatui::backend::TestBackend;

    fn snapshot() -> UiSnapshot {
        let trace = (0..100).map(|i| TracePoint {
            time_s: 10.0 + f64::from(i) * 0.01,
            pitch: Some(58.12),
            level_db: -22.0,
        });
        UiSnapshot {
            now_s: 11.0,
            note: Some(NoteOn {
                at_s: 10.02,
                onset_s: 10.0,
                concert: Concert(58),
                written: Written(60),
                played: 58.12,
                cents: 12.0,
                key: 58,
                pitch: Pitch(58.12),
                strength: 0.6,
                level_db: -22.0,
                attack: Attack::Tongued,
            }),
            trace: trace.collect(),
            gate_db: -55.0,
            horn: "Flugelhorn in B flat".into(),
            tuning: "12-tone equal temperament".into(),
            source: "follow".into(),
            input: PortStatus {
                name: "jack:input".into(),
                ..PortStatus::default()
            },
            outputs: vec![PortStatus {
                name: "MIDI to virtual".into(),
                error: Some("closed".into()),
                lost: 3,
            }],
            decision_latency_s: 0.02,
            ..UiSnapshot::default()
        }
    }

    fn draw(width: u16, height: u16, snapshot: UiSnapshot) -> String {
        let mut view = View::new(false, vec!["start low".into()]);
        view.update(snapshot);
        let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
        terminal.draw(|frame| view.draw(frame)).unwrap();
        // The backend cannot print an empty screen.
        if width * height == 0 {
            return String::new();
        }
        terminal.backend().to_string()
    }

    #[test]
    fn everything_is_on_a_large_screen() {
        insta::assert_snapshot!(draw(90, 34, snapshot()));
    }

    #[test]
    fn a_small_one_has_what_matters_most() {
        let text = draw(60, 6, snapshot());
        assert!(text.contains("C4") && text.contains("sharp"), "{text}");
    }

    #[test]
    fn cautions_stand_until_the_first_note() {
        assert!(draw(60, 20, UiSnapshot::default()).contains("start low"));
        assert!(!draw(60, 20, snapshot()).contains("start low"));
    }

    #[test]
    fn an_attack_is_named_once() {
        let mut slurred = snapshot();
        slurred.note.as_mut().unwrap().attack = Attack::Slurred;
        slurred.gestures = vec![Gesture::Staccato, Gesture::Slurred, Gesture::Accent];
        let text = draw(90, 34, slurred);
        assert_eq!(text.matches("slurred").count(), 1, "{text}");
        assert!(
            text.contains("accent") && !text.contains("staccato"),
            "{text}"
        );
    }

    #[test]
    fn any_size_can_be_drawn() {
        for width in [0, 1, 5, 11, 12, 30, 80, 250] {
            for height in [0, 1, 2, 3, 8, 9, 15, 16, 24, 31, 60] {
                draw(width, height, snapshot());
                draw(width, height, UiSnapshot::default());
            }
        }
    }
}
