//! The decoded pitch track of a whole take, hop by hop.

use super::contour::Contour;
use super::note_model::DraftNote;
use super::{Note, PitchFrame};
use crate::analysis::offline_decoder::DecodedFrame;
use crate::analysis::tone::OFFLINE;
use crate::units::{Pitch, db_power, mean_level_db, power_db};

/// How far a note has fallen in its release, in dB, and how long that takes at most,
/// in seconds.
const RELEASE_DB: f32 = 10.0;
const RELEASE_S: f64 = 0.3;
/// Pitches this close belong together, in semitones.
const NEAR: f64 = 0.65;

/// Hops in a moment of the tone track.
const HOPS: usize = OFFLINE.hops;
/// A hop's pitch this far from its note's is another sound's, in semitones.
const STRAY: f32 = 0.7;

/// The frames of a whole take, with running sums of their power.
#[derive(Debug, Clone)]
pub struct Timeline {
    frames: Vec<DecodedFrame>,
    start_s: f64,
    floor_db: f32,
    /// Sum of power before each frame.
    sums: Vec<f64>,
    pub(super) hop_s: f64,
}

impl Timeline {
    /// Timeline of frames `hop_s` apart, the first at `start_s`. The noise floor is
    /// measured over the whole take.
    pub(crate) fn new(frames: Vec<DecodedFrame>, start_s: f64, hop_s: f64) -> Self {
        let mut sums = Vec::with_capacity(frames.len() + 1);
        let mut total = 0.0;
        sums.push(total);
        for frame in &frames {
            total += f64::from(db_power(frame.level_db));
            sums.push(total);
        }
        Timeline {
            floor_db: noise_floor_db(&frames, hop_s),
            frames,
            start_s,
            sums,
            hop_s,
        }
    }

    /// Consecutive parts as one.
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

    /// Stream time of a moment of the tone track, with a fraction, in seconds: the
    /// middle of its hops, each of which is dated at its end.
    pub(super) fn moment_s(&self, moment: f64) -> f64 {
        let hops = moment * HOPS as f64 + (HOPS / 2 - 1) as f64;
        self.start_s + hops * self.hop_s
    }

    /// Takes the pitch off what does not sound: hops without a note, and hops whose pitch
    /// is not near their note's.
    pub(super) fn follow(&mut self, drafts: &[DraftNote]) {
        let mut from = 0;
        for draft in drafts {
            let moments = draft.first..draft.end();
            for at in from..(moments.start * HOPS).min(self.len()) {
                self.frames[at].pitch = f32::NAN;
            }
            for (moment, pitch) in moments.clone().zip(&draft.pitches) {
                let hops = moment * HOPS..((moment + 1) * HOPS).min(self.len());
                for frame in &mut self.frames[hops] {
                    if (frame.pitch - pitch).abs() > STRAY {
                        frame.pitch = f32::NAN;
                    }
                }
            }
            from = moments.end * HOPS;
        }
        for frame in self.frames.iter_mut().skip(from) {
            frame.pitch = f32::NAN;
        }
    }

    /// Removes the pitch from frames that are hardly louder than the noise floor: a
    /// hum, a pad, the street.
    pub(crate) fn gate_noise(&mut self) {
        let threshold = db_power(self.floor_db + NOISE_MARGIN_DB);
        for at in 0..self.len() {
            if self.power_around(at, 0.02) < threshold {
                self.frames[at].pitch = f32::NAN;
                self.frames[at].confidence = 0.0;
            }
        }
    }

    /// Moves all times later.
    #[doc(hidden)]
    pub fn shift(&mut self, by_s: f64) {
        self.start_s += by_s;
    }

    /// Number of frames.
    pub(crate) fn len(&self) -> usize {
        self.frames.len()
    }

    /// The frame at an index.
    pub(crate) fn frame(&self, at: usize) -> PitchFrame {
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

    /// All frames in order.
    pub fn frames(&self) -> impl Iterator<Item = PitchFrame> {
        (0..self.len()).map(|at| self.frame(at))
    }

    /// Index of the first frame at or after a time.
    fn at(&self, time_s: f64) -> usize {
        // A frame's own time may be rounded up past the frame.
        let hops = (time_s - self.start_s) / self.hop_s - 1e-6;
        let at = hops.ceil().max(0.0) as usize;
        at.min(self.len())
    }

    pub(super) fn range(&self, from_s: f64, to_s: f64) -> std::ops::Range<usize> {
        let from = self.at(from_s);
        from..self.at(to_s).max(from)
    }

    /// Frames from one time up to another.
    pub(super) fn between(&self, from_s: f64, to_s: f64) -> Vec<PitchFrame> {
        self.range(from_s, to_s).map(|at| self.frame(at)).collect()
    }

    /// Contour between two times.
    pub(crate) fn contour(&self, from_s: f64, to_s: f64) -> Contour {
        let range = self.range(from_s, to_s);
        Contour {
            start_s: self.start_s + range.start as f64 * self.hop_s,
            hop_s: self.hop_s,
            points: range.map(|at| self.frame(at).point()).collect(),
        }
    }

    /// How long a note's pitch is heard, in seconds.
    pub(super) fn tone_s(&self, note: &Note) -> f64 {
        let range = self.range(note.onset_s, note.offset_s);
        let near = |f: &&DecodedFrame| (f64::from(f.pitch) - note.pitch).abs() < NEAR;
        self.frames[range].iter().filter(near).count() as f64 * self.hop_s
    }

    /// Level averaged over `width_s` around the frame at an index, dBFS.
    pub(super) fn level_around(&self, at: usize, width_s: f64) -> f32 {
        power_db(self.power_around(at, width_s))
    }

    fn power_around(&self, at: usize, width_s: f64) -> f32 {
        let half = (0.5 * width_s / self.hop_s).round() as usize;
        let from = at.saturating_sub(half);
        let to = (at + half + 1).min(self.len());
        ((self.sums[to] - self.sums[from]) / (to - from).max(1) as f64) as f32
    }

    /// Where a note's release begins: after its last frame within 10 dB of its peak,
    /// but no earlier than the longest release.
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

/// Averaging time that smooths out the pulses of a pitch, in seconds.
pub(super) fn smooth_s(pitch: f64) -> f64 {
    (1.0 / Pitch(pitch).hz()).max(0.006)
}

/// Extends each note's pitch to its edges, where by its level it sounds but no period
/// is found, or where the burst of air before the tone has another pitch. Such frames
/// keep their confidence. In `notes`, `decided_s` is still the start of the tone.
pub fn extend_to_edges(track: &mut Timeline, notes: &[Note]) {
    for note in notes {
        let tone_s = note.decided_s.max(note.onset_s);
        let tone = track.range(tone_s, note.offset_s);
        let lead_in = track.range(note.onset_s, tone_s);
        let first = track.frames[tone.clone()]
            .iter()
            .map(|f| f.pitch)
            .find(|p| !p.is_nan());
        let first = first.unwrap_or(note.pitch as f32);
        // Backwards from the tone, as long as the pitch leads up to it; frames before
        // that get the note's pitch.
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
        // Forwards through the tone; a pitch that jumps away in the release does not
        // belong to the note either.
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

/// How far above the noise floor tone must be, in dB.
const NOISE_MARGIN_DB: f32 = 8.0;
/// How far below a take's loud stretches its quiet ones may be soft playing rather
/// than noise, in dB.
const SOFT_DB: f32 = 36.0;
/// Length of a stretch, in seconds.
const STRETCH_S: f64 = 0.02;

/// Noise floor of a take, a pad or a hum included: the 5th percentile of the level of
/// its stretches. A take without a rest has no stretch of mere noise; unless a steady
/// sound recurs, the floor is at least 36 dB below the loud stretches.
fn noise_floor_db(frames: &[DecodedFrame], hop_s: f64) -> f32 {
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
    let steady = steady_noise_db(&levels, pitches, quiet_db + NOISE_MARGIN_DB);
    steady.unwrap_or(quiet_db.min(soft_db))
}

fn middle_pitch(stretch: &[DecodedFrame]) -> f32 {
    stretch[stretch.len() / 2].pitch
}

/// Fewest rests, and fewest stretches in each, that show a steady sound besides the
/// horn.
const MIN_RESTS: usize = 3;
const MIN_REST: usize = 3;
/// The horn plays where the level is this far above that of the rests, in dB.
const PLAYING_DB: f32 = 10.0;

/// Level of a sound that is there whenever the horn pauses and has a pitch of its
/// own; `None` if there is none. The quietest part of a swell is no pause: it has the
/// pitch of the note before or after it.
fn steady_noise_db(
    levels: &[f32],
    pitches: impl Iterator<Item = f32>,
    quiet_db: f32,
) -> Option<f32> {
    let (mut rests, mut last) = (0, f32::NAN);
    let (mut quiet, mut noise): (Vec<(f32, f32)>, Vec<f32>) = Default::default();
    for (&level_db, pitch) in levels.iter().zip(pitches) {
        if level_db < quiet_db {
            quiet.push((level_db, pitch));
        } else if level_db > quiet_db + PLAYING_DB {
            let near = |a: f32, b: f32| (a - b).abs() < NEAR as f32;
            let unrelated = |p: f32| !p.is_nan() && !near(p, last) && !near(p, pitch);
            let unrelated_count = quiet.iter().filter(|(_, p)| unrelated(*p)).count();
            if quiet.len() >= MIN_REST && 2 * unrelated_count > quiet.len() {
                rests += 1;
                noise.extend(quiet.iter().map(|(level_db, _)| level_db));
            }
            quiet.clear();
            last = pitch;
        }
    }
    noise.sort_by(f32::total_cmp);
    let loudest = noise.get(noise.len() * 19 / 20)?;
    (rests >= MIN_RESTS).then_some(*loudest)
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOP_S: f64 = 0.004 / 3.0;

    /// Noise floor of a track given as pitch and level over time.
    fn floor_db(seconds: f64, sound: impl Fn(f64) -> (f32, f32)) -> f32 {
        let frames = (0..(seconds / HOP_S) as usize).map(|at| {
            let (pitch, level_db) = sound(at as f64 * HOP_S);
            DecodedFrame {
                pitch,
                confidence: 0.9,
                level_db,
            }
        });
        noise_floor_db(&frames.collect::<Vec<_>>(), HOP_S)
    }

    #[test]
    fn a_sound_that_fills_the_rests_is_noise() {
        // Half a second of horn, half a second of rest with a chord in it.
        let beside_pad = |t: f64| match t.fract() < 0.5 {
            true => (60.0 + t.floor() as f32, -20.0),
            false => (36.5, -42.0),
        };
        assert_eq!(floor_db(6.0, beside_pad), -42.0);
        // Two rests may be chance.
        assert_eq!(floor_db(2.0, beside_pad), -20.0 - SOFT_DB);
    }

    #[test]
    fn the_quiet_part_of_a_swell_is_not_noise() {
        let swells = |t: f64| match t.fract() < 0.5 {
            true => (60.0, -20.0),
            false => (60.0, -42.0),
        };
        assert_eq!(floor_db(6.0, swells), -20.0 - SOFT_DB);
    }
}
