//! Progress of long work on the terminal's last line, with messages above it. Hidden
//! where standard error is not a terminal, and until the work has taken a second.

use std::fmt::Write;
use std::sync::LazyLock;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use indicatif::{MultiProgress, ProgressBar, ProgressState, ProgressStyle};
use leadpipe::internals::units::clock;

/// What is on the terminal now.
static SHOWN: LazyLock<MultiProgress> = LazyLock::new(MultiProgress::new);

/// Shorter work would only flash up, and before this time the time left is a guess.
const LONG: Duration = Duration::from_secs(1);

/// How far some work is.
pub struct Progress {
    bar: ProgressBar,
    since: Instant,
    on_screen: AtomicBool,
}

impl Progress {
    /// Progress through a take, in milliseconds of it.
    pub fn of_take(length_s: Option<f64>) -> Progress {
        match length_s {
            Some(s) => Progress::new(
                Some((1000.0 * s) as u64),
                "transcribing {percent:>3} %{left}",
            ),
            None => Progress::new(None, "transcribing, {heard} so far"),
        }
    }

    /// Progress through many takes; its message is the name of the last.
    pub fn of_takes(count: usize) -> Progress {
        Progress::new(Some(count as u64), "{pos} of {len} takes{left} · {msg}")
    }

    /// Progress that nobody sees, of one of many.
    pub fn none() -> Progress {
        let progress = Progress::new(None, "");
        // As if it were there already.
        progress.on_screen.store(true, Ordering::Relaxed);
        progress
    }

    fn new(length: Option<u64>, template: &str) -> Progress {
        let left = |state: &ProgressState, to: &mut dyn Write| {
            // It ends in a string, which takes everything.
            let _ = write!(to, ", {} left", clock(state.eta().as_secs_f64()));
        };
        let heard = |state: &ProgressState, to: &mut dyn Write| {
            let _ = write!(to, "{}", clock(state.pos() as f64 / 1000.0));
        };
        let style = ProgressStyle::with_template(template)
            .expect("the templates above are sound")
            .with_key("left", left)
            .with_key("heard", heard);
        let bar = ProgressBar::hidden().with_style(style);
        if let Some(length) = length {
            bar.set_length(length);
        }
        Progress {
            bar,
            since: Instant::now(),
            on_screen: AtomicBool::new(false),
        }
    }

    /// How far it is now.
    pub fn set(&self, position: u64) {
        self.bar.set_position(position);
        self.show();
    }

    /// One of many is done.
    pub fn done(&self, name: String) {
        self.bar.set_message(name);
        self.bar.inc(1);
        self.show();
    }

    fn show(&self) {
        if self.since.elapsed() > LONG && !self.on_screen.swap(true, Ordering::Relaxed) {
            SHOWN.add(self.bar.clone());
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

/// Prints a line on standard error, above any progress.
pub fn message(line: &str) {
    SHOWN.suspend(|| super::say(line));
}
