//! How steady the clock is that follows the player (`leadpipe live --clock out`).
//!
//! ```sh
//! cargo run --release --example clock_jitter
//! ```
//!
//! Three tunes, and one with long rests, synthesized at six tempi from 66 to 150 with
//! human timing (normally distributed) and a tempo that drifts, go through the engine as in
//! a session, in blocks of 128 at 48 kHz. Counted from 15 s on: what the intervals of the
//! clock's 24 ticks to the quarter stray from their mean over two quarters, how far ticks
//! that should be beats are from the beats that were meant, and how often the tempo is half
//! or twice the one that was meant. The seeds are fixed.

#[path = "shared/plain_engine.rs"]
mod plain_engine;

use std::time::Instant;

use leadpipe::internals::demo::brass::{Played, Room, play};
use leadpipe::internals::live::clock::beat_clock::{BeatClock, ClockEvent};
use leadpipe::internals::live::clock::generator::Pulse;
use leadpipe::internals::live::clock::stream_time::Moment;
use leadpipe::internals::live::control_event::ControlEvent;
use leadpipe::internals::statistics;
use plain_engine::plain_engine;

const RATE_HZ: f64 = 48_000.0;
const LENGTH_S: f64 = 45.0;
/// The clock has settled by then, in seconds.
const FROM_S: f64 = 15.0;
const TEMPI: [f64; 6] = [66.0, 80.0, 96.0, 112.0, 130.0, 150.0];
/// Note values in quarters: a plain tune, eighths, a waltz.
const TUNES: [&[f64]; 3] = [
    &[
        1.0, 1.0, 0.5, 0.5, 1.0, 1.5, 0.5, 1.0, 1.0, 2.0, 1.0, 1.0, 0.5, 0.5, 1.0, 2.0,
    ],
    &[
        0.5, 0.5, 0.5, 0.5, 1.0, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 2.0, 1.0, 0.5, 0.5, 1.0, 1.0, 4.0,
    ],
    &[
        1.0, 1.0, 1.0, 2.0, 1.0, 1.5, 0.5, 1.0, 3.0, 1.0, 0.5, 0.5, 1.0, 2.0, 1.0, 3.0,
    ],
];
/// A tune that rests for two bars now and then: negative values.
const RESTING: [&[f64]; 1] = [&[
    1.0, 0.5, 0.5, 2.0, -1.0, 1.0, 0.5, 0.5, 1.0, -8.0, 1.5, 0.5, 1.0, 1.0, 1.0, 3.0,
]];
const SCALE: [f64; 7] = [0.0, 2.0, 4.0, 5.0, 7.0, 9.0, 11.0];

fn main() -> leadpipe::Result<()> {
    println!("timing  drift  rests   intervals stray (ms)   beats are off (ms)   other tempo");
    println!("  (ms)    (%)             99 %       most        median    95 %     (takes)");
    let timings = [(0.01, 0.0), (0.01, 0.04), (0.025, 0.0), (0.025, 0.04)];
    for (rests, tunes) in [("no", &TUNES[..]), ("yes", &RESTING)] {
        for (timing_s, drift) in timings {
            let mut found = Found::default();
            for (at, values) in (0..).zip(tunes) {
                for (seed, tempo) in (1 + 10 * at..).zip(TEMPI) {
                    found.play(values, tempo, timing_s, drift, seed)?;
                }
            }
            found.print(timing_s, drift, rests);
        }
    }
    Ok(())
}

/// Figures in seconds.
#[derive(Default)]
struct Found {
    strays: Vec<f64>,
    off_beat: Vec<f64>,
    takes: usize,
    other_tempo: usize,
}

impl Found {
    fn play(
        &mut self,
        values: &[f64],
        tempo: f64,
        timing_s: f64,
        drift: f64,
        seed: u64,
    ) -> leadpipe::Result<()> {
        let (notes, beats) = tune(values, tempo, timing_s, drift, seed);
        let samples = play(&notes, LENGTH_S, &Room::default(), seed);
        let ticks = clock(&samples)?;
        self.takes += 1;
        let settled = ticks.partition_point(|s| *s < FROM_S);
        let settled = &ticks[settled..];
        let Some(quarter_s) = settled.get(48).map(|s| (s - settled[0]) / 2.0) else {
            self.other_tempo += 1;
            return Ok(());
        };
        for around in settled.windows(49) {
            let even_s = (around[48] - around[0]) / 48.0;
            self.strays.push((around[25] - around[24] - even_s).abs());
        }
        if (quarter_s * tempo / 60.0).log2().abs() > 0.5 {
            self.other_tempo += 1;
            return Ok(());
        }
        let on_beat: Vec<f64> = ticks.iter().copied().step_by(24).collect();
        for beat_s in beats
            .iter()
            .filter(|s| (FROM_S..LENGTH_S - 1.0).contains(*s))
        {
            let off = on_beat.iter().map(|s| (s - beat_s).abs());
            self.off_beat.push(off.fold(f64::MAX, f64::min));
        }
        Ok(())
    }

    fn print(mut self, timing_s: f64, drift: f64, rests: &str) {
        println!(
            "{:6.0} {:6.0} {rests:>6} {:9.2} {:10.2} {:12.1} {:8.1} {:8} of {}",
            1e3 * timing_s,
            100.0 * drift,
            1e3 * quantile(&mut self.strays, 0.99),
            1e3 * quantile(&mut self.strays, 1.0),
            1e3 * quantile(&mut self.off_beat, 0.5),
            1e3 * quantile(&mut self.off_beat, 0.95),
            self.other_tempo,
            self.takes,
        );
    }
}

fn quantile(values: &mut [f64], share: f64) -> f64 {
    statistics::quantile(values, share).unwrap_or(f64::NAN)
}

/// Notes, and the beats that were meant, in seconds. The tempo swings by `drift` either way
/// over 20 s.
fn tune(
    values: &[f64],
    tempo: f64,
    timing_s: f64,
    drift: f64,
    seed: u64,
) -> (Vec<Played>, Vec<f64>) {
    let mut random = fastrand::Rng::with_seed(seed);
    let time_s = |quarters: f64| {
        let even_s = 60.0 / tempo * quarters;
        let turn = std::f64::consts::TAU / 20.0;
        0.5 + even_s + drift / turn * (1.0 - (turn * even_s).cos())
    };
    let (mut notes, mut at) = (Vec::new(), 0.0);
    for value in values.iter().cycle() {
        if *value < 0.0 {
            at -= value;
            continue;
        }
        let end_s = time_s(at + 0.85 * value);
        if end_s > LENGTH_S - 0.5 {
            break;
        }
        let stray: f64 = (0..12).map(|_| random.f64() - 0.5).sum();
        let pitch = 58.0 + SCALE[random.usize(..SCALE.len())];
        notes.push(Played::new(
            time_s(at) + timing_s * stray,
            end_s,
            pitch,
            0.6,
        ));
        at += value;
    }
    let beats = (0..at as u32).map(|beat| time_s(f64::from(beat))).collect();
    (notes, beats)
}

/// Times of the clock's ticks, in seconds.
fn clock(samples: &[f32]) -> leadpipe::Result<Vec<f64>> {
    let mut engine = plain_engine(RATE_HZ, -65.0)?;
    let (mut clock, mut events, mut ticks) = (BeatClock::default(), Vec::new(), Vec::new());
    for block in samples.chunks(128) {
        engine.process(block, &mut events);
        drop(engine.take_finished());
        let now = Some(Moment::system(Instant::now()));
        clock.run(engine.now_s(), |_| now, &mut events);
        for event in events.drain(..) {
            if let ControlEvent::Clock(ClockEvent {
                pulse: Pulse::Tick(_),
                at_s,
                ..
            }) = event
            {
                ticks.push(at_s);
            }
        }
    }
    Ok(ticks)
}
