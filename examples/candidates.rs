//! Draws one frame: the two correlations over lag and the candidates
//! found in them, with their strengths, as an SVG on standard output.
//!
//! ```text
//! cargo run --release --example candidates > docs/candidates.svg
//! ```

use leadpipe::internals::analysis::HOP;
use leadpipe::internals::analysis::candidate_finder::CandidateFinder;
use leadpipe::internals::analysis::candidates::Candidates;
use leadpipe::internals::analysis::correlator::{Correlator, Window};
use leadpipe::internals::analysis::pitch_model::PitchModel;
use leadpipe::internals::analysis::resampler::{ANALYSIS_RATE_HZ, Resampler};
use leadpipe::internals::demo::line;

const RATE_HZ: f64 = 48_000.0;
const LONGEST: usize = 397;
/// Time in the demo line: 24 ms into its first note.
const TIME_S: f64 = 0.624;

const WIDTH: f64 = 900.0;
const HEIGHT: f64 = 380.0;
const LEFT: f64 = 60.0;
const BOTTOM: f64 = 320.0;
const TOP: f64 = 50.0;

fn x(lag: f64) -> f64 {
    LEFT + lag / LONGEST as f64 * (WIDTH - LEFT - 20.0)
}

fn y(rho: f64) -> f64 {
    BOTTOM - (rho + 1.0) / 2.0 * (BOTTOM - TOP)
}

fn main() {
    let sound = line::render(RATE_HZ);
    let mut resampler = Resampler::new(RATE_HZ);
    let mut correlator = Correlator::new(ANALYSIS_RATE_HZ, HOP, LONGEST);
    let heard = &sound[..(TIME_S * RATE_HZ) as usize];
    let mut low = Vec::new();
    resampler.push(heard, &mut low);
    low.chunks_exact(HOP)
        .for_each(|block| correlator.push(block, true));
    let mut candidates = Candidates::default();
    CandidateFinder::new(ANALYSIS_RATE_HZ, 28.0, 1_650.0, PitchModel::DEFAULT)
        .find(&correlator, &mut candidates);

    println!(
        r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" font-family="sans-serif" font-size="12">
<title>Candidates of one frame, 24 ms into a tongued B flat 3</title>
<rect width="{WIDTH}" height="{HEIGHT}" fill="#ffffff"/>
<text x="{LEFT}" y="24" font-size="15">One frame, 24 ms into a tongued B flat 3: correlation over lag</text>"##
    );
    for rho in [-1.0, 0.0, 1.0] {
        println!(
            r##"<path d="M{LEFT} {0:.1}H{1:.1}" stroke="#cccccc"/><text x="{2:.1}" y="{3:.1}" text-anchor="end">{rho}</text>"##,
            y(rho),
            WIDTH - 20.0,
            LEFT - 8.0,
            y(rho) + 4.0
        );
    }
    for lag_ms in [0, 5, 10, 15, 20, 25, 30, 35] {
        let at = x(f64::from(lag_ms) * ANALYSIS_RATE_HZ / 1000.0);
        println!(
            r#"<text x="{at:.1}" y="{:.1}" text-anchor="middle">{lag_ms} ms</text>"#,
            BOTTOM + 18.0
        );
    }
    for (set, colour, name, label_x) in [
        (Window::Long, "#1b7f79", "long window, 2.5 periods", 720.0),
        (Window::Short, "#b5651d", "short window, 1 period", 570.0),
    ] {
        let points: Vec<String> = correlator.rho(set)[..LONGEST]
            .iter()
            .enumerate()
            .map(|(lag, rho)| format!("{:.1},{:.1}", x(lag as f64), y(f64::from(*rho))))
            .collect();
        println!(
            r#"<polyline points="{}" fill="none" stroke="{colour}" stroke-width="1.6"/>"#,
            points.join(" ")
        );
        println!(r#"<text x="{label_x}" y="24" fill="{colour}">{name}</text>"#);
    }
    for candidate in candidates.as_slice() {
        let hz = leadpipe::Pitch(f64::from(candidate.pitch)).hz();
        let at = x(ANALYSIS_RATE_HZ / hz);
        let accepted = candidate.net_strength() > 0.8;
        let colour = if accepted { "#222222" } else { "#999999" };
        println!(
            r#"<path d="M{at:.1} {TOP}V{BOTTOM}" stroke="{colour}" stroke-dasharray="3 3"/><text x="{at:.1}" y="{:.1}" text-anchor="middle" fill="{colour}">{:.1}</text>"#,
            TOP - 6.0,
            candidate.net_strength()
        );
    }
    println!(
        r#"<text x="{LEFT}" y="{:.1}">Dashed: candidates with their strength in nats, less their penalties. The first is the period; its multiples explain the sound no better.</text>
</svg>"#,
        HEIGHT - 14.0
    );
}
