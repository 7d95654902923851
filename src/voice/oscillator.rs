//! Sawtooth and square without audible aliases.
//!
//! A step in the wave is rounded over the two samples around it by the integral
//! of a triangular pulse, which removes the strongest aliases (Välimäki
//! and Huovilainen, IEEE Signal Processing Magazine 24(2), 2007).

/// Wave of the oscillator.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// All partials, falling by 6 dB an octave.
    Saw,
    /// The odd ones of them.
    Square,
}

/// Oscillator, peak 1.
#[derive(Debug, Clone)]
pub struct Oscillator {
    /// Its wave.
    pub shape: Shape,
    phase: f32,
}

impl Oscillator {
    /// Oscillator at the start of its period.
    pub fn new(shape: Shape) -> Self {
        Oscillator { shape, phase: 0.0 }
    }

    /// Next sample at `step` periods a sample.
    pub fn next(&mut self, step: f32) -> f32 {
        self.phase = (self.phase + step).fract();
        match self.shape {
            Shape::Saw => 2.0 * self.phase - 1.0 - rounding(self.phase, step),
            Shape::Square => {
                let half = (self.phase + 0.5).fract();
                let plain = if self.phase < 0.5 { 1.0 } else { -1.0 };
                plain + rounding(self.phase, step) - rounding(half, step)
            }
        }
    }
}

/// Correction that rounds an upward step of height 2 at phase 0.
fn rounding(phase: f32, step: f32) -> f32 {
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
