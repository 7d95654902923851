//! A trill, shake or wide vibrato while it is played.
//!
//! To the note model each turn is a note, and at the first nobody knows that it is none. Once
//! there have been as many as the full pass asks for ([`Oscillation::measure`] is its rule, here
//! for the pitch of the best path of late), the note on the lower pitch goes on until the pitch
//! stays on one side, leaves both, or falls silent.

use std::collections::VecDeque;

use super::contour::{Contour, Point};
use super::refinement::oscillation::{Oscillation, OscillationScratch};
use super::technique_model::TechniqueModel;
use super::{PitchFrame, STRAY, TOUCH_S, Technique};

/// Follows the pitch of the best path, and the oscillation that it is in.
#[derive(Debug, Clone)]
pub struct OscillationFollower {
    hop_s: f64,
    model: TechniqueModel,
    /// What is looked at, in seconds: the fewest turns of the slowest trill.
    recent_s: f64,
    /// The path of that time.
    path: VecDeque<Point>,
    /// The same in one piece, and with what an oscillation is measured in it: kept, so that no
    /// memory is allocated when a note begins.
    contour: Contour,
    scratch: OscillationScratch,
    swing: Option<Swing>,
}

/// The oscillation under way.
#[derive(Debug, Clone, Copy)]
struct Swing {
    trill: bool,
    /// Its two pitches, MIDI semitones.
    lower: f32,
    upper: f32,
    /// On which side the pitch is, and since when, stream seconds.
    above: bool,
    turned_s: f64,
    /// When one of its pitches was last heard, stream seconds.
    heard_s: f64,
    /// Since when the note model takes its note for over, stream seconds.
    given_up_s: Option<f64>,
}

/// How an oscillation ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum End {
    /// With its note, at a stream time in seconds.
    Silent(f64),
    /// On its lower pitch, where its note goes on.
    Below,
    /// On its upper pitch, which is a note of its own.
    Above {
        /// When it was reached, stream seconds.
        onset_s: f64,
        /// MIDI semitones.
        pitch: f32,
    },
}

impl OscillationFollower {
    /// Follower of frames `hop_s` seconds apart.
    pub fn new(hop_s: f64, model: TechniqueModel) -> Self {
        let recent_s = model.swings.fewest_turns_s();
        let hops = (recent_s / hop_s) as usize + 2;
        OscillationFollower {
            hop_s,
            model,
            recent_s,
            path: VecDeque::with_capacity(hops),
            contour: Contour {
                hop_s,
                points: Vec::with_capacity(hops),
                ..Contour::default()
            },
            scratch: OscillationScratch::for_hops(hops),
            swing: None,
        }
    }

    /// Takes a frame with the pitch of the best path. Gives that pitch if an oscillation is
    /// under way and it is part of it.
    pub fn push(&mut self, frame: PitchFrame) -> Option<f32> {
        if self.path.len() as f64 * self.hop_s > self.recent_s {
            self.path.pop_front();
        }
        self.path.push_back(frame.point());
        let swing = self.swing.as_mut()?;
        let within = swing.lower - STRAY..swing.upper + STRAY;
        let pitch = frame.pitch.filter(|pitch| within.contains(pitch))?;
        let above = pitch - swing.lower > swing.upper - pitch;
        if above != swing.above {
            (swing.above, swing.turned_s) = (above, frame.time_s);
        }
        swing.heard_s = frame.time_s;
        Some(pitch)
    }

    /// Whether an oscillation is under way.
    pub fn under_way(&self) -> bool {
        self.swing.is_some()
    }

    /// Whether that is a trill or shake.
    pub fn trills(&self) -> bool {
        self.swing.is_some_and(|swing| swing.trill)
    }

    /// A note of a pitch in MIDI semitones has begun at `onset_s`. If it is slurred and the lower
    /// of the two between which the pitch has gone back and forth, an oscillation is under way.
    /// What the tongue strikes stays a note: it can be heard for one, which live is the safer error.
    pub fn begin(&mut self, pitch: f32, slurred: bool, onset_s: f64, now_s: f64) {
        self.swing = None;
        if !slurred {
            return;
        }
        let contour = &mut self.contour;
        contour.start_s = now_s - self.path.len() as f64 * self.hop_s;
        contour.points.clear();
        contour.points.extend(&self.path);
        let slowest_hz = self.model.swings.slowest_hz;
        let found = Oscillation::measure(contour, &self.model, &mut self.scratch)
            .filter(|found| found.rate_hz >= slowest_hz && (pitch - found.lower).abs() < STRAY);
        self.swing = found.map(|found| Swing {
            trill: matches!(found.technique, Technique::Trill { .. }),
            lower: found.lower,
            upper: found.upper,
            above: false,
            turned_s: onset_s,
            heard_s: now_s,
            given_up_s: None,
        });
    }

    /// Whether what the note model takes for a new note is a turn of the oscillation.
    pub fn turns_to(&mut self, pitch: f32, tongued: bool, now_s: f64) -> bool {
        let Some(swing) = &mut self.swing else {
            return false;
        };
        let near = |side: f32| (pitch - side).abs() < STRAY;
        // Where it has come to rest, the tongue makes a note.
        let rests = now_s - swing.turned_s > 2.0 * self.model.swings.half_turn_s();
        let turns = (near(swing.lower) || near(swing.upper)) && !(tongued && rests);
        if turns {
            swing.given_up_s = None;
        }
        turns
    }

    /// Whether a note goes on that the note model takes for over: it loses some of the turns.
    pub fn goes_on(&mut self, now_s: f64) -> bool {
        if let Some(swing) = &mut self.swing {
            swing.given_up_s.get_or_insert(now_s);
        }
        self.swing.is_some()
    }

    /// How the oscillation under way is over, if it is.
    pub fn take_end(&mut self, now_s: f64) -> Option<End> {
        let (swing, model) = (self.swing?, &self.model.swings);
        let stays_s = now_s - swing.turned_s;
        let silent = now_s - swing.heard_s > TOUCH_S;
        // Something else that moves between the two pitches must not hold the note.
        let lost = swing.given_up_s.is_some_and(|since_s| {
            silent || stays_s > model.half_turn_s() || now_s - since_s > self.recent_s
        });
        let end = match (lost, swing.above) {
            (true, _) => End::Silent(swing.heard_s),
            (false, true) if stays_s > model.longest_side_s && !silent => End::Above {
                onset_s: swing.turned_s,
                pitch: swing.upper,
            },
            (false, false) if stays_s > model.longest_side_s => End::Below,
            _ => return None,
        };
        self.swing = None;
        Some(end)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::HOP_S;

    /// Plays a pitch curve to a follower from `from_s` to `to_s`; the last end that it gives.
    fn play(
        follower: &mut OscillationFollower,
        (from_s, to_s): (f64, f64),
        pitch: impl Fn(f64) -> Option<f32>,
    ) -> Option<End> {
        let mut end = None;
        let hops = ((to_s - from_s) / HOP_S) as usize;
        for time_s in (0..hops).map(|i| from_s + i as f64 * HOP_S) {
            follower.push(PitchFrame {
                time_s,
                pitch: pitch(time_s),
                margin: 5.0,
                confidence: 1.0,
                level_db: -20.0,
                brightness: None,
                trills: false,
            });
            end = follower.take_end(time_s).or(end);
        }
        end
    }

    /// A trill of a whole tone at 6 Hz, from D4 on.
    fn trill(time_s: f64) -> Option<f32> {
        let above = (12.0 * time_s) as usize % 2 == 1;
        Some(if above { 64.0 } else { 62.0 })
    }

    /// Follower that has heard a trill for half a second, in which each turn was a note.
    fn trilling() -> OscillationFollower {
        let mut follower = OscillationFollower::new(HOP_S, TechniqueModel::DEFAULT);
        for turn in 0..=6 {
            let at_s = f64::from(turn) / 12.0;
            assert!(!follower.trills(), "known after {turn} turns");
            assert_eq!(play(&mut follower, (at_s, at_s + 0.04), trill), None);
            follower.begin(
                if turn % 2 == 1 { 64.0 } else { 62.0 },
                true,
                at_s,
                at_s + 0.04,
            );
            let next_s = f64::from(turn + 1) / 12.0;
            assert_eq!(play(&mut follower, (at_s + 0.04, next_s), trill), None);
        }
        assert!(follower.trills());
        follower
    }

    #[test]
    fn turns_of_a_trill_are_its_own() {
        let mut follower = trilling();
        assert!(follower.turns_to(64.0, false, 0.6) && follower.turns_to(62.0, true, 0.7));
        assert!(!follower.turns_to(66.0, false, 0.6));
        assert_eq!(play(&mut follower, (0.58, 2.0), trill), None);
        // The note model loses a turn.
        assert!(follower.goes_on(2.0));
        assert_eq!(play(&mut follower, (2.0, 2.1), trill), None);
        // It hears no more of them: what still moves there is something else.
        let end = play(&mut follower, (2.1, 3.0), trill);
        assert!(matches!(end, Some(End::Silent(_))), "{end:?}");
    }

    #[test]
    fn a_trill_ends_with_its_sound() {
        let mut follower = trilling();
        assert!(follower.goes_on(0.58));
        let end = play(&mut follower, (0.58, 1.0), |_| None);
        assert!(
            matches!(end, Some(End::Silent(s)) if (s - 0.58).abs() < 0.01),
            "{end:?}"
        );
        assert!(!follower.trills() && !follower.goes_on(1.0));
    }

    #[test]
    fn a_trill_that_stays_up_is_followed_by_a_note() {
        let mut follower = trilling();
        let end = play(&mut follower, (0.58, 1.0), |_| Some(64.0));
        assert!(
            matches!(end, Some(End::Above { onset_s, pitch: 64.0 }) if (onset_s - 0.58).abs() < 0.01),
            "{end:?}"
        );
        let mut follower = trilling();
        let end = play(&mut follower, (0.58, 1.5), |t| trill(t.min(0.7)));
        assert_eq!(end, Some(End::Below));
    }
}
