//! Closes what may take long to close, or for ever, on threads of its own. A sound
//! server that has died keeps some libraries waiting for it, and neither the note-off nor
//! the end of the program may wait with them.

use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// How many are being closed.
static CLOSING: Mutex<usize> = Mutex::new(0);
static CLOSED: Condvar = Condvar::new();

fn lock() -> MutexGuard<'static, usize> {
    CLOSING.lock().unwrap_or_else(PoisonError::into_inner)
}

/// One more is being closed; [`end`] must follow.
pub fn begin() {
    *lock() += 1;
}

/// One has been closed.
pub fn end() {
    *lock() -= 1;
    CLOSED.notify_all();
}

/// Drops something on a thread of its own.
pub fn close(what: impl Send + 'static) {
    begin();
    let close = move || {
        drop(what);
        end();
    };
    let thread = std::thread::Builder::new().name("leadpipe close".into());
    // Without a thread it has been dropped here.
    if thread.spawn(close).is_err() {
        end();
    }
}

/// Waits until all has been closed, but no longer than `within`; returns whether it has.
pub fn wait(within: Duration) -> bool {
    let all = CLOSED.wait_timeout_while(lock(), within, |closing| *closing > 0);
    !all.unwrap_or_else(PoisonError::into_inner).1.timed_out()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc::{Receiver, channel};

    /// Hangs when it is dropped.
    struct Hanging(Receiver<()>);

    impl Drop for Hanging {
        fn drop(&mut self) {
            let _ = self.0.recv();
        }
    }

    #[test]
    fn what_hangs_is_not_waited_for() {
        let (release, wait_for) = channel();
        close(Hanging(wait_for));
        assert!(!wait(Duration::from_millis(1)));
        release.send(()).unwrap();
        assert!(wait(Duration::from_secs(60)));
    }
}
