//! What to listen for and how to name it, checked before any sound is read.

use leadpipe::{Error, LineContext, Mode, Reference, Selection, Snap};
use pyo3::prelude::*;

use crate::catalogue::{Horn, Tuning};
use crate::errors::raise;

/// Settings of a call.
#[pyclass(frozen, module = "leadpipe._native")]
pub struct Settings {
    pub context: LineContext,
    pub selection: Selection,
    pub gate_db: f64,
    pub mode: Mode,
    pub contours: bool,
}

#[pymethods]
impl Settings {
    #[new]
    #[pyo3(signature = (*, horn, tuning, tonic, reference_hz, causal, channel, start_s, end_s, gate_db, snap, zero_volt_note, contours))]
    #[allow(clippy::too_many_arguments)]
    fn new(
        py: Python<'_>,
        horn: Option<Bound<'_, PyAny>>,
        tuning: Bound<'_, PyAny>,
        tonic: Option<&str>,
        reference_hz: f64,
        causal: bool,
        channel: Option<i64>,
        start_s: Option<f64>,
        end_s: Option<f64>,
        gate_db: f64,
        snap: &str,
        zero_volt_note: f64,
        contours: bool,
    ) -> PyResult<Self> {
        let horn = horn.as_ref().map(horn_of).transpose()?;
        let tuning = tuning_of(&tuning, tonic, reference_hz)?;
        let checked = || -> leadpipe::Result<Settings> {
            Ok(Settings {
                context: LineContext {
                    horn,
                    snap: snap_of(snap)?,
                    zero_volt_note: checked_note(zero_volt_note)?,
                    ..LineContext::new(tuning)
                },
                selection: selection(channel, start_s, end_s)?,
                gate_db,
                mode: if causal { Mode::Causal } else { Mode::Full },
                contours,
            })
        };
        let settings = checked().map_err(|e| raise(py, e))?;
        // The gate and the horn's range, before a long take is read.
        settings.at(48_000.0).map_err(|e| raise(py, e))?;
        Ok(settings)
    }
}

impl Settings {
    /// For samples at a rate in hertz.
    pub fn at(&self, sample_rate_hz: f64) -> leadpipe::Result<leadpipe::Settings> {
        leadpipe::Settings::builder(sample_rate_hz)
            .horn(&self.context.horn)
            .gate_db(self.gate_db)
            .build()
    }
}

fn horn_of(horn: &Bound<'_, PyAny>) -> PyResult<leadpipe::Horn> {
    if let Ok(horn) = horn.cast::<Horn>() {
        return Ok(horn.get().0.clone());
    }
    leadpipe::Horn::find(&horn.extract::<String>()?).map_err(|e| raise(horn.py(), e))
}

fn tuning_of(
    tuning: &Bound<'_, PyAny>,
    tonic: Option<&str>,
    reference_hz: f64,
) -> PyResult<leadpipe::Tuning> {
    if let Ok(tuning) = tuning.cast::<Tuning>() {
        return Ok(tuning.get().0.clone());
    }
    let name = tuning.extract::<String>()?;
    Reference::new(reference_hz)
        .and_then(|reference| leadpipe::Tuning::find(&name, tonic, reference))
        .map_err(|e| raise(tuning.py(), e))
}

fn snap_of(name: &str) -> leadpipe::Result<Snap> {
    match name {
        "hard" => Ok(Snap::Hard),
        "bend" => Ok(Snap::Bend),
        "off" => Ok(Snap::Off),
        _ => Err(Error::setting(
            format!("no snap is called \"{name}\""),
            "give \"hard\", \"bend\" or \"off\"",
        )),
    }
}

fn checked_note(midi: f64) -> leadpipe::Result<f64> {
    if (0.0..=127.0).contains(&midi) {
        return Ok(midi);
    }
    Err(Error::setting(
        format!("0 V at MIDI note {midi}"),
        "give a MIDI note number, 0 to 127, such as 60 for C4",
    ))
}

fn selection(
    channel: Option<i64>,
    start_s: Option<f64>,
    end_s: Option<f64>,
) -> leadpipe::Result<Selection> {
    let channel = channel
        .map(|channel| match usize::try_from(channel) {
            Ok(channel) if channel > 0 => Ok(channel),
            _ => Err(Error::setting(
                format!("no channel {channel}"),
                "channels count from 1",
            )),
        })
        .transpose()?;
    for time_s in [start_s, end_s].into_iter().flatten() {
        if !(time_s.is_finite() && time_s >= 0.0) {
            return Err(Error::setting(
                format!("an excerpt from or to {time_s} s"),
                "give seconds, such as 12.5",
            ));
        }
    }
    if let (Some(start_s), Some(end_s)) = (start_s, end_s)
        && end_s <= start_s
    {
        return Err(Error::setting(
            "end_s is not after start_s",
            "give a later end_s",
        ));
    }
    Ok(Selection {
        channel,
        start_s,
        end_s,
    })
}
