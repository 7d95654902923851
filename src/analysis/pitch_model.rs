//! What the search for the pitch believes beforehand: the costs of its paths, and of octave errors.

/// Costs and shares that both decoders and [`octave_errors`](super::octave_errors) go by.
/// `examples/fit_pitch_model.rs` fits them; `training/README.md` says how far the values are
/// from what it finds, and why.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PitchModel {
    /// Strength of silence at each hop, in nats. A candidate weaker than this is more likely
    /// noise.
    pub silence: f32,
    /// From silence to tone, in nats.
    pub start: f32,
    /// From tone to silence, in nats.
    pub stop: f32,
    /// From one pitch to a distant one, in nats. Neighbouring frames hear mostly the same sound,
    /// so that little new evidence comes with each: a jump costs much.
    pub jump: f32,
    /// Per semitone between nearby pitches, up to `jump`, in nats.
    pub glide: f32,
    /// Nats per octave by which a multiple of a period must beat it: noise alone gives it some.
    pub octave_margin: f32,
    /// Strength beyond which a multiple gains nothing over its fraction, in nats: at fortissimo
    /// lips vibrate slightly differently every other time, and a period that explains nearly all
    /// of the sound is the one that is heard.
    pub clear: f32,
    /// What a multiple that does not beat its fraction loses, in nats.
    pub octave_cost: f32,
    /// Range of the margin over which that fades in, in nats.
    pub fade_in: f32,
    /// What a candidate loses, in nats, in frames that its window only touches with its beginning
    /// or end: the pitch measured is that of the window's middle, which differs where the pitch
    /// glides. Without this, the turning points of a wide, fast vibrato mask the glides between
    /// them and it is taken for a trill; from 0.3 on it is not, and above 0.4 its extent comes
    /// out 5 cents too wide. So it is not fitted.
    pub edge: f32,
    /// Share of the long window in a candidate's strength where delay does not matter: it
    /// measures pitch better.
    pub long_share: f32,
}

impl PitchModel {
    /// The model of both passes.
    pub const DEFAULT: PitchModel = PitchModel {
        silence: 0.3,
        start: 3.0,
        stop: 3.0,
        jump: 8.0,
        glide: 10.0,
        octave_margin: 0.55,
        clear: 2.6,
        octave_cost: 2.0,
        fade_in: 0.3,
        edge: 0.33,
        long_share: 0.8,
    };

    /// Both windows combined where delay does not matter, in nats. A window without the
    /// candidate counts as noise.
    pub(super) fn strength(&self, short: f32, long: f32) -> f32 {
        (1.0 - self.long_share) * short.max(0.0) + self.long_share * long.max(0.0)
    }
}
