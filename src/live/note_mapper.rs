//! From detected notes to control events: names, quantises to the tuning, follows
//! bends, takes notes from the note source, transposes, mutes.

use std::sync::Arc;

use super::control_event::{ControlEvent, NoteName, NoteOn, NoteUpdate};
use crate::line::LineContext;
use crate::notes::{Attack, BODY_DB, PitchFrame, STRAY, segment};
use crate::sending::brightness::BrightnessFollower;
use crate::sending::note_source::{Given, NoteSource};
use crate::sending::{DynamicRange, LevelFollower, PlayedNote, SentNote};
use crate::tuning::Tuning;
use crate::tuning::quantiser::Quantiser;
use crate::units::{Concert, Pitch};

/// A jump larger than this from one frame to the next, in semitones, is not
/// followed until the segmenter reports a new note: it may be a detection error.
const MAX_JUMP: f32 = 0.5;
/// Unless the new pitch lasts this long, in seconds.
const JUMP_CONFIRM_S: f64 = 0.08;
/// Shortest and longest time constant of the pitch that a note centres on, in
/// seconds: at first the age of the note, later slower than a vibrato. (A note of a source
/// centres on its last pitch while it is young.)
const CENTRE_S: (f64, f64) = (0.03, 0.3);
/// A note younger than this may still be on its way to its pitch (a scoop, an
/// attack that finds its pitch), in seconds: as long as a slow scoop takes.
const YOUNG_S: f64 = 0.2;
/// Margin in nats of the pitch path at which such a pitch is followed: odds of 7 to 1 for a
/// single hop.
const MIN_MARGIN: f32 = 2.0;
/// How far, in semitones, a young note's pitch may jump and be followed: an attack that finds its
/// pitch.
const MAX_ATTACK_JUMP: f32 = 1.6;
/// The sounding note.
#[derive(Debug, Clone, Copy)]
struct ActiveNote {
    since_s: f64,
    sent: SentNote,
    /// Whether the tuning's pitch for the played one is sent.
    follows: bool,
    /// Key that it is named after; and another that it has been nearer to, and since when.
    concert: Concert,
    other: Option<(Concert, f64)>,
    /// Pitch that the player centres on.
    centre: f64,
    /// Played pitch, without detection errors.
    played: f32,
    jumped_s: Option<f64>,
    peak_db: f32,
}

/// Turns notes and pitch frames into control events.
#[derive(Debug, Clone)]
pub struct NoteMapper {
    context: Arc<LineContext>,
    quantiser: Quantiser<Arc<Tuning>>,
    /// Which notes are sent: that of the context, stepped at each attack.
    pub source: NoteSource,
    /// The player's dynamic range.
    pub dynamic_range: DynamicRange,
    muted: bool,
    /// Of the last note: what was in use when it began, and what the source gave for it.
    note_context: Arc<LineContext>,
    given: Given,
    /// Whether the last note that was played was sent when it began.
    was_sent: bool,
    active: Option<ActiveNote>,
    /// What the last note was on its way to, sent or muted: a slurred one keeps it, and takes no
    /// step of the source, as in the list of a take.
    target: Option<Pitch>,
    level: LevelFollower,
    brightness: BrightnessFollower,
    /// Vibrato depth to send, in cents.
    pub vibrato_cents: f32,
    /// When the end of a note was decided that the next may yet be slurred from.
    ended_s: Option<f64>,
}

impl NoteMapper {
    /// Mapper for horn, tuning, note source and shift.
    pub fn new(context: Arc<LineContext>, dynamic_range: DynamicRange) -> Self {
        NoteMapper {
            quantiser: Quantiser::new(Arc::new(context.tuning.clone())),
            source: context.source.clone(),
            note_context: context.clone(),
            given: Given::Played,
            context,
            dynamic_range,
            muted: false,
            was_sent: false,
            active: None,
            target: None,
            level: LevelFollower::default(),
            brightness: BrightnessFollower::default(),
            vibrato_cents: 0.0,
            ended_s: None,
        }
    }

    /// Horn, tuning, snap mode and shift in use.
    pub fn context(&self) -> &Arc<LineContext> {
        &self.context
    }

    /// What was in use when the last note was decided: it is described with that. The list of a
    /// take goes by its onset, some 25 ms before.
    pub fn note_context(&self) -> &Arc<LineContext> {
        &self.note_context
    }

    /// What the note source gave for the last note.
    pub fn given(&self) -> Given {
        self.given
    }

    /// Changes horn, tuning, snap mode or shift. The note source goes on.
    pub fn set_context(&mut self, context: Arc<LineContext>) {
        if self.context.tuning != context.tuning {
            self.quantiser = Quantiser::new(Arc::new(context.tuning.clone()));
        }
        self.context = context;
    }

    /// Whether a note is sent.
    pub fn note_sounds(&self) -> bool {
        self.active.is_some()
    }

    /// Whether receivers hear more of the last note: not of one whose beginning they
    /// missed, and nothing while muted.
    pub fn note_is_told(&self) -> bool {
        self.was_sent && !self.muted
    }

    /// Whether output is muted.
    pub fn muted(&self) -> bool {
        self.muted
    }

    /// Mutes or unmutes.
    pub fn mute(&mut self, muted: bool, out: &mut Vec<ControlEvent>) {
        if muted && !self.muted {
            self.silence(out);
        }
        self.muted = muted;
    }

    /// Ends the sounding note and sends all outputs [`ControlEvent::Silence`].
    pub fn silence(&mut self, out: &mut Vec<ControlEvent>) {
        self.active = None;
        self.ended_s = None;
        out.push(ControlEvent::Silence);
    }

    /// A note starts.
    pub fn start(&mut self, start: segment::NoteStart, out: &mut Vec<ControlEvent>) {
        let slurred = start.attack == Attack::Slurred;
        if slurred {
            // The note that it is slurred from has no note-off of its own.
            self.ended_s = None;
        }
        self.flush_note_off(out);
        self.was_sent = !self.muted;
        self.note_context = self.context.clone();
        let played = Pitch(f64::from(start.pitch));
        self.quantiser.release();
        let tuned = self.quantiser.push(played);
        let snap = self.context.snap;
        let reference = self.context.tuning.reference();
        let as_played = PlayedNote {
            played,
            tuned,
            slurred_from: self.target.filter(|_| slurred),
        };
        let shift = self.context.shift;
        // A sequence goes on while muted, as it does in the list of a take, which knows of no mute.
        let sent = SentNote::start(&as_played, &mut self.source, snap, shift, reference);
        let follows = matches!(self.source, NoteSource::Follow);
        self.given = self.source.gave(sent.target);
        self.target = Some(sent.target);
        if self.muted {
            return;
        }
        let name = self.name(&sent, (played, played), tuned);
        self.level = LevelFollower::new(start.level_db);
        self.brightness.start();
        self.active = Some(ActiveNote {
            since_s: start.decided_s,
            sent,
            follows,
            concert: name.concert,
            other: None,
            centre: played.0,
            played: start.pitch,
            jumped_s: None,
            peak_db: start.level_db,
        });
        out.push(ControlEvent::NoteOn(NoteOn {
            at_s: start.decided_s,
            onset_s: start.onset_s,
            name,
            velocity: (self.dynamic_range).velocity_ahead(start.level_db, slurred),
            strength: self.dynamic_range.strength(start.level_db),
            level_db: start.level_db,
            attack: start.attack,
        }));
    }

    /// Takes the next pitch frame.
    pub fn hop(&mut self, frame: PitchFrame, hop_s: f64, out: &mut Vec<ControlEvent>) {
        let level_db = self.level.push(frame.level_db, hop_s);
        let Some(mut active) = self.active else {
            return;
        };
        active.peak_db = active.peak_db.max(level_db);
        if active.follow(frame, level_db, hop_s) {
            let tuned = self.quantiser.push(Pitch(active.centre));
            if active.follows {
                active.sent.target = tuned;
                self.target = Some(tuned);
            }
            out.extend(self.renamed(&mut active, tuned, frame.time_s));
        }
        active.sent.shift = self.context.shift;
        self.active = Some(active);
        out.push(ControlEvent::NoteUpdate(NoteUpdate {
            at_s: frame.time_s,
            pitch: active.sent.pitch(active.centre, f64::from(active.played)),
            strength: self.dynamic_range.strength(level_db),
            level_db,
            vibrato_cents: self.vibrato_cents,
            brightness: self.brightness.push(
                frame.brightness.unwrap_or(f32::NAN),
                frame.level_db,
                hop_s,
            ),
        }));
    }

    /// Another name for a note that has come to another key: an attack is often more than half a
    /// semitone off when the note is decided on, and settles in the next moments.
    fn renamed(&self, note: &mut ActiveNote, tuned: Pitch, now_s: f64) -> Option<ControlEvent> {
        let centres = (Pitch(note.centre), Pitch(f64::from(note.played)));
        let name = self.name(&note.sent, centres, tuned);
        if name.concert == note.concert {
            note.other = None;
            return None;
        }
        // A scoop is not named after what it passes.
        let same = note.other.filter(|(other, _)| *other == name.concert);
        let (_, since_s) = *note.other.insert(same.unwrap_or((name.concert, now_s)));
        if now_s - since_s < CENTRE_S.0 {
            return None;
        }
        (note.concert, note.other) = (name.concert, None);
        Some(ControlEvent::NoteRenamed { at_s: now_s, name })
    }

    /// The name of a note while its player centres on one pitch and plays another, and the tuning
    /// has `tuned` for the first.
    fn name(&self, sent: &SentNote, (centre, played): (Pitch, Pitch), tuned: Pitch) -> NoteName {
        let reference = self.context.tuning.reference();
        let named = self.context.snap.named(centre, tuned);
        let concert = Concert(reference.nearest_key(named));
        NoteName {
            concert,
            written: self.context.written(concert),
            played: centre.0 as f32,
            cents: centre.cents_above(tuned),
            key: sent.key_of(centre, reference),
            pitch: sent.pitch(centre.0, played.0),
        }
    }

    /// A note has ended. Its note-off follows with [`NoteMapper::flush_note_off`],
    /// unless another note is slurred from it before.
    pub fn end(&mut self, now_s: f64) {
        if self.active.is_some() {
            self.ended_s = Some(now_s);
        }
    }

    /// Sends the note-off of a note that none was slurred from.
    pub fn flush_note_off(&mut self, out: &mut Vec<ControlEvent>) {
        if let Some(at_s) = self.ended_s.take() {
            self.active = None;
            out.push(ControlEvent::NoteOff { at_s });
        }
    }
}

impl ActiveNote {
    /// Follows the player; returns whether the note may have come to another pitch
    /// of the tuning than the one that it was started on.
    fn follow(&mut self, frame: PitchFrame, level_db: f32, hop_s: f64) -> bool {
        let Some(pitch) = frame.pitch else {
            return false;
        };
        if level_db < self.peak_db - BODY_DB {
            return false;
        }
        let age_s = frame.time_s - self.since_s;
        let young = age_s < YOUNG_S;
        let jump = (pitch - self.played).abs();
        // The first readings of an attack may be a semitone off: while it finds its pitch,
        // as the segmenter sees it, a surer reading is followed at once.
        let finds_it = young && jump < MAX_ATTACK_JUMP && frame.margin >= MIN_MARGIN;
        if jump > MAX_JUMP && !finds_it && !frame.trills {
            let since_s = *self.jumped_s.get_or_insert(frame.time_s);
            if frame.time_s - since_s < JUMP_CONFIRM_S {
                return false;
            }
        }
        self.jumped_s = None;
        self.played = pitch;
        if frame.trills {
            return false;
        }
        // Where a young note is going is not known yet: measured from where it came, a scoop up
        // to a note of a sequence would bend that note sharp. So nothing bends a source's note
        // while it is young.
        if young && !self.follows {
            self.centre = f64::from(pitch);
        }
        let off = f64::from(pitch) - self.centre;
        if off.abs() < f64::from(STRAY) {
            let memory_s = age_s.clamp(CENTRE_S.0, CENTRE_S.1);
            self.centre += (hop_s / memory_s) * off;
        } else if young {
            self.centre = f64::from(pitch);
        }
        // What an older note does farther from its centre is a bend, and meant.
        young
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::HOP_S;
    use crate::sending::note_source::Sequence;
    use crate::tuning::quantiser::Snap;
    use crate::tuning::{Reference, Tuning};

    fn player(snap: Snap, source: NoteSource) -> NoteMapper {
        let mut context =
            LineContext::new(Tuning::find("equal-12", None, Reference::default()).unwrap());
        context.snap = snap;
        context.source = source;
        NoteMapper::new(Arc::new(context), DynamicRange::default())
    }

    fn start(pitch: f32, attack: Attack) -> segment::NoteStart {
        segment::NoteStart {
            onset_s: 0.98,
            decided_s: 1.0,
            pitch,
            level_db: -20.0,
            attack,
        }
    }

    /// Plays a note with the pitch curve `pitch` for `length_s`; returns the
    /// events.
    fn play(
        player: &mut NoteMapper,
        pitch: impl Fn(f64) -> f32,
        length_s: f64,
    ) -> Vec<ControlEvent> {
        let mut out = Vec::new();
        player.start(start(pitch(0.0), Attack::Tongued), &mut out);
        for i in 0..(length_s / HOP_S) as usize {
            let since_s = i as f64 * HOP_S;
            let frame = PitchFrame {
                time_s: 1.0 + since_s,
                pitch: Some(pitch(since_s)),
                margin: 5.0,
                confidence: 1.0,
                level_db: -20.0,
                brightness: Some(2.0),
                trills: false,
            };
            player.hop(frame, HOP_S, &mut out);
        }
        out
    }

    fn pitches(events: &[ControlEvent]) -> Vec<f64> {
        let pitch = |s: &ControlEvent| match s {
            ControlEvent::NoteUpdate(update) => Some(update.pitch.0),
            _ => None,
        };
        events.iter().filter_map(pitch).collect()
    }

    #[test]
    fn as_played_is_as_played() {
        let got = pitches(&play(
            &mut player(Snap::Off, NoteSource::Follow),
            |_| 60.3,
            0.2,
        ));
        assert!(got.iter().all(|p| (p - 60.3).abs() < 1e-5));
    }

    #[test]
    fn bends_stay_and_the_centre_is_tuned() {
        let wave = |t: f64| 60.2 + 0.3 * (std::f64::consts::TAU * 5.0 * t).sin() as f32;
        let got = pitches(&play(
            &mut player(Snap::Bend, NoteSource::Follow),
            wave,
            2.0,
        ));
        let late = &got[got.len() / 2..];
        let mean = late.iter().sum::<f64>() / late.len() as f64;
        let most = late.iter().fold(0f64, |m, p| m.max(p - mean));
        assert!((mean - 60.0).abs() < 0.02, "{mean}");
        assert!(most > 0.25 && most < 0.35, "{most}");
    }

    #[test]
    fn a_fall_is_not_tuned_away() {
        let fall = |t: f64| 60.0 - 8.0 * (t as f32 - 0.5).max(0.0);
        let got = pitches(&play(
            &mut player(Snap::Bend, NoteSource::Follow),
            fall,
            1.0,
        ));
        assert!((got[got.len() - 1] - 56.0).abs() < 0.15, "{:?}", got.last());
    }

    #[test]
    fn a_pitch_between_the_tunings_is_sent_as_the_tunings() {
        // From 62.04 to the next pitch of this tuning is nearly a whole tone.
        let tuning = Tuning::find("minor-pentatonic", Some("C"), Reference::default()).unwrap();
        let sequence = Sequence::new(vec![Pitch(48.0)]).unwrap();
        for (source, sent) in [
            (NoteSource::Follow, 63.0),
            (NoteSource::Sequence(sequence), 48.0),
        ] {
            let mut context = LineContext::new(tuning.clone());
            context.snap = Snap::Bend;
            context.source = source;
            let mut player = NoteMapper::new(Arc::new(context), DynamicRange::default());
            let got = pitches(&play(&mut player, |_| 62.04, 0.5));
            assert!(got.iter().all(|p| (p - sent).abs() < 1e-5), "{got:?}");
        }
    }

    #[test]
    fn a_scoop_arrives_at_the_tunings_pitch() {
        let scoop = |t: f64| 60.9 + 1.1 * (t as f32 / 0.06).min(1.0);
        for snap in [Snap::Bend, Snap::Hard] {
            let got = pitches(&play(&mut player(snap, NoteSource::Follow), scoop, 1.0));
            assert!((got[got.len() - 1] - 62.0).abs() < 0.02, "{:?}", got.last());
        }
    }

    /// A note of a sequence is not bent sharp by a scoop up to the note that is played.
    #[test]
    fn a_scoop_does_not_bend_a_note_of_a_sequence() {
        let scoop = |t: f64| 65.75 + 1.25 * (t as f32 / 0.15).min(1.0);
        let vibrato =
            |t: f64| 0.3 * (std::f64::consts::TAU * 5.0 * (t - 0.4).max(0.0)).sin() as f32;
        let source = NoteSource::Sequence(Sequence::new(vec![Pitch(64.0)]).unwrap());
        let got = pitches(&play(
            &mut player(Snap::Bend, source),
            |t| scoop(t) + vibrato(t),
            1.0,
        ));
        let (young, old) = got.split_at((0.4 / HOP_S) as usize);
        assert!(young.iter().all(|p| (p - 64.0).abs() < 0.05), "{young:?}");
        let most = old.iter().fold(0f64, |most, p| most.max(p - 64.0));
        assert!((0.25..0.35).contains(&most), "{most}");
    }

    /// An attack whose first readings are most of a semitone off is where it belongs as
    /// soon as it is read right.
    #[test]
    fn an_attack_finds_its_pitch_at_once() {
        let attack = |t: f64| if t < 0.012 { 60.8 } else { 60.05 };
        let got = pitches(&play(
            &mut player(Snap::Off, NoteSource::Follow),
            attack,
            0.1,
        ));
        let after = (0.016 / HOP_S) as usize;
        assert!(
            got[after..].iter().all(|p| (p - 60.05).abs() < 1e-5),
            "{got:?}"
        );
    }

    /// The turns of a shake are followed at once, and its note stays what it is.
    #[test]
    fn a_shake_is_followed() {
        let mut player = player(Snap::Bend, NoteSource::Follow);
        let mut out = play(&mut player, |_| 60.0, 0.3);
        out.clear();
        let up = PitchFrame {
            time_s: 1.4,
            pitch: Some(63.0),
            margin: 5.0,
            confidence: 1.0,
            level_db: -20.0,
            brightness: None,
            trills: true,
        };
        player.hop(up, HOP_S, &mut out);
        let [ControlEvent::NoteUpdate(update)] = out[..] else {
            panic!("{out:?}");
        };
        assert!((update.pitch.0 - 63.0).abs() < 0.01, "{update:?}");
    }

    #[test]
    fn slips_are_not_followed() {
        let slip = |t: f64| if (0.1..0.15).contains(&t) { 48.0 } else { 60.0 };
        let got = pitches(&play(&mut player(Snap::Off, NoteSource::Follow), slip, 0.3));
        assert!(got.iter().all(|p| *p == 60.0));
    }

    /// What is done before a note begins.
    type Before = fn(&mut NoteMapper);

    /// The keys that a sequence of two gives a player's notes, each after something was done.
    fn sequence_keys(notes: &[(Before, Attack)]) -> Vec<u8> {
        let sequence = Sequence::new(vec![Pitch(40.0), Pitch(47.0)]).unwrap();
        let mut player = player(Snap::Off, NoteSource::Sequence(sequence));
        let mut keys = Vec::new();
        for (before, attack) in notes {
            let mut out = Vec::new();
            before(&mut player);
            player.start(start(60.0, *attack), &mut out);
            keys.extend(out.iter().filter_map(|s| match s {
                ControlEvent::NoteOn(start) => Some(start.name.key),
                _ => None,
            }));
        }
        keys
    }

    #[test]
    fn attacks_step_a_sequence_and_slurs_hold_it() {
        use Attack::{Slurred, Tongued};
        let ends: Before = |player| player.end(1.0);
        let keys = sequence_keys(&[(|_| {}, Tongued), (ends, Slurred), (ends, Tongued)]);
        assert_eq!(keys, [40, 40, 47]);
    }

    /// The list of a take knows of no note-off, panic or mute: whether a note is slurred is all.
    #[test]
    fn slurs_hold_a_sequence_across_note_offs_panic_and_mute() {
        use Attack::{Slurred, Tongued};
        let ended: Before = |player| {
            player.end(1.0);
            player.flush_note_off(&mut Vec::new());
        };
        assert_eq!(
            sequence_keys(&[(|_| {}, Tongued), (ended, Slurred)]),
            [40, 40]
        );
        let panic: Before = |player| player.silence(&mut Vec::new());
        assert_eq!(
            sequence_keys(&[(|_| {}, Tongued), (panic, Slurred)]),
            [40, 40]
        );
        let mute: Before = |player| player.mute(true, &mut Vec::new());
        let unmute: Before = |player| player.mute(false, &mut Vec::new());
        // Muted notes step, and are held by what is slurred from them.
        let keys = sequence_keys(&[
            (|_| {}, Tongued),
            (mute, Slurred),
            (ended, Tongued),
            (unmute, Slurred),
            (ended, Tongued),
        ]);
        assert_eq!(keys, [40, 47, 40]);
    }

    /// The keys that a note is named after, from its beginning on.
    fn names(pitch: impl Fn(f64) -> f32, source: NoteSource) -> Vec<i32> {
        let out = play(&mut player(Snap::Hard, source), pitch, 0.5);
        let name = |event: &ControlEvent| match event {
            ControlEvent::NoteOn(start) => Some(start.name.concert.0),
            ControlEvent::NoteRenamed { name, .. } => Some(name.concert.0),
            _ => None,
        };
        out.iter().filter_map(name).collect()
    }

    #[test]
    fn a_note_is_renamed_once_its_pitch_has_settled() {
        let sequence = || NoteSource::Sequence(Sequence::new(vec![Pitch(40.0)]).unwrap());
        for source in [NoteSource::Follow, sequence()] {
            let sharp_attack = |t: f64| if t < 0.03 { 61.0 } else { 60.1 };
            assert_eq!(names(sharp_attack, source.clone()), [61, 60]);
            assert_eq!(names(|_| 60.3, source.clone()), [60]);
            // A bend of a note that is under way is one.
            assert_eq!(names(|t| if t < 0.3 { 60.0 } else { 59.2 }, source), [60]);
        }
        // A scoop is not named after each semitone on its way.
        let scoop = |t: f64| 60.0 - 3.0 * (1.0 - t as f32 / 0.06).max(0.0);
        assert_eq!(names(scoop, NoteSource::Follow), [57, 60]);
    }

    #[test]
    fn mute_ends_what_sounds() {
        let mut player = player(Snap::Off, NoteSource::Follow);
        play(&mut player, |_| 60.0, 0.1);
        let mut out = Vec::new();
        player.mute(true, &mut out);
        assert!(matches!(out[..], [ControlEvent::Silence]));
        assert!(play(&mut player, |_| 60.0, 0.1).is_empty());
    }
}
