//! Band-limited sawtooth and square (polyBLEP).
//!
//! Each step of the waveform is smoothed over the two samples around it by the
//! integral of a triangular pulse, which removes the worst aliases (Välimäki and
//! Huovilainen, IEEE Signal Processing Magazine 24(2), 2007).

/// Waveform.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// All partials, falling by 6 dB per octave.
    Saw,
    /// Odd partials only, falling by 6 dB per octave.
    Square,
}

/// Oscillator, peak 1.
#[derive(Debug, Clone)]
pub struct Oscillator {
    /// Waveform.
    pub shape: Shape,
    phase: f32,
}

impl Oscillator {
    /// Oscillator at phase 0.
    pub fn new(shape: Shape) -> Self {
        Oscillator { shape, phase: 0.0 }
    }

    /// Next sample; `step` is the phase increment in periods per sample.
    pub fn next(&mut self, step: f32) -> f32 {
        self.phase = (self.phase + step).fract();
        match self.shape {
            Shape::Saw => 2.0 * self.phase - 1.0 - poly_blep(self.phase, step),
            Shape::Square => {
                let half = (self.phase + 0.5).fract();
                let plain = if self.phase < 0.5 { 1.0 } else { -1.0 };
                plain + poly_blep(self.phase, step) - poly_blep(half, step)
            }
        }
    }
}

/// Correction that band-limits an upward step of height 2 at phase 0.
fn poly_blep(phase: f32, step: f32) -> f32 {
    if phase < step {
        let x = phase / step;
        x + x - x * x - 1.0
    } else if phase > 1.0 - step {
        let x = (phase - 1.0) / step;
        x * x + x + x + 1.0
    } else {
        0.0
    }
}
