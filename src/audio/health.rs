//! Faults of a recording that can still be used: clipping, a DC offset, a low level.

use std::path::Path;

use crate::error::{Error, Result};
use crate::text::counted;
use crate::units::LARGEST_SAMPLE;

/// Running check of a take's samples: silence, clipping, a DC offset.
///
/// ```
/// use std::path::Path;
///
/// let mut health = leadpipe::Health::default();
/// health.push(&[0.5, 1.0, 1.0, 1.0, 0.5, -1.0]); // each block as it is transcribed
/// let warnings = health.check(Path::new("take.wav"), 3)?;
/// assert!(warnings[0].starts_with("clipped in 1 place:"));
/// # Ok::<(), leadpipe::Error>(())
/// ```
#[derive(Debug, Clone, Default)]
pub struct Health {
    count: u64,
    sum: f64,
    peak: f32,
    /// Samples that are larger than any that are analysed as they are.
    beyond: u64,
    /// Consecutive samples at full scale, and the number of such runs.
    at_limit: u32,
    clipped_runs: u64,
}

/// Peak below which a take is silent, in dBFS: below the last bit but one of a 16-bit
/// recording.
const SILENT_DB: f64 = -84.0;
/// What counts as full scale: 0.004 dB below it, because a level control or a file
/// format may have rounded clipped samples down.
const LIMIT: f32 = 0.9995;
/// The same above it. What goes beyond, as samples of floating point can, is not cut off.
const BEYOND: f32 = 1.0005;
/// DC offset that is worth a warning, as a share of full scale.
const SHIFTED: f64 = 0.01;
/// Where more than this share of the samples lies beyond any headroom, they are no shares of full
/// scale, such as whole numbers that became floating point as they were. Fewer are faults, which
/// the analysis withstands.
const FOREIGN: f64 = 0.01;
/// Advised for a silent take.
const CHECK_LEVEL: &str = "check the channel (--channel) and the recording level";
/// Said of a take without notes.
const NO_NOTES: &str = "no notes found; is the horn on this channel (--channel), in its range (--horn), and above the gate (--gate)?";

/// A peak in dBFS.
fn peak_db(peak: f32) -> f64 {
    20.0 * f64::from(peak).max(1e-10).log10()
}

/// Whether a take of such a peak is silent.
pub(super) fn is_silent(peak: f32) -> bool {
    peak_db(peak) < SILENT_DB
}

impl Health {
    /// Takes samples.
    pub fn push(&mut self, block: &[f32]) {
        self.count += block.len() as u64;
        for some in block.chunks(64) {
            // Partial results for vector registers: this runs over every sample.
            let (mut sums, mut peaks) = ([0f32; 8], [0f32; 8]);
            let (eights, rest) = some.as_chunks::<8>();
            for eight in eights {
                for lane in 0..8 {
                    sums[lane] += eight[lane];
                    let size = eight[lane].abs();
                    peaks[lane] = if size > peaks[lane] {
                        size
                    } else {
                        peaks[lane]
                    };
                }
            }
            let sum = sums.iter().chain(rest).sum::<f32>();
            let peak = peaks.iter().chain(rest).fold(0f32, |p, x| p.max(x.abs()));
            self.sum += f64::from(sum);
            self.peak = self.peak.max(peak);
            if peak > LARGEST_SAMPLE {
                let beyond = some.iter().filter(|sample| sample.abs() > LARGEST_SAMPLE);
                self.beyond += beyond.count() as u64;
            }
            if peak >= LIMIT {
                self.count_runs(some);
            } else {
                self.at_limit = 0;
            }
        }
    }

    fn count_runs(&mut self, samples: &[f32]) {
        for sample in samples {
            self.at_limit = if (LIMIT..=BEYOND).contains(&sample.abs()) {
                self.at_limit + 1
            } else {
                0
            };
            self.clipped_runs += u64::from(self.at_limit == 3);
        }
    }

    /// What is to be said of a take in which `notes` notes were found: one line per
    /// fault, without the take's name.
    ///
    /// # Errors
    /// [`Error::Silent`] where `take` holds no sound; [`Error::Input`] where its samples are no
    /// shares of full scale.
    pub fn check(&self, take: &Path, notes: usize) -> Result<Vec<String>> {
        if let Some(peak_db) = self.silent() {
            return Err(Error::Silent {
                path: take.to_owned(),
                peak_db,
                hint: CHECK_LEVEL.into(),
            });
        }
        if self.beyond as f64 > FOREIGN * self.count as f64 {
            return Err(Error::input(
                take,
                format!("its samples reach {:.0} times full scale", self.peak),
                "divide them by their full scale, or export the take as 16- or 24-bit",
            ));
        }
        let mut warnings = self.warnings();
        if notes == 0 {
            warnings.push(NO_NOTES.to_owned());
        }
        Ok(warnings)
    }

    /// Peak in dBFS when the take is silent.
    fn silent(&self) -> Option<f64> {
        is_silent(self.peak).then(|| peak_db(self.peak))
    }

    fn warnings(&self) -> Vec<String> {
        let mut warnings = Vec::new();
        if self.clipped_runs > 0 {
            warnings.push(format!(
                "clipped in {}: notes and pitch are reliable, levels and accents may not be; record with more headroom",
                counted(self.clipped_runs, "place")
            ));
        }
        let shift = self.sum / self.count.max(1) as f64;
        if shift.abs() > SHIFTED {
            warnings.push(format!(
                "DC offset of {:.1} % of full scale, removed for the analysis; check the interface or the pickup's preamplifier",
                shift * 100.0
            ));
        }
        warnings
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sees_what_is_wrong() {
        let mut fine = Health::default();
        fine.push(&[0.1, -0.1, 0.2, -0.2]);
        assert_eq!(fine.silent(), None);
        assert!(fine.warnings().is_empty());
        let mut clipped = Health::default();
        clipped.push(&[1.0; 10]);
        assert_eq!(clipped.warnings().len(), 2);
        let mut loud = Health::default();
        loud.push(&[0.8, 1.3, 1.8, 1.4, 0.9, -0.9, -1.5, -1.7, -1.2, -0.9]);
        assert!(loud.warnings().is_empty(), "nothing is cut off");
        let mut integers = Health::default();
        integers.push(&[0.0, 5741.0, -3000.0]);
        let error = integers.check(Path::new("x.wav"), 3).unwrap_err();
        assert!(
            error.to_string().contains("5741 times full scale"),
            "{error}"
        );
        let mut knocked = Health::default();
        knocked.push(&[&[0.1; 199][..], &[1e9]].concat());
        assert!(knocked.check(Path::new("x.wav"), 3).is_ok());
        let mut silent = Health::default();
        silent.push(&[0.0; 10]);
        assert!(silent.silent().is_some());
    }
}
