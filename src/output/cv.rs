//! Control voltages as a four-channel 32-bit float WAV: pitch, gate, trigger,
//! loudness.
//!
//! A sample of 1.0 is the interface's full-scale voltage. Pitch is 1 V
//! per octave and holds its last value between notes (sample and hold), as
//! modular players expect. Slurred notes keep the gate up and give no trigger.

use std::io;

use super::wav::into_io;
use super::{Output, Sink};
use crate::line::{Line, LineNote};
use crate::notes::Attack;
use crate::units::mean_level_db;

/// Settings of the control-voltage file.
#[derive(Debug, Clone, Copy)]
pub struct ControlVoltage {
    /// Voltage of a sample of 1.0.
    pub full_scale_v: f64,
    /// Sample rate of the file in hertz.
    pub sample_rate_hz: u32,
}

/// Full scale of many DC-coupled interfaces (common practice; the interface's
/// manual has the right value).
pub const FULL_SCALE_V: f64 = 10.0;
/// Gate and trigger, in volts (common practice).
pub const GATE_V: f64 = 5.0;
/// Length of a trigger in seconds (common practice: 1 to 10 ms).
pub const TRIGGER_S: f64 = 0.005;
/// The gate is low for at least this long before a new attack, in seconds, so that
/// an envelope restarts.
pub const GATE_GAP_S: f64 = 0.003;
/// Loudness: 0 V at this level and [`GATE_V`] at full scale, linear in dB.
const LOUDNESS_FLOOR_DB: f64 = -60.0;

/// Voltage of a level in dBFS.
pub fn loudness_v(level_db: f64) -> f64 {
    GATE_V * (1.0 - level_db / LOUDNESS_FLOOR_DB).clamp(0.0, 1.0)
}

impl Output for ControlVoltage {
    fn extension(&self) -> &'static str {
        ".cv.wav"
    }

    fn write(&self, line: &Line, to: &mut dyn Sink) -> io::Result<()> {
        let spec = hound::WavSpec {
            channels: 4,
            sample_rate: self.sample_rate_hz,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float,
        };
        let rate_hz = f64::from(self.sample_rate_hz);
        let length = (line.length_s * rate_hz).ceil() as u64;
        if length * 16 > u64::from(u32::MAX) - 1024 {
            return Err(io::Error::new(
                io::ErrorKind::InvalidInput,
                "more than a WAV file holds (4 GB): use --start and --end, or a lower --cv-rate",
            ));
        }
        let mut writer = hound::WavWriter::new(to, spec).map_err(into_io)?;
        let mut voltages = Voltages::new(line);
        for sample in 0..length {
            let volts = voltages.at(sample as f64 / rate_hz);
            for volt in volts {
                let value = (volt / self.full_scale_v) as f32;
                writer.write_sample(value).map_err(into_io)?;
            }
        }
        writer.finalize().map_err(into_io)
    }
}

/// The four voltages along a line, read at increasing times.
struct Voltages<'a> {
    line: &'a Line,
    next: usize,
    /// Time from which the pitch of the current note is held.
    body_end_s: f64,
    pitch_v: f64,
}

impl<'a> Voltages<'a> {
    fn new(line: &'a Line) -> Self {
        let pitch_v = line.notes.first().map_or(0.0, |n| n.volts);
        Voltages {
            line,
            next: 0,
            body_end_s: line.notes.first().map_or(0.0, |n| n.note.body_end_s()),
            pitch_v,
        }
    }

    /// Pitch, gate, trigger and loudness at a time, in volts.
    fn at(&mut self, time_s: f64) -> [f64; 4] {
        let notes = &self.line.notes;
        while notes
            .get(self.next + 1)
            .is_some_and(|n| n.note.onset_s <= time_s)
        {
            self.next += 1;
            self.body_end_s = notes[self.next].note.body_end_s();
        }
        let Some(named) = notes.get(self.next) else {
            return [self.pitch_v, 0.0, 0.0, 0.0];
        };
        let note = &named.note;
        if time_s < note.onset_s {
            return [self.pitch_v, 0.0, 0.0, 0.0];
        }
        let slurred_on = notes
            .get(self.next + 1)
            .is_some_and(|n| n.note.attack == Attack::Slurred);
        let gate_end_s = match notes.get(self.next + 1) {
            Some(next) if slurred_on => next.note.onset_s,
            Some(next) => note.offset_s.min(next.note.onset_s - GATE_GAP_S),
            None => note.offset_s,
        };
        if time_s <= self.body_end_s {
            self.pitch_v =
                pitch_v(named, time_s, self.line.context.zero_volt_note).unwrap_or(self.pitch_v);
        }
        let gate = if time_s < gate_end_s { GATE_V } else { 0.0 };
        let triggered = note.attack != Attack::Slurred && time_s < note.onset_s + TRIGGER_S;
        let trigger = if triggered { GATE_V } else { 0.0 };
        let loudness = if time_s <= note.offset_s {
            level_v(named, time_s)
        } else {
            0.0
        };
        [self.pitch_v, gate, trigger, loudness]
    }
}

/// Position of a time among a contour's points: index and fraction of a hop.
fn position(named: &LineNote, time_s: f64) -> Option<(usize, f64)> {
    let contour = &named.note.contour;
    let last = contour.points.len().checked_sub(1)?;
    let at = ((time_s - contour.start_s) / contour.hop_s).clamp(0.0, last as f64);
    Some((at as usize, at.fract()))
}

fn pitch_v(named: &LineNote, time_s: f64, zero_volt_note: f64) -> Option<f64> {
    let (at, fraction) = position(named, time_s)?;
    let points = &named.note.contour.points;
    let here = points[at].pitch;
    let there = points.get(at + 1).map_or(here, |p| p.pitch);
    let played = if there.is_nan() {
        here
    } else {
        here + (there - here) * fraction as f32
    };
    (!played.is_nan()).then(|| named.sent_at(played).volts(zero_volt_note))
}

/// Loudness from the level averaged over some 10 ms, so that the pulses of a low
/// note do not modulate it.
fn level_v(named: &LineNote, time_s: f64) -> f64 {
    let Some((at, _)) = position(named, time_s) else {
        return 0.0;
    };
    let points = &named.note.contour.points;
    let near = &points[at.saturating_sub(4)..(at + 4).min(points.len())];
    loudness_v(f64::from(mean_level_db(near.iter().map(|p| p.level_db))))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn loudness_spans_the_gate_voltage() {
        assert_eq!(loudness_v(0.0), GATE_V);
        assert_eq!(loudness_v(-60.0), 0.0);
        assert_eq!(loudness_v(-90.0), 0.0);
        assert!((loudness_v(-30.0) - 2.5).abs() < 1e-12);
    }
}
