//! Bleed of the rig into the microphone, where it is known what the rig plays.
//!
//! A doubling voice on a speaker is heard some 20 ms after it was told a note, an octave lower,
//! say: to the tone model that is the onset of a tone, too, and a note an octave lower would be
//! sent, doubled and heard in turn. But what was sent is known. An onset at a pitch that the rig
//! has just been told to play is probably the rig's; the horn may still begin a note there, if
//! its own onset is clear.

use crate::analysis::tone::features::{BINS, bin_of};

/// How long a pitch is heard after it was last told to sound, in seconds: two devices' buffers,
/// the way through the air, and the voice's release.
const RINGS_S: f64 = 0.1;
/// What speaks against an onset at such a pitch, as natural log odds. By `measure`'s part `own_voice`,
/// with slurred leaps of an octave onto the voice's pitch: less lets its onsets through, more
/// makes notes on such a pitch late (at 5 nats by 5 to 10 ms, slurred ones by up to 30 ms).
const ONSET_DOUBT: f32 = 5.0;

/// Until when each pitch of the tone model's grid may be heard from the rig, in seconds.
#[derive(Debug, Clone)]
pub(super) struct RigSound {
    until_s: Vec<f64>,
}

impl RigSound {
    /// A silent rig.
    pub fn new() -> Self {
        RigSound {
            until_s: vec![f64::NEG_INFINITY; BINS],
        }
    }

    /// The rig plays a pitch in MIDI semitones now.
    pub fn plays(&mut self, pitch: f32, now_s: f64) {
        if let Some(at) = bin_of(pitch) {
            self.until_s[at] = now_s + RINGS_S;
        }
    }

    /// What speaks against an onset at a pitch in MIDI semitones at a time, as natural log odds.
    pub fn doubt(&self, pitch: f32, now_s: f64) -> f32 {
        let sounds = bin_of(pitch).is_some_and(|at| {
            // A bin is a fifth of a semitone: neighbours are measurements of one pitch.
            let near = &self.until_s[at.saturating_sub(1)..=(at + 1).min(BINS - 1)];
            near.iter().any(|until_s| *until_s > now_s)
        });
        if sounds { ONSET_DOUBT } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_onset_where_the_rig_plays_is_doubted_for_a_while() {
        let mut rig = RigSound::new();
        rig.plays(46.1, 3.0);
        for (pitch, now_s, doubted) in [
            (46.0, 3.01, true),
            (46.2, 3.09, true),
            (46.6, 3.01, false),
            (58.0, 3.01, false),
            (46.0, 3.11, false),
        ] {
            let doubt = rig.doubt(pitch, now_s);
            assert_eq!(doubt == ONSET_DOUBT, doubted, "{pitch} at {now_s} s");
            assert_eq!(doubt == 0.0, !doubted, "{pitch} at {now_s} s");
        }
    }
}
