//! The session on a terminal, made to be read from two metres: the written note as
//! large as the window allows, a meter for cents and one for level, the pitch of
//! the last seconds, and the outputs.
//!
//! Nothing is told by colour alone; with `NO_COLOR` set there is none.

mod big_note;
mod meters;
mod trace;

use std::collections::VecDeque;
use std::sync::Arc;

use ratatui::Frame;
use ratatui::layout::{Alignment, Constraint, Layout, Rect};
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::{Line, Span};
use ratatui::widgets::{Block, Borders, Paragraph, Wrap};

use super::control_event::{Gesture, Mark, NoteOn};
use super::ui_snapshot::{TracePoint, UiSnapshot};
use crate::line::LineNote;
use crate::units::{clock, whole};
use big_note::BigNote;

/// Number of notes in the line of the last notes.
const NOTE_HISTORY: usize = 12;
/// How long a gesture stays on the screen, in snapshots.
const GESTURE_SNAPSHOTS: u32 = 30;
/// How long a mark does.
const MARK_SNAPSHOTS: u32 = 75;
/// How long it is shown why a command was refused.
const REFUSED_SNAPSHOTS: u32 = 150;

/// What the screen keeps from snapshot to snapshot.
#[derive(Default)]
pub struct View {
    now: UiSnapshot,
    trace: VecDeque<TracePoint>,
    last: VecDeque<Arc<LineNote>>,
    gesture_event: Option<(&'static str, u32)>,
    /// The last mark, and for how many snapshots it is still shown.
    mark: Option<(Mark, u32)>,
    /// Why a command was last refused, and for how many snapshots that is still shown.
    refused: Option<(String, u32)>,
    /// The last note: it stays on the screen, dimmed, until the next.
    note: Option<NoteOn>,
    /// Its name.
    name: Option<String>,
    /// Current deviation from the tuning, in cents.
    cents: Option<f32>,
    colour: bool,
    /// Shown until the first note.
    cautions: Vec<String>,
    /// How the stage page is opened; empty where there is none.
    invitation: Vec<String>,
    /// What is shown instead of the notes.
    sheet: Option<Sheet>,
}

/// What can be shown instead of the notes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sheet {
    /// The list of keys.
    Keys,
    /// Address and code of the stage page.
    Page,
}

impl View {
    /// View with or without colour; `cautions` are shown until the first note, and
    /// `invitation`, how to open the stage page, when asked for.
    pub fn new(colour: bool, cautions: Vec<String>, invitation: Vec<String>) -> Self {
        View {
            colour,
            cautions,
            invitation,
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
        self.mark = match (snapshot.marks.pop(), self.mark) {
            (Some(mark), _) => Some((mark, MARK_SNAPSHOTS)),
            (None, Some((mark, left))) if left > 0 => Some((mark, left - 1)),
            _ => None,
        };
        self.refused = match (snapshot.refused.pop(), self.refused.take()) {
            (Some(why), _) => Some((why, REFUSED_SNAPSHOTS)),
            (None, Some((why, left))) if left > 0 => Some((why, left - 1)),
            _ => None,
        };
        if snapshot.note.is_some() {
            self.note = snapshot.note;
            self.name = self.note.map(|note| note.name.written.to_string());
        }
        let pitch = self.trace.back().and_then(|point| point.pitch);
        self.cents = pitch.and_then(|pitch| snapshot.cents(pitch));
        self.now = snapshot;
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

    /// Shows a sheet, or no longer.
    pub fn toggle(&mut self, sheet: Sheet) {
        self.sheet = (self.sheet != Some(sheet)).then_some(sheet);
    }

    /// Draws what fits, in this order: note, what is lost, keys, meters, the last notes,
    /// the other outputs; then the note grows, and the trace has what is left.
    pub fn draw(&self, frame: &mut Frame) {
        let area = frame.area();
        if area.height < 3 || area.width < 12 {
            frame.render_widget(Paragraph::new(self.compact()), area);
            return;
        }
        let [head, rest] =
            Layout::vertical([Constraint::Length(1), Constraint::Min(0)]).areas(area);
        frame.render_widget(Paragraph::new(self.header()), head);
        match self.sheet {
            None => {}
            Some(Sheet::Keys) => {
                frame.render_widget(Paragraph::new(HELP.join("\n")), rest);
                return;
            }
            Some(Sheet::Page) => {
                self.draw_invitation(frame, rest);
                return;
            }
        }
        let width = usize::from(area.width);
        let (lost, others) = (self.ports(true, width), self.ports(false, width));
        let keys = lines_of(KEYS.iter().map(|key| format!("{key}  ")), "", width);
        let mut left = rest.height;
        let mut grant = |wanted: usize| {
            let granted = left.min(wanted as u16);
            left -= granted;
            granted
        };
        let mut note = grant(1);
        let lost_rows = grant(lost.len());
        let keys_rows = grant(keys.len());
        let meters = grant(2);
        let letters = self.letters();
        let note_width = area.width.saturating_sub(WORDS_WIDTH);
        let smallest = big_note::scale(letters, area.width, 4).min(1);
        if big_note::height(smallest) > note {
            let more = usize::from(big_note::height(smallest) - note);
            note += grant(more);
        }
        let last = grant(1);
        let others_rows = grant(others.len());
        let scale = big_note::scale(letters, note_width, note + left).max(smallest);
        let note_rows = big_note::height(scale).clamp(note, note + left);
        let [big, meters, middle, ending, lost_at, others_at, foot] = Layout::vertical([
            Constraint::Length(note_rows),
            Constraint::Length(meters),
            Constraint::Min(0),
            Constraint::Length(last),
            Constraint::Length(lost_rows),
            Constraint::Length(others_rows),
            Constraint::Length(keys_rows),
        ])
        .areas(rest);
        self.draw_note(frame, big, scale);
        meters::draw(self, frame, meters);
        if middle.height >= 4 {
            trace::draw(self, frame, middle);
        }
        frame.render_widget(Paragraph::new(self.last_notes(ending.width)), ending);
        let style = self.accent().add_modifier(Modifier::REVERSED);
        frame.render_widget(Paragraph::new(lost.join("\n")).style(style), lost_at);
        frame.render_widget(Paragraph::new(others.join("\n")), others_at);
        frame.render_widget(Paragraph::new(keys.join("\n")).style(self.dimmed()), foot);
    }

    /// A code is read dark on light, whatever the terminal's colours are.
    fn draw_invitation(&self, frame: &mut Frame, area: Rect) {
        const NONE: &str = "There is no stage page: start with --page to serve one.";
        let style = match self.colour {
            true => Style::new().fg(Color::White).bg(Color::Black),
            false => Style::new(),
        };
        let lines = match self.invitation[..] {
            [] => vec![Line::from(NONE)],
            _ => (self.invitation.iter())
                .map(|l| Line::styled(l.as_str(), style))
                .collect(),
        };
        frame.render_widget(Paragraph::new(lines), area);
    }

    /// The text for a window of a few cells.
    fn compact(&self) -> String {
        match self.now.note {
            Some(note) => format!(
                "{} {:+.0}",
                note.name.written,
                whole(self.cents.unwrap_or(0.0).into())
            ),
            None => "-".into(),
        }
    }

    fn header(&self) -> Line<'_> {
        let now = &self.now;
        let mut parts = Vec::new();
        let silent = match (now.muted, now.held_back) {
            (true, _) => Some(" MUTED "),
            (false, true) => Some(" SILENT until the next attack "),
            (false, false) => None,
        };
        if let Some(silent) = silent {
            let style = self.accent().add_modifier(Modifier::REVERSED);
            parts.extend([Span::styled(silent, style), Span::raw(" ")]);
        }
        parts.push(Span::styled(now.horn.clone(), self.accent()));
        if now.shift != 0 {
            parts.push(Span::raw(format!(" │ shift {:+}", now.shift)));
        }
        parts.push(Span::raw(format!(
            " │ {} │ source {}",
            now.tuning, now.source
        )));
        if let Some(tempo) = now.clock_tempo {
            parts.push(Span::raw(format!(" │ clock {tempo:.1}")));
        }
        if let Some((tempo, sure)) = now.beat_tempo {
            let sure = 100.0 * sure;
            parts.push(Span::raw(format!(" │ beat {tempo:.0} ({sure:.0} % sure)")));
        }
        if let Some(voice) = now.voice {
            let timbre = format!("{:?}", voice.timbre).to_lowercase();
            let level_db = voice.level_db;
            parts.push(Span::raw(format!(" │ voice {timbre} {level_db:.0} dB")));
        }
        if let Some(length_s) = now.recording_s {
            let style = self.accent();
            parts.push(Span::styled(format!(" │ REC {}", clock(length_s)), style));
        }
        if let Some((mark, _)) = self.mark {
            let kept = if mark.kept {
                ""
            } else {
                ", nothing is recorded"
            };
            parts.push(Span::styled(format!(" │ marked{kept}"), self.accent()));
        }
        Line::from(parts)
    }

    /// The name that is drawn large.
    fn letters(&self) -> &str {
        self.name.as_deref().unwrap_or_default()
    }

    fn draw_note(&self, frame: &mut Frame, area: Rect, scale: u16) {
        let (Some(note), Some(name)) = (self.note, &self.name) else {
            let hint = Line::styled("Play: the written note appears here", self.dimmed());
            let cautions = self.cautions.iter().map(|c| Line::from(c.as_str()));
            let page = (!self.invitation.is_empty()).then_some(PAGE_HINT);
            let lines: Vec<Line> = std::iter::once(hint)
                .chain(cautions)
                .chain(page.map(Line::from))
                .collect();
            frame.render_widget(Paragraph::new(lines).wrap(Wrap { trim: true }), area);
            return;
        };
        let active = self.now.note.is_some();
        let style = if active { self.accent() } else { self.dimmed() };
        if scale == 0 || area.height < big_note::height(scale) {
            let line = format!(
                "{name}  concert {}  {}",
                note.name.concert,
                self.cents_in_words()
            );
            frame.render_widget(Paragraph::new(line).style(style), area);
            return;
        }
        let width = (big_note::width(name, scale) + 2).min(area.width);
        let [left, right] =
            Layout::horizontal([Constraint::Length(width), Constraint::Min(0)]).areas(area);
        frame.render_widget(BigNote { name, scale, style }, left);
        let gesture_event = self.gesture_event.map_or("", |(name, _)| name);
        let words = vec![
            Line::from(format!("concert {}", note.name.concert)),
            Line::styled(self.cents_in_words(), style),
            Line::from(note.attack.name()),
            Line::styled(gesture_event, self.accent()),
        ];
        frame.render_widget(Paragraph::new(words), right);
    }

    fn cents_in_words(&self) -> String {
        let Some(cents) = self.cents.map(|cents| whole(cents.into())) else {
            return String::new();
        };
        let way = if cents > 0.0 { "sharp" } else { "flat" };
        match cents.abs() {
            0.0 => "in tune".into(),
            1.0 => format!("1 cent {way}"),
            off => format!("{off:.0} cents {way}"),
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

    /// Input and outputs, those that are lost or the others: a mark, the name, its error
    /// and what it has lost. Those that are lost end with why a command was refused, the
    /// others with the delay.
    fn ports(&self, lost: bool, width: usize) -> Vec<String> {
        let input = std::iter::once(("in ", &self.now.input));
        let outputs = self.now.outputs.iter().map(|port| ("out", port));
        let mut lines = Vec::new();
        for (way, port) in input.chain(outputs) {
            let mut text = match &port.error {
                Some(error) if lost => format!("!! {way} {}: {error}", port.name),
                None if !lost => format!("ok {way} {}", port.name),
                _ => continue,
            };
            for (count, what) in &port.lost {
                text = format!("{text}, {count} {what}");
            }
            lines.extend(wrapped(&text, "   ", width));
        }
        if let (true, Some((why, _))) = (lost, &self.refused) {
            lines.extend(wrapped(&format!("!! {why}"), "   ", width));
        }
        if !lost {
            lines.extend(
                self.delay()
                    .iter()
                    .flat_map(|text| wrapped(text, "   ", width)),
            );
        }
        lines
    }

    /// Latency of decisions and outputs, once there is one.
    fn delay(&self) -> Option<String> {
        let now = &self.now;
        let known = now
            .decision_latency_s
            .map(|s| format!("known {:.0} ms after the attack", 1e3 * s));
        let out = (now.output_latency_s > 0.0)
            .then(|| format!("sound out {:.0} ms later", 1e3 * now.output_latency_s));
        let realtime = (!now.realtime).then(|| "no real-time priority".to_owned());
        let parts: Vec<String> = known.into_iter().chain(out).chain(realtime).collect();
        (!parts.is_empty()).then(|| format!("   {}", parts.join(", ")))
    }
}

const PAGE_HINT: &str = "w shows the address of the stage page";
/// Width of the words beside the note, in cells.
const WORDS_WIDTH: u16 = 22;
const KEYS: [&str; 12] = [
    "h horn",
    "t tuning",
    "o source",
    "b timbre",
    "+/- shift",
    "[/] level",
    "m mute",
    "p panic",
    "r record",
    "g mark",
    "q quit",
    "? help",
];
const HELP: [&str; 16] = [
    "",
    "h            next horn",
    "t            next tuning",
    "o            next note source",
    "b            next timbre of the doubling voice",
    "+ -          transpose what is sent by a semitone",
    "[ ]          the voice softer, louder by 2 dB",
    "m            mute and unmute",
    "p, space     panic: everything silent until the next attack",
    "r            record a take, end it",
    "g            mark a good moment: a cue point in the recorded take",
    "w            address and code of the stage page (--page)",
    "q, Ctrl-C    end the session",
    "?            back to the notes",
    "",
    "Foot switches and OSC do the same: see docs/live.md and docs/osc.md.",
];

/// A text in lines of so many characters, broken between words.
fn wrapped(text: &str, indent: &str, width: usize) -> Vec<String> {
    lines_of(text.split_inclusive(' ').map(str::to_owned), indent, width)
}

/// Words in lines of so many characters; each word brings the space after it, and the
/// second and further lines begin with `indent`.
fn lines_of(words: impl Iterator<Item = String>, indent: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in words {
        let length = word.trim_end().chars().count();
        match lines.last_mut() {
            Some(last) if last.chars().count() + length <= width => last.push_str(&word),
            Some(_) => lines.push(format!("{indent}{word}")),
            None => lines.push(word),
        }
    }
    lines
}

/// Titled border of a part of the screen.
fn titled(title: &str) -> Block<'_> {
    Block::new().borders(Borders::TOP).title(title)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::live::control_event::NoteName;
    use crate::live::ui_snapshot::PortStatus;
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
                name: NoteName {
                    concert: Concert(58),
                    written: Written(60),
                    played: 58.12,
                    cents: 12.0,
                    key: 58,
                    pitch: Pitch(58.12),
                },
                velocity: 0.6,
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
                lost: vec![(3, "events dropped")],
            }],
            decision_latency_s: Some(0.02),
            ..UiSnapshot::default()
        }
    }

    fn draw(width: u16, height: u16, snapshot: UiSnapshot) -> String {
        let mut view = View::new(false, vec!["start low".into()], Vec::new());
        view.update(snapshot);
        shown(&view, width, height)
    }

    fn shown(view: &View, width: u16, height: u16) -> String {
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

    /// The lost output, its reason and the last key are there in any usual window.
    #[test]
    fn what_is_lost_and_the_keys_never_fall_off() {
        for (width, height) in [(40, 12), (80, 24), (132, 43), (200, 60)] {
            let text = draw(width, height, snapshot());
            assert!(text.contains("!! out MIDI to virtual: closed"), "{text}");
            let count = text.contains("3 events") && text.contains("dropped");
            assert!(count && text.contains("? help"), "{text}");
        }
        let text = draw(80, 24, snapshot());
        assert!(
            text.contains("known 20 ms after the attack, no real-time priority"),
            "{text}"
        );
    }

    #[test]
    fn a_refused_command_is_told_for_a_while() {
        let mut view = View::new(false, Vec::new(), Vec::new());
        let asked = UiSnapshot {
            refused: vec!["no horn of this session is called \"kazoo\"".into()],
            ..snapshot()
        };
        view.update(asked);
        assert!(shown(&view, 90, 30).contains("!! no horn of this session"));
        (0..=REFUSED_SNAPSHOTS).for_each(|_| view.update(snapshot()));
        assert!(!shown(&view, 90, 30).contains("kazoo"));
    }

    /// Half of what the window's width or two thirds of its height allow, at least.
    #[test]
    fn the_note_fills_the_window() {
        for (width, height) in [(80, 24), (132, 43), (200, 60), (60, 60), (200, 24)] {
            let text = draw(width, height, snapshot());
            let is_large = |line: &&str| line.contains(['█', '▀', '▄']) && !line.contains("soft");
            let rows = text.lines().filter(is_large).count();
            let by_width = usize::from(width - WORDS_WIDTH) / 24 * 4;
            let by_height = (usize::from(height) - 9) / 4 * 4;
            // A letter fills seven of its eight pixels.
            assert!(
                8 * rows + 7 >= 7 * by_width.min(by_height).max(4),
                "{width}x{height}: {rows}\n{text}"
            );
        }
    }

    #[test]
    fn silence_before_the_next_attack_is_told() {
        let mut held = snapshot();
        held.held_back = true;
        assert!(draw(80, 24, held).contains("SILENT until the next attack"));
        assert!(!draw(80, 24, snapshot()).contains("SILENT"));
    }

    #[test]
    fn a_delay_is_told_when_there_is_one() {
        let mut before = snapshot();
        before.decision_latency_s = None;
        before.realtime = true;
        let text = draw(90, 34, before);
        assert!(
            !text.contains("known") && !text.contains("after the attack"),
            "{text}"
        );
    }

    #[test]
    fn a_question_mark_lists_the_keys() {
        let mut view = View::new(false, Vec::new(), Vec::new());
        view.update(snapshot());
        view.toggle(Sheet::Keys);
        assert!(shown(&view, 80, 24).contains("next tuning"));
        view.toggle(Sheet::Keys);
        assert!(!shown(&view, 80, 24).contains("next tuning"));
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
