//! Low-pass filter for modulation: a state-variable filter by trapezoidal
//! integration, 12 dB per octave, slightly resonant (Zavalishin, The Art of VA
//! Filter Design, 2012, chapter 4).

use std::f32::consts::PI;

/// Damping: 1.41 would be maximally flat; a little less gives the voice an edge.
const DAMPING: f32 = 1.2;

/// What an input between -1 and 1 comes out with at most: it overshoots each edge of a square wave
/// of height 2 by exp(-pi z / sqrt(1 - z^2)) of it, z = 0.6 being half of the damping (the step
/// response of a second-order system; any textbook of control).
pub const PEAK: f32 = 1.2;

/// The filter and its state.
#[derive(Debug, Clone, Default)]
pub struct LowPass {
    g: f32,
    scale: f32,
    band: f32,
    low: f32,
}

impl LowPass {
    /// Sets the cutoff as a fraction of the sample rate.
    pub fn set_cutoff(&mut self, cutoff: f32) {
        self.g = (PI * cutoff.clamp(1e-4, 0.45)).tan();
        self.scale = 1.0 / (1.0 + self.g * (self.g + DAMPING));
    }

    /// Next sample.
    pub fn next(&mut self, input: f32) -> f32 {
        let high = (input - (DAMPING + self.g) * self.band - self.low) * self.scale;
        let band = self.g * high + self.band;
        let low = self.g * band + self.low;
        self.band = self.g * high + band;
        self.low = self.g * band + low;
        low
    }
}
