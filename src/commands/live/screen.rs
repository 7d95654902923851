//! The session on the terminal: draws snapshots and turns keys into commands.

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use leadpipe::internals::live::command::Command;
use leadpipe::internals::live::screen::View;
use leadpipe::internals::live::session::Session;
use leadpipe::{Error, Result};
use ratatui::crossterm::event::{self, Event, KeyCode, KeyEventKind, KeyModifiers};

/// Shows the session until it ends or the player quits. The terminal is restored in
/// either case.
pub fn watch(session: &Session, quit: &AtomicBool, cautions: Vec<String>) -> Result<()> {
    let mut terminal = ratatui::try_init().map_err(Error::Stdout)?;
    let colour = std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty());
    let view = View::new(colour, cautions);
    let result = run(&mut terminal, session, quit, view);
    ratatui::restore();
    result
}

fn run(
    terminal: &mut ratatui::DefaultTerminal,
    session: &Session,
    quit: &AtomicBool,
    mut view: View,
) -> Result<()> {
    while session.running() && !quit.load(Ordering::Acquire) {
        if let Some(snapshot) = session.snapshot(Duration::from_millis(50)) {
            let over = snapshot.finished;
            view.update(snapshot);
            terminal
                .draw(|frame| view.draw(frame))
                .map_err(Error::Stdout)?;
            if over {
                return Ok(());
            }
        }
        while event::poll(Duration::ZERO).map_err(Error::Stdout)? {
            if let Event::Key(key) = event::read().map_err(Error::Stdout)?
                && key.kind == KeyEventKind::Press
            {
                // In raw mode ctrl-C arrives as a key.
                let leaves =
                    key.code == KeyCode::Char('c') && key.modifiers.contains(KeyModifiers::CONTROL);
                match command(key.code) {
                    _ if leaves => return Ok(()),
                    Some(Command::Quit) => return Ok(()),
                    Some(command) => session.send(command),
                    None => {}
                }
            }
        }
    }
    Ok(())
}

fn command(key: KeyCode) -> Option<Command> {
    Some(match key {
        KeyCode::Char('h') => Command::NextHorn,
        KeyCode::Char('t') => Command::NextTuning,
        KeyCode::Char('o') => Command::NextSource,
        KeyCode::Char('b') => Command::NextTimbre,
        KeyCode::Char('+' | '=') | KeyCode::Up => Command::ShiftBy(1),
        KeyCode::Char('-') | KeyCode::Down => Command::ShiftBy(-1),
        KeyCode::Char('m') => Command::ToggleMute,
        KeyCode::Char('p' | ' ') => Command::Panic,
        KeyCode::Char('q') | KeyCode::Esc => Command::Quit,
        _ => return None,
    })
}
