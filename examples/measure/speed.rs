//! Speed and memory of the transcription alone, on the demo line over and over.

use std::time::Instant;

use leadpipe::internals::demo::line;
use leadpipe::{Mode, Settings, Transcriber};

pub fn measure() {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    println!("speed: ten minutes at 48 kHz, decoding not counted, {cores} cores");
    let rate_hz = 48_000.0;
    let line = line::render(rate_hz);
    let times = (600.0 / line::LENGTH_S).round() as usize;
    for (name, mode) in [("live engine", Mode::Causal), ("both passes", Mode::Full)] {
        let start = Instant::now();
        let mut transcriber = Transcriber::new(Settings::builder(rate_hz).build().unwrap(), mode);
        for _ in 0..times {
            transcriber.push(&line);
        }
        let notes = transcriber.finish().notes.len();
        let took_s = start.elapsed().as_secs_f64();
        let length_s = times as f64 * line::LENGTH_S;
        let times = length_s / took_s;
        // Only the live engine is one thread.
        let share = match mode {
            Mode::Causal => format!(", {:.2} % of a core", 100.0 / times),
            Mode::Full => String::new(),
        };
        println!("  {name}: {times:.0} times real time{share} ({notes} notes)");
    }
}
