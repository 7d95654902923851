//! The decoded pitch track of a whole take, hop by hop.

use super::contour::Contour;
use super::note_model::DraftNote;
use super::{LEVEL_S, Note, PitchFrame, STRAY, brightness_of};
use crate::analysis::offline_decoder::DecodedFrame;
use crate::analysis::tone::{CAUSAL, OFFLINE};
use crate::units::{Pitch, db_power, power_db};

/// A note is heard down to so many dB under its loudest.
const HEARD_DB: f32 = 30.0;

/// Hops in a moment of the tone track.
const HOPS: usize = OFFLINE.hops;

/// The frames of a whole take, with running sums of their power.
#[derive(Debug, Clone)]
pub struct Timeline {
    frames: Vec<DecodedFrame>,
    start_s: f64,
    /// Sum of power before each frame.
    sums: Vec<f64>,
    pub(super) hop_s: f64,
}

impl Timeline {
    /// Timeline of frames `hop_s` apart, the first at `start_s`.
    #[doc(hidden)]
    pub fn new(frames: Vec<DecodedFrame>, start_s: f64, hop_s: f64) -> Self {
        let mut sums = Vec::with_capacity(frames.len() + 1);
        let mut total = 0.0;
        sums.push(total);
        for frame in &frames {
            total += f64::from(db_power(frame.level_db));
            sums.push(total);
        }
        Timeline {
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
    #[doc(hidden)]
    pub fn moment_s(&self, moment: f64) -> f64 {
        let hops = moment * HOPS as f64 + OFFLINE.hop_of(0) as f64;
        self.start_s + hops * self.hop_s
    }

    /// Share of a moment's sound, over one half, that a pitch explains by the offline
    /// decoder, 0 to 0.5.
    pub(super) fn explained(&self, moment: usize, pitch: f32) -> f32 {
        let hops = (moment * HOPS).min(self.len())..((moment + 1) * HOPS).min(self.len());
        let own = |f: &DecodedFrame| (f.pitch - pitch).abs() < 0.5;
        let share: f32 = (self.frames[hops].iter().filter(|f| own(f)))
            .map(|f| (f.confidence - 0.5).max(0.0))
            .sum();
        share / HOPS as f32
    }

    /// The track with the notes' own pitches alone: without those of hops outside notes,
    /// and of hops whose pitch is far from the note's and not reached from it without a
    /// step, as the turns of a wide vibrato are. (In a hall the path may stay at the note before,
    /// which rings on.)
    pub fn of_notes(&self, drafts: &[DraftNote]) -> Timeline {
        let mut own = vec![false; self.len()];
        for (i, draft) in drafts.iter().enumerate() {
            // A note may begin within the last moment of the one before.
            let next = drafts.get(i + 1).map_or(f64::INFINITY, |next| next.onset);
            let end = draft.offset.max(draft.end() as f64).min(next);
            let hops = self.range(self.moment_s(draft.onset), self.moment_s(end));
            let last = draft.pitches.len() - 1;
            let home = |at: usize| draft.pitches[(at / HOPS).saturating_sub(draft.first).min(last)];
            let pitch = |at: usize| self.frames[at].pitch;
            for at in hops.clone() {
                own[at] = (pitch(at) - home(at)).abs() < STRAY;
            }
            // A slide moves by less than that from hop to hop; a slur steps by a semitone at least.
            let reached = |at: usize, from: usize| (pitch(at) - pitch(from)).abs() < STRAY;
            for at in hops.clone().skip(1) {
                own[at] |= own[at - 1] && reached(at, at - 1);
            }
            for at in hops.rev().skip(1) {
                own[at] |= own[at + 1] && reached(at, at + 1);
            }
        }
        let mut track = self.clone();
        for (frame, own) in track.frames.iter_mut().zip(own) {
            if !own {
                frame.pitch = f32::NAN;
            }
        }
        track
    }

    /// Takes the pitches between two times from another track of the same sound.
    pub(super) fn adopt(&mut self, other: &Timeline, from_s: f64, to_s: f64) {
        let range = self.range(from_s, to_s);
        self.frames[range.clone()].copy_from_slice(&other.frames[range]);
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
        let pitch = (!frame.pitch.is_nan()).then_some(frame.pitch);
        PitchFrame {
            time_s: self.start_s + at as f64 * self.hop_s,
            pitch,
            margin: f32::INFINITY,
            confidence: frame.confidence,
            level_db: frame.level_db,
            trills: false,
            brightness: brightness_of(Some(frame.centroid_hz), pitch),
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

    /// Level averaged over `width_s` around the moment at an index, dBFS.
    fn level_around(&self, at: usize, width_s: f64) -> f32 {
        power_db(self.power_around(at, width_s))
    }

    fn power_around(&self, at: usize, width_s: f64) -> f32 {
        let half = (0.5 * width_s / self.hop_s).round() as usize;
        let from = at.saturating_sub(half);
        let to = (at + half + 1).min(self.len());
        ((self.sums[to] - self.sums[from]) / (to - from).max(1) as f64) as f32
    }

    /// Whether a note is heard in a frame.
    fn is_heard(&self, at: usize, note: &Note) -> bool {
        self.level_around(at, LEVEL_S) > note.level_db - HEARD_DB
    }

    /// Highest and lowest averaged level between two times, dBFS.
    pub(super) fn extremes(&self, from_s: f64, to_s: f64, width_s: f64) -> (f32, f32) {
        self.range(from_s, to_s)
            .fold((-120f32, f32::INFINITY), |(high, low), at| {
                let level = self.level_around(at, width_s);
                (high.max(level), low.min(level))
            })
    }
}

/// Averaging time in which a dip of the level still shows and the pulses of a pitch (MIDI
/// semitones) do not, in seconds: its period, or a moment in which the live engine decides.
pub(super) fn smooth_s(pitch: f64, hop_s: f64) -> f64 {
    (1.0 / Pitch(pitch).hz()).max(CAUSAL.moment_s(hop_s))
}

/// Extends each note's pitch to its edges, where by its level it sounds but no period
/// is found. Such frames keep their confidence.
pub fn extend_to_edges(track: &mut Timeline, notes: &[Note]) {
    for (i, note) in notes.iter().enumerate() {
        let tone = track.range(note.onset_s, note.offset_s);
        // Before the first pitch that is measured stands the note's: an attack often is off.
        let own = note.pitch as f32;
        let mut last = own;
        for at in tone {
            let pitch = &mut track.frames[at].pitch;
            match pitch.is_nan() {
                true => *pitch = last,
                false => last = *pitch,
            }
        }
        // The air before a tone and what rings on after it are the note's as far as they
        // are heard.
        let before_s = i.checked_sub(1).map_or(0.0, |at| notes[at].offset_s);
        let after_s = notes.get(i + 1).map_or(f64::INFINITY, |next| next.onset_s);
        for at in track.range(before_s, note.onset_s).rev() {
            if !track.is_heard(at, note) {
                break;
            }
            let pitch = &mut track.frames[at].pitch;
            if pitch.is_nan() {
                *pitch = own;
            }
        }
        for at in track.range(note.offset_s, after_s) {
            if !track.is_heard(at, note) {
                break;
            }
            let pitch = &mut track.frames[at].pitch;
            if pitch.is_nan() {
                *pitch = last;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// In a hall the path stays at the note before, which rings on.
    #[test]
    fn a_note_has_no_pitch_of_the_note_before() {
        let frame = |pitch: f32| DecodedFrame {
            pitch,
            confidence: 0.9,
            level_db: -20.0,
            centroid_hz: f32::NAN,
        };
        let pitches = [vec![60.0; 36], vec![64.0; 12]].concat();
        let timeline = Timeline::new(pitches.into_iter().map(frame).collect(), 0.0, 0.001);
        let draft = |onset: f64, offset: f64, first: usize, pitch: f32| DraftNote {
            onset,
            offset,
            first,
            pitches: vec![pitch; offset as usize - first],
            tongue_odds: 0.0,
        };
        // The second begins within the first one's last moment.
        let drafts = [draft(0.0, 2.6, 0, 60.0), draft(2.6, 6.0, 3, 64.0)];
        let own = timeline.of_notes(&drafts);
        let of = |draft: &DraftNote| {
            let (from_s, to_s) = (own.moment_s(draft.onset), own.moment_s(draft.offset));
            let pitches = own.between(from_s, to_s).into_iter();
            pitches.filter_map(|frame| frame.pitch).collect::<Vec<_>>()
        };
        let [first, second] = drafts.each_ref().map(of);
        assert!(first.len() > 15 && first.iter().all(|&p| p == 60.0));
        assert_eq!(second, [64.0; 12]);
    }
}
