//! What to listen to and for, checked once so that nothing behind it has to.

use crate::error::{Error, Result};
use crate::units::SAMPLE_RATES_HZ;

/// Lowest and highest frequency that is looked for where no horn narrows it,
/// in hertz: from under the pedal B flat 0 of a tuba (29.1 Hz) to above the
/// highest written notes of a piccolo trumpet.
pub const FULL_RANGE_HZ: (f64, f64) = (28.0, 1_650.0);

/// Noise gate where the user names none, dBFS: only digital silence lies below it. Tone is
/// told from noise by what its harmonics do, at any level; a higher gate would make the
/// notes of a quiet recording differ from those of the same one turned up.
pub const DEFAULT_GATE_DB: f64 = -120.0;

/// Noise gates that can be set, dBFS. From -120 down only digital silence lies below them.
pub const GATES_DB: std::ops::RangeInclusive<f64> = -200.0..=0.0;

/// Settings of a [`Tracker`](crate::Tracker) or [`Transcriber`](crate::Transcriber).
/// Whatever can be built works.
///
/// ```
/// use leadpipe::{Horn, Settings};
///
/// let settings = Settings::builder(48_000.0)
///     .horn(&Horn::find("flugelhorn")?)
///     .gate_db(-60.0)
///     .build()?;
/// assert!(Settings::builder(48_000.0).range_hz(900.0, 100.0).build().is_err());
/// assert!(Settings::builder(f64::NAN).build().is_err());
/// # Ok::<(), leadpipe::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settings {
    sample_rate_hz: f64,
    range_hz: (f64, f64),
    gate_db: f64,
}

impl Settings {
    /// Settings for samples at a rate in hertz, over the full range, 28 Hz
    /// to 1.65 kHz, and with the noise gate at -120 dBFS where nothing else is said.
    pub fn builder(sample_rate_hz: f64) -> SettingsBuilder {
        SettingsBuilder(Settings {
            sample_rate_hz,
            range_hz: FULL_RANGE_HZ,
            gate_db: DEFAULT_GATE_DB,
        })
    }

    /// A builder that starts from these settings.
    #[cfg(feature = "live")]
    pub(crate) fn to_builder(self) -> SettingsBuilder {
        SettingsBuilder(self)
    }

    /// Sample rate in hertz.
    pub(crate) fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }

    /// Lowest and highest frequency that is looked for, in hertz.
    pub(crate) fn range_hz(&self) -> (f64, f64) {
        self.range_hz
    }

    /// Level under which nothing is tone, dBFS.
    pub(crate) fn gate_db(&self) -> f64 {
        self.gate_db
    }
}

/// Collects [`Settings`].
#[derive(Debug, Clone, Copy)]
#[must_use]
pub struct SettingsBuilder(Settings);

impl SettingsBuilder {
    /// Sample rate in hertz, 8 to 192 kHz.
    #[cfg(any(feature = "live", test))]
    pub(crate) fn sample_rate_hz(mut self, sample_rate_hz: f64) -> Self {
        self.0.sample_rate_hz = sample_rate_hz;
        self
    }

    /// Lowest and highest frequency to look for, in hertz, within
    /// 28 Hz to 1.65 kHz. A narrow range makes fewer errors and less work.
    pub fn range_hz(mut self, lowest_hz: f64, highest_hz: f64) -> Self {
        self.0.range_hz = (lowest_hz, highest_hz);
        self
    }

    /// Level under which nothing is tone, -200 to 0 dBFS (mean square of 1.4 ms
    /// of the band below some 5 kHz). From -120 down that is digital silence alone.
    pub fn gate_db(mut self, gate_db: f64) -> Self {
        self.0.gate_db = gate_db;
        self
    }

    /// Checks the settings.
    ///
    /// # Errors
    /// [`Error::Setting`] where the sample rate is outside 8 to 192 kHz, the range
    /// is empty, reversed or leaves 28 Hz to 1.65 kHz, the gate is outside -200 to
    /// 0 dBFS, or anything is not a number.
    pub fn build(self) -> Result<Settings> {
        let Settings {
            sample_rate_hz,
            range_hz: (lowest_hz, highest_hz),
            gate_db,
        } = self.0;
        if !SAMPLE_RATES_HZ.contains(&sample_rate_hz) {
            return Err(Error::setting(
                format!("sample rate {sample_rate_hz} Hz"),
                "use a rate between 8 and 192 kHz",
            ));
        }
        let within = lowest_hz >= FULL_RANGE_HZ.0 && highest_hz <= FULL_RANGE_HZ.1;
        if !(within && lowest_hz < highest_hz) {
            return Err(Error::setting(
                format!("a range of {lowest_hz:.1} to {highest_hz:.1} Hz"),
                format!(
                    "give the lower end first, both between {:.0} and {:.0} Hz",
                    FULL_RANGE_HZ.0, FULL_RANGE_HZ.1
                ),
            ));
        }
        if !GATES_DB.contains(&gate_db) {
            return Err(Error::setting(
                format!("a gate at {gate_db} dBFS"),
                "give a level between -200 and 0 dBFS",
            ));
        }
        Ok(self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::transcriber::Tracker;
    use proptest::prelude::*;

    #[test]
    fn what_cannot_work_is_refused() {
        let good = Settings::builder(48_000.0);
        assert!(good.build().is_ok());
        for rate_hz in [0.0, -48_000.0, 7_999.0, 192_001.0, f64::NAN, f64::INFINITY] {
            assert!(good.sample_rate_hz(rate_hz).build().is_err(), "{rate_hz}");
        }
        for (lowest, highest) in [
            (200.0, 200.0),
            (400.0, 200.0),
            (0.0, 400.0),
            (100.0, f64::INFINITY),
            (f64::NAN, 400.0),
            (100.0, f64::NAN),
        ] {
            let built = good.range_hz(lowest, highest).build();
            assert!(built.is_err(), "{lowest} to {highest}");
        }
        for gate_db in [0.1, -201.0, f64::NAN, f64::NEG_INFINITY] {
            assert!(good.gate_db(gate_db).build().is_err(), "{gate_db}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]
        /// Whatever can be built listens: frames come at the rate that it names.
        #[test]
        fn what_can_be_built_works(
            sample_rate_hz in 8_000.0..192_000.0f64,
            lowest_hz in 28.0..1_649.0f64,
            share in 0.0001..1.0f64,
            gate_db in -200.0..0.0f64,
        ) {
            let highest_hz = lowest_hz + share * (1_650.0 - lowest_hz);
            let settings = Settings::builder(sample_rate_hz)
                .range_hz(lowest_hz, highest_hz)
                .gate_db(gate_db)
                .build()
                .unwrap();
            let middle_hz = 0.5 * (lowest_hz + highest_hz);
            let step = std::f64::consts::TAU * middle_hz / sample_rate_hz;
            let tone: Vec<f32> = (0..(0.2 * sample_rate_hz) as usize)
                .map(|i| (i as f64 * step).sin() as f32)
                .collect();
            let mut tracker = Tracker::new(settings);
            let mut frames = 0;
            tracker.push(&tone, |_| frames += 1);
            let expected = (0.2 / tracker.hop_s()) as i32;
            prop_assert!((frames - expected).abs() < 12, "{frames} of {expected}");
        }
    }
}
