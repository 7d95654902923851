//! A whole take, hop by hop.

use super::contour::Contour;
use super::{Note, PitchFrame};
use crate::analysis::offline_decoder::DecodedFrame;
use crate::units::{Pitch, db_power, mean_level_db, power_db};

/// How far a note has fallen in its release, in dB, and how long that takes at most,
/// in seconds.
const RELEASE_DB: f32 = 10.0;
const RELEASE_S: f64 = 0.3;
/// Pitches this close belong together, in semitones.
const NEAR: f64 = 0.65;

/// The frames of a whole take with fast sums of their power.
pub struct Timeline {
    frames: Vec<DecodedFrame>,
    start_s: f64,
    floor_db: f32,
    /// Sum of power before each moment.
    sums: Vec<f64>,
    pub(super) hop_s: f64,
}

impl Timeline {
    /// Timeline of frames `hop_s` apart, the first at `start_s`. The room's level
    /// is measured anew over the whole take.
    pub fn new(frames: Vec<DecodedFrame>, start_s: f64, hop_s: f64) -> Self {
        let mut sums = Vec::with_capacity(frames.len() + 1);
        let mut total = 0.0;
        sums.push(total);
        for frame in &frames {
            total += f64::from(db_power(frame.level_db));
            sums.push(total);
        }
        Timeline {
            floor_db: room_level_db(&frames, hop_s),
            frames,
            start_s,
            sums,
            hop_s,
        }
    }

    /// Parts that follow on each other, as one.
    pub(crate) fn joined(parts: Vec<Timeline>, hop_s: f64) -> Self {
        let mut parts = parts.into_iter();
        let Some(first) = parts.next() else {
            return Timeline::new(Vec::new(), 0.0, hop_s);
        };
        if parts.len() == 0 {
            return first;
        }
        let mut frames = first.frames;
        frames.extend(parts.flat_map(|part| part.frames));
        Timeline::new(frames, first.start_s, hop_s)
    }

    /// Takes the pitch off what is hardly louder than the room: a hum, a pad, the
    /// street. Only hindsight knows the room's level.
    pub fn gate_noise(&mut self) {
        let least = db_power(self.floor_db + ROOM_MARGIN_DB);
        for at in 0..self.len() {
            if self.power_around(at, 0.02) < least {
                self.frames[at].pitch = f32::NAN;
                self.frames[at].confidence = 0.0;
            }
        }
    }

    /// Moves all times later.
    pub fn shift(&mut self, by_s: f64) {
        self.start_s += by_s;
    }

    /// Number of moments.
    pub fn len(&self) -> usize {
        self.frames.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.frames.is_empty()
    }

    /// The moment at an index.
    pub fn moment(&self, at: usize) -> PitchFrame {
        let frame = self.frames[at];
        PitchFrame {
            time_s: self.start_s + at as f64 * self.hop_s,
            pitch: (!frame.pitch.is_nan()).then_some(frame.pitch),
            margin: f32::INFINITY,
            confidence: frame.confidence,
            level_db: frame.level_db,
            floor_db: self.floor_db,
        }
    }

    /// All moments in order.
    pub fn moments(&self) -> impl Iterator<Item = PitchFrame> {
        (0..self.len()).map(|at| self.moment(at))
    }

    /// Index of the first moment at or after a time.
    fn at(&self, time_s: f64) -> usize {
        // A moment's own time may come out a hair later than the moment.
        let hops = (time_s - self.start_s) / self.hop_s - 1e-6;
        let at = hops.ceil().max(0.0) as usize;
        at.min(self.len())
    }

    pub(super) fn range(&self, from_s: f64, to_s: f64) -> std::ops::Range<usize> {
        let from = self.at(from_s);
        from..self.at(to_s).max(from)
    }

    /// Moments from one time up to another.
    pub(super) fn between(&self, from_s: f64, to_s: f64) -> Vec<PitchFrame> {
        self.range(from_s, to_s).map(|at| self.moment(at)).collect()
    }

    /// Contour between two times.
    pub fn contour(&self, from_s: f64, to_s: f64) -> Contour {
        let range = self.range(from_s, to_s);
        Contour {
            start_s: self.start_s + range.start as f64 * self.hop_s,
            hop_s: self.hop_s,
            points: range.map(|at| self.moment(at).point()).collect(),
        }
    }

    /// How long a note's pitch is heard, in seconds.
    pub(super) fn tone_s(&self, note: &Note) -> f64 {
        let range = self.range(note.onset_s, note.offset_s);
        let near = |f: &&DecodedFrame| (f64::from(f.pitch) - note.pitch).abs() < NEAR;
        self.frames[range].iter().filter(near).count() as f64 * self.hop_s
    }

    /// Level averaged over `width_s` around the moment at an index, dBFS.
    pub(super) fn level_around(&self, at: usize, width_s: f64) -> f32 {
        power_db(self.power_around(at, width_s))
    }

    fn power_around(&self, at: usize, width_s: f64) -> f32 {
        let half = (0.5 * width_s / self.hop_s).round() as usize;
        let from = at.saturating_sub(half);
        let to = (at + half + 1).min(self.len());
        ((self.sums[to] - self.sums[from]) / (to - from).max(1) as f64) as f32
    }

    /// Where a note's release begins: after its last moment within 10 dB of its
    /// loudest, but no earlier than a release can last.
    fn release(&self, note: &Note) -> usize {
        let earliest = self.at(note.offset_s - RELEASE_S);
        let width_s = smooth_s(note.pitch);
        let loud = |at: &usize| self.level_around(*at, width_s) > note.level_db - RELEASE_DB;
        (earliest..self.at(note.offset_s))
            .rev()
            .find(loud)
            .unwrap_or(earliest)
    }

    /// Highest and lowest averaged level between two times, dBFS.
    pub(super) fn extremes(&self, from_s: f64, to_s: f64, width_s: f64) -> (f32, f32) {
        self.range(from_s, to_s)
            .fold((-120f32, 0f32), |(high, low), at| {
                let level = self.level_around(at, width_s);
                (high.max(level), low.min(level))
            })
    }
}

/// Averaging time that hides the pulses of a pitch, in seconds.
pub(super) fn smooth_s(pitch: f64) -> f64 {
    (1.0 / Pitch(pitch).hz()).max(0.006)
}

/// Carries each note's pitch to its edges, where the level says that it sounds
/// but no period can be made out, or the puff before the tone has a pitch of
/// its own. Such hops keep the confidence they had. `notes` are still dated by
/// their tone in `decided_s`.
pub fn carry_to_edges(track: &mut Timeline, notes: &[Note]) {
    for note in notes {
        let tone_s = note.decided_s.max(note.onset_s);
        let tone = track.range(tone_s, note.offset_s);
        let lead_in = track.range(note.onset_s, tone_s);
        let first = track.frames[tone.clone()]
            .iter()
            .map(|f| f.pitch)
            .find(|p| !p.is_nan());
        let first = first.unwrap_or(note.pitch as f32);
        // Backwards from the tone, as long as the pitch leads up to it; what is
        // before that has none of its own, and gets the note's.
        let mut next = first;
        let mut leads = true;
        for frame in track.frames[lead_in].iter_mut().rev() {
            leads &= (frame.pitch - next).abs() < NEAR as f32;
            if leads {
                next = frame.pitch;
            } else {
                frame.pitch = note.pitch as f32;
            }
        }
        // Forwards through the tone; what leaps away in the release is not the
        // note's either.
        let release = track.release(note);
        let (mut last, mut leads) = (first, true);
        for at in tone {
            let pitch = &mut track.frames[at].pitch;
            if at >= release {
                leads &= pitch.is_nan() || (*pitch - last).abs() < NEAR as f32;
            }
            if !leads {
                *pitch = note.pitch as f32;
            } else if pitch.is_nan() {
                *pitch = last;
            } else {
                last = *pitch;
            }
        }
    }
}

/// How far over the room's level tone must stand, in dB.
const ROOM_MARGIN_DB: f32 = 8.0;
/// How far under the loud ones of a take its quiet stretches may be its softest
/// playing, in dB.
const SOFT_DB: f32 = 36.0;
/// Length of a stretch, in seconds.
const STRETCH_S: f64 = 0.02;

/// Level of the room under a take, a pad or a hum in it included: the level that a
/// twentieth of its stretches stay under. A take without a rest has no such
/// stretches; where none recur, the room lies no higher than 36 dB under the loud
/// ones.
fn room_level_db(frames: &[DecodedFrame], hop_s: f64) -> f32 {
    let stretch = ((STRETCH_S / hop_s).round() as usize).max(1);
    let mean_db = |c: &[DecodedFrame]| mean_level_db(c.iter().map(|f| f.level_db));
    let levels: Vec<f32> = frames.chunks(stretch).map(mean_db).collect();
    if levels.is_empty() {
        return -120.0;
    }
    let mut sorted = levels.clone();
    sorted.sort_by(f32::total_cmp);
    let share = |part: f64| sorted[((levels.len() - 1) as f64 * part) as usize];
    let (quiet_db, soft_db) = (share(0.05), share(0.95) - SOFT_DB);
    let pitches = frames.chunks(stretch).map(middle_pitch);
    let steady = steady_db(&levels, pitches, quiet_db + ROOM_MARGIN_DB);
    steady.unwrap_or(quiet_db.min(soft_db))
}

fn middle_pitch(stretch: &[DecodedFrame]) -> f32 {
    stretch[stretch.len() / 2].pitch
}

/// Fewest rests, and fewest stretches of each, from which a steady sound is known
/// that is there without the horn.
const RESTS: usize = 3;
const REST: usize = 3;
/// So far over a rest, the horn plays, in dB.
const PLAYING_DB: f32 = 10.0;

/// Level of a sound that is there whenever the horn pauses and has a pitch of its
/// own; `None` where there is no such sound. The valley of a swell is no pause: it
/// has the pitch of what it leaves or leads to.
fn steady_db(levels: &[f32], pitches: impl Iterator<Item = f32>, quiet_db: f32) -> Option<f32> {
    let (mut rests, mut last) = (0, f32::NAN);
    let (mut quiet, mut heard): (Vec<(f32, f32)>, Vec<f32>) = Default::default();
    for (&level_db, pitch) in levels.iter().zip(pitches) {
        if level_db < quiet_db {
            quiet.push((level_db, pitch));
        } else if level_db > quiet_db + PLAYING_DB {
            let near = |a: f32, b: f32| (a - b).abs() < NEAR as f32;
            let foreign = |p: f32| !p.is_nan() && !near(p, last) && !near(p, pitch);
            let strange = quiet.iter().filter(|(_, p)| foreign(*p)).count();
            if quiet.len() >= REST && 2 * strange > quiet.len() {
                rests += 1;
                heard.extend(quiet.iter().map(|(level_db, _)| level_db));
            }
            quiet.clear();
            last = pitch;
        }
    }
    heard.sort_by(f32::total_cmp);
    let loudest = heard.get(heard.len() * 19 / 20)?;
    (rests >= RESTS).then_some(*loudest)
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOP_S: f64 = 0.004 / 3.0;

    /// Room's level of a track given as pitch and level by time.
    fn room_db(seconds: f64, sound: impl Fn(f64) -> (f32, f32)) -> f32 {
        let frames = (0..(seconds / HOP_S) as usize).map(|at| {
            let (pitch, level_db) = sound(at as f64 * HOP_S);
            DecodedFrame {
                pitch,
                confidence: 0.9,
                level_db,
            }
        });
        room_level_db(&frames.collect::<Vec<_>>(), HOP_S)
    }

    #[test]
    fn what_sounds_on_in_the_rests_is_the_room() {
        // Half a second of horn, half a second of rest with a chord in it.
        let beside_pad = |t: f64| match t.fract() < 0.5 {
            true => (60.0 + t.floor() as f32, -20.0),
            false => (36.5, -42.0),
        };
        assert_eq!(room_db(6.0, beside_pad), -42.0);
        // Twice is chance.
        assert_eq!(room_db(2.0, beside_pad), -20.0 - SOFT_DB);
    }

    #[test]
    fn the_valley_of_a_swell_is_not_the_room() {
        let swells = |t: f64| match t.fract() < 0.5 {
            true => (60.0, -20.0),
            false => (60.0, -42.0),
        };
        assert_eq!(room_db(6.0, swells), -20.0 - SOFT_DB);
    }
}
