//! What pages are told, as JSON: the snapshot that the screen draws, and what can be chosen.

use std::time::SystemTime;

use serde::Serialize;

use crate::live::setup::Setup;
use crate::live::ui_snapshot::{PortStatus, UiSnapshot};
use crate::sending::note_source::NoteSource;
use crate::units::{Concert, Pitch, key_name, rounded};
use crate::voice::Timbre;

/// Least time between two points of the trace that are told, in seconds: a pixel or so.
const TRACE_STEP_S: f64 = 0.008;
/// Pitches whose lines are told, MIDI semitones: what a horn plays.
const LINES: std::ops::RangeInclusive<f64> = 20.0..=110.0;

#[derive(Serialize)]
struct State<'a> {
    now_s: f64,
    note: Option<Note>,
    /// Milliseconds since 1970 at which the note, or its end, was decided.
    decided_ms: Option<f64>,
    /// Time, pitch, level.
    trace: Vec<(f64, Option<f64>, f64)>,
    /// Time, and whether it is kept.
    marks: Vec<(f64, bool)>,
    gate_db: f64,
    horn: Option<&'a str>,
    tuning: Option<&'a str>,
    source: &'a str,
    shift: i32,
    muted: bool,
    held_back: bool,
    voice: Option<Voice>,
    recording_s: Option<f64>,
    tempo: Option<Tempo>,
    input: Port<'a>,
    outputs: Vec<Port<'a>>,
    known_ms: Option<f64>,
    out_ms: f64,
    realtime: bool,
    finished: bool,
}

#[derive(Serialize)]
struct Note {
    onset_s: f64,
    written: String,
    concert: String,
    /// The newest deviation.
    cents: Option<f64>,
    attack: &'static str,
}

/// The rig's clock, or the beat that is followed where there is none.
#[derive(Serialize)]
struct Tempo {
    /// Quarters a minute.
    bpm: f64,
    /// How sure a followed beat is, 0 to 1.
    sure: Option<f64>,
}

impl Tempo {
    fn of(snapshot: &UiSnapshot) -> Option<Tempo> {
        let (bpm, sure) = match (snapshot.clock_tempo, snapshot.beat_tempo) {
            (Some(bpm), _) => (bpm, None),
            (None, Some((bpm, sure))) => (bpm, Some(rounded(sure, 2))),
            (None, None) => return None,
        };
        Some(Tempo {
            bpm: rounded(bpm, 1),
            sure,
        })
    }
}

#[derive(Serialize)]
struct Voice {
    timbre: Timbre,
    level_db: f64,
}

#[derive(Serialize)]
struct Port<'a> {
    name: &'a str,
    error: Option<&'a str>,
    lost: Vec<(u64, &'static str)>,
}

impl<'a> From<&'a PortStatus> for Port<'a> {
    fn from(status: &'a PortStatus) -> Self {
        Port {
            name: &status.name,
            error: status.error.as_deref(),
            lost: status.lost.clone(),
        }
    }
}

/// The snapshot for a page.
pub fn state(snapshot: &UiSnapshot) -> String {
    let context = snapshot.setup.as_ref().map(|setup| &setup.context);
    let mut trace: Vec<(f64, Option<f64>, f64)> = Vec::new();
    for point in &snapshot.trace {
        let is_due = |(time_s, ..): &(f64, _, _)| point.time_s - time_s >= TRACE_STEP_S;
        if trace.last().is_none_or(is_due) {
            let pitch = point.pitch.map(|pitch| rounded(pitch.into(), 3));
            let level_db = rounded(point.level_db.into(), 1);
            trace.push((rounded(point.time_s, 4), pitch, level_db));
        }
    }
    let newest = snapshot.trace.last().and_then(|point| point.pitch);
    let cents = newest.and_then(|pitch| snapshot.cents(pitch));
    let since_1970 = |at: SystemTime| at.duration_since(SystemTime::UNIX_EPOCH).ok();
    json(&State {
        now_s: rounded(snapshot.now_s, 4),
        note: snapshot.note.map(|note| Note {
            onset_s: rounded(note.onset_s, 4),
            written: note.name.written.to_string(),
            concert: note.name.concert.to_string(),
            cents: Some(rounded(cents.map_or(note.name.cents, f64::from), 1)),
            attack: note.attack.name(),
        }),
        decided_ms: (snapshot.decided.and_then(since_1970))
            .map(|t| rounded(1e3 * t.as_secs_f64(), 2)),
        trace,
        marks: (snapshot.marks.iter())
            .map(|m| (rounded(m.at_s, 3), m.kept))
            .collect(),
        gate_db: snapshot.gate_db,
        horn: context.and_then(|context| Some(context.horn.as_ref()?.name.as_str())),
        tuning: context.map(|context| context.tuning.name()),
        source: &snapshot.source,
        shift: snapshot.shift,
        muted: snapshot.muted,
        held_back: snapshot.held_back,
        voice: snapshot.voice.map(|voice| Voice {
            timbre: voice.timbre,
            level_db: voice.level_db,
        }),
        recording_s: snapshot.recording_s.map(|s| rounded(s, 1)),
        tempo: Tempo::of(snapshot),
        input: (&snapshot.input).into(),
        outputs: snapshot.outputs.iter().map(Port::from).collect(),
        known_ms: snapshot.decision_latency_s.map(|s| rounded(1e3 * s, 0)),
        out_ms: rounded(1e3 * snapshot.output_latency_s, 0),
        realtime: snapshot.realtime,
        finished: snapshot.finished,
    })
}

#[derive(Serialize)]
struct Choosable<'a> {
    setup: Choices<'a>,
    read_only: bool,
    version: &'static str,
}

#[derive(Serialize)]
struct Choices<'a> {
    /// Name and title.
    horns: Vec<(&'a str, &'a str)>,
    tunings: Vec<(&'a str, &'a str)>,
    sources: Vec<&'a str>,
    /// What the horn is called where there is none to choose.
    horn_title: &'a str,
    /// Pitch of each line of the tuning, and its written name.
    lines: Vec<(f64, String)>,
}

/// What can be chosen, and the lines of the tuning in use.
pub fn choices(setup: &Setup, read_only: bool) -> String {
    let choices = setup.choices();
    let tuning = &setup.context.tuning;
    let line = |pitch: &f64| {
        let key = tuning.reference().nearest_key(Pitch(*pitch));
        let written = setup.context.written(Concert(key));
        (rounded(*pitch, 3), key_name(written.0))
    };
    let lines = tuning
        .pitches()
        .iter()
        .filter(|pitch| LINES.contains(pitch));
    json(&Choosable {
        setup: Choices {
            horns: (choices.horns.iter())
                .map(|h| (&*h.name, &*h.title))
                .collect(),
            tunings: (choices.tunings.iter())
                .map(|t| (t.name(), t.title()))
                .collect(),
            sources: choices.sources.iter().map(NoteSource::name).collect(),
            horn_title: setup.horn_title(),
            lines: lines.map(line).collect(),
        },
        read_only,
        version: env!("CARGO_PKG_VERSION"),
    })
}

#[derive(Serialize)]
struct Answer {
    answer: u32,
    /// Why it was not carried out.
    problem: Option<&'static str>,
}

/// The answer to a message.
pub fn answer(number: u32, problem: Option<&'static str>) -> String {
    json(&Answer {
        answer: number,
        problem,
    })
}

/// Nothing here can fail: no maps with odd keys, and numbers that are none become `null`.
fn json(value: &impl Serialize) -> String {
    serde_json::to_string(value).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::horn::Horn;
    use crate::line::LineContext;
    use crate::live::setup;
    use crate::live::ui_snapshot::TracePoint;
    use crate::tuning::{Reference, Tuning};
    use serde_json::Value;
    use std::sync::Arc;

    fn setup() -> Arc<Setup> {
        let tuning = Arc::new(Tuning::find("equal-12", None, Reference::default()).unwrap());
        let horn = Horn::find("trumpet").unwrap();
        let context = LineContext::new((*tuning).clone()).for_horn(horn.clone());
        let choices = setup::Choices {
            horns: vec![Arc::new(horn)],
            tunings: vec![tuning],
            sources: vec![NoteSource::Follow],
        };
        Arc::new(Setup::new(choices, context, -65.0, 48_000.0).unwrap())
    }

    fn read(text: &str) -> Value {
        serde_json::from_str(text).unwrap()
    }

    #[test]
    fn lines_are_named_as_they_are_written() {
        let told = read(&choices(&setup(), true));
        let lines = told["setup"]["lines"].as_array().unwrap();
        let b_flat = lines.iter().find(|line| line[0] == 58.0).unwrap();
        assert_eq!(b_flat[1], "C4", "a trumpet's C4 sounds a tone lower");
        assert_eq!(told["setup"]["horns"][0][0], "trumpet");
        assert_eq!(told["read_only"], true);
    }

    #[test]
    fn a_snapshot_is_told_whole_and_its_trace_thinned() {
        let trace = (0..100).map(|i| TracePoint {
            time_s: f64::from(i) * 0.001,
            pitch: (i > 50).then_some(58.1),
            level_db: f32::NEG_INFINITY,
        });
        let snapshot = UiSnapshot {
            trace: trace.collect(),
            setup: Some(setup()),
            muted: true,
            recording_s: Some(1.26),
            ..UiSnapshot::default()
        };
        let told = read(&state(&snapshot));
        assert_eq!(
            (&told["horn"], &told["muted"]),
            (&"trumpet".into(), &true.into())
        );
        assert_eq!(told["recording_s"], 1.3);
        let points = told["trace"].as_array().unwrap();
        assert!((12..=13).contains(&points.len()), "{}", points.len());
        assert!(points[0][1].is_null() && points[10][1] == 58.1);
        assert!(told["note"].is_null());
        assert!(told["tempo"].is_null(), "no tempo is known");
    }

    #[test]
    fn the_rigs_clock_outweighs_the_beat_that_is_followed() {
        let mut snapshot = UiSnapshot {
            beat_tempo: Some((96.04, 0.8)),
            ..UiSnapshot::default()
        };
        let told = read(&state(&snapshot));
        assert_eq!(
            (&told["tempo"]["bpm"], &told["tempo"]["sure"]),
            (&96.0.into(), &0.8.into())
        );
        snapshot.clock_tempo = Some(120.0);
        let told = read(&state(&snapshot));
        assert_eq!(told["tempo"]["bpm"], 120.0);
        assert!(told["tempo"]["sure"].is_null());
    }
}
