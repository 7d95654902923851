//! A take's spectrogram, drawn under the rows of the pitch trace: air, partials, the room.

use std::fmt::Write as _;
use std::path::Path;

use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use realfft::{RealFftPlanner, RealToComplex, num_complex::Complex};

use super::picture;
use crate::audio::decode::{Selection, Take};
use crate::error::Result;

/// Length of a window, in seconds: long enough to tell the partials of a tuba's lowest notes
/// apart.
const WINDOW_S: f64 = 0.085;
/// Columns a second: as many as a row has pixels.
const COLUMNS_PER_S: f64 = 80.0;
/// Frequencies at the bottom and the top, in hertz, and how many rows lie between them on a
/// logarithmic scale, so that partials keep their distances when the pitch moves.
const LOWEST_HZ: f64 = 40.0;
const HIGHEST_HZ: f64 = 12_000.0;
const ROWS: usize = 150;
/// What is drawn from white to black, in dB below the loudest.
const RANGE_DB: f32 = 70.0;
/// Quietest level that is kept, dB.
const FLOOR_DB: f32 = -160.0;

/// Levels of a take over time and frequency.
pub struct Spectrogram {
    start_s: f64,
    columns: Vec<[f32; ROWS]>,
    /// Samples that the next columns need, and where their window starts, in samples.
    waiting: Vec<f32>,
    first: f64,
    hop: f64,
    window: Vec<f32>,
    fft: std::sync::Arc<dyn RealToComplex<f32>>,
    spectrum: Vec<Complex<f32>>,
    windowed: Vec<f32>,
    /// First and last bin of each row.
    bins: Vec<(usize, usize)>,
}

impl std::fmt::Debug for Spectrogram {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Spectrogram of {} columns", self.columns.len())
    }
}

impl Spectrogram {
    /// Hears a take again, once its notes are known.
    ///
    /// # Errors
    /// Those of [`Take`].
    pub fn read(path: &Path, selection: &Selection) -> Result<Spectrogram> {
        let mut take = Take::open(path, selection)?;
        let mut spectrogram = Spectrogram::new(take.sample_rate_hz(), take.start_s());
        let mut block = Vec::new();
        while take.next_block(&mut block)? {
            spectrogram.push(&block);
        }
        Ok(spectrogram)
    }

    /// Of a take that starts at `start_s`.
    pub fn new(rate_hz: f64, start_s: f64) -> Spectrogram {
        let length = (WINDOW_S * rate_hz).round() as usize & !1;
        let fft = RealFftPlanner::<f32>::new().plan_fft_forward(length);
        let hann = |i: usize| {
            let phase = std::f64::consts::TAU * (i as f64 + 0.5) / length as f64;
            // Scaled so that a full-scale sine is 0 dB.
            (2.0 * (1.0 - phase.cos()) / length as f64) as f32
        };
        let bin = |row: usize| {
            let hz = LOWEST_HZ * (HIGHEST_HZ / LOWEST_HZ).powf(row as f64 / ROWS as f64);
            ((hz / rate_hz * length as f64).round() as usize).min(length / 2)
        };
        Spectrogram {
            start_s,
            columns: Vec::new(),
            // The first column is centred on the take's first sample.
            waiting: vec![0.0; length / 2],
            first: 0.0,
            hop: rate_hz / COLUMNS_PER_S,
            window: (0..length).map(hann).collect(),
            spectrum: fft.make_output_vec(),
            windowed: fft.make_input_vec(),
            fft,
            bins: (0..ROWS)
                .map(|row| (bin(row), bin(row + 1).max(bin(row) + 1)))
                .collect(),
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, block: &[f32]) {
        self.waiting.extend_from_slice(block);
        let length = self.window.len();
        let mut at = 0;
        while at + length <= self.waiting.len() {
            self.column(at);
            self.first += self.hop;
            at += self.first as usize;
            self.first = self.first.fract();
        }
        self.waiting.drain(..at.min(self.waiting.len()));
    }

    fn column(&mut self, at: usize) {
        let samples = &self.waiting[at..at + self.window.len()];
        let pairs = samples.iter().zip(&self.window);
        for (to, (sample, window)) in self.windowed.iter_mut().zip(pairs) {
            *to = sample * window;
        }
        self.fft
            .process(&mut self.windowed, &mut self.spectrum)
            .expect("buffers of its own making");
        let mut column = [FLOOR_DB; ROWS];
        for (level_db, (low, high)) in column.iter_mut().zip(&self.bins) {
            let bins = &self.spectrum[*low..(*high).min(self.spectrum.len())];
            let loudest = bins.iter().map(|b| b.norm_sqr()).fold(0.0, f32::max);
            *level_db = (10.0 * loudest.log10()).max(FLOOR_DB);
        }
        self.columns.push(column);
    }

    /// The part between two times as an SVG that stands under a row of the pitch trace.
    pub(super) fn svg(&self, from_s: f64, to_s: f64) -> String {
        let (width, height) = (1020.0, 110.0);
        let (left, right) = picture::PLOT_SHARE;
        let (left, right) = (left * width, right * width);
        let mut svg = format!(
            "<svg class=\"spectrum\" viewBox=\"0 0 {width} {height}\" role=\"img\">\
             <title>Spectrogram from {from_s:.0} to {to_s:.0} s: darker is louder, {LOWEST_HZ} Hz \
             to {HIGHEST_HZ} Hz upwards</title>\
             <image x=\"{left:.1}\" y=\"0\" width=\"{:.1}\" height=\"{height}\" \
             preserveAspectRatio=\"none\" href=\"data:image/png;base64,{}\"/>",
            right - left,
            BASE64_STANDARD.encode(self.png(from_s, to_s))
        );
        for (hz, name) in [
            (100.0, "100 Hz"),
            (500.0, "500 Hz"),
            (2_000.0, "2 kHz"),
            (8_000.0, "8 kHz"),
        ] {
            let share = (hz / LOWEST_HZ).ln() / (HIGHEST_HZ / LOWEST_HZ).ln();
            let _ = write!(
                svg,
                "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{name}</text>",
                left - 6.0,
                height * (1.0 - share) + 4.0
            );
        }
        svg.push_str("</svg>");
        svg
    }

    /// Shades of grey, darker where it is louder; white outside the take.
    fn png(&self, from_s: f64, to_s: f64) -> Vec<u8> {
        let column = |time_s: f64| ((time_s - self.start_s) * COLUMNS_PER_S).round() as i64;
        let (from, to) = (column(from_s), column(to_s).max(column(from_s) + 1));
        let all = self.columns.iter().flatten();
        let loudest_db = all.fold(FLOOR_DB + RANGE_DB, |most, db| most.max(*db));
        let shade = |db: f32| {
            let share = ((loudest_db - db) / RANGE_DB).clamp(0.0, 1.0);
            (255.0 * share) as u8
        };
        let mut pixels = Vec::with_capacity((to - from) as usize * ROWS);
        for row in (0..ROWS).rev() {
            pixels.extend((from..to).map(|at| {
                let column = usize::try_from(at).ok().and_then(|at| self.columns.get(at));
                column.map_or(255, |levels| shade(levels[row]))
            }));
        }
        let mut bytes = Vec::new();
        let mut encoder = png::Encoder::new(&mut bytes, (to - from) as u32, ROWS as u32);
        encoder.set_color(png::ColorType::Grayscale);
        let written = encoder
            .write_header()
            .and_then(|mut to| to.write_image_data(&pixels));
        written.expect("memory takes everything");
        bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sine is darkest in the row of its frequency, all through.
    #[test]
    fn a_tone_is_where_it_sounds() {
        for rate_hz in [44_100.0, 48_000.0, 96_000.0] {
            let mut spectrogram = Spectrogram::new(rate_hz, 0.0);
            let sample =
                |i: usize| (std::f64::consts::TAU * 1_000.0 * i as f64 / rate_hz).sin() as f32;
            let samples: Vec<f32> = (0..rate_hz as usize).map(sample).collect();
            for block in samples.chunks(1_000) {
                spectrogram.push(block);
            }
            let count = spectrogram.columns.len() as f64;
            assert!((count - COLUMNS_PER_S).abs() < 5.0, "{count}");
            let share = (1_000.0 / LOWEST_HZ).ln() / (HIGHEST_HZ / LOWEST_HZ).ln();
            for column in &spectrogram.columns[8..70] {
                let loudest = column
                    .iter()
                    .enumerate()
                    .max_by(|a, b| a.1.total_cmp(b.1))
                    .unwrap();
                assert!(
                    (loudest.0 as f64 - share * ROWS as f64).abs() <= 1.0,
                    "{loudest:?}"
                );
                assert!(loudest.1.abs() < 1.5, "{loudest:?}");
            }
        }
    }
}
