//! Transcribes a take for a command, with progress, warnings and the chosen pitch
//! estimator.

use std::path::Path;

use leadpipe::internals::audio::health::Health;
use leadpipe::internals::text::{counted, shown_path};
use leadpipe::{
    Error, Horn, Line, LineContext, Mode, Result, Settings, Take, Timeline, Transcriber,
    Transcription,
};

use super::{
    Estimator, Excerpt, PitchOptions,
    progress::{self, Progress},
    stem,
};

/// The transcriber that was chosen.
enum AnyTranscriber {
    Own(Box<Transcriber>),
    #[cfg(feature = "pitch-detection")]
    Baseline(Box<leadpipe::internals::transcriber::BaselineTranscriber>),
}

impl AnyTranscriber {
    fn push(&mut self, block: &[f32]) {
        match self {
            AnyTranscriber::Own(t) => t.push(block),
            #[cfg(feature = "pitch-detection")]
            AnyTranscriber::Baseline(t) => t.push(block),
        }
    }

    fn take_track(&mut self) -> Option<Timeline> {
        match self {
            AnyTranscriber::Own(t) => t.take_track(),
            #[cfg(feature = "pitch-detection")]
            AnyTranscriber::Baseline(_) => None,
        }
    }

    /// Number of dropouts that were filled.
    fn dropouts(&self) -> u64 {
        match self {
            AnyTranscriber::Own(t) => t.dropouts(),
            #[cfg(feature = "pitch-detection")]
            AnyTranscriber::Baseline(_) => 0,
        }
    }

    fn finish(self) -> Transcription {
        match self {
            AnyTranscriber::Own(t) => t.finish(),
            #[cfg(feature = "pitch-detection")]
            AnyTranscriber::Baseline(t) => t.finish(),
        }
    }
}

/// How much of a take's notes a command needs beside their times, pitch and articulation.
#[derive(Clone, Copy)]
pub struct NoteDetail {
    /// Every hop of them, for what is drawn, sent on or written down.
    pub contours: bool,
    /// When the live engine would have decided on each.
    pub decisions: bool,
    /// How much of the tone goes on through the onset of one that touches its pitch, for what is
    /// written down.
    pub continuity: bool,
}

impl NoteDetail {
    /// Nothing more.
    pub const NONE: NoteDetail = NoteDetail {
        contours: false,
        decisions: false,
        continuity: false,
    };
}

/// Receives a part of the track.
type OnTrack<'a> = &'a mut dyn FnMut(&Timeline) -> Result<()>;

/// Tracks a take's pitch and passes it to `on_track` part by part.
pub fn follow(
    path: &Path,
    excerpt: &Excerpt,
    pitch: &PitchOptions,
    horn: Option<&Horn>,
    on_track: OnTrack,
) -> Result<()> {
    let (transcription, _) = transcribe(
        path,
        excerpt,
        pitch,
        horn,
        true,
        NoteDetail::NONE,
        Some(&mut *on_track),
    )?;
    on_track(&transcription.track)
}

/// Transcribes a take. Warnings go to standard error; times count from the start of the
/// file. `progress` is shown for long takes. Returns the transcription, with the rest of
/// the track that `on_track` did not get yet, and where the selected part ends.
fn transcribe(
    path: &Path,
    excerpt: &Excerpt,
    pitch: &PitchOptions,
    horn: Option<&Horn>,
    progress: bool,
    detail: NoteDetail,
    mut on_track: Option<OnTrack>,
) -> Result<(Transcription, f64)> {
    let named = |error: Error| error.reworded(|said| excerpt.by_name(said));
    let mut source = Take::open(path, &excerpt.selection()).map_err(named)?;
    let rate_hz = source.sample_rate_hz();
    let settings = Settings::builder(rate_hz)
        .horn(horn)
        .gate_db(pitch.gate)
        .build()?;
    let mode = if pitch.causal {
        Mode::Causal
    } else {
        Mode::Full
    };
    let mut transcriber = match pitch.estimator {
        Estimator::Own => {
            let mut own = Transcriber::new(settings, mode);
            if on_track.is_none() {
                own = own.notes_alone();
            }
            if !detail.contours {
                own = own.without_contours();
            }
            if !detail.decisions {
                own = own.without_decisions();
            }
            if !detail.continuity {
                own = own.without_continuity();
            }
            AnyTranscriber::Own(Box::new(own))
        }
        #[cfg(feature = "pitch-detection")]
        Estimator::PitchDetection => {
            use leadpipe::internals::transcriber::BaselineTranscriber;
            AnyTranscriber::Baseline(Box::new(BaselineTranscriber::new(settings)))
        }
        #[cfg(not(feature = "pitch-detection"))]
        Estimator::PitchDetection => {
            return Err(Error::setting(
                "--estimator pitch-detection is not in this build",
                "build with --features pitch-detection, or leave --estimator out",
            ));
        }
    };
    let progress = match progress {
        true => Progress::of_take(source.length_s()),
        false => Progress::none(),
    };
    let mut health = Health::default();
    let (mut block, mut samples) = (Vec::new(), 0u64);
    while source.next_block(&mut block).map_err(named)? {
        health.push(&block);
        transcriber.push(&block);
        if let Some(on_track) = &mut on_track
            && let Some(mut part) = transcriber.take_track()
        {
            part.shift(source.start_s());
            on_track(&part)?;
        }
        samples += block.len() as u64;
        progress.set((1000.0 * samples as f64 / rate_hz) as u64);
    }
    let dropouts = match transcriber.dropouts() {
        0 => None,
        count => Some(format!(
            "{} of up to 12 ms filled for the analysis; check the cable, the wireless link or the recorder's buffer",
            counted(count, "dropout")
        )),
    };
    let mut transcription = transcriber.finish();
    transcription.shift(source.start_s());
    let faults = health.check(path, transcription.notes.len());
    let faults = faults.map_err(named)?;
    for warning in source.warnings().iter().chain(&faults).chain(&dropouts) {
        warn(path, &excerpt.by_name(warning));
    }
    Ok((transcription, source.start_s() + samples as f64 / rate_hz))
}

/// Transcribes a take as a line.
pub fn transcribe_line(
    path: &Path,
    excerpt: &Excerpt,
    pitch: &PitchOptions,
    context: &LineContext,
    progress: bool,
    detail: NoteDetail,
) -> Result<Line> {
    let horn = context.horn.as_ref();
    let (transcription, end_s) = transcribe(path, excerpt, pitch, horn, progress, detail, None)?;
    Ok(Line::new(
        &stem(path),
        end_s,
        transcription.notes,
        context.clone(),
    ))
}

/// Prints a warning about a file.
pub fn warn(path: &Path, what: &str) {
    progress::message(&format!("leadpipe: {}: {what}", shown_path(path)));
}
