//! What only hindsight can do: the second pass over a take's notes.

use super::contour::Contour;
use super::segment::{ONSET_DB, first_sound};
use super::steps::split_steps;
use super::swing::join_swings;
use super::{Attack, Moment, Note, Technique};
use crate::analysis::path::Refined;
use crate::units::{db_power, mean_level_db, power_db};

/// How long before the tone its first sound is looked for, in seconds: a soft
/// horn breathes first, and the longer this is the more of the release before is
/// taken for it.
const LONG_LEAD_IN_S: f64 = 0.16;
/// Shorter than this, a note next to another is looked at as a part of it, in
/// seconds: a thirty-second note at 120 to the minute is 62 ms.
const FRAGMENT_S: f64 = 0.05;
/// A flat or sharp beginning shorter than this is an attack finding its pitch,
/// in seconds.
const SEARCH_S: f64 = 0.13;
/// How far off such a beginning may be, in semitones.
const SEARCH_REACH: f64 = 1.6;
/// A low note needs some periods to begin, and the bore rings far above it
/// meanwhile: so far, in semitones, for so many of its periods.
const RINGING: f64 = 7.0;
const RINGING_PERIODS: f64 = 4.0;
/// A beginning this much softer is breath or a click whatever its pitch, in dB.
const PUFF_DB: f32 = 14.0;
/// Dip, by levels averaged around each moment, from which an attack is the
/// tongue's, in dB. Deeper than the live engine's, whose trailing average blurs
/// a dip.
const TONGUED_DIP_DB: f32 = 12.0;
/// A pitch that has left for the next one by so many semitones before the old is
/// lost was moved by lips or slide while the air went on: the tongue would have
/// stopped it first.
const LEAN: f64 = 0.6;
/// Dip from which even such a change is tongued, in dB: between two partials the
/// lips lose the tone for some 50 ms.
const LEANING_DIP_DB: f32 = 20.0;
/// Too short to be a note or to have a dip after it, in seconds.
const GLIMPSE_S: f64 = 0.025;
/// Notes closer than this touch, in seconds.
const TOUCH_S: f64 = 0.03;

/// Pitches this close belong together, in semitones.
const NEAR: f64 = 0.65;

/// The frames of a whole take with fast sums of their power.
pub struct Timeline {
    frames: Vec<Refined>,
    start_s: f64,
    floor_db: f32,
    /// Sum of power before each moment.
    sums: Vec<f64>,
    hop_s: f64,
}

impl Timeline {
    /// Timeline of frames `hop_s` apart, the first at `start_s`. The room's level
    /// is measured anew over the whole take.
    pub fn new(frames: Vec<Refined>, start_s: f64, hop_s: f64) -> Self {
        let mut sums = Vec::with_capacity(frames.len() + 1);
        let mut total = 0.0;
        sums.push(total);
        for frame in &frames {
            total += db_power(f64::from(frame.level_db));
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

    /// Takes the pitch off what is hardly louder than the room: a hum, a pad, the
    /// street. Only hindsight knows the room's level.
    pub fn hush_room(&mut self) {
        for at in 0..self.len() {
            if self.level_around(at, 0.02) < self.floor_db + ROOM_MARGIN_DB {
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
    pub fn moment(&self, at: usize) -> Moment {
        let frame = self.frames[at];
        Moment {
            time_s: self.start_s + at as f64 * self.hop_s,
            pitch: (!frame.pitch.is_nan()).then_some(frame.pitch),
            lead: f32::INFINITY,
            confidence: frame.confidence,
            level_db: frame.level_db,
            floor_db: self.floor_db,
        }
    }

    /// All moments in order.
    pub fn moments(&self) -> impl Iterator<Item = Moment> {
        (0..self.len()).map(|at| self.moment(at))
    }

    /// Index of the first moment at or after a time.
    fn at(&self, time_s: f64) -> usize {
        let at = ((time_s - self.start_s) / self.hop_s).ceil().max(0.0) as usize;
        at.min(self.len())
    }

    fn range(&self, from_s: f64, to_s: f64) -> std::ops::Range<usize> {
        let from = self.at(from_s);
        from..self.at(to_s).max(from)
    }

    /// Moments from one time up to another.
    fn between(&self, from_s: f64, to_s: f64) -> Vec<Moment> {
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
    fn tone_s(&self, note: &Note) -> f64 {
        let range = self.range(note.onset_s, note.offset_s);
        let near = |f: &&Refined| (f64::from(f.pitch) - note.pitch).abs() < NEAR;
        self.frames[range].iter().filter(near).count() as f64 * self.hop_s
    }

    /// Level averaged over `width_s` around the moment at an index, dBFS.
    fn level_around(&self, at: usize, width_s: f64) -> f32 {
        let half = (0.5 * width_s / self.hop_s).round() as usize;
        let from = at.saturating_sub(half);
        let to = (at + half + 1).min(self.len());
        power_db((self.sums[to] - self.sums[from]) / (to - from).max(1) as f64) as f32
    }

    /// Highest and lowest averaged level between two times, dBFS.
    fn extremes(&self, from_s: f64, to_s: f64, width_s: f64) -> (f32, f32) {
        self.range(from_s, to_s)
            .fold((-120f32, 0f32), |(high, low), at| {
                let level = self.level_around(at, width_s);
                (high.max(level), low.min(level))
            })
    }
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
        // Backwards from the tone, as long as the pitch leads up to it.
        let mut next = first;
        for frame in track.frames[lead_in].iter_mut().rev() {
            if (frame.pitch - next).abs() < 0.65 {
                next = frame.pitch;
            } else {
                frame.pitch = next;
            }
        }
        let mut last = first;
        for frame in &mut track.frames[tone] {
            if frame.pitch.is_nan() {
                frame.pitch = last;
            } else {
                last = frame.pitch;
            }
        }
    }
}

/// How far over the room's level tone must stand, in dB.
const ROOM_MARGIN_DB: f32 = 8.0;

/// Level of the room under a take: the level that a twentieth of its 20 ms
/// stretches stay under, and no higher than 36 dB under its loud ones (a take
/// without a rest has no such stretches).
fn room_level_db(frames: &[Refined], hop_s: f64) -> f32 {
    let stretch = ((0.02 / hop_s).round() as usize).max(1);
    let mean_db = |c: &[Refined]| mean_level_db(c.iter().map(|f| f.level_db)) as f32;
    let mut levels: Vec<f32> = frames.chunks(stretch).map(mean_db).collect();
    if levels.is_empty() {
        return -120.0;
    }
    levels.sort_by(f32::total_cmp);
    let share = |part: f64| levels[((levels.len() - 1) as f64 * part) as usize];
    share(0.05).min(share(0.95) - 36.0)
}

/// Second pass: `notes` are those of the segmenter over the same moments.
pub fn refine(mut notes: Vec<Note>, timeline: &Timeline) -> Vec<Note> {
    for note in &mut notes {
        note.level_db = timeline.extremes(note.onset_s, note.offset_s, 0.02).0;
    }
    join_fragments(&mut notes, timeline);
    split_steps(&mut notes, timeline);
    date(&mut notes, timeline);
    read_contours(&mut notes, timeline);
    join_swings(&mut notes, timeline);
    join_slides(&mut notes, timeline);
    join_passing(&mut notes, timeline);
    notes.retain(|note| !clicks(note, timeline));
    drop_clatter(&mut notes);
    let slides = slides_between(&notes, timeline);
    read_contours(&mut notes, timeline);
    for (note, slide) in notes.iter_mut().zip(slides) {
        note.techniques.extend(slide);
    }
    notes
}

/// Reads what happens within each note, and its pitch; a swing has its own.
fn read_contours(notes: &mut [Note], timeline: &Timeline) {
    for note in notes.iter_mut().filter(|n| n.techniques.is_empty()) {
        note.contour = timeline.contour(note.onset_s, note.offset_s);
        super::articulation::measure_pitch(note);
    }
}

/// Averaging time that hides the pulses of a pitch, in seconds.
fn smooth_s(pitch: f64) -> f64 {
    (1.0 / crate::units::Pitch(pitch).hz()).max(0.006)
}

/// How far the level dips at a boundary, against the weaker side, in dB.
fn dip_db(before: &Note, after: &Note, timeline: &Timeline) -> f32 {
    let at_s = after.onset_s;
    let width_s = smooth_s(before.pitch.min(after.pitch));
    let left_s = (at_s - 0.15).max(before.onset_s);
    let right_s = (at_s + 0.15).min(after.offset_s);
    let left = timeline.extremes(left_s, at_s, width_s).0;
    let right = timeline.extremes(at_s, right_s, width_s).0;
    let low = timeline
        .extremes(left_s.max(at_s - 0.04), at_s + 0.04, width_s)
        .1;
    (left.min(right) - low).max(0.0)
}

/// Joins what belongs together: attacks that find their pitch, bits of release.
fn join_fragments(notes: &mut Vec<Note>, timeline: &Timeline) {
    let mut at = 0;
    while at + 1 < notes.len() {
        let (left, right) = (&notes[at], &notes[at + 1]);
        let touch = right.onset_s - left.offset_s < TOUCH_S;
        let apart = (left.pitch - right.pitch).abs();
        let rise_db = right.level_db - left.level_db;
        let searching = left.duration_s() < SEARCH_S && apart < SEARCH_REACH && rise_db > 6.0;
        let glimpse = left.duration_s() < GLIMPSE_S;
        let blip = glimpse || left.duration_s() < SEARCH_S && rise_db > PUFF_DB;
        let blip = blip || left.duration_s() < FRAGMENT_S && (rise_db > 10.0 || apart < 0.65);
        let dying = right.duration_s() < SEARCH_S && rise_db < -10.0;
        // What the bore rings while the lips are not yet in step.
        let ringing = right.pitch < left.pitch - RINGING
            && timeline.tone_s(left) < RINGING_PERIODS / hz(right)
            && rise_db > 0.0;
        let blip = blip || ringing;
        let crumb = right.duration_s() < FRAGMENT_S && (rise_db < -3.0 || apart < 0.65);
        let tongued = dip_db(left, right, timeline) > TONGUED_DIP_DB;
        if touch && (searching || blip) && (rise_db > 10.0 || !tongued || glimpse) {
            let onset_s = left.onset_s;
            let (attack, dip_db) = (left.attack, left.measured.dip_db);
            notes.remove(at);
            let note = &mut notes[at];
            (note.onset_s, note.attack, note.measured.dip_db) = (onset_s, attack, dip_db);
        } else if touch && (dying || crumb) && !tongued {
            let offset_s = right.offset_s;
            notes.remove(at + 1);
            notes[at].offset_s = offset_s;
        } else {
            at += 1;
        }
    }
}

/// A click rings for no longer than this, in seconds.
const CLICK_S: f64 = 0.055;
/// It falls by so many dB within so many seconds after its loudest moment; a
/// tone that the tongue stops takes three times as long.
const CLICK_FALL_DB: f32 = 12.0;
const CLICK_FALL_S: f64 = 0.025;

/// Whether a note is a click, a clap or a knock that rings on a pitch.
fn clicks(note: &Note, timeline: &Timeline) -> bool {
    let range = timeline.range(note.onset_s, note.offset_s);
    let level = |at: usize| timeline.level_around(at, 0.005);
    let Some(loudest) = range.clone().max_by(|&a, &b| level(a).total_cmp(&level(b))) else {
        return true;
    };
    let later = (loudest + (CLICK_FALL_S / timeline.hop_s) as usize).min(timeline.len() - 1);
    note.duration_s() < CLICK_S && level(later) < level(loudest) - CLICK_FALL_DB
}

/// Less of such a sound than this is explained by its pitch.
const CLATTER_CONFIDENCE: f32 = 0.85;
/// Notes so near are a clatter's own, in seconds.
const CLATTER_REACH_S: f64 = 0.5;

/// Drops what valves, a slide or a puff of air sound like beside loud notes: short,
/// far softer, and hardly a tone.
fn drop_clatter(notes: &mut Vec<Note>) {
    let loud = |note: &Note, other: &Note| {
        let apart_s = (other.onset_s - note.offset_s).max(note.onset_s - other.offset_s);
        apart_s < CLATTER_REACH_S && other.level_db > note.level_db + PUFF_DB
    };
    for at in (0..notes.len()).rev() {
        let note = &notes[at];
        let faint = note.duration_s() < SEARCH_S && note.confidence < CLATTER_CONFIDENCE;
        let around = &notes[at.saturating_sub(1)..(at + 2).min(notes.len())];
        if faint && around.iter().any(|other| loud(note, other)) {
            notes.remove(at);
        }
    }
}

/// A slide takes at least this long, in seconds; valves and lip slurs are
/// quicker.
const SLIDE_S: f64 = 0.05;
/// Or it moves by less than this, in semitones, over this time, in seconds.
const STEP: f32 = 0.45;
const STEP_S: f64 = 0.02;
/// A note that never stays put for this long is no place but a way, in seconds.
const PLATEAU_S: f64 = 0.13;
/// How far it may stray meanwhile, in semitones.
const PLATEAU: f32 = 0.3;

/// Slurred neighbours this close in pitch are one note, in semitones, if the level
/// dips by no more than this between them, in dB.
const SAME_PITCH: f64 = 0.5;
const BENT_DIP_DB: f32 = 6.0;

/// Joins slides to the note they leave or reach: falls, doits, rips, scoops, and
/// the middle of a glissando.
fn join_slides(notes: &mut Vec<Note>, timeline: &Timeline) {
    for at in (1..notes.len()).rev() {
        let (left, right) = (&notes[at - 1], &notes[at]);
        let one = (left.pitch - right.pitch).abs() < SAME_PITCH || half_beat(left, right, timeline);
        let bent = right.attack == Attack::Slurred && one && right.measured.dip_db < BENT_DIP_DB;
        if bent {
            // Bent away and back: one note.
            notes[at - 1].offset_s = right.offset_s;
            notes.remove(at);
            continue;
        }
        let swings = !(left.techniques.is_empty() && right.techniques.is_empty());
        if swings || right.attack != Attack::Slurred || !slid(left, right, timeline) {
            continue;
        }
        if plateau_s(right, timeline) < PLATEAU_S {
            notes[at - 1].offset_s = right.offset_s;
            notes.remove(at);
        } else if plateau_s(left, timeline) < PLATEAU_S {
            let (onset_s, decided_s) = (left.onset_s, left.decided_s);
            let (attack, measured) = (left.attack, left.measured);
            notes.remove(at - 1);
            let note = &mut notes[at - 1];
            (note.onset_s, note.decided_s) = (onset_s, decided_s);
            (note.attack, note.measured) = (attack, measured);
        }
    }
}

/// Whether the shorter of two notes is over before the pitches could beat half a
/// time: nobody hears which of the two a low horn is on for so short a while.
fn half_beat(left: &Note, right: &Note, timeline: &Timeline) -> bool {
    let shorter_s = timeline.tone_s(left).min(timeline.tone_s(right));
    (hz(left) - hz(right)).abs() * shorter_s < 0.5
}

/// Frequency of a note's pitch.
fn hz(note: &Note) -> f64 {
    crate::units::Pitch(note.pitch).hz()
}

/// Longest time that a note's pitch stays put, in seconds.
fn plateau_s(note: &Note, timeline: &Timeline) -> f64 {
    let (mut longest, mut length) = (0, 0);
    let (mut low, mut high) = (f32::NAN, f32::NAN);
    for moment in timeline.between(note.onset_s, note.offset_s) {
        let Some(pitch) = moment.pitch else {
            continue;
        };
        (low, high) = (low.min(pitch), high.max(pitch));
        length += 1;
        if high - low > PLATEAU {
            (low, high, length) = (pitch, pitch, 1);
        }
        longest = longest.max(length);
    }
    f64::from(longest) * timeline.hop_s
}

/// Whether the pitch slides from one note to the next: takes its time from place
/// to place, or never steps.
fn slid(left: &Note, right: &Note, timeline: &Timeline) -> bool {
    let around = pitches_between(left, right, timeline);
    if way_s(left, right, &around, timeline.hop_s) > SLIDE_S {
        return true;
    }
    let reach = (STEP_S / timeline.hop_s).round() as usize;
    let steps = around.iter().zip(around.iter().skip(reach));
    let largest = steps.map(|(a, b)| (b - a).abs()).fold(0.0, f32::max);
    largest < STEP
}

/// Pitches around the border of two notes, not a number where there is none.
fn pitches_between(left: &Note, right: &Note, timeline: &Timeline) -> Vec<f32> {
    let from_s = left.onset_s.max(right.onset_s - 0.4);
    let to_s = right.offset_s.min(right.onset_s + 0.4);
    let pitch = |m: &Moment| m.pitch.unwrap_or(f32::NAN);
    timeline.between(from_s, to_s).iter().map(pitch).collect()
}

/// Time that the pitch is heard on its way from one note's place to the next
/// one's, seconds. Where tone is lost nothing slides.
fn way_s(left: &Note, right: &Note, around: &[f32], hop_s: f64) -> f64 {
    let near = |pitch: f64| move |p: &f32| (f64::from(*p) - pitch).abs() < 0.35;
    let left_home = around.iter().rposition(near(left.pitch)).unwrap_or(0);
    let Some(arrival) = around[left_home..].iter().position(near(right.pitch)) else {
        return 0.0;
    };
    let way = &around[left_home..left_home + arrival];
    way.iter().filter(|p| !p.is_nan()).count() as f64 * hop_s
}

/// The glissando from each note to the next, where there is one.
fn slides_between(notes: &[Note], timeline: &Timeline) -> Vec<Option<Technique>> {
    let slide = |pair: &[Note]| {
        let (left, right) = (&pair[0], &pair[1]);
        let plain = left.techniques.is_empty() && right.techniques.is_empty();
        let around = pitches_between(left, right, timeline);
        let slow = way_s(left, right, &around, timeline.hop_s) > super::articulation::GLISSANDO_S;
        let slides = plain && slow && right.attack == Attack::Slurred;
        slides.then_some(Technique::Glissando {
            cents: ((right.pitch - left.pitch) * 100.0) as f32,
        })
    };
    notes.windows(2).map(slide).collect()
}

/// A slurred note shorter than this on the way from one to the next is a partial
/// brushed in passing, in seconds; the fastest run has 83 ms a note.
const PASSING_S: f64 = 0.075;

/// No tongue is this quick: tone shorter than this, in seconds, with touching
/// notes on both sides is brushed in passing even where the level dips.
const BRUSHED_S: f64 = 0.045;

/// Gives notes brushed in passing to the note before.
fn join_passing(notes: &mut Vec<Note>, timeline: &Timeline) {
    for at in (1..notes.len().saturating_sub(1)).rev() {
        let [before, note, after] = [&notes[at - 1], &notes[at], &notes[at + 1]];
        let slurred = [note, after].iter().all(|n| n.attack == Attack::Slurred);
        let touching = note.onset_s - before.offset_s < TOUCH_S
            && after.onset_s - note.offset_s < TOUCH_S
            && timeline.tone_s(note) < BRUSHED_S;
        let on_the_way = (note.pitch - before.pitch) * (after.pitch - note.pitch) > 0.0;
        if on_the_way && (slurred && note.duration_s() < PASSING_S || touching) {
            notes[at - 1].offset_s = note.offset_s;
            notes.remove(at);
        }
    }
}

/// Dates onsets and offsets by the sound's own level.
fn date(notes: &mut [Note], timeline: &Timeline) {
    for at in 0..notes.len() {
        let (past, rest) = notes.split_at_mut(at);
        let note = &mut rest[0];
        let Some(before) = past.last_mut() else {
            let earliest_s = note.decided_s - LONG_LEAD_IN_S;
            note.onset_s = first_sound_after(note, earliest_s, timeline);
            note.attack = Attack::Tongued;
            continue;
        };
        let joined = note.onset_s - before.offset_s < TOUCH_S;
        let change = joined
            .then(|| Change::between(before, note, timeline))
            .flatten();
        if let Some(change) = &change {
            (before.offset_s, note.onset_s) = (change.at_s, change.at_s);
            note.decided_s = change.arrival_s;
        }
        let dip_db = dip_db(before, note, timeline);
        note.measured.dip_db = dip_db;
        let leaning = change.is_some_and(|change| change.lean > LEAN);
        let tongued_db = if leaning {
            LEANING_DIP_DB
        } else {
            TONGUED_DIP_DB
        };
        if joined && dip_db < tongued_db {
            note.attack = Attack::Slurred;
            before.offset_s = note.onset_s;
            continue;
        }
        note.attack = Attack::Tongued;
        let tone_s = note.decided_s.max(note.onset_s);
        before.offset_s = died_away(before, tone_s, timeline);
        let earliest_s = (tone_s - LONG_LEAD_IN_S).max(before.offset_s);
        note.onset_s = first_sound_after(note, earliest_s, timeline);
        before.offset_s = before.offset_s.min(note.onset_s);
    }
    if let Some(last) = notes.last_mut() {
        last.offset_s = died_away(last, f64::INFINITY, timeline);
    }
}

/// Where the pitch changes from one note to the next.
struct Change {
    /// When, stream seconds: between the last hop on the old side of the way and
    /// the first on the new.
    at_s: f64,
    /// That first hop, stream seconds.
    arrival_s: f64,
    /// How far the pitch has gone towards the next by then, in semitones.
    lean: f64,
}

/// Time over which a leaning pitch is read, in seconds.
const LEAN_S: f64 = 0.008;

impl Change {
    /// Looks back from where the segmenter noticed; after a drift that is late by
    /// the time that the pitch took to settle.
    fn between(before: &Note, note: &Note, timeline: &Timeline) -> Option<Change> {
        let way = note.pitch - before.pitch;
        let around = pitches_between(before, note, timeline);
        if way.abs() < SAME_PITCH || way_s(before, note, &around, timeline.hop_s) > SLIDE_S {
            return None;
        }
        // 0 at the old pitch, 1 at the new.
        let place = |m: &Moment| m.pitch.map(|p| (f64::from(p) - before.pitch) / way);
        let old = |m: &Moment| place(m).is_some_and(|p| (-1.0..0.5).contains(&p));
        let new = |m: &Moment| place(m).is_some_and(|p| p >= 0.5);
        let past = timeline.between(before.onset_s, note.onset_s + timeline.hop_s);
        let last = past.iter().rposition(old)?;
        let future = timeline.between(past[last].time_s, note.offset_s);
        let first = future.iter().position(new)?;
        let hops = (LEAN_S / timeline.hop_s) as usize;
        let lately = past[..=last].iter().rev().filter_map(place).take(hops);
        Some(Change {
            at_s: 0.5 * (past[last].time_s + future[first].time_s),
            arrival_s: future[first].time_s,
            lean: super::articulation::median(lately)? * way.abs(),
        })
    }
}

fn first_sound_after(note: &Note, earliest_s: f64, timeline: &Timeline) -> f64 {
    let lead_in = timeline.between(earliest_s, note.decided_s.max(note.onset_s));
    match first_sound(&lead_in, note.level_db, timeline.hop_s) {
        Some(at) => lead_in[at].time_s - timeline.hop_s,
        None => note.onset_s,
    }
}

/// When a note's sound has fallen 30 dB under its peak, at the latest by
/// `latest_s`; its lowest point where it never does.
fn died_away(note: &Note, latest_s: f64, timeline: &Timeline) -> f64 {
    let tail = timeline.between(note.offset_s, latest_s.min(note.offset_s + 1.0));
    let quiet = |m: &Moment| m.level_db < (note.level_db - ONSET_DB).max(m.floor_db + 3.0);
    // The pulses of a low tone leave gaps of nearly a period.
    let gap = (smooth_s(note.pitch).max(0.008) / timeline.hop_s).ceil() as usize;
    let over = tail.windows(gap).position(|w| w.iter().all(quiet));
    let lowest = || {
        let low = tail.iter().min_by(|a, b| a.level_db.total_cmp(&b.level_db));
        low.map_or(note.offset_s, |m| m.time_s)
    };
    match over {
        Some(at) => tail[at].time_s - timeline.hop_s,
        None if latest_s.is_finite() => lowest(),
        None => tail.last().map_or(note.offset_s, |m| m.time_s),
    }
}
