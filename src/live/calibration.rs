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

impl VoltageFit {
    /// Line through pairs of sample and volts by least squares.
    ///
    /// # Errors
    /// [`Error::Setting`] where no line can be fitted, or it is almost level.
    pub fn new(readings: &[(f64, f64)]) -> Result<VoltageFit> {
        let line = StraightLine::fit(readings).ok_or_else(|| {
            Error::setting("too few readings", "read the meter at two steps or more")
        })?;
        let (full_scale_v, offset_v) = (line.slope, line.at_zero);
        let off = |r: &(f64, f64)| (line.at(r.0) - r.1).abs();
        if full_scale_v.abs() < MIN_V {
            return Err(Error::setting(
                "the readings hardly change",
                "check the channel and the cable; only a DC-coupled interface can put out a steady voltage",
            ));
        }
        Ok(VoltageFit {
            full_scale_v,
            offset_v,
            worst_v: readings.iter().map(off).fold(0.0, f64::max),
        })
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
        assert!(VoltageFit::new(&[(0.2, 1.0), (0.2, 1.1)]).is_err());
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
