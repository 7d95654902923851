//! The small network that turns what is read of a pitch over time into evidence.
//!
//! One encoder for every offset, then two layers over all of them (`training/train.py`
//! has the same network and writes the weights). Most pitches asked about are hopeless; a
//! screen, one layer over the codes of three offsets, keeps seven tenths of those back before
//! the other offsets are read. Rectified values are often zero, and a zero costs nothing:
//! layers run over their inputs and add each one's row of weights.
//! Products and sums are rounded one by one, without fused operations, so that every
//! processor gets the same.

use super::Layout;
use super::features::FEATURES;

/// Numbers that the encoder makes of the features at one offset.
pub const CODE: usize = 48;
/// Values of the layers after it.
const WIDE: usize = 192;
const NARROW: usize = 48;
/// Evidence: tone, onset, tongue, age.
const OUT: usize = 4;
/// Inputs beside the codes: the register, and its square.
const REGISTER: usize = 2;

/// What one offset reads, encoded. About half of the rectified values are zero: only the
/// others are kept, with their places.
#[derive(Debug, Clone, Copy)]
pub struct Code {
    count: u8,
    places: [u8; CODE],
    values: [f32; CODE],
}

impl Code {
    /// All values zero.
    pub const NONE: Code = Code {
        count: 0,
        places: [0; CODE],
        values: [0.0; CODE],
    };

    #[inline(always)]
    fn of(sums: [f32; CODE]) -> Self {
        let mut code = Code::NONE;
        let mut count = 0;
        for (place, sum) in sums.into_iter().enumerate() {
            // Written in any case and counted if it is not zero: no branch to guess.
            code.places[count] = place as u8;
            code.values[count] = sum;
            count += usize::from(sum > 0.0);
        }
        code.count = count as u8;
        code
    }
}

/// What the network says of a pitch at a moment.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Evidence {
    /// That it sounds as a tone: log odds against silence, see [`weigh`].
    pub tone: f32,
    /// That a note begins on it, log odds.
    pub onset: f32,
    /// If one does, that the tongue began it, log odds.
    pub tongue: f32,
    /// If one begins about now, how long ago, in seconds.
    pub age_s: f32,
}

/// No moment is surer than this of what sounds: the probability of what nobody expects.
/// Fitted on lines made by `training/make.py` (0.004 to 0.03 are as good).
const UNEXPECTED: f32 = 0.015;

/// Weighs the pitches asked about in a moment against each other and silence. What the
/// network says of their tones is a choice of one (softmax; `choice` in `training/train.py`).
/// Each tone becomes the log odds that it sounds and not silence, where `UNEXPECTED` is
/// added to each probability.
pub fn weigh(evidence: &mut [Evidence]) {
    let top = evidence.iter().map(|e| e.tone).fold(0.0, f32::max);
    let silence = (-top).exp();
    let sum: f32 = silence + evidence.iter().map(|e| (e.tone - top).exp()).sum::<f32>();
    let unexpected = UNEXPECTED * sum;
    for each in evidence {
        let odds = each.tone - top;
        each.tone = ((odds.exp() + unexpected) / (silence + unexpected)).ln();
    }
}

/// The log odds of a pitch that is not asked about, and so does not sound: the least that
/// [`weigh`] gives.
pub fn silent_odds() -> f32 {
    (UNEXPECTED / (1.0 + UNEXPECTED)).ln()
}

/// A layer: weights by input, so that an input's weights lie side by side.
#[derive(Debug, Clone)]
struct Layer<const O: usize> {
    weights: Vec<[f32; O]>,
    bias: [f32; O],
}

impl<const O: usize> Layer<O> {
    /// Reads a layer as `training/train.py` writes it: weights in steps, 127 of which are each
    /// output's largest.
    ///
    /// # Panics
    /// If the weights are of another shape: they are part of the program.
    fn read(bytes: &mut &[u8], inputs: usize) -> Self {
        let shape = (
            take(bytes, u32::from_le_bytes),
            take(bytes, u32::from_le_bytes),
        );
        assert_eq!(
            shape,
            (inputs as u32, O as u32),
            "weights of another network"
        );
        let mut weights = vec![[0.0; O]; inputs];
        for output in 0..O {
            let step = take(bytes, f32::from_le_bytes);
            for row in &mut weights {
                row[output] = step * f32::from(take(bytes, i8::from_le_bytes));
            }
        }
        let bias = std::array::from_fn(|_| take(bytes, f32::from_le_bytes));
        Layer { weights, bias }
    }

    /// Adds the inputs' rows, each times its input.
    #[inline(always)]
    fn add(&self, from: usize, inputs: &[f32], sums: &mut [f32; O]) {
        for (input, row) in inputs.iter().zip(&self.weights[from..]) {
            for (sum, weight) in sums.iter_mut().zip(row) {
                *sum += input * weight;
            }
        }
    }

    /// Adds the rows of a code whose first input is number `from`, four at a time: the
    /// sums stay in registers meanwhile. The order of the additions is that of one by one.
    #[inline(always)]
    fn add_code(&self, from: usize, code: &Code, sums: &mut [f32; O]) {
        let count = usize::from(code.count);
        let rows = &self.weights[from..from + CODE];
        let row = |i: usize| (&rows[usize::from(code.places[i]) % CODE], code.values[i]);
        let mut i = 0;
        while i + 4 <= count.min(CODE) {
            let [(a, p), (b, q), (c, r), (d, s)] = [row(i), row(i + 1), row(i + 2), row(i + 3)];
            for (at, sum) in sums.iter_mut().enumerate() {
                *sum = *sum + p * a[at] + q * b[at] + r * c[at] + s * d[at];
            }
            i += 4;
        }
        while i < count.min(CODE) {
            let (a, p) = row(i);
            for (sum, weight) in sums.iter_mut().zip(a) {
                *sum += p * weight;
            }
            i += 1;
        }
    }

    /// The sums over the codes at some offsets and what the network is told beside them.
    #[inline(always)]
    fn over<'a>(&self, pitch: f32, codes: impl Iterator<Item = &'a Code>) -> [f32; O] {
        let mut sums = self.bias;
        let mut from = 0;
        for code in codes {
            self.add_code(from, code, &mut sums);
            from += CODE;
        }
        self.add(from, &register(pitch), &mut sums);
        sums
    }
}

/// Takes a number off the front.
fn take<const N: usize, T>(bytes: &mut &[u8], of: fn([u8; N]) -> T) -> T {
    let (head, rest) = bytes.split_first_chunk().expect("whole layers");
    *bytes = rest;
    of(*head)
}

/// What the network is told of a pitch beside its codes.
#[inline(always)]
fn register(pitch: f32) -> [f32; REGISTER] {
    let register = (pitch - 57.0) / 24.0;
    [register, register * register]
}

#[inline(always)]
fn rectify<const N: usize>(values: [f32; N]) -> [f32; N] {
    values.map(|value| if value > 0.0 { value } else { 0.0 })
}

/// The network with its weights.
#[derive(Debug, Clone)]
pub struct Network {
    encoder: Layer<CODE>,
    wide: Layer<WIDE>,
    narrow: Layer<NARROW>,
    out: Layer<OUT>,
    screen: Layer<1>,
}

impl Network {
    /// Reads the weights that `training/train.py` wrote for a layout.
    ///
    /// # Panics
    /// If the weights are of another shape: they are part of the program.
    pub fn read(mut bytes: &[u8], layout: &Layout) -> Self {
        let bytes = &mut bytes;
        let codes = layout.offsets.len() * CODE;
        Network {
            encoder: Layer::read(bytes, FEATURES),
            wide: Layer::read(bytes, codes + REGISTER),
            narrow: Layer::read(bytes, WIDE),
            out: Layer::read(bytes, NARROW),
            screen: Layer::read(bytes, layout.screen.len() * CODE + REGISTER),
        }
    }

    /// Encodes the features at one offset.
    #[inline(always)]
    pub fn encode(&self, features: &[f32; FEATURES]) -> Code {
        let mut sums = self.encoder.bias;
        self.encoder.add(0, features, &mut sums);
        Code::of(sums)
    }

    /// Whether a pitch in MIDI semitones may sound or begin, from the codes at the layout's
    /// offsets of the screen: log odds, from the limit that the screen was given.
    #[inline(always)]
    pub fn screen<'a>(&self, pitch: f32, codes: impl Iterator<Item = &'a Code>) -> f32 {
        self.screen.over(pitch, codes)[0]
    }

    /// Evidence for a pitch in MIDI semitones, from the codes at the layout's offsets.
    #[inline(always)]
    pub fn evidence<'a>(&self, pitch: f32, codes: impl Iterator<Item = &'a Code>) -> Evidence {
        let wide = self.wide.over(pitch, codes);
        let mut narrow = self.narrow.bias;
        self.narrow.add(0, &rectify(wide), &mut narrow);
        let mut out = self.out.bias;
        self.out.add(0, &rectify(narrow), &mut out);
        Evidence {
            tone: out[0],
            onset: out[1],
            tongue: out[2],
            age_s: 0.1 * out[3],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_layer_is_read_as_training_writes_it() {
        let mut bytes = Vec::new();
        bytes.extend(2_u32.to_le_bytes());
        bytes.extend(1_u32.to_le_bytes());
        bytes.extend(0.25_f32.to_le_bytes());
        bytes.extend([127, 0xFC]);
        bytes.extend((-0.5_f32).to_le_bytes());
        let mut rest = bytes.as_slice();
        let layer = Layer::<1>::read(&mut rest, 2);
        assert!(rest.is_empty());
        assert_eq!(layer.weights, [[31.75], [-1.0]]);
        assert_eq!(layer.bias, [-0.5]);
    }
}
