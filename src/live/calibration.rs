//! Calibrates an interface's output voltage from a meter's readings.

use crate::error::{Error, Result};
use crate::statistics::StraightLine;

/// Samples played for the meter, full scale 1.0: both polarities, and less than
/// half of the interface's range.
pub const STEPS: [f64; 5] = [0.0, 0.2, 0.4, -0.2, -0.4];

/// Volts against samples: a straight line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VoltageFit {
    /// Volts between a sample of 0 and one of 1.0.
    pub full_scale_v: f64,
    /// Volts at a sample of 0.
    pub offset_v: f64,
    /// Largest distance of a reading from the line, in volts.
    pub worst_v: f64,
}

/// Smallest full-scale voltage that counts as a working output, in volts.
const MIN_V: f64 = 0.3;
/// Fewest readings: two always lie on a line.
const MIN_READINGS: usize = 3;
/// How far from the truth a meter reads at most: half a per cent of full scale and two
/// hundredths of a volt, which is what cheap ones promise.
const METER_SHARE: f64 = 0.005;
const METER_V: f64 = 0.02;
/// Largest voltage that an interface can put out.
pub const MAX_V: f64 = 50.0;

impl VoltageFit {
    /// Line through pairs of sample and volts by least squares.
    ///
    /// # Errors
    /// [`Error::Setting`] where no line can be fitted, or it is almost level.
    pub fn new(readings: &[(f64, f64)]) -> Result<VoltageFit> {
        let fit = VoltageFit::line(readings).filter(|_| readings.len() >= MIN_READINGS);
        let fit = fit.ok_or_else(|| {
            Error::setting("too few readings", "read the meter at three steps or more")
        })?;
        if fit.full_scale_v.abs() < MIN_V {
            return Err(Error::setting(
                "the readings hardly change",
                "check the channel and the cable; only a DC-coupled interface can put out a steady voltage",
            ));
        }
        Ok(fit)
    }

    fn line(readings: &[(f64, f64)]) -> Option<VoltageFit> {
        let line = StraightLine::fit(readings)?;
        let off = |r: &(f64, f64)| (line.at(r.0) - r.1).abs();
        Some(VoltageFit {
            full_scale_v: line.slope,
            offset_v: line.at_zero,
            worst_v: readings.iter().map(off).fold(0.0, f64::max),
        })
    }

    /// Which of the readings is off, if they do not lie on a straight line as far as a
    /// meter can tell: the one without which the others fit best.
    pub fn outlier(&self, readings: &[(f64, f64)]) -> Option<usize> {
        if self.worst_v <= METER_V + METER_SHARE * self.full_scale_v.abs() {
            return None;
        }
        let without = |at: &usize| {
            let mut others = readings.to_vec();
            others.remove(*at);
            VoltageFit::line(&others).map_or(f64::INFINITY, |fit| fit.worst_v)
        };
        (0..readings.len()).min_by(|a, b| without(a).total_cmp(&without(b)))
    }

    /// The worst reading as a pitch at 1 V per octave, in cents.
    pub fn worst_cents(&self) -> f64 {
        1_200.0 * self.worst_v
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_dead_output_is_told_from_a_meter_s_noise() {
        let flat: Vec<(f64, f64)> = STEPS.iter().map(|s| (*s, 0.01 + 0.001 * s)).collect();
        assert!(
            VoltageFit::new(&flat)
                .unwrap_err()
                .to_string()
                .contains("DC-coupled")
        );
        assert!(VoltageFit::new(&[(0.0, 1.0)]).is_err());
        assert!(VoltageFit::new(&[(0.2, 1.0), (0.2, 1.1), (0.2, 1.2)]).is_err());
        assert!(VoltageFit::new(&[(0.0, 0.0), (0.2, 2.0)]).is_err());
    }

    #[test]
    fn a_wrong_reading_is_found_and_a_meter_s_errors_are_not() {
        let read = |error: &dyn Fn(usize) -> f64| -> Vec<(f64, f64)> {
            let steps = STEPS.iter().enumerate();
            steps
                .map(|(i, s)| (*s, 10.0 * s + 0.01 + error(i)))
                .collect()
        };
        let outlier =
            |readings: &[(f64, f64)]| VoltageFit::new(readings).unwrap().outlier(readings);
        assert_eq!(
            outlier(&read(&|i| [0.01, -0.03, 0.02, -0.01, 0.03][i])),
            None
        );
        for wrong in 0..STEPS.len() {
            let readings = read(&|i| if i == wrong { 1.0 } else { 0.0 });
            assert_eq!(outlier(&readings), Some(wrong));
        }
        // Read in rising order instead of the order asked for.
        let rising: Vec<(f64, f64)> = STEPS.into_iter().zip([-4.0, -2.0, 0.0, 2.0, 4.0]).collect();
        assert!(outlier(&rising).is_some());
    }

    proptest! {
        #[test]
        fn any_line_is_found(full in 0.5f64..20.0, offset in -0.5f64..0.5, inverts: bool) {
            let full = if inverts { -full } else { full };
            let readings: Vec<(f64, f64)> = STEPS.iter().map(|s| (*s, full * s + offset)).collect();
            let fit = VoltageFit::new(&readings).unwrap();
            prop_assert!((fit.full_scale_v - full).abs() < 1e-9);
            prop_assert!((fit.offset_v - offset).abs() < 1e-9);
            prop_assert!(fit.worst_cents() < 1e-6);
        }
    }
}
