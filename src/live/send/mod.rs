//! Senders of control events: MIDI, OSC and JSON lines, each on a thread of its
//! own, so that none can block another or the engine.

pub mod clock_port;
pub mod json_lines;
pub mod midi_port;
pub mod osc;

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::control_event::ControlEvent;
use super::devices;
use super::ui_snapshot::PortStatus;

/// Sends control events to one destination.
pub trait Sender: Send {
    /// Opens the destination, or reopens it after it was lost.
    fn open(&mut self) -> Result<(), String>;
    /// Whether the destination still exists; called once a second. One that does not
    /// is closed.
    fn check(&mut self) -> Result<(), String> {
        Ok(())
    }
    /// Sends one event.
    fn send(&mut self, event: &ControlEvent) -> Result<(), String>;
}

/// State of a sender, read by the screen.
#[derive(Debug, Default)]
pub struct SenderStatus {
    /// Events dropped because the queue was full or the destination closed.
    pub dropped: AtomicU64,
    /// Current error, if any.
    error: Mutex<Option<String>>,
    /// Events were dropped, so a note may hang.
    overflow: AtomicBool,
}

impl SenderStatus {
    /// Current error, if any.
    pub fn error(&self) -> Option<String> {
        self.error.lock().map_or(None, |t| t.clone())
    }

    fn set_error(&self, error: Option<String>) {
        if let Ok(mut now) = self.error.lock() {
            *now = error;
        }
    }
}

enum Message {
    Event(ControlEvent),
    End,
}

/// A sender with its thread and queue.
pub struct SenderThread {
    name: String,
    status: Arc<SenderStatus>,
    queue: SyncSender<Message>,
    thread: Option<JoinHandle<()>>,
}

/// Length of the event queue: half a second of the busiest playing.
const QUEUE: usize = 512;
/// How often a lost destination is retried, and a working one checked.
const CHECK_INTERVAL: Duration = Duration::from_secs(1);
/// Time allowed for closing.
const CLOSE_TIMEOUT: Duration = Duration::from_millis(800);

impl SenderThread {
    /// Opens the destination and starts the thread.
    ///
    /// # Errors
    /// Why it cannot be opened.
    pub fn start(name: &str, mut sender: Box<dyn Sender>) -> Result<Self, String> {
        sender.open()?;
        let (queue, messages) = sync_channel(QUEUE);
        let status = Arc::new(SenderStatus::default());
        let watched = status.clone();
        let thread = std::thread::Builder::new()
            .name(format!("leadpipe {name}"))
            .spawn(move || {
                devices::silence_library_messages();
                run(sender, &messages, &watched);
            })
            .map_err(|e| e.to_string())?;
        Ok(SenderThread {
            name: name.to_owned(),
            status,
            queue,
            thread: Some(thread),
        })
    }

    /// Name, error and losses for the screen.
    pub fn status(&self) -> PortStatus {
        let dropped = self.status.dropped.load(Ordering::Relaxed);
        let lost = [(dropped, "events dropped")];
        PortStatus::new(self.name.clone(), self.error(), &lost)
    }

    fn error(&self) -> Option<String> {
        let dead = self.thread.as_ref().is_some_and(JoinHandle::is_finished);
        let stopped = dead.then(|| "it stopped because of an internal error".to_owned());
        stopped.or_else(|| self.status.error())
    }

    /// Queues an event; never blocks.
    pub fn send(&self, event: &ControlEvent) {
        self.enqueue(Message::Event(event.clone()));
    }

    fn enqueue(&self, message: Message) {
        if self.queue.try_send(message).is_err() {
            self.status.dropped.fetch_add(1, Ordering::Relaxed);
            self.status.overflow.store(true, Ordering::Release);
        }
    }

    /// Sends what is queued, as far as time allows, and closes. A destination that
    /// does not read is not waited for.
    pub fn close(mut self) {
        let deadline = Instant::now() + CLOSE_TIMEOUT;
        while self.queue.try_send(Message::End).is_err() && Instant::now() < deadline {
            std::thread::sleep(Duration::from_millis(5));
        }
        if let Some(thread) = self.thread.take() {
            while !thread.is_finished() && Instant::now() < deadline {
                std::thread::sleep(Duration::from_millis(2));
            }
        }
    }
}

fn run(mut sender: Box<dyn Sender>, messages: &Receiver<Message>, status: &SenderStatus) {
    let mut open = true;
    let mut checked = Instant::now();
    loop {
        let message = messages.recv_timeout(CHECK_INTERVAL);
        if status.overflow.swap(false, Ordering::AcqRel) && open {
            // The note-off of the sounding note may be among the dropped events.
            open = record_result(sender.send(&ControlEvent::Silence), status);
        }
        match message {
            Ok(Message::Event(_)) if !open => {
                status.dropped.fetch_add(1, Ordering::Relaxed);
            }
            Ok(Message::Event(event)) => {
                open = record_result(sender.send(&event), status);
            }
            Ok(Message::End) | Err(RecvTimeoutError::Disconnected) => {
                if open {
                    let _ = sender.send(&ControlEvent::Silence);
                }
                return;
            }
            Err(RecvTimeoutError::Timeout) => {}
        }
        if checked.elapsed() >= CHECK_INTERVAL {
            checked = Instant::now();
            open = if open {
                record_result(sender.check(), status)
            } else {
                // What its receiver plays, it may have missed the end of.
                let opened = sender.open();
                let silenced = opened.and_then(|()| sender.send(&ControlEvent::Silence));
                record_result(silenced, status)
            };
        }
    }
}

/// Stores the error of a result; returns whether there was none.
fn record_result(result: Result<(), String>, status: &SenderStatus) -> bool {
    let ok = result.is_ok();
    status.set_error(result.err());
    ok
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc;

    struct BlockedSender(mpsc::Receiver<()>);

    impl Sender for BlockedSender {
        fn open(&mut self) -> Result<(), String> {
            Ok(())
        }
        fn send(&mut self, _: &ControlEvent) -> Result<(), String> {
            let _ = self.0.recv();
            Ok(())
        }
    }

    #[test]
    fn a_blocked_destination_blocks_nothing_else() {
        let (_hold, wait) = mpsc::channel();
        let sender = SenderThread::start("stuck", Box::new(BlockedSender(wait))).unwrap();
        let started = Instant::now();
        for _ in 0..10_000 {
            sender.send(&ControlEvent::Silence);
        }
        assert!(sender.status.dropped.load(Ordering::Relaxed) > 9_000);
        sender.close();
        assert!(started.elapsed() < Duration::from_secs(5));
    }

    /// Waits for something to come true.
    fn wait_for(so: impl Fn() -> bool) {
        let deadline = Instant::now() + Duration::from_secs(20);
        while !so() {
            assert!(Instant::now() < deadline, "it never came true");
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    struct Log(Arc<Mutex<Vec<&'static str>>>, u32);

    impl Sender for Log {
        fn open(&mut self) -> Result<(), String> {
            self.0.lock().unwrap().push("open");
            Ok(())
        }
        fn send(&mut self, event: &ControlEvent) -> Result<(), String> {
            self.0.lock().unwrap().push(match event {
                ControlEvent::Silence => "silence",
                _ => "stop",
            });
            self.1 += 1;
            if self.1 == 2 {
                Err("gone".into())
            } else {
                Ok(())
            }
        }
    }

    #[test]
    fn a_lost_destination_is_reopened_and_ends_silent() {
        let log = Arc::new(Mutex::new(Vec::new()));
        let sender = SenderThread::start("log", Box::new(Log(log.clone(), 0))).unwrap();
        sender.send(&ControlEvent::NoteOff { at_s: 0.0 });
        sender.send(&ControlEvent::NoteOff { at_s: 0.0 });
        wait_for(|| sender.status.error().as_deref() == Some("gone"));
        sender.send(&ControlEvent::NoteOff { at_s: 0.0 });
        wait_for(|| sender.status.error().is_none());
        sender.close();
        let log = log.lock().unwrap();
        let first = ["open", "stop", "stop"];
        assert_eq!(log[..3], first);
        // Who has missed a stop is told first of all.
        assert_eq!(log[3..], ["open", "silence", "silence"]);
    }
}
