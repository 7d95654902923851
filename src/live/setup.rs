//! What a session plays with: horn, tuning, note source and sample rate, and what
//! can be chosen instead. There is one value of it, the engine's; every change is
//! sent as [`super::control_event::ControlEvent::SetupChanged`], and whoever needs
//! to know (recorder, screen) takes it from there.

use std::sync::Arc;

use super::command::Command;
use crate::analysis::Settings;
use crate::error::Result;
use crate::horn::Horn;
use crate::line::LineContext;
use crate::sending::MAX_SHIFT;
use crate::sending::note_source::NoteSource;
use crate::tuning::Tuning;

/// What can be selected while playing.
#[derive(Debug, Clone)]
pub struct Choices {
    /// Horns of the set; empty for concert pitch.
    pub horns: Vec<Arc<Horn>>,
    /// Tunings of the set.
    pub tunings: Vec<Arc<Tuning>>,
    /// Note sources of the set.
    pub sources: Vec<NoteSource>,
}

/// What is in use.
#[derive(Debug, Clone)]
pub struct Setup {
    choices: Choices,
    horn: usize,
    tuning: usize,
    source: usize,
    /// How often a note source was selected: the one in use may have begun again.
    pub sources_begun: usize,
    /// Horn, tuning, note source and shift in use, snap mode and 0 V note.
    pub context: Arc<LineContext>,
    /// Settings of a transcriber for the horn in use, and for each of the choices:
    /// checked beforehand, so that a change of horn cannot fail.
    settings: Settings,
    horn_settings: Vec<Settings>,
}

impl Setup {
    /// The first of all choices. `context` must hold the first horn and tuning; its note
    /// source becomes the first.
    ///
    /// # Errors
    /// [`Error::Setting`](crate::Error::Setting) for a gate or sample rate that
    /// [`Settings`] refuse.
    pub fn new(
        choices: Choices,
        mut context: LineContext,
        gate_db: f64,
        rate_hz: f64,
    ) -> Result<Self> {
        let source = choices.sources.first().cloned();
        context.source = source.unwrap_or(NoteSource::Follow);
        let builder = Settings::builder(rate_hz).gate_db(gate_db);
        let horns = choices.horns.iter();
        let horn_settings = horns.map(|horn| builder.horn(&**horn).build());
        Ok(Setup {
            settings: builder.horn(context.horn.as_ref()).build()?,
            horn_settings: horn_settings.collect::<Result<_>>()?,
            choices,
            horn: 0,
            tuning: 0,
            source: 0,
            sources_begun: 0,
            context: Arc::new(context),
        })
    }

    /// What can be selected.
    pub fn choices(&self) -> &Choices {
        &self.choices
    }

    /// Settings of a transcriber for the horn in use.
    pub fn settings(&self) -> Settings {
        self.settings
    }

    /// Sample rate of the input in hertz.
    pub fn rate_hz(&self) -> f64 {
        self.settings.sample_rate_hz()
    }

    /// Changes the sample rate of the input, in hertz.
    ///
    /// # Errors
    /// [`Error::Setting`](crate::Error::Setting) for a rate that [`Settings`] refuse.
    pub fn set_rate_hz(&mut self, rate_hz: f64) -> Result<()> {
        for settings in self.horn_settings.iter_mut().chain([&mut self.settings]) {
            *settings = settings.to_builder().sample_rate_hz(rate_hz).build()?;
        }
        Ok(())
    }

    /// Name of the horn for the screen.
    pub fn horn_title(&self) -> &str {
        let horn = self.context.horn.as_ref();
        horn.map_or("concert pitch", |h| &h.title)
    }

    /// Why a command is refused: it names what is not in this session's set.
    pub fn refusal(&self, command: &Command) -> Option<String> {
        let Choices {
            horns,
            tunings,
            sources,
        } = &self.choices;
        let (kind, name, there) = match command {
            Command::Horn(name) => ("horn", name, horns.iter().any(|h| h.name == *name)),
            Command::Tuning(name) => ("tuning", name, tunings.iter().any(|t| t.name() == name)),
            Command::Source(name) => (
                "note source",
                name,
                sources.iter().any(|s| s.name() == name),
            ),
            _ => return None,
        };
        let name = crate::text::shown(name);
        (!there).then(|| format!("no {kind} of this session is called \"{name}\""))
    }

    /// Makes the selection that a command asks for; returns what it changed.
    pub fn select(&mut self, command: &Command) -> Option<Changed> {
        let Choices {
            horns,
            tunings,
            sources,
        } = &self.choices;
        let next = |at: usize, count: usize| (count > 0).then(|| (at + 1) % count);
        match command {
            Command::NextHorn => self.select_horn(next(self.horn, horns.len())?),
            Command::Horn(name) => self.select_horn(horns.iter().position(|h| h.name == *name)?),
            Command::NextTuning => self.select_tuning(next(self.tuning, tunings.len())?),
            Command::Tuning(name) => {
                self.select_tuning(tunings.iter().position(|t| t.name() == name)?)
            }
            Command::NextSource => self.select_source(next(self.source, sources.len())?),
            Command::Source(name) => {
                self.select_source(sources.iter().position(|s| s.name() == name)?)
            }
            Command::Shift(to) => self.select_shift(*to),
            Command::ShiftBy(by) => self.select_shift(self.context.shift.saturating_add(*by)),
            _ => None,
        }
    }

    fn select_horn(&mut self, to: usize) -> Option<Changed> {
        self.horn = to;
        self.settings = self.horn_settings[to];
        let horn = Some((*self.choices.horns[to]).clone());
        if self.context.horn == horn {
            return None;
        }
        Arc::make_mut(&mut self.context).horn = horn;
        Some(Changed::Horn)
    }

    fn select_tuning(&mut self, to: usize) -> Option<Changed> {
        self.tuning = to;
        let tuning = self.choices.tunings[to].clone();
        for source in &mut self.choices.sources {
            source.set_tuning(&tuning);
        }
        Arc::make_mut(&mut self.context).tuning = (*tuning).clone();
        Some(Changed::Tuning)
    }

    fn select_source(&mut self, to: usize) -> Option<Changed> {
        self.source = to;
        self.sources_begun += 1;
        Arc::make_mut(&mut self.context).source = self.choices.sources[to].clone();
        Some(Changed::Source)
    }

    fn select_shift(&mut self, to: i32) -> Option<Changed> {
        let to = to.clamp(-MAX_SHIFT, MAX_SHIFT);
        if self.context.shift == to {
            return None;
        }
        Arc::make_mut(&mut self.context).shift = to;
        Some(Changed::Shift)
    }
}

/// What a selection has changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Changed {
    Horn,
    Tuning,
    Source,
    Shift,
}
