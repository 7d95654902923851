use std::io::{BufRead, IsTerminal, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use clap::Args;
use leadpipe::internals::live::calibration::{MAX_V, STEPS, VoltageFit};
use leadpipe::internals::live::devices;
use leadpipe::internals::live::rig::channel_index;
use leadpipe::internals::live::streams::{self, OutputRequest};
use leadpipe::internals::units::rounded;
use leadpipe::{Error, Result};

use super::live::{device_and_channels, store};
use super::say;

/// Calibrate a control-voltage output with a voltmeter
#[derive(Args)]
#[command(after_help = "\
Puts out five steady voltages on one output, within 40 % of full scale either
way, and asks for the meter's reading at each. With --rig the measured full scale
and offset are stored, so that an octave is exactly 1 V.

Connect only the meter: no module, amplifier, speaker or headphones on that
output, because a steady voltage can damage them. Only a DC-coupled interface
can put it out. Read the interface's manual first; it takes precedence.

Examples:
  leadpipe calibrate jack:3 --rig stage
  leadpipe calibrate 'alsa:hw:2:3' < readings.txt

readings.txt has one number per line, in volts, in the order of the steps: at 0,
+0.2, +0.4, -0.2 and -0.4 of full scale; an empty line skips one.")]
pub struct Options {
    /// Output device and one channel, such as jack:3
    #[arg(value_name = "DEVICE:CHANNEL")]
    output: String,
    /// Rig file to store the result in
    #[arg(long, value_name = "NAME")]
    rig: Option<String>,
}

/// Time between refills of the output's ring, and how much is buffered in it: a
/// steady value may be late.
const REST: Duration = Duration::from_millis(5);
const AHEAD_S: f64 = 0.05;

pub fn run(options: &Options) -> Result<()> {
    devices::silence_library_messages();
    let (device, channels) = device_and_channels(&options.output)?;
    let [channel] = channels[..] else {
        return Err(Error::setting(
            format!("\"{}\" names {} channels", options.output, channels.len()),
            "calibrate one at a time, such as jack:3",
        ));
    };
    let channel = channel_index("output", channel)?;
    let started = SteadyOutput::start(device.as_deref(), channel);
    let steady = Arc::new(started.map_err(|error| match error {
        // By the name that was given.
        Error::Device { problem, hint, .. } => Error::device(&options.output, problem, hint),
        other => other,
    })?);
    let interrupted = steady.clone();
    ctrlc::set_handler(move || {
        interrupted.finish();
        std::process::exit(Error::Interrupted.exit_code().into());
    })
    .map_err(|e| Error::setting(format!("signals: {e}"), "start again"))?;
    let readings = read_meter(&steady);
    // However it ended, the output returns to zero first.
    steady.finish();
    let readings = readings?;
    say("");
    let fit = VoltageFit::new(&readings)?;
    if let Some(off) = fit.outlier(&readings) {
        let (step, volts) = readings[off];
        return Err(Error::setting(
            format!(
                "the readings do not lie on a straight line, {volts} V at {step:+.1} least of all; nothing was stored"
            ),
            "start again, and type each reading at the step that asks for it",
        ));
    }
    super::print(|to| {
        writeln!(
            to,
            "full scale {:+.4} V, offset {:+.4} V",
            fit.full_scale_v,
            rounded(fit.offset_v, 4)
        )?;
        writeln!(
            to,
            "readings lie within {:.4} V of a straight line: {:.1} cents at 1 V per octave",
            fit.worst_v,
            fit.worst_cents()
        )
    })?;
    if fit.full_scale_v < 0.0 {
        say("leadpipe: the output inverts: a higher value is a lower voltage");
    }
    let values = [
        ("full_scale_v", fit.full_scale_v),
        ("offset_v", fit.offset_v),
    ];
    store(options.rig.as_deref(), "cv", &values)
}

/// Puts out every step and asks for the meter's reading; on a terminal once more where it
/// is no voltage, or not on the line of the others.
fn read_meter(steady: &SteadyOutput) -> Result<Vec<(f64, f64)>> {
    // Asked now: one that has been closed says no.
    let terminal = std::io::stdin().is_terminal();
    let mut lines = std::io::stdin().lock().lines();
    let mut ask = |step: f64| {
        steady.set(step as f32);
        read_step(step, &mut lines, terminal)
    };
    let mut readings = Vec::new();
    for step in STEPS {
        match ask(step)? {
            Reading::Volts(volts) => readings.push((step, volts)),
            Reading::Skipped => {}
            // Nobody types any more: what was typed is no calibration.
            Reading::Over if terminal => {
                return Err(Error::setting(
                    format!("the readings end at {step:+.1}; nothing was stored"),
                    "start again, and type one at each step",
                ));
            }
            Reading::Over => return Ok(readings),
        }
    }
    for _ in 0..STEPS.len() {
        let outlier = VoltageFit::new(&readings)
            .ok()
            .and_then(|fit| fit.outlier(&readings));
        let Some(off) = outlier.filter(|_| terminal) else {
            break;
        };
        let (step, volts) = readings[off];
        say(format_args!(
            "{volts} V at {step:+.1} is not on the line of the other readings"
        ));
        if let Reading::Volts(volts) = ask(step)? {
            readings[off].1 = volts;
        }
    }
    Ok(readings)
}

/// What was typed at a step.
enum Reading {
    Volts(f64),
    Skipped,
    /// There is nothing more to read.
    Over,
}

fn read_step(
    step: f64,
    lines: &mut impl Iterator<Item = std::io::Result<String>>,
    terminal: bool,
) -> Result<Reading> {
    loop {
        let mut to = std::io::stderr().lock();
        let _ = write!(
            to,
            "output at {step:+.1} of full scale; reading of the meter in volts (Enter to skip): "
        );
        let _ = to.flush();
        // A terminal that has been closed gives an error.
        let Some(Ok(text)) = lines.next() else {
            return Ok(Reading::Over);
        };
        if text.trim().is_empty() {
            return Ok(Reading::Skipped);
        }
        if let Some(volts) = volts(&text) {
            return Ok(Reading::Volts(volts));
        }
        let problem = format!("\"{}\" is not a voltage within {MAX_V} V", text.trim());
        let hint = "type a number such as 2.013";
        if !terminal {
            return Err(Error::setting(
                format!("{problem} (at {step:+.1}); nothing was stored"),
                hint,
            ));
        }
        say(Error::setting(problem, hint));
    }
}

fn volts(text: &str) -> Option<f64> {
    // Many languages use a decimal comma.
    let number = text
        .trim()
        .trim_end_matches(['V', 'v'])
        .trim()
        .replace(',', ".");
    let volts = number.parse::<f64>().ok()?;
    (volts.abs() <= MAX_V).then_some(volts)
}

/// A steady value on one channel, zero on the others, played by a thread.
struct SteadyOutput {
    value: Arc<Mutex<f32>>,
    finished: Arc<AtomicBool>,
    thread: Mutex<Option<std::thread::JoinHandle<()>>>,
}

impl SteadyOutput {
    fn start(device: Option<&str>, channel: usize) -> Result<Self> {
        let output = streams::open_output(&OutputRequest {
            device,
            min_channels: channel + 1,
            cv: &[channel],
            ..Default::default()
        })?;
        let (value, finished) = (Arc::new(Mutex::new(0.0)), Arc::new(AtomicBool::new(false)));
        let (wanted, ended) = (value.clone(), finished.clone());
        let thread = std::thread::spawn(move || {
            // All of it: its stream runs as long as it is held.
            let mut output = output;
            let (mut now, channels) = (0f32, output.channels);
            let room = output.ring.buffer().capacity() / channels;
            while !(ended.load(Ordering::Acquire) && now == 0.0) {
                let target = wanted.lock().map_or(0.0, |v| *v);
                let waiting = room - output.ring.slots() / channels;
                for _ in waiting..(AHEAD_S * output.rate_hz) as usize {
                    // Ramped so that it does not click: full scale in a fifth of a
                    // second.
                    let max_step = (5.0 / output.rate_hz) as f32;
                    now += (target - now).clamp(-max_step, max_step);
                    for at in 0..channels {
                        let sample = if at == channel { now } else { 0.0 };
                        let _ = output.ring.push(sample);
                    }
                }
                std::thread::sleep(REST);
            }
            std::thread::sleep(Duration::from_secs_f64(2.0 * AHEAD_S));
        });
        Ok(SteadyOutput {
            value,
            finished,
            thread: Mutex::new(Some(thread)),
        })
    }

    fn set(&self, value: f32) {
        if let Ok(mut place) = self.value.lock() {
            *place = value;
        }
    }

    /// Ramps to zero; back when it is there.
    fn finish(&self) {
        self.set(0.0);
        self.finished.store(true, Ordering::Release);
        let mut thread = self.thread.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(thread) = thread.take() {
            let _ = thread.join();
        }
    }
}

impl Drop for SteadyOutput {
    /// However the command ends, the output returns to zero.
    fn drop(&mut self) {
        self.finish();
    }
}
