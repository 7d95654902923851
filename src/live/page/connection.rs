//! One open page: snapshots go out as fast as it takes them, its messages come in and are
//! answered.

use std::io::{ErrorKind, Read};
use std::net::Shutdown;
use std::sync::Arc;
use std::time::{Duration, Instant};

use mio::net::TcpStream;
use tungstenite::error::CapacityError;
use tungstenite::protocol::frame::coding::CloseCode;
use tungstenite::protocol::{CloseFrame, Role, WebSocketConfig};
use tungstenite::{Bytes, Error, Message, Utf8Bytes, WebSocket};

use super::message::{self, Allowance, MAX_MESSAGE, Verdict};
use super::state;
use crate::live::controls::Commands;
use crate::live::setup::Setup;
use crate::live::ui_snapshot::UiSnapshot;

/// How often a page is asked whether it is there, and for how long it may be silent: its
/// browser answers by itself.
const PING_INTERVAL: Duration = Duration::from_secs(2);
const SILENCE: Duration = Duration::from_secs(10);
/// How long a page that is sent away may take to go.
const FAREWELL: Duration = Duration::from_secs(1);
/// Messages read at one turn, so that none keeps the others waiting.
const MESSAGES_PER_TURN: usize = 64;
/// Bytes that may wait for a page: a few snapshots and the choices.
const MAX_WAITING: usize = 256 * 1024;

/// Whether a connection goes on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fate {
    Stays,
    Gone,
}

/// An open page.
pub struct OpenPage {
    socket: WebSocket<TcpStream>,
    only_looks: bool,
    allowance: Allowance,
    /// What it could not take yet, and whether something that was sent still waits.
    missed: Option<UiSnapshot>,
    waits: bool,
    /// What it was told can be chosen.
    setup: Option<Arc<Setup>>,
    heard: Instant,
    pinged: Instant,
    /// Whether its turn ended before all was read.
    more: bool,
    /// When it was sent away.
    closed: Option<Instant>,
}

/// A snapshot and its text, which most pages share.
pub struct Told {
    pub snapshot: UiSnapshot,
    pub text: Utf8Bytes,
}

impl Told {
    /// For all pages.
    pub fn new(snapshot: UiSnapshot) -> Self {
        let text = state::state(&snapshot).into();
        Told { snapshot, text }
    }
}

impl OpenPage {
    /// A page whose handshake is done; `rest`: what it has sent after that.
    pub fn new(stream: TcpStream, rest: Vec<u8>, only_looks: bool, now: Instant) -> Self {
        let config = WebSocketConfig::default()
            .read_buffer_size(4 * MAX_MESSAGE)
            .write_buffer_size(0)
            .max_write_buffer_size(MAX_WAITING)
            .max_message_size(Some(MAX_MESSAGE))
            .max_frame_size(Some(MAX_MESSAGE));
        OpenPage {
            socket: WebSocket::from_partially_read(stream, rest, Role::Server, Some(config)),
            only_looks,
            allowance: Allowance::new(now),
            missed: None,
            waits: false,
            setup: None,
            heard: now,
            pinged: now,
            more: false,
            closed: None,
        }
    }

    /// The stream to register.
    pub fn stream(&mut self) -> &mut TcpStream {
        self.socket.get_mut()
    }

    /// Whether it is open, and not on its way out.
    pub fn is_open(&self) -> bool {
        self.closed.is_none()
    }

    /// Whether it wants another turn at once.
    pub fn has_more(&self) -> bool {
        self.more
    }

    /// Reads what has come and sends what waits.
    pub fn ready(&mut self, commands: &Commands, now: Instant) -> Fate {
        if !self.is_open() {
            return self.discard();
        }
        if self.waits && self.flush() == Fate::Gone {
            return Fate::Gone;
        }
        self.more = false;
        for _ in 0..MESSAGES_PER_TURN {
            let text = match self.socket.read() {
                Ok(Message::Text(text)) => text,
                Ok(Message::Binary(_)) => return self.close(CloseCode::Unsupported, "only text"),
                Ok(_) => {
                    self.heard = now;
                    continue;
                }
                Err(Error::Io(e)) if e.kind() == ErrorKind::WouldBlock => {
                    return Fate::Stays;
                }
                Err(Error::Capacity(CapacityError::MessageTooLong { .. })) => {
                    return self.close(CloseCode::Size, "that message was too long");
                }
                Err(_) => return Fate::Gone,
            };
            self.heard = now;
            let problem = match self.allowance.take(now) {
                Verdict::Flood => return self.close(CloseCode::Policy, "too many messages"),
                Verdict::TooMany => Some("too fast: not all of that was done"),
                Verdict::Allowed => None,
            };
            let Some(asked) = message::read(&text) else {
                return self.close(CloseCode::Policy, "that is no message");
            };
            let problem = problem.or_else(|| match asked.command {
                _ if self.only_looks => Some("this page only shows: the player decides"),
                None => Some("not understood: load this page again"),
                Some(command) => {
                    let queued = commands.try_send(command);
                    queued.err().map(|_| "the session is busy: once more")
                }
            });
            if self.send(state::answer(asked.number, problem).into()) == Fate::Gone {
                return Fate::Gone;
            }
        }
        self.more = true;
        Fate::Stays
    }

    /// What comes after it was sent away is of no interest. Closing at once would take
    /// the reason back.
    fn discard(&mut self) -> Fate {
        let mut chunk = [0; 4_096];
        self.more = false;
        for _ in 0..MESSAGES_PER_TURN {
            match self.socket.get_mut().read(&mut chunk) {
                Ok(count) if count > 0 => {}
                Err(e) if e.kind() == ErrorKind::WouldBlock => return Fate::Stays,
                _ => return Fate::Gone,
            }
        }
        self.more = true;
        Fate::Stays
    }

    /// Sends a snapshot, or keeps what matters of it until the page takes more.
    pub fn offer(&mut self, told: &Told) -> Fate {
        if !self.is_open() {
            return Fate::Stays;
        }
        if self.waits {
            let mut snapshot = told.snapshot.clone();
            if let Some(missed) = self.missed.take() {
                snapshot.prepend(missed);
            }
            self.missed = Some(snapshot);
            return Fate::Stays;
        }
        let setup = &told.snapshot.setup;
        let same = |known: &Arc<Setup>| setup.as_ref().is_some_and(|s| Arc::ptr_eq(s, known));
        if let Some(setup) = setup
            && !self.setup.as_ref().is_some_and(same)
        {
            self.setup = Some(setup.clone());
            let choices = state::choices(setup, self.only_looks);
            if self.send(choices.into()) == Fate::Gone {
                return Fate::Gone;
            }
        }
        let text = match self.missed.take() {
            None => told.text.clone(),
            Some(missed) => {
                let mut snapshot = told.snapshot.clone();
                snapshot.prepend(missed);
                state::state(&snapshot).into()
            }
        };
        self.send(text)
    }

    /// Asks whether it is still there.
    pub fn tick(&mut self, now: Instant) -> Fate {
        if let Some(closed) = self.closed {
            return match now - closed > FAREWELL {
                true => Fate::Gone,
                false => Fate::Stays,
            };
        }
        if now - self.heard > SILENCE {
            return Fate::Gone;
        }
        if now - self.pinged < PING_INTERVAL || self.waits {
            return Fate::Stays;
        }
        self.pinged = now;
        self.result(|socket| socket.send(Message::Ping(Bytes::new())))
    }

    /// Says why it ends.
    pub fn close(&mut self, code: CloseCode, reason: &'static str) -> Fate {
        let frame = CloseFrame {
            code,
            reason: Utf8Bytes::from_static(reason),
        };
        let _ = self.socket.close(Some(frame));
        let _ = self.socket.flush();
        let _ = self.socket.get_mut().shutdown(Shutdown::Write);
        (self.closed, self.more) = (Some(Instant::now()), true);
        Fate::Stays
    }

    fn send(&mut self, text: Utf8Bytes) -> Fate {
        self.result(|socket| socket.send(Message::Text(text)))
    }

    fn flush(&mut self) -> Fate {
        self.result(WebSocket::flush)
    }

    fn result(
        &mut self,
        act: impl FnOnce(&mut WebSocket<TcpStream>) -> tungstenite::Result<()>,
    ) -> Fate {
        match act(&mut self.socket) {
            Ok(()) => self.waits = false,
            Err(Error::Io(e)) if e.kind() == ErrorKind::WouldBlock => self.waits = true,
            Err(_) => return Fate::Gone,
        }
        Fate::Stays
    }
}
