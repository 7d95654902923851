//! Opens a lost device again, on a thread of its own: a sound server may take
//! seconds to answer, and whoever plays on must not wait for it.

use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::{Duration, Instant};

use super::devices;
use crate::error::{Error, Result};

/// Rest between two tries.
const RETRY: Duration = Duration::from_secs(1);

/// Tries, one after another, to get something back.
pub struct Reopening<T> {
    tried: Instant,
    under_way: Option<Receiver<Result<T>>>,
}

impl<T: Send + 'static> Reopening<T> {
    /// The first try comes after a rest.
    pub fn new() -> Self {
        Reopening {
            tried: Instant::now(),
            under_way: None,
        }
    }

    /// What came of the last try, once; never waits. Starts the next try when
    /// it is due.
    pub fn poll<W>(&mut self, wish: &W, open: fn(&W) -> Result<T>) -> Option<Result<T>>
    where
        W: Clone + Send + 'static,
    {
        if let Some(answer) = &self.under_way {
            let result = match answer.try_recv() {
                Ok(result) => result,
                Err(TryRecvError::Empty) => return None,
                Err(TryRecvError::Disconnected) => Err(broken("the attempt to open it broke off")),
            };
            self.under_way = None;
            self.tried = Instant::now();
            return Some(result);
        }
        if self.tried.elapsed() < RETRY {
            return None;
        }
        let (tell, answer) = channel();
        let wish = wish.clone();
        let thread = std::thread::Builder::new()
            .name("leadpipe reopen".into())
            .spawn(move || {
                devices::hush_libraries();
                // Nobody listens any more: what was opened is closed again.
                let _ = tell.send(open(&wish));
            });
        self.tried = Instant::now();
        match thread {
            Ok(_) => {
                self.under_way = Some(answer);
                None
            }
            Err(error) => Some(Err(broken(error))),
        }
    }
}

fn broken(problem: impl std::fmt::Display) -> Error {
    Error::device("a lost device", problem, "it is tried again")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wait<T: Send + 'static>(
        reopening: &mut Reopening<T>,
        open: fn(&Duration) -> Result<T>,
    ) -> (Result<T>, Duration) {
        let mut longest = Duration::ZERO;
        loop {
            let asked = Instant::now();
            let answer = reopening.poll(&Duration::from_millis(300), open);
            longest = longest.max(asked.elapsed());
            if let Some(result) = answer {
                return (result, longest);
            }
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    #[test]
    fn a_slow_device_holds_nobody_up() {
        let mut reopening = Reopening::new();
        let slow = |rest: &Duration| {
            std::thread::sleep(*rest);
            Ok(7)
        };
        let begun = Instant::now();
        let (result, longest) = wait(&mut reopening, slow);
        assert_eq!(result.unwrap(), 7);
        assert!(begun.elapsed() >= RETRY + Duration::from_millis(300));
        assert!(longest < Duration::from_millis(200), "{longest:?}");
    }

    #[test]
    fn it_is_tried_until_it_comes() {
        use std::sync::atomic::{AtomicU32, Ordering};
        static TRIES: AtomicU32 = AtomicU32::new(0);
        let third = |_: &Duration| match TRIES.fetch_add(1, Ordering::Relaxed) {
            0 => Err(broken("not yet")),
            1 => panic!("a driver's fault"),
            at => Ok(at),
        };
        let mut reopening = Reopening::new();
        assert!(wait(&mut reopening, third).0.is_err());
        let (broken_off, _) = wait(&mut reopening, third);
        assert!(broken_off.unwrap_err().to_string().contains("broke off"));
        assert_eq!(wait(&mut reopening, third).0.unwrap(), 2);
    }
}
