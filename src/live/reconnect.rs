//! Reopens a lost device on a thread of its own: a sound server may take seconds to
//! answer, and the engine must not wait for it.

use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::{Duration, Instant};

use super::devices;
use crate::error::{Error, Result};

/// Time between attempts.
const RETRY: Duration = Duration::from_secs(1);

/// Attempts to reopen something, one at a time.
pub struct Reconnect<T> {
    tried: Instant,
    under_way: Option<Receiver<Result<T>>>,
}

impl<T: Send + 'static> Reconnect<T> {
    /// The first attempt is made a second later.
    pub fn new() -> Self {
        Reconnect {
            tried: Instant::now(),
            under_way: None,
        }
    }

    /// Result of the last attempt, once; never blocks. Starts the next attempt when
    /// it is due.
    pub fn poll<W>(&mut self, config: &W, open: fn(&W) -> Result<T>) -> Option<Result<T>>
    where
        W: Clone + Send + 'static,
    {
        if let Some(answer) = &self.under_way {
            let result = match answer.try_recv() {
                Ok(result) => result,
                Err(TryRecvError::Empty) => return None,
                Err(TryRecvError::Disconnected) => {
                    Err(device_error("the attempt to reopen it failed"))
                }
            };
            self.under_way = None;
            self.tried = Instant::now();
            return Some(result);
        }
        if self.tried.elapsed() < RETRY {
            return None;
        }
        let (tell, answer) = channel();
        let config = config.clone();
        let thread = std::thread::Builder::new()
            .name("leadpipe reopen".into())
            .spawn(move || {
                devices::silence_library_messages();
                // If the receiver is gone, what was opened is closed again.
                let _ = tell.send(open(&config));
            });
        self.tried = Instant::now();
        match thread {
            Ok(_) => {
                self.under_way = Some(answer);
                None
            }
            Err(error) => Some(Err(device_error(error))),
        }
    }
}

fn device_error(problem: impl std::fmt::Display) -> Error {
    Error::device("a lost device", problem, "it will be tried again")
}

#[cfg(test)]
mod tests {
    use super::*;

    use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};

    fn rest() {
        std::thread::sleep(Duration::from_millis(5));
    }

    fn wait<T: Send + 'static>(
        reconnect: &mut Reconnect<T>,
        open: fn(&()) -> Result<T>,
    ) -> Result<T> {
        loop {
            if let Some(result) = reconnect.poll(&(), open) {
                return result;
            }
            rest();
        }
    }

    #[test]
    fn a_slow_device_holds_nobody_up() {
        static BEGUN: AtomicBool = AtomicBool::new(false);
        static READY: AtomicBool = AtomicBool::new(false);
        let slow = |_: &()| {
            BEGUN.store(true, Ordering::Release);
            while !READY.load(Ordering::Acquire) {
                rest();
            }
            Ok(7)
        };
        let mut reconnect = Reconnect::new();
        while !BEGUN.load(Ordering::Acquire) {
            assert!(reconnect.poll(&(), slow).is_none());
            rest();
        }
        // A blocking poll would hang here.
        assert!(reconnect.poll(&(), slow).is_none());
        READY.store(true, Ordering::Release);
        assert_eq!(wait(&mut reconnect, slow).unwrap(), 7);
    }

    #[test]
    fn it_is_tried_until_it_comes() {
        static TRIES: AtomicU32 = AtomicU32::new(0);
        let third = |_: &()| match TRIES.fetch_add(1, Ordering::Relaxed) {
            0 => Err(device_error("not yet")),
            1 => panic!("a driver's fault"),
            at => Ok(at),
        };
        let mut reconnect = Reconnect::new();
        assert!(wait(&mut reconnect, third).is_err());
        let broken_off = wait(&mut reconnect, third).unwrap_err();
        assert!(broken_off.to_string().contains("reopen it failed"));
        assert_eq!(wait(&mut reconnect, third).unwrap(), 2);
    }
}
