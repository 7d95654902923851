//! The file formats of a transcription.

use leadpipe::{
    ControlVoltage, Csv, Error, Heading, Json, LazyPart, Metre, MidiFile, MusicXml,
    NotationOptions, Output, Picture,
};
use pyo3::prelude::*;

use crate::errors::raise;

/// A format with its options.
#[pyclass(frozen, module = "leadpipe._native")]
pub struct Writer(Format);

#[derive(Clone)]
enum Format {
    Csv,
    Json,
    Svg,
    Midi(NotationOptions),
    MusicXml(NotationOptions, Option<f64>),
    Cv(ControlVoltage),
}

#[pymethods]
impl Writer {
    #[staticmethod]
    fn csv() -> Self {
        Writer(Format::Csv)
    }

    #[staticmethod]
    fn json() -> Self {
        Writer(Format::Json)
    }

    #[staticmethod]
    fn svg() -> Self {
        Writer(Format::Svg)
    }

    #[staticmethod]
    #[pyo3(signature = (*, tempo, steady, meter, pickup, downbeat_s, smallest_note, swing, fifths))]
    #[allow(clippy::too_many_arguments)]
    fn midi(
        py: Python<'_>,
        tempo: Option<f64>,
        steady: bool,
        meter: Option<&str>,
        pickup: Option<f64>,
        downbeat_s: Option<f64>,
        smallest_note: Option<u32>,
        swing: Option<f64>,
        fifths: Option<i32>,
    ) -> PyResult<Self> {
        let given = (tempo, pickup, downbeat_s, swing);
        let options = notation(given, steady, meter, smallest_note, fifths);
        Ok(Writer(Format::Midi(options.map_err(|e| raise(py, e))?)))
    }

    #[staticmethod]
    #[pyo3(signature = (*, tempo, steady, meter, pickup, downbeat_s, smallest_note, swing, fifths, cents_over))]
    #[allow(clippy::too_many_arguments)]
    fn musicxml(
        py: Python<'_>,
        tempo: Option<f64>,
        steady: bool,
        meter: Option<&str>,
        pickup: Option<f64>,
        downbeat_s: Option<f64>,
        smallest_note: Option<u32>,
        swing: Option<f64>,
        fifths: Option<i32>,
        cents_over: Option<f64>,
    ) -> PyResult<Self> {
        let given = (tempo, pickup, downbeat_s, swing);
        let options = notation(given, steady, meter, smallest_note, fifths);
        let options = options.map_err(|e| raise(py, e))?;
        if let Some(cents) = cents_over.filter(|c| !(0.0..=1_200.0).contains(c)) {
            let problem = format!("cents over {cents}");
            return Err(raise(py, Error::setting(problem, "give 0 to 1200 cents")));
        }
        Ok(Writer(Format::MusicXml(options, cents_over)))
    }

    #[staticmethod]
    #[pyo3(signature = (*, full_scale_v, sample_rate))]
    fn cv(py: Python<'_>, full_scale_v: f64, sample_rate: u32) -> PyResult<Self> {
        let cv = ControlVoltage {
            full_scale_v,
            sample_rate_hz: sample_rate,
        };
        if !(0.1..=100.0).contains(&cv.full_scale_v) {
            let problem = format!("{} V at full scale", cv.full_scale_v);
            let error = Error::setting(problem, "give volts between 0.1 and 100");
            return Err(raise(py, error));
        }
        if !(1_000..=192_000).contains(&cv.sample_rate_hz) {
            let problem = format!("voltages at a sample rate of {} Hz", cv.sample_rate_hz);
            let error = Error::setting(problem, "use a rate between 1 and 192 kHz");
            return Err(raise(py, error));
        }
        Ok(Writer(Format::Cv(cv)))
    }
}

impl Writer {
    /// The library's writer.
    pub fn output(&self) -> Box<dyn Output> {
        let part = |options: &NotationOptions| LazyPart::new(options.clone());
        match &self.0 {
            Format::Csv => Box::new(Csv {
                part: Some(part(&of_a_take())),
            }),
            Format::Json => Box::new(Json {
                part: Some(part(&of_a_take())),
            }),
            Format::Svg => Box::new(Picture),
            Format::Midi(options) => Box::new(MidiFile {
                part: part(options),
                ..MidiFile::default()
            }),
            Format::MusicXml(options, cents_over) => {
                let mut heading = Heading::default();
                heading.cents_over = *cents_over;
                Box::new(MusicXml {
                    part: part(options),
                    heading,
                })
            }
            Format::Cv(cv) => Box::new(*cv),
        }
    }

    /// How the part is asked for, if it writes one.
    pub fn notation(&self) -> Option<&NotationOptions> {
        match &self.0 {
            Format::Midi(options) | Format::MusicXml(options, _) => Some(options),
            _ => None,
        }
    }

    /// Whether it needs every hop of the notes.
    pub fn needs_contours(&self) -> bool {
        !matches!(self.0, Format::Csv | Format::Json)
    }
}

/// How a take is written down where nothing is asked for.
fn of_a_take() -> NotationOptions {
    NotationOptions {
        leave_out_doubtful: true,
        ..NotationOptions::default()
    }
}

/// Notation options from (tempo, pickup, downbeat, swing) and the rest.
fn notation(
    (tempo, pickup, downbeat_s, swing): (Option<f64>, Option<f64>, Option<f64>, Option<f64>),
    steady: bool,
    meter: Option<&str>,
    smallest: Option<u32>,
    fifths: Option<i32>,
) -> leadpipe::Result<NotationOptions> {
    let metre = match meter {
        None => None,
        Some("free") => Some(None),
        Some(text) => Some(Some(Metre::parse(text).ok_or_else(|| {
            Error::setting(
                format!("no meter \"{text}\""),
                "give a time signature such as 4/4, 3/4, 6/8, or free",
            )
        })?)),
    };
    let options = NotationOptions {
        tempo,
        steady,
        metre,
        pickup,
        downbeat_s,
        smallest,
        swing,
        fifths,
        ..of_a_take()
    };
    options.check()?;
    Ok(options)
}
