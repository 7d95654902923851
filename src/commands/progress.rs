//! Progress of long work on the terminal's last line, with messages above it. Hidden
//! where standard error is not a terminal.

use std::fmt::Write;
use std::sync::LazyLock;
use std::time::Duration;

use indicatif::{MultiProgress, ProgressBar, ProgressState, ProgressStyle};
use leadpipe::internals::units::clock;

/// What is on the terminal now.
static SHOWN: LazyLock<MultiProgress> = LazyLock::new(MultiProgress::new);

/// Before this time the time left would be a guess.
const GUESS: Duration = Duration::from_secs(1);
/// Of a shorter take progress would only flash up, in seconds.
const LONG_S: f64 = 60.0;

/// Progress through a take, in milliseconds of it; hidden if it is short or its length
/// is not known.
pub fn of_take(length_s: Option<f64>) -> ProgressBar {
    match length_s.filter(|s| *s > LONG_S) {
        Some(s) => shown((1000.0 * s) as u64, "transcribing {percent:>3} %{left}"),
        None => ProgressBar::hidden(),
    }
}

/// Progress through many takes; its message is the name of the last.
pub fn of_takes(count: usize) -> ProgressBar {
    shown(count as u64, "{pos} of {len} takes{left} · {msg}")
}

fn shown(length: u64, template: &str) -> ProgressBar {
    let left = |state: &ProgressState, to: &mut dyn Write| {
        if state.elapsed() > GUESS {
            // It ends in a string, which takes everything.
            let _ = write!(to, ", {} left", clock(state.eta().as_secs_f64()));
        }
    };
    let style = ProgressStyle::with_template(template)
        .expect("the templates above are sound")
        .with_key("left", left);
    SHOWN.add(ProgressBar::new(length).with_style(style))
}

/// Prints a line on standard error, above any progress.
pub fn message(line: &str) {
    SHOWN.suspend(|| eprintln!("{line}"));
}
