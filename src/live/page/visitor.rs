//! One connection, from its first byte on: a request is read and answered, or becomes an
//! open page.

use std::io::{ErrorKind, Read, Write};
use std::net::Shutdown;
use std::time::{Duration, Instant};

use mio::net::TcpStream;
use tungstenite::protocol::frame::coding::CloseCode;

use super::access::Access;
use super::connection::{Fate, OpenPage, Told};
use super::http::{self, Head, Reading};
use super::{address, html};
use crate::live::controls::Commands;

/// How long a request and its answer may take.
const PATIENCE: Duration = Duration::from_secs(5);

/// A connection.
pub struct Visitor {
    since: Instant,
    /// Whether no more pages fit.
    full: bool,
    /// Whether it has been refused, and that is not yet counted.
    refused: bool,
    state: State,
}

enum State {
    /// A request comes in.
    Reading {
        stream: TcpStream,
        bytes: Vec<u8>,
    },
    /// Its answer goes out. Then the other side is waited for, because closing at once
    /// would take the answer back.
    Answering {
        stream: TcpStream,
        bytes: Vec<u8>,
        sent: usize,
    },
    Page(Box<OpenPage>),
    Gone,
}

impl Visitor {
    /// One that has just come.
    pub fn new(stream: TcpStream, now: Instant) -> Self {
        Visitor {
            since: now,
            full: false,
            refused: false,
            state: State::Reading {
                stream,
                bytes: Vec::new(),
            },
        }
    }

    /// The open page, if it is one.
    pub fn page(&mut self) -> Option<&mut OpenPage> {
        match &mut self.state {
            State::Page(page) => Some(page),
            _ => None,
        }
    }

    /// The stream, to be registered.
    pub fn stream(&mut self) -> Option<&mut TcpStream> {
        match &mut self.state {
            State::Reading { stream, .. } | State::Answering { stream, .. } => Some(stream),
            State::Page(page) => Some(page.stream()),
            State::Gone => None,
        }
    }

    /// Goes on as far as it can. `full`: no further page is let in.
    pub fn ready(
        &mut self,
        access: &Access,
        commands: &Commands,
        full: bool,
        now: Instant,
    ) -> Fate {
        self.full = full;
        self.read(access, now);
        self.answer();
        match &mut self.state {
            State::Page(page) => page.ready(commands, now),
            State::Gone => Fate::Gone,
            _ => Fate::Stays,
        }
    }

    /// Whether it was refused since this was last asked.
    pub fn was_refused(&mut self) -> bool {
        std::mem::take(&mut self.refused)
    }

    /// Shows a snapshot, if it is a page.
    pub fn offer(&mut self, told: &Told) -> Fate {
        self.page().map_or(Fate::Stays, |page| page.offer(told))
    }

    /// Ends what takes too long.
    pub fn tick(&mut self, now: Instant) -> Fate {
        match &mut self.state {
            State::Page(page) => page.tick(now),
            _ if now - self.since > PATIENCE => Fate::Gone,
            _ => Fate::Stays,
        }
    }

    fn read(&mut self, access: &Access, now: Instant) {
        let State::Reading { stream, bytes } = &mut self.state else {
            return;
        };
        let mut chunk = [0; 1_024];
        let reading = loop {
            match stream.read(&mut chunk) {
                Ok(0) => break None,
                Ok(count) => bytes.extend(&chunk[..count]),
                Err(e) if e.kind() == ErrorKind::WouldBlock => return,
                Err(e) if e.kind() == ErrorKind::Interrupted => continue,
                Err(_) => break None,
            }
            match http::read_head(bytes) {
                Reading::Partial => {}
                other => break Some(other),
            }
        };
        let State::Reading { stream, bytes } = std::mem::replace(&mut self.state, State::Gone)
        else {
            return;
        };
        let answer = match reading {
            None | Some(Reading::Partial) => return,
            Some(Reading::Wrong(status, why)) => http::plain(status, why, true),
            Some(Reading::Complete(head, length)) => match self.respond(&head, access) {
                Response::Answer(answer) => answer,
                Response::Switch(accept) => {
                    self.open(stream, &accept, bytes[length..].to_vec(), access, now);
                    return;
                }
            },
        };
        self.state = State::Answering {
            stream,
            bytes: answer,
            sent: 0,
        };
    }

    /// The handshake is a few bytes, which a new connection always takes.
    fn open(
        &mut self,
        mut stream: TcpStream,
        accept: &str,
        rest: Vec<u8>,
        access: &Access,
        now: Instant,
    ) {
        let switching = http::switching(accept);
        let written = stream.write(&switching);
        let peer = stream.peer_addr();
        // Snapshots are small and must not wait for each other.
        let _ = stream.set_nodelay(true);
        if let (Ok(count), Ok(peer)) = (written, peer)
            && count == switching.len()
        {
            let only_looks = access.only_looks(peer.ip());
            let mut page = OpenPage::new(stream, rest, only_looks, now);
            if self.full {
                page.close(CloseCode::Again, "too many pages are open: close one");
                self.refused = true;
            }
            self.state = State::Page(Box::new(page));
        }
    }

    fn respond(&mut self, head: &Head, access: &Access) -> Response {
        let is_live = head.path == "/live";
        let checked = access.check(
            head.host.as_deref(),
            head.origin.as_deref(),
            head.token.as_deref(),
            is_live,
        );
        let plain = |status, text| Response::Answer(http::plain(status, text, head.body));
        if let Err(refusal) = checked {
            self.refused = true;
            return plain(403, refusal.text());
        }
        match (&*head.path, &head.accept) {
            ("/live", Some(accept)) => Response::Switch(accept.clone()),
            ("/live", None) => plain(426, "this address is for the page's WebSocket"),
            ("/", _) => match address::random_hex(16) {
                Ok(nonce) => Response::Answer(page(&nonce, head)),
                Err(_) => plain(503, "no random numbers"),
            },
            ("/favicon.ico", _) => Response::Answer(http::answer(204, "text/plain", "", "", false)),
            _ => plain(404, "there is only one page here: /"),
        }
    }

    fn answer(&mut self) {
        let State::Answering {
            stream,
            bytes,
            sent,
        } = &mut self.state
        else {
            return;
        };
        while *sent < bytes.len() {
            match stream.write(&bytes[*sent..]) {
                Ok(count) if count > 0 => *sent += count,
                Err(e) if e.kind() == ErrorKind::WouldBlock => return,
                Err(e) if e.kind() == ErrorKind::Interrupted => {}
                _ => {
                    self.state = State::Gone;
                    return;
                }
            }
        }
        let _ = stream.shutdown(Shutdown::Write);
        // Until the other side has closed, too; `tick` ends the patience.
        let mut chunk = [0; 1_024];
        loop {
            match stream.read(&mut chunk) {
                Ok(count) if count > 0 => {}
                Err(e) if e.kind() == ErrorKind::WouldBlock => return,
                Err(e) if e.kind() == ErrorKind::Interrupted => {}
                _ => break,
            }
        }
        self.state = State::Gone;
    }
}

enum Response {
    Answer(Vec<u8>),
    Switch(String),
}

/// The page itself. It may run its own script and talk to this server, and nothing else.
fn page(nonce: &str, head: &Head) -> Vec<u8> {
    let host = head.host.as_deref().unwrap_or_default();
    let policy = format!(
        "Content-Security-Policy: default-src 'none'; script-src 'nonce-{nonce}'; \
         style-src 'nonce-{nonce}'; img-src data:; connect-src 'self' ws://{host}; \
         base-uri 'none'; form-action 'none'; frame-ancestors 'none'\r\n"
    );
    http::answer(200, "text/html", &policy, &html(nonce), head.body)
}
