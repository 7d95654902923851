//! Clients of a JACK server: one for sound in (`leadpipe-in`), one for sound out
//! (`leadpipe-out`), one for MIDI out (`leadpipe`), one for pedals (`leadpipe-pedals`), one
//! for the rig's clock (`leadpipe-clock`), one for the clock that follows the player
//! (`leadpipe-beat`).
//! The names stay the same from session to session, so that a patchbay can keep their
//! connections. Several clients rather than one: whoever both feeds the program and
//! hears it would make a loop in the server's graph otherwise, which costs a block.
//!
//! Each client asks once a second whether its server is still there. Where it has gone
//! the owner closes the client: a process that still holds a client of a dead server
//! cannot join the next one.

pub mod midi;
mod patch;
pub mod sound;
mod transport;

use std::sync::atomic::Ordering;
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use jack::{
    Client, ClientOptions, ClientStatus, NotificationHandler, ProcessHandler, ProcessScope,
};

pub use patch::Patch;

use super::callbacks::StreamStatus;
use super::clock::stream_time::Moment;
use super::{closing, devices};

const NOT_RUNNING: &str = "the JACK server is not running";
const GONE: &str = "the JACK server has gone";

/// How often a client's thread looks whether it is to end, and each so many times also
/// at the server and the client's connections.
const TICK: Duration = Duration::from_millis(250);
const TICKS_TO_LOOK: u32 = 4;

/// The clients of this process.
struct Clients {
    open: usize,
    /// Their server has gone.
    orphaned: bool,
}

static CLIENTS: Mutex<Clients> = Mutex::new(Clients {
    open: 0,
    orphaned: false,
});

impl Clients {
    fn lock() -> MutexGuard<'static, Clients> {
        CLIENTS.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Counts a client for as long as it is open; to be dropped after it.
struct Counted;

impl Drop for Counted {
    fn drop(&mut self) {
        let mut clients = Clients::lock();
        clients.open -= 1;
        clients.orphaned &= clients.open > 0;
    }
}

/// Opens a client. None is opened as long as there are clients of a server that has
/// gone: the library would take the new one for theirs.
fn open(name: &str) -> Result<(Counted, Client), String> {
    let counted = {
        let mut clients = Clients::lock();
        if clients.orphaned {
            return Err(GONE.into());
        }
        clients.open += 1;
        Counted
    };
    match Client::new(name, ClientOptions::NO_START_SERVER) {
        Ok((client, _)) => Ok((counted, client)),
        Err(jack::Error::ClientError(status)) if status.contains(ClientStatus::SERVER_FAILED) => {
            Err(NOT_RUNNING.into())
        }
        Err(error) => Err(error.to_string()),
    }
}

/// Sample rate in hertz and block size of the server, if one is running.
///
/// # Errors
/// Why none can be used.
pub fn server() -> Result<(u32, u32), String> {
    let (_counted, client) = open("leadpipe-probe")?;
    Ok((client.sample_rate(), client.buffer_size()))
}

/// Moment of a frame of a cycle, counted from its beginning. The sound and the messages of a
/// cycle belong together, whoever takes them.
fn moment(client: &Client, scope: &ProcessScope, frame: u32) -> Moment {
    let jack_frame = scope.last_frame_time().wrapping_add(frame);
    let (now, now_us) = (Instant::now(), client.time());
    let at_us = client.frames_to_time(jack_frame);
    let apart = Duration::from_micros(now_us.abs_diff(at_us));
    let at = match at_us > now_us {
        true => now.checked_add(apart),
        false => now.checked_sub(apart),
    };
    Moment {
        at: at.unwrap_or(now),
        jack_frame: Some(jack_frame),
    }
}

/// The server's frame time of a moment.
fn frame_time(client: &Client, moment: Moment) -> u32 {
    moment.jack_frame.unwrap_or_else(|| {
        let (now, now_us) = (Instant::now(), client.time());
        let after = moment.at.saturating_duration_since(now).as_micros() as u64;
        let before = now.saturating_duration_since(moment.at).as_micros() as u64;
        client.time_to_frames((now_us + after).saturating_sub(before))
    })
}

/// Counts the server's xruns.
struct Watch(Arc<StreamStatus>);

impl NotificationHandler for Watch {
    fn xrun(&mut self, _: &Client) -> jack::Control {
        self.0.xruns.fetch_add(1, Ordering::Relaxed);
        jack::Control::Continue
    }
}

/// A running client. A thread of its own looks after its connections and closes it when
/// this is dropped: a server whose graph stands still may not answer for seconds.
struct Running {
    status: Arc<StreamStatus>,
    /// Its thread ends when this is dropped.
    _end: Sender<()>,
}

impl Running {
    /// Starts a client's callback. Its ports are connected as they last were, or as
    /// `usual` says: pairs of an own port's short name and another port. It counts as
    /// lost when the port `partner` goes.
    fn start(
        (counted, client): (Counted, Client),
        process: impl ProcessHandler + 'static,
        status: Arc<StreamStatus>,
        patch: Patch,
        usual: Vec<(String, String)>,
        partner: Option<String>,
    ) -> Result<Self, String> {
        let running = client.activate_async(Watch(status.clone()), process);
        let running = running.map_err(|e| e.to_string())?;
        patch.restore(running.as_client(), usual);
        let uuid = running.as_client().uuid_string();
        let (end, ended) = channel();
        let watched = status.clone();
        let look_after = move || {
            devices::silence_library_messages();
            let mut ticks = 0;
            while let Err(RecvTimeoutError::Timeout) = ended.recv_timeout(TICK) {
                ticks += 1;
                if Clients::lock().orphaned {
                    watched.set_lost(GONE.into());
                } else if ticks % TICKS_TO_LOOK == 0 {
                    look_at(
                        running.as_client(),
                        &uuid,
                        &watched,
                        &patch,
                        partner.as_deref(),
                    );
                }
            }
            let lock = devices::open_close_lock();
            drop(running);
            drop(counted);
            drop(lock);
            closing::end();
        };
        std::thread::Builder::new()
            .name("leadpipe JACK".into())
            .spawn(look_after)
            .map_err(|e| e.to_string())?;
        Ok(Running { status, _end: end })
    }
}

/// Looks after a client's connections, and whether server and partner are there.
fn look_at(
    client: &Client,
    uuid: &str,
    status: &StreamStatus,
    patch: &Patch,
    partner: Option<&str>,
) {
    // Answered only by the server itself.
    if client.name_by_uuid_str(uuid).is_none() {
        Clients::lock().orphaned = true;
        status.set_lost(GONE.into());
        return;
    }
    patch.keep(client);
    if let Some(partner) = partner
        && client.port_by_name(partner).is_none()
    {
        status.set_lost(format!("{partner} has gone"));
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        closing::begin();
    }
}
