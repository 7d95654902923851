//! Latency and agreement of a live session, by a JACK server's own clock:
//!
//! ```sh
//! cargo build --release --features jack --bins --examples &&
//!     cargo run --release --features jack --example live_figures
//! ```
//!
//! Needs Debian's `jackd2`. For each block size a server is started on its dummy
//! driver, the built-in line is played in three times over, and what comes back
//! is held against the causal pass of the same file.

#[path = "../../tests/common/mod.rs"]
mod common;
#[path = "../../tests/common/stage.rs"]
mod stage;

use leadpipe::internals::demo::line;
use stage::{Live, Server, play};

const RATE_HZ: f64 = 48_000.0;
const ROUNDS: usize = 3;

fn main() {
    let folder = tempfile::tempdir().expect("a folder");
    let take = folder.path().join("take.wav");
    common::write_wav(&take, 48_000, &[&line::render(RATE_HZ).repeat(ROUNDS)]);
    let causal = common::causal(&take);
    println!(
        "{} notes by the causal pass; milliseconds: least, median, 90th percentile, most",
        causal.len()
    );
    for block in [64, 128, 256] {
        let server = Server::start(block);
        let live = Live::start(
            Some(&server),
            &[
                "--horn",
                "flugelhorn",
                "--midi",
                "virtual",
                "--double",
                "--cv",
                "jack:3-6",
            ],
        );
        live.wait_for_port(&server, "leadpipe:notes");
        let back = play(&server, &take, folder.path());
        live.end("TERM");
        let notes = back.notes();
        let matched: Vec<_> = causal
            .iter()
            .filter_map(|row| {
                let pitch = common::semitones(row.frequency_hz);
                let fits = |n: &&stage::MidiNote| {
                    (n.on_s - row.decided_s).abs() < 0.05 && (n.pitch() - pitch).abs() < 0.5
                };
                notes.iter().find(fits).map(|n| (row, n))
            })
            .collect();
        let block_ms = 1e3 * f64::from(block) / RATE_HZ;
        println!(
            "blocks of {block} ({block_ms:.2} ms): {} of {} notes agree, {} came back",
            matched.len(),
            causal.len(),
            notes.len()
        );
        let after = |from: fn(&common::Row) -> f64| {
            matched.iter().map(|(row, n)| n.on_s - from(row)).collect()
        };
        print("MIDI after the decision", after(|r| r.decided_s));
        print("MIDI after the onset", after(|r| r.onset_s));
        let gate = &back.audio[3];
        let gates = matched
            .iter()
            .filter(|(r, _)| r.attack != "slurred")
            .filter_map(|(row, _)| {
                let from = ((row.onset_s - 0.01) * RATE_HZ) as usize;
                let rise = gate[from..]
                    .windows(2)
                    .position(|w| w[0] < 0.25 && w[1] > 0.25)?;
                let late_s = (from + rise + 1) as f64 / RATE_HZ - row.decided_s;
                (late_s < 0.1).then_some(late_s)
            });
        print("gate voltage after the decision", gates.collect());
    }
}

fn print(what: &str, mut late_s: Vec<f64>) {
    late_s.sort_by(f64::total_cmp);
    let at = |share: f64| {
        late_s
            .get((share * late_s.len().saturating_sub(1) as f64).round() as usize)
            .map_or(f64::NAN, |s| 1e3 * s)
    };
    println!(
        "  {what:34} {:6.2} {:6.2} {:6.2} {:6.2}",
        at(0.0),
        at(0.5),
        at(0.9),
        at(1.0)
    );
}
