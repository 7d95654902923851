//! Detects how a note is played as early as possible: an accent 30 ms into the
//! note, a trill as soon as it is known to be one, vibrato and flutter while they last, the
//! rest when the note ends.

use std::sync::Arc;

use super::control_event::{ControlEvent, Gesture, GestureEvent};
use crate::line::{LineContext, LineNote};
use crate::notes::articulation::{self, Next, WaveScratch};
use crate::notes::contour::Contour;
use crate::notes::segment::NoteStart;
use crate::notes::technique_model::{TechniqueModel, WaveModel};
use crate::notes::{Attack, Length, Note, PitchFrame, Technique};
use crate::sending::note_source::Given;
use crate::tuning::quantiser::Quantiser;

/// Time after the decision over which a note's attack is measured, in seconds: the
/// rise of a tongued note is over by then.
const ATTACK_S: f64 = 0.03;
/// How much louder than the attacks before it an accent is, in dB. Dynamic
/// marks lie some 5 dB apart (from memory).
const ACCENT_DB: f32 = 6.0;
/// Weight of each new attack in the running mean that accents are compared with.
const ATTACK_SHARE: f32 = 0.2;
/// Window in which vibrato and flutter are detected, and how often, in seconds: between the
/// edges that are left out it holds as many cycles of the slowest vibrato as tell one.
const WINDOW_S: f64 = WAVES.vibrato_cycles / WAVES.vibrato_hz.0 + 2.0 * WAVES.edge_s;
const WAVES: &WaveModel = &TechniqueModel::DEFAULT.waves;
const ANALYSIS_INTERVAL_S: f64 = 0.05;
/// Onsets kept, to measure the time from note to note.
const ONSETS: usize = 9;

/// Detector of gestures.
#[derive(Debug, Clone)]
pub struct GestureDetector {
    hop_s: f64,
    recent: Contour,
    waves: WaveScratch,
    note: Option<ActiveNote>,
    /// Running mean of the attack level, dBFS.
    mean_attack_db: Option<f32>,
    onsets: Vec<f64>,
}

#[derive(Debug, Clone, Copy)]
struct ActiveNote {
    start: NoteStart,
    attack_db: f32,
    attack_measured: bool,
    analysed_s: f64,
    vibrato: bool,
    flutter: bool,
    trill: bool,
}

impl GestureDetector {
    /// Detector for frames `hop_s` apart, in seconds.
    pub fn new(hop_s: f64) -> Self {
        let hops = ((WINDOW_S + ANALYSIS_INTERVAL_S) / hop_s) as usize + 2;
        GestureDetector {
            hop_s,
            recent: Contour {
                hop_s,
                points: Vec::with_capacity(hops),
                ..Contour::default()
            },
            waves: WaveScratch::for_hops(hops),
            note: None,
            mean_attack_db: None,
            onsets: Vec::with_capacity(ONSETS + 1),
        }
    }

    /// Whether a note sounds.
    pub fn note_sounds(&self) -> bool {
        self.note.is_some()
    }

    /// A note starts.
    pub fn start(&mut self, start: NoteStart, gesture_events: &mut Vec<GestureEvent>) {
        let gesture = match start.attack {
            Attack::Slurred => Gesture::Slurred,
            Attack::Tongued | Attack::Breath => Gesture::Tongued,
        };
        gesture_events.push(GestureEvent {
            at_s: start.decided_s,
            gesture,
        });
        self.recent.points.clear();
        self.recent.start_s = start.decided_s;
        self.note = Some(ActiveNote {
            start,
            attack_db: start.level_db,
            attack_measured: start.attack == Attack::Slurred,
            analysed_s: start.decided_s,
            vibrato: false,
            flutter: false,
            trill: false,
        });
        if self.onsets.len() == ONSETS {
            self.onsets.remove(0);
        }
        self.onsets.push(start.onset_s);
    }

    /// Takes the next frame. Returns the vibrato depth in cents when it has been
    /// measured.
    pub fn hop(
        &mut self,
        frame: PitchFrame,
        gesture_events: &mut Vec<GestureEvent>,
    ) -> Option<f32> {
        let note = self.note.as_mut()?;
        let now_s = frame.time_s;
        let points = &mut self.recent.points;
        if points.len() as f64 * self.hop_s >= WINDOW_S + ANALYSIS_INTERVAL_S {
            // Some are dropped at once, so that the rest is rarely moved, but never so
            // many that too little of a slow vibrato is left.
            let gone = (ANALYSIS_INTERVAL_S / self.hop_s) as usize;
            points.drain(..gone);
            self.recent.start_s += gone as f64 * self.hop_s;
        }
        points.push(frame.point());
        let mut gesture_event = |gesture| {
            gesture_events.push(GestureEvent {
                at_s: now_s,
                gesture,
            });
        };
        if !note.attack_measured {
            if let Some(level_db) = self.recent.latest_db() {
                note.attack_db = note.attack_db.max(level_db);
            }
            if now_s - note.start.decided_s > ATTACK_S {
                note.attack_measured = true;
                let mean_db = self.mean_attack_db.unwrap_or(note.attack_db);
                if note.attack_db > mean_db + ACCENT_DB {
                    gesture_event(Gesture::Accent);
                }
                let share = ATTACK_SHARE * (note.attack_db - mean_db);
                self.mean_attack_db = Some(mean_db + share);
            }
        }
        if frame.trills && !note.trill {
            note.trill = true;
            gesture_event(Gesture::Trill);
        }
        if now_s - note.analysed_s < ANALYSIS_INTERVAL_S {
            return None;
        }
        note.analysed_s = now_s;
        let pitch = f64::from(note.start.pitch);
        let (recent, scratch) = (&self.recent, &mut self.waves);
        if !note.flutter && articulation::flutter(recent, pitch, WAVES, scratch).is_some() {
            note.flutter = true;
            gesture_event(Gesture::Flutter);
        }
        // The turns of a trill are sent as pitch alone.
        let vibrato = articulation::vibrato(recent, WAVES, scratch).filter(|_| !note.trill);
        let depth = match vibrato {
            Some(Technique::Vibrato { extent_cents, .. }) => extent_cents,
            _ => 0.0,
        };
        if depth > 0.0 && !note.vibrato {
            note.vibrato = true;
            gesture_event(Gesture::Vibrato);
        }
        Some(depth)
    }

    /// A note has ended; `after` is how the next one begins, and when, if it has. What it takes
    /// long to say of the note is left to [`FinishedNote::describe`].
    pub fn end(
        &mut self,
        note: Note,
        now_s: f64,
        after: Option<(Attack, f64)>,
        context: Arc<LineContext>,
    ) -> FinishedNote {
        self.note = None;
        // What the note had time for ends where the next begins.
        let begun = self.onsets.len();
        self.onsets.extend(after.map(|(_, onset_s)| onset_s));
        let time_s = articulation::time_of_note_s(&self.onsets, begun.saturating_sub(1));
        self.onsets.truncate(begun);
        FinishedNote {
            next: Next::of(note.offset_s, after),
            note,
            at_s: now_s,
            time_s,
            context,
            sent: true,
            given: Given::Played,
        }
    }
}

/// A note that is over and not yet described. Describing it takes longer the longer
/// it was, so that it is done beside the engine, after the note-off.
#[derive(Debug, Clone)]
pub struct FinishedNote {
    note: Note,
    at_s: f64,
    time_s: f64,
    next: Next,
    context: Arc<LineContext>,
    /// Whether it was sent, so that more may be said of it.
    pub sent: bool,
    /// What the note source gave for it.
    pub given: Given,
}

impl FinishedNote {
    /// Names the note and its articulation: the note as the list has it, then the
    /// gestures that are known at its end.
    pub fn describe(mut self, out: &mut Vec<ControlEvent>) {
        let note = &mut self.note;
        articulation::describe_one(note, self.time_s, self.next, &TechniqueModel::DEFAULT);
        let length = match note.length {
            Length::Staccatissimo => Some(Gesture::Staccatissimo),
            Length::Staccato => Some(Gesture::Staccato),
            Length::Normal | Length::Tenuto => None,
        };
        let technique = |technique: &Technique| match technique {
            Technique::Glissando { .. } => Some(Gesture::Glissando),
            Technique::Scoop { .. } => Some(Gesture::Scoop),
            Technique::Fall { .. } => Some(Gesture::Fall),
            Technique::Doit { .. } => Some(Gesture::Doit),
            // Already reported while the note sounded.
            Technique::Vibrato { .. } | Technique::Flutter { .. } | Technique::Trill { .. } => None,
        };
        let techniques = note.techniques.iter().filter_map(technique);
        let gestures: Vec<Gesture> = length.into_iter().chain(techniques).collect();
        let mut quantiser = Quantiser::new(&self.context.tuning);
        let mut source = self.given.source();
        let named = LineNote::new(self.note, &self.context, &mut quantiser, &mut source, None);
        out.push(ControlEvent::NoteFinished {
            note: Arc::new(named),
            sent: self.sent,
        });
        if self.sent {
            let at_s = self.at_s;
            let event = |gesture| ControlEvent::Gesture(GestureEvent { at_s, gesture });
            out.extend(gestures.into_iter().map(event));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::HOP_S;
    use crate::notes::Measured;
    use crate::tuning::{Reference, Tuning};

    /// A stretch of notes half a second apart.
    struct Playing {
        gestures: GestureDetector,
        now_s: f64,
    }

    /// What a note does, by the time since its decision in seconds.
    struct Shape<'a> {
        length_s: f64,
        attack: Attack,
        pitch: &'a dyn Fn(f64) -> f64,
        level_db: &'a dyn Fn(f64) -> f64,
    }

    const PLAIN: Shape = Shape {
        length_s: 0.48,
        attack: Attack::Tongued,
        pitch: &|_| 60.0,
        level_db: &|_| -30.0,
    };

    /// What was told of a note: gestures with the time since its decision, in
    /// seconds, and the vibrato's depth each time it was looked at.
    struct Told {
        events: Vec<(Gesture, f64)>,
        depths: Vec<f32>,
    }

    impl Told {
        fn gestures(&self) -> Vec<Gesture> {
            self.events.iter().map(|(gesture, _)| *gesture).collect()
        }
    }

    impl Playing {
        fn new() -> Self {
            Playing {
                gestures: GestureDetector::new(HOP_S),
                now_s: 1.0,
            }
        }

        fn play(&mut self, shape: &Shape, slurred_on: bool) -> Told {
            let after = |end_s| slurred_on.then_some((Attack::Slurred, end_s));
            self.play_before(shape, after)
        }

        /// Plays a note; `after` says of its end how the next begins, and when, if it does.
        fn play_before(
            &mut self,
            shape: &Shape,
            after: impl Fn(f64) -> Option<(Attack, f64)>,
        ) -> Told {
            let (start_s, mut events, mut depths) = (self.now_s, Vec::new(), Vec::new());
            let start = NoteStart {
                onset_s: start_s - 0.02,
                decided_s: start_s,
                pitch: (shape.pitch)(0.0) as f32,
                level_db: (shape.level_db)(0.0) as f32,
                attack: shape.attack,
            };
            self.gestures.start(start, &mut events);
            let mut contour = Contour {
                start_s,
                hop_s: HOP_S,
                points: Vec::new(),
            };
            for hop in 0..(shape.length_s / HOP_S) as usize {
                let since_s = hop as f64 * HOP_S;
                let moment = PitchFrame {
                    time_s: start_s + since_s,
                    pitch: Some((shape.pitch)(since_s) as f32),
                    margin: 9.0,
                    confidence: 1.0,
                    level_db: (shape.level_db)(since_s) as f32,
                    brightness: None,
                    trills: false,
                };
                contour.points.push(moment.point());
                depths.extend(self.gestures.hop(moment, &mut events));
            }
            let end_s = start_s + shape.length_s;
            let note = Note {
                onset_s: start.onset_s,
                offset_s: end_s,
                decided_s: start_s,
                pitch: (shape.pitch)(0.2),
                attack: shape.attack,
                length: Length::Normal,
                accent: false,
                techniques: Vec::new(),
                level_db: start.level_db,
                confidence: 1.0,
                brightness: None,
                measured: Measured::default(),
                contour,
            };
            let tuning = Tuning::find("equal-12", None, Reference::default()).unwrap();
            let context = Arc::new(LineContext::new(tuning));
            let finished = self.gestures.end(note, end_s, after(end_s), context);
            let mut described = Vec::new();
            finished.describe(&mut described);
            events.extend(described.into_iter().filter_map(|event| match event {
                ControlEvent::Gesture(gesture) => Some(gesture),
                _ => None,
            }));
            self.now_s = end_s.max(start_s + 0.5);
            let since = |e: &GestureEvent| (e.gesture, e.at_s - start_s);
            Told {
                events: events.iter().map(since).collect(),
                depths,
            }
        }
    }

    #[test]
    fn a_plain_note_tells_its_attack_at_once_and_no_more() {
        let mut playing = Playing::new();
        for (attack, gesture) in [
            (Attack::Tongued, Gesture::Tongued),
            (Attack::Slurred, Gesture::Slurred),
            (Attack::Breath, Gesture::Tongued),
        ] {
            let told = playing.play(&Shape { attack, ..PLAIN }, false);
            assert_eq!(told.events, [(gesture, 0.0)]);
            assert!(told.depths.iter().all(|depth| *depth == 0.0));
        }
    }

    #[test]
    fn an_accent_stands_out_from_the_attacks_before_it() {
        let mut playing = Playing::new();
        for _ in 0..4 {
            playing.play(&PLAIN, false);
        }
        let loud = Shape {
            level_db: &|_| -20.0,
            ..PLAIN
        };
        let told = playing.play(&loud, false);
        let accent = told.events.iter().find(|(g, _)| *g == Gesture::Accent);
        let since_s = accent.expect("an accent").1;
        assert!((ATTACK_S..ATTACK_S + 2.0 * HOP_S).contains(&since_s));
        // Who goes on as loud has not accented each note.
        let told: Vec<_> = (0..8).map(|_| playing.play(&loud, false)).collect();
        assert_eq!(told[7].gestures(), [Gesture::Tongued]);
        // A slur has no attack to be accented.
        let louder = Shape {
            level_db: &|_| -5.0,
            attack: Attack::Slurred,
            ..PLAIN
        };
        assert_eq!(playing.play(&louder, false).gestures(), [Gesture::Slurred]);
    }

    #[test]
    fn vibrato_is_told_once_and_its_depth_all_along() {
        let wave = |t: f64| 60.0 + 0.4 * (std::f64::consts::TAU * 5.5 * t).sin();
        let shape = Shape {
            length_s: 3.0,
            pitch: &wave,
            ..PLAIN
        };
        let told = Playing::new().play(&shape, false);
        assert_eq!(told.gestures(), [Gesture::Tongued, Gesture::Vibrato]);
        assert!(told.events[1].1 < WINDOW_S, "{}", told.events[1].1);
        let late = &told.depths[told.depths.len() / 2..];
        assert!(
            late.len() > 20 && late.iter().all(|d| (d - 40.0).abs() < 5.0),
            "{late:?}"
        );
    }

    #[test]
    fn flutter_is_told_once_and_is_no_vibrato() {
        let roll = |t: f64| -25.0 + 6.0 * (std::f64::consts::TAU * 25.0 * t).sin();
        let shape = Shape {
            length_s: 2.0,
            level_db: &roll,
            ..PLAIN
        };
        let told = Playing::new().play(&shape, false);
        assert_eq!(told.gestures(), [Gesture::Tongued, Gesture::Flutter]);
        assert!(told.events[1].1 < WINDOW_S, "{}", told.events[1].1);
    }

    #[test]
    fn lengths_and_slides_are_told_at_the_end() {
        let of = |shape: Shape, slurred_on| {
            let mut playing = Playing::new();
            for _ in 0..3 {
                playing.play(&PLAIN, false);
            }
            let told = playing.play(&shape, slurred_on);
            let last = told.events[told.events.len() - 1];
            assert!(
                told.events.len() < 2 || (last.1 - shape.length_s).abs() < 1e-9,
                "{last:?}"
            );
            told.gestures()[1..].to_vec()
        };
        let long = |length_s| Shape { length_s, ..PLAIN };
        assert_eq!(of(long(0.06), false), [Gesture::Staccatissimo]);
        assert_eq!(of(long(0.2), false), [Gesture::Staccato]);
        assert_eq!(of(long(0.4), false), []);
        // What another note goes on from is not short, nor one that the next follows at once.
        assert_eq!(of(long(0.2), true), []);
        let mut playing = Playing::new();
        for _ in 0..3 {
            playing.play(&PLAIN, false);
        }
        let told = playing.play_before(&long(0.22), |end_s| Some((Attack::Tongued, end_s + 0.01)));
        assert_eq!(told.gestures(), [Gesture::Tongued]);
        let fall = |t: f64| 60.0 - 12.0 * (t - 0.4).max(0.0);
        let doit = |t: f64| 60.0 + 12.0 * (t - 0.4).max(0.0);
        let scoop = |t: f64| 60.0 - 2.0 * (1.0 - t / 0.1).max(0.0);
        for (pitch, gesture) in [
            (&fall as &dyn Fn(f64) -> f64, Gesture::Fall),
            (&doit, Gesture::Doit),
            (&scoop, Gesture::Scoop),
        ] {
            let shape = Shape {
                length_s: 0.7,
                pitch,
                ..PLAIN
            };
            assert_eq!(of(shape, false), [gesture]);
        }
    }
}
