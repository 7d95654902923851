//! The page's thread and what the session has of it.

use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use mio::net::TcpListener;
use mio::{Events, Interest, Poll, Token, Waker};
use tungstenite::protocol::frame::coding::CloseCode;

use super::access::Access;
use super::address::{Invitation, TokenFile};
use super::connection::{Fate, Told};
use super::visitor::Visitor;
use crate::error::{Error, Result};
use crate::live::controls::Commands;
use crate::live::devices;
use crate::live::ui_snapshot::{Display, PortStatus, UiSnapshot};

/// Pages that may be open at once, and connections of any kind.
const MAX_PAGES: usize = 8;
const MAX_VISITORS: usize = 32;
/// Snapshots that may wait for the thread.
const QUEUE: usize = 4;
/// Time between looks for who is gone.
const TICK: Duration = Duration::from_millis(500);
/// How long pages may take to be told that the session is over.
const CLOSE: Duration = Duration::from_millis(300);

const LISTENER: Token = Token(MAX_VISITORS);
const WAKER: Token = Token(MAX_VISITORS + 1);

/// How a page is opened.
#[derive(Debug, Clone)]
pub struct PageConfig {
    /// Address to bind to.
    pub address: SocketAddr,
    /// Whether pages on other machines only show.
    pub read_only: bool,
    /// Where the token is kept that a network wants.
    pub token: TokenFile,
}

/// A stage page that is being served; it ends when dropped.
pub struct Page {
    invitation: Invitation,
    address: SocketAddr,
    shared: Arc<Shared>,
    queue: SyncSender<UiSnapshot>,
    missed: Option<UiSnapshot>,
    waker: Arc<Waker>,
    thread: JoinHandle<()>,
}

/// What engine and thread know of each other.
#[derive(Debug, Default)]
struct Shared {
    pages: AtomicUsize,
    refused: AtomicU64,
    over: AtomicBool,
}

impl Page {
    /// Binds to the address and starts the thread.
    ///
    /// # Errors
    /// [`Error::Device`] where the address cannot be used.
    pub fn open(config: &PageConfig, commands: Commands) -> Result<Self> {
        let failed = |e: std::io::Error| unusable(config.address, &e);
        let mut listener = TcpListener::bind(config.address).map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        let token = match address.ip().is_loopback() {
            true => None,
            false => Some(config.token.token()?),
        };
        let poll = Poll::new().map_err(failed)?;
        let waker = Arc::new(Waker::new(poll.registry(), WAKER).map_err(failed)?);
        poll.registry()
            .register(&mut listener, LISTENER, Interest::READABLE)
            .map_err(failed)?;
        let shared = Arc::<Shared>::default();
        let (queue, snapshots) = sync_channel(QUEUE);
        let server = Server {
            access: Access {
                bound: address,
                token: token.clone(),
                read_only: config.read_only,
            },
            listener,
            poll,
            commands,
            snapshots,
            shared: shared.clone(),
            visitors: (0..MAX_VISITORS).map(|_| None).collect(),
        };
        let thread = std::thread::Builder::new()
            .name("leadpipe page".into())
            .spawn(move || {
                devices::silence_library_messages();
                server.run();
            })
            .map_err(failed)?;
        Ok(Page {
            invitation: Invitation::new(address, token.as_deref()),
            address,
            shared,
            queue,
            missed: None,
            waker,
            thread,
        })
    }

    /// How to open it in a browser.
    pub fn invitation(&self) -> &Invitation {
        &self.invitation
    }
}

/// Says why an address cannot be bound to, and what to do.
fn unusable(at: SocketAddr, e: &std::io::Error) -> Error {
    use std::io::ErrorKind;
    let hint = match e.kind() {
        ErrorKind::AddrInUse => format!(
            "end what uses it, or give another port: --page {}",
            SocketAddr::new(at.ip(), at.port().wrapping_add(1).max(1_024))
        ),
        ErrorKind::PermissionDenied => format!(
            "ports below 1024 belong to the system: --page {}",
            SocketAddr::new(at.ip(), 8_080)
        ),
        ErrorKind::AddrNotAvailable => {
            "give an address of this machine, or 0.0.0.0 for all of them".to_owned()
        }
        _ => "choose another address with --page".to_owned(),
    };
    // The system's words without its number.
    let why = match e.kind() {
        ErrorKind::AddrInUse => "it is in use".to_owned(),
        ErrorKind::PermissionDenied => "permission denied".to_owned(),
        ErrorKind::AddrNotAvailable => "this machine does not have it".to_owned(),
        _ => e.to_string(),
    };
    Error::device(format!("page at {at}"), why, hint)
}

impl Display for Page {
    fn show(&mut self, snapshot: &UiSnapshot) {
        if self.shared.pages.load(Ordering::Relaxed) == 0 {
            self.missed = None;
            return;
        }
        let mut snapshot = snapshot.clone();
        if let Some(missed) = self.missed.take() {
            snapshot.prepend(missed);
        }
        match self.queue.try_send(snapshot) {
            Ok(()) => {}
            Err(TrySendError::Full(snapshot) | TrySendError::Disconnected(snapshot)) => {
                self.missed = Some(snapshot);
            }
        }
        let _ = self.waker.wake();
    }

    fn status(&self) -> PortStatus {
        let stopped = self.thread.is_finished();
        let error = stopped.then(|| "it stopped because of an internal error".to_owned());
        let open = self.shared.pages.load(Ordering::Relaxed);
        let refused = self.shared.refused.load(Ordering::Relaxed);
        let lost = [(refused, "visitors refused")];
        PortStatus::new(
            format!("page on {}, {open} open", self.address),
            error,
            &lost,
        )
    }
}

impl Drop for Page {
    /// Pages are told that the session is over.
    fn drop(&mut self) {
        self.shared.over.store(true, Ordering::Release);
        let _ = self.waker.wake();
        let deadline = Instant::now() + CLOSE;
        while !self.thread.is_finished() && Instant::now() < deadline {
            std::thread::sleep(Duration::from_millis(2));
        }
    }
}

/// State of the thread.
struct Server {
    access: Access,
    listener: TcpListener,
    poll: Poll,
    commands: Commands,
    snapshots: Receiver<UiSnapshot>,
    shared: Arc<Shared>,
    /// By their token.
    visitors: Vec<Option<Visitor>>,
}

impl Server {
    fn run(mut self) {
        let mut events = Events::with_capacity(2 * MAX_VISITORS);
        let mut ticked = Instant::now();
        while !self.shared.over.load(Ordering::Acquire) {
            let more = self.with_more();
            let wait = if more.is_empty() {
                TICK
            } else {
                Duration::ZERO
            };
            if let Err(e) = self.poll.poll(&mut events, Some(wait))
                && e.kind() != std::io::ErrorKind::Interrupted
            {
                return;
            }
            let now = Instant::now();
            for event in &events {
                match event.token() {
                    LISTENER => self.welcome(now),
                    WAKER => {}
                    Token(at) => self.ready(at, now),
                }
            }
            more.into_iter().for_each(|at| self.ready(at, now));
            while let Ok(snapshot) = self.snapshots.try_recv() {
                let told = Told::new(snapshot);
                self.each(|visitor| visitor.offer(&told));
            }
            if now - ticked >= TICK {
                ticked = now;
                self.each(|visitor| visitor.tick(now));
            }
        }
        self.each(|visitor| match visitor.page() {
            Some(page) => page.close(CloseCode::Away, "the session has ended"),
            None => Fate::Gone,
        });
    }

    fn welcome(&mut self, now: Instant) {
        // Ends with an error: none left, or the next one has its own event.
        while let Ok((stream, _)) = self.listener.accept() {
            let Some(at) = self.visitors.iter().position(Option::is_none) else {
                self.refuse();
                continue;
            };
            let mut visitor = Visitor::new(stream, now);
            let interest = Interest::READABLE | Interest::WRITABLE;
            let registry = self.poll.registry();
            let registered = visitor
                .stream()
                .is_some_and(|stream| registry.register(stream, Token(at), interest).is_ok());
            if registered {
                self.visitors[at] = Some(visitor);
                self.ready(at, now);
            }
        }
    }

    fn refuse(&self) {
        self.shared.refused.fetch_add(1, Ordering::Relaxed);
    }

    fn ready(&mut self, at: usize, now: Instant) {
        let full = self.shared.pages.load(Ordering::Relaxed) >= MAX_PAGES;
        let Some(visitor) = self.visitors.get_mut(at).and_then(Option::as_mut) else {
            return;
        };
        let fate = visitor.ready(&self.access, &self.commands, full, now);
        if visitor.was_refused() {
            self.refuse();
        }
        if fate == Fate::Gone {
            self.visitors[at] = None;
        }
        self.count();
    }

    fn each(&mut self, mut act: impl FnMut(&mut Visitor) -> Fate) {
        for place in &mut self.visitors {
            if place
                .as_mut()
                .is_some_and(|visitor| act(visitor) == Fate::Gone)
            {
                *place = None;
            }
        }
        self.count();
    }

    fn count(&mut self) {
        let pages = (self.visitors.iter_mut().flatten()).filter_map(Visitor::page);
        let open = pages.filter(|page| page.is_open()).count();
        self.shared.pages.store(open, Ordering::Relaxed);
    }

    /// Those whose turn ended too early.
    fn with_more(&mut self) -> Vec<usize> {
        let pages = (self.visitors.iter_mut().enumerate())
            .filter_map(|(at, visitor)| Some((at, visitor.as_mut()?.page()?)));
        pages
            .filter(|(_, page)| page.has_more())
            .map(|(at, _)| at)
            .collect()
    }
}
