//! Control voltages as a four-channel 32-bit float WAV: pitch, gate, trigger,
//! loudness.
//!
//! A sample of 1.0 is the interface's full-scale voltage. Pitch is 1 V
//! per octave and holds its last value between notes (sample and hold), as
//! modular players expect. Slurred notes keep the gate up and give no trigger.

use std::io;

use super::cv_renderer::{CvRenderer, CvScale, GATE_GAP_S};
use super::provenance::CONTROL_VOLTAGES;
use super::wav::{Coding, Header};
use super::{Output, Sink};
use crate::line::{Line, LineNote};
use crate::notes::Attack;
use crate::units::{Pitch, mean_level_db};

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
impl Default for ControlVoltage {
    /// 10 V at full scale, 48 kHz.
    fn default() -> Self {
        ControlVoltage {
            full_scale_v: FULL_SCALE_V,
            sample_rate_hz: 48_000,
        }
    }
}

impl Output for ControlVoltage {
    fn extension(&self) -> &'static str {
        ".cv.wav"
    }

    fn write(&self, line: &Line, to: &mut dyn Sink) -> io::Result<()> {
        let rate_hz = f64::from(self.sample_rate_hz);
        let length = (line.length_s * rate_hz).ceil() as u64;
        let header = Header {
            channels: 4,
            sample_rate_hz: self.sample_rate_hz,
            coding: Coding::Float32,
            frames: length,
            comment: Some(CONTROL_VOLTAGES),
        };
        header.write(to)?;
        let scale = CvScale {
            full_scale_v: self.full_scale_v,
            offset_v: 0.0,
            zero_volt_note: line.context.zero_volt_note,
        };
        let mut voltages = Voltages::new(line, CvRenderer::new(scale, 1.0, 0));
        for sample in 0..length {
            let time_s = sample as f64 / rate_hz;
            voltages.go_on(time_s);
            let mut written = Ok(());
            voltages.renderer.next(time_s, |_, value| {
                if written.is_ok() {
                    written = to.write_all(&value.to_le_bytes());
                }
            });
            written?;
        }
        Ok(())
    }
}

/// Plays a line to the renderer, at rising times.
struct Voltages<'a> {
    notes: &'a [LineNote],
    renderer: CvRenderer,
    /// Notes that have begun.
    begun: usize,
    /// When the pitch of the current note begins to hold still.
    body_end_s: f64,
}

impl<'a> Voltages<'a> {
    fn new(line: &'a Line, mut renderer: CvRenderer) -> Self {
        // The pitch is there before the first gate.
        let first = line.notes.first().map(|n| n.sent);
        first.into_iter().for_each(|pitch| renderer.jump(pitch));
        Voltages {
            notes: &line.notes,
            renderer,
            begun: 0,
            body_end_s: 0.0,
        }
    }

    /// Plays on up to a time.
    fn go_on(&mut self, time_s: f64) {
        while let Some(next) = self.notes.get(self.begun)
            && next.note.onset_s <= time_s
        {
            let slurred = next.note.attack == Attack::Slurred;
            self.renderer.start(next.note.onset_s, slurred);
            self.renderer
                .release(gate_end_s(next, self.notes.get(self.begun + 1)));
            self.body_end_s = next.note.body_end_s();
            self.begun += 1;
        }
        let Some(now) = self.begun.checked_sub(1).map(|at| &self.notes[at]) else {
            return;
        };
        if time_s <= self.body_end_s
            && let Some(pitch) = pitch_at(now, time_s)
        {
            self.renderer.follow(pitch);
        }
        let sounds = time_s <= now.note.offset_s;
        let level_db = level_db(now, time_s).filter(|_| sounds);
        self.renderer.set_level(level_db.unwrap_or(-120.0));
    }
}

/// When the gate of a note falls: into a slur not at all, before an attack early
/// enough to be noticed.
fn gate_end_s(named: &LineNote, next: Option<&LineNote>) -> f64 {
    match next {
        Some(next) if next.note.attack == Attack::Slurred => next.note.onset_s,
        Some(next) => named.note.offset_s.min(next.note.onset_s - GATE_GAP_S),
        None => named.note.offset_s,
    }
}

/// Position of a time among a contour's points: index and fraction of a hop.
fn position(named: &LineNote, time_s: f64) -> Option<(usize, f64)> {
    let contour = &named.note.contour;
    let last = contour.points.len().checked_sub(1)?;
    let at = ((time_s - contour.start_s) / contour.hop_s).clamp(0.0, last as f64);
    Some((at as usize, at.fract()))
}

/// Pitch that is sent at a time; none where the tone is lost.
fn pitch_at(named: &LineNote, time_s: f64) -> Option<Pitch> {
    let (at, fraction) = position(named, time_s)?;
    let points = &named.note.contour.points;
    let here = points[at].pitch;
    let there = points.get(at + 1).map_or(here, |p| p.pitch);
    let played = if there.is_nan() {
        here
    } else {
        here + (there - here) * fraction as f32
    };
    (!played.is_nan()).then(|| named.sent_at(played))
}

/// Loudness from the level averaged over some 10 ms, so that the pulses of a low
/// note do not modulate it.
fn level_db(named: &LineNote, time_s: f64) -> Option<f64> {
    let (at, _) = position(named, time_s)?;
    let points = &named.note.contour.points;
    let near = &points[at.saturating_sub(4)..(at + 4).min(points.len())];
    Some(f64::from(mean_level_db(near.iter().map(|p| p.level_db))))
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use proptest::prelude::*;

    use super::super::cv_renderer::{GATE_V, loudness_v};
    use super::super::generated::{line, shapes};
    use super::*;

    /// Volts of the four channels, sample by sample.
    fn written(line: &Line, settings: ControlVoltage) -> Vec<[f64; 4]> {
        let mut bytes = Cursor::new(Vec::new());
        settings.write(line, &mut bytes).unwrap();
        let mut reader = hound::WavReader::new(Cursor::new(bytes.into_inner())).unwrap();
        let samples = reader.samples::<f32>().map(|s| f64::from(s.unwrap()));
        let volts: Vec<f64> = samples.map(|s| s * settings.full_scale_v).collect();
        volts.as_chunks().0.to_vec()
    }

    proptest! {
            #![proptest_config(ProptestConfig::with_cases(64))]

            /// An oscillator on the pitch voltage plays what was played to a cent, and holds
            /// it after the note; the gate is up in notes and down in rests; each attack has
            /// its trigger and a slur has none.
            #[test]
            fn a_synthesizer_plays_what_was_played(shapes in shapes(), full_scale_v in 8.0f64..20.0) {
                let line = line(&shapes);
                let rate_hz = 4_000.0;
                let settings = ControlVoltage { full_scale_v, sample_rate_hz: rate_hz as u32 };
                let volts = written(&line, settings);
                prop_assert_eq!(volts.len(), (line.length_s * rate_hz).ceil() as usize);
                let at = |time_s: f64| volts[(time_s * rate_hz).ceil() as usize];
                let mut rises = 0;
                let mut before = 0.0;
                for volts in &volts {
                    rises += usize::from(volts[2] > before);
                    before = volts[2];
                }
                prop_assert_eq!(rises, shapes.iter().filter(|s| !s.slurred).count());
                for (i, (named, shape)) in line.notes.iter().zip(&shapes).enumerate() {
                    let (note, slope) = (&named.note, shape.glide / shape.length_s);
                    let tolerance = 0.01 + slope.abs() / rate_hz;
                    for share in [0.1, 0.5, 0.9] {
                        let time_s = note.onset_s + share * shape.length_s;
                        let played = shape.pitch + shape.glide * (share - 0.5);
                        let [pitch_v, gate_v, _, loudness] = at(time_s);
                        let got = line.context.zero_volt_note + 12.0 * pitch_v;
                        prop_assert!((got - played).abs() < tolerance, "{got} for {played}");
                        prop_assert!((gate_v - GATE_V).abs() < 1e-6);
                        prop_assert!((loudness - loudness_v(-20.0)).abs() < 1e-3);
                    }
                    let rest = shapes.get(i + 1).is_none_or(|next| next.rest_s > 0.01);
                    if rest {
                        let [pitch_v, gate_v, _, loudness] = at(note.offset_s + 0.005);
                        let got = line.context.zero_volt_note + 12.0 * pitch_v;
                        let last = shape.pitch + 0.5 * shape.glide;
                        prop_assert!((got - last).abs() < 0.01 + slope.abs() * 0.003, "{got}, {last}");
                        prop_assert_eq!((gate_v, loudness), (0.0, 0.0));
                    }
                }
            }
    }
}
