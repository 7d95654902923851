//! Low-pass filter that can be swept: a state-variable filter by trapezoidal
//! integration, 12 dB an octave, a little resonant (Zavalishin, The Art of VA
//! Filter Design, 2012, chapter 4).

use std::f32::consts::PI;

/// Damping: 1.41 would be maximally flat; a little less gives the voice an edge.
const DAMPING: f32 = 1.2;

/// The filter's state.
#[derive(Debug, Clone, Default)]
pub struct LowPass {
    band: f32,
    low: f32,
}

impl LowPass {
    /// Next sample with the cutoff at so many periods a sample.
    pub fn next(&mut self, input: f32, cutoff: f32) -> f32 {
        let g = (PI * cutoff.clamp(1e-4, 0.45)).tan();
        let high = (input - (DAMPING + g) * self.band - self.low) / (1.0 + g * (g + DAMPING));
        let band = g * high + self.band;
        let low = g * band + self.low;
        self.band = g * high + band;
        self.low = g * band + low;
        low
    }
}
