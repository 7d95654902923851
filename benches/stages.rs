//! Time per stage on one second of the demo line at 48 kHz: `cargo bench`.

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use leadpipe::internals::analysis::candidate_finder::CandidateFinder;
use leadpipe::internals::analysis::candidates::Candidates;
use leadpipe::internals::analysis::correlator::Correlator;
use leadpipe::internals::analysis::decoder::Decoder;
use leadpipe::internals::analysis::offline_decoder::OfflineDecoder;
use leadpipe::internals::analysis::pitch_model::PitchModel;
use leadpipe::internals::analysis::resampler::{ANALYSIS_RATE_HZ, Resampler};
use leadpipe::internals::analysis::{Analyser, Frame, HOP, fine_pitch};
use leadpipe::internals::demo::line;
use leadpipe::internals::notes::segment::Segmenter;
use leadpipe::{Mode, Settings, Tracker, Transcriber};

const RATE_HZ: f64 = 48_000.0;
/// Longest lag of the analyser.
const LONGEST: usize = 398;

/// A second in the middle of the line.
fn second() -> Vec<f32> {
    line::render(RATE_HZ)[5 * 48_000..6 * 48_000].to_vec()
}

fn low_second() -> Vec<f32> {
    let mut low = Vec::new();
    Resampler::new(RATE_HZ).push(&second(), &mut low);
    low
}

fn frames() -> Vec<Frame> {
    let mut frames = Vec::new();
    Analyser::new(Settings::builder(RATE_HZ).build().unwrap())
        .push(&second(), &mut |f| frames.push(*f));
    frames
}

fn stages(c: &mut Criterion) {
    let mut group = c.benchmark_group("a second of sound");
    group.throughput(Throughput::Elements(48_000));
    let (sound, low, frames) = (second(), low_second(), frames());
    group.bench_function("resample", |b| {
        let mut resampler = Resampler::new(RATE_HZ);
        let mut low = Vec::with_capacity(sound.len());
        b.iter(|| {
            low.clear();
            resampler.push(black_box(&sound), &mut low);
            low.len()
        });
    });
    group.bench_function("correlate", |b| {
        let mut correlator = Correlator::new(ANALYSIS_RATE_HZ, HOP, LONGEST);
        b.iter(|| {
            low.chunks_exact(HOP)
                .for_each(|block| correlator.push(black_box(block), true))
        });
    });
    let mut correlator = Correlator::new(ANALYSIS_RATE_HZ, HOP, LONGEST);
    low.chunks_exact(HOP)
        .for_each(|block| correlator.push(block, true));
    group.bench_function("candidates", |b| {
        let mut finder = CandidateFinder::new(ANALYSIS_RATE_HZ, 28.0, 1_650.0, PitchModel::DEFAULT);
        let mut out = Candidates::default();
        b.iter(|| (0..735).for_each(|_| finder.find(black_box(&correlator), &mut out)));
    });
    group.bench_function("decode", |b| {
        let mut decoder = Decoder::new(PitchModel::DEFAULT);
        b.iter(|| {
            for frame in &frames {
                black_box(decoder.push(&frame.candidates, false));
            }
        });
    });
    group.bench_function("tune", |b| {
        let lag = ANALYSIS_RATE_HZ / 349.2;
        b.iter(|| {
            (0..735).for_each(|_| {
                black_box(fine_pitch::refine(
                    &correlator,
                    ANALYSIS_RATE_HZ,
                    black_box(lag),
                ));
            })
        });
    });
    group.bench_function("segment", |b| {
        let analyser = Analyser::new(Settings::builder(RATE_HZ).build().unwrap());
        let mut segmenter = Segmenter::new(&analyser);
        let mut events = Vec::new();
        b.iter(|| {
            for frame in &frames {
                black_box(segmenter.push(frame, &mut events));
            }
            events.clear();
        });
    });
    group.bench_function("path", |b| {
        let analyser = Analyser::new(Settings::builder(RATE_HZ).build().unwrap());
        let mut path = OfflineDecoder::new(&analyser);
        let mut out = Vec::new();
        b.iter(|| {
            frames
                .iter()
                .for_each(|f| path.push(black_box(f), &mut out, &mut |_, _| {}));
            out.clear();
        });
    });
    group.bench_function("live tracker as a whole", |b| {
        let mut tracker = Tracker::new(Settings::builder(RATE_HZ).build().unwrap());
        b.iter(|| {
            tracker.push(black_box(&sound), &mut |heard| {
                black_box(&heard);
            })
        });
    });
    group.bench_function("both passes as a whole", |b| {
        b.iter(|| {
            let mut transcriber =
                Transcriber::new(Settings::builder(RATE_HZ).build().unwrap(), Mode::Full);
            transcriber.push(black_box(&sound));
            transcriber.finish().notes.len()
        });
    });
    group.finish();
}

criterion_group!(benches, stages);
criterion_main!(benches);
