//! The session on the terminal: draws snapshots and turns keys into commands.

use std::io::{self, stdout};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use leadpipe::internals::live::command::{Command, LEVEL_STEP_DB};
use leadpipe::internals::live::screen::{Sheet, View};
use leadpipe::internals::live::session::Monitor;
use leadpipe::{Error, Result};
use ratatui::DefaultTerminal;
use ratatui::crossterm::event::{self, Event, KeyCode, KeyEventKind, KeyModifiers};
use ratatui::crossterm::execute;
use ratatui::crossterm::terminal::{EnterAlternateScreen, enable_raw_mode};
use ratatui::prelude::CrosstermBackend;

/// Shows the session until it ends or the player quits, or the terminal is closed.
/// The terminal is restored in any case.
pub fn watch(monitor: &Monitor, quit: &AtomicBool, view: View) -> Result<()> {
    let mut terminal = open().map_err(Error::Stdout)?;
    let result = run(&mut terminal, monitor, quit, view);
    // A terminal that is gone cannot be restored, nor told so.
    if terminal.show_cursor().is_err() {
        std::mem::forget(terminal);
    }
    let _ = ratatui::try_restore();
    result
}

/// Whether the terminal may be given colour.
pub fn colour() -> bool {
    std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty())
}

/// `ratatui::try_init`, but for its panic hook: that one prints to a terminal that
/// may be gone, and so ends the program while a note still sounds.
fn open() -> io::Result<DefaultTerminal> {
    let report = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |info| {
        let _ = ratatui::try_restore();
        report(info);
    }));
    enable_raw_mode()?;
    execute!(stdout(), EnterAlternateScreen)?;
    DefaultTerminal::new(CrosstermBackend::new(stdout()))
}

fn run(
    terminal: &mut DefaultTerminal,
    monitor: &Monitor,
    quit: &AtomicBool,
    mut view: View,
) -> Result<()> {
    while !quit.load(Ordering::Acquire) {
        match monitor.snapshot(Duration::from_millis(50)) {
            Err(_) => return Ok(()),
            Ok(None) => {}
            Ok(Some(snapshot)) => {
                let over = snapshot.finished;
                view.update(snapshot);
                terminal
                    .draw(|frame| view.draw(frame))
                    .map_err(Error::Stdout)?;
                if over {
                    return Ok(());
                }
            }
        }
        // The event reader never returns from a terminal that has been closed.
        while !is_closed() && event::poll(Duration::ZERO).map_err(Error::Stdout)? {
            if let Event::Key(key) = event::read().map_err(Error::Stdout)?
                && key.kind == KeyEventKind::Press
            {
                // In raw mode ctrl-C arrives as a key.
                let leaves =
                    key.code == KeyCode::Char('c') && key.modifiers.contains(KeyModifiers::CONTROL);
                match command(key.code) {
                    None if key.code == KeyCode::Char('?') => view.toggle(Sheet::Keys),
                    None if key.code == KeyCode::Char('w') => view.toggle(Sheet::Page),
                    _ if leaves => return Ok(()),
                    Some(Command::Quit) => return Ok(()),
                    Some(command) => monitor.send(command),
                    None => {}
                }
            }
        }
        if is_closed() {
            return Ok(());
        }
    }
    Ok(())
}

/// Whether the terminal has been closed.
#[cfg(unix)]
fn is_closed() -> bool {
    use rustix::event::{PollFd, PollFlags, Timespec, poll};
    let out = stdout();
    let mut terminal = [PollFd::new(&out, PollFlags::empty())];
    let polled = poll(&mut terminal, Some(&Timespec::default()));
    polled.is_ok()
        && terminal[0]
            .revents()
            .intersects(PollFlags::HUP | PollFlags::ERR)
}

#[cfg(not(unix))]
fn is_closed() -> bool {
    false
}

fn command(key: KeyCode) -> Option<Command> {
    Some(match key {
        KeyCode::Char('h') => Command::NextHorn,
        KeyCode::Char('t') => Command::NextTuning,
        KeyCode::Char('o') => Command::NextSource,
        KeyCode::Char('b') => Command::NextTimbre,
        KeyCode::Char('+' | '=') | KeyCode::Up => Command::ShiftBy(1),
        KeyCode::Char('-') | KeyCode::Down => Command::ShiftBy(-1),
        KeyCode::Char(']') => Command::VoiceLevelBy(LEVEL_STEP_DB),
        KeyCode::Char('[') => Command::VoiceLevelBy(-LEVEL_STEP_DB),
        KeyCode::Char('r') => Command::ToggleRecord,
        KeyCode::Char('g') => Command::Mark,
        KeyCode::Char('m') => Command::ToggleMute,
        KeyCode::Char('p' | ' ') => Command::Panic,
        KeyCode::Char('q') | KeyCode::Esc => Command::Quit,
        _ => return None,
    })
}
