//! Control voltages as a 32-bit float WAV of four channels: pitch, gate, trigger,
//! loudness; and brightness as a fifth, if it is asked for.
//!
//! A sample of 1.0 is the interface's full-scale voltage. Pitch is 1 V
//! per octave and holds its last value between notes (sample and hold), as
//! modular players expect. Slurred notes keep the gate up and give no trigger.

use std::io;

use super::cv_renderer::{CvRenderer, CvScale, VOLTAGES};
use super::performance::{PerformedNote, is_slurred};
use super::provenance::CONTROL_VOLTAGES;
use super::wav::{Coding, Header};
use super::{Output, Sink};
use crate::line::{Line, LineNote};
use crate::notes::contour::Point;
use crate::sending::brightness::BrightnessFollower;
use crate::sending::{DynamicRange, Sent};
use crate::units::Pitch;

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

/// How far the pitch may be beyond full scale, in volts: about a cent.
const PITCH_TOLERANCE_V: f64 = 0.001;

impl ControlVoltage {
    fn scale(&self, line: &Line) -> CvScale {
        CvScale {
            full_scale_v: self.full_scale_v,
            offset_v: 0.0,
            zero_volt_note: line.context.zero_volt_note,
        }
    }

    /// What of a line is beyond the interface's full scale and so clipped in the file, and what
    /// to do about it; none where everything fits.
    pub fn warning(&self, line: &Line) -> Option<String> {
        let scale = self.scale(line);
        let clips = |pitch: Pitch| {
            let volts = pitch.volts(scale.zero_volt_note);
            scale.clips(volts, PITCH_TOLERANCE_V)
        };
        let is_beyond = |at: &usize| {
            let range = DynamicRange::default();
            let brightness = BrightnessFollower::default();
            let (mut now, _) = PerformedNote::start(&line.notes, *at, range, brightness);
            let (note, hop_s) = (&now.named.note, now.named.note.contour.hop_s);
            let mut points = (note.contour.voiced())
                .skip_while(|(time_s, _)| *time_s < note.onset_s)
                .take_while(|(time_s, _)| *time_s < note.offset_s);
            clips(now.pitch)
                || points.any(|(time_s, point)| {
                    now.update(time_s, point, hop_s);
                    clips(now.pitch)
                })
        };
        let count = line.notes.len();
        let beyond = (0..count).filter(is_beyond).count();
        scale.clipping_in_words(beyond, count)
    }
}

impl Output for ControlVoltage {
    fn extension(&self) -> &'static str {
        ".cv.wav"
    }

    fn write(&self, line: &Line, to: &mut dyn Sink) -> io::Result<()> {
        let rate_hz = f64::from(self.sample_rate_hz);
        let length = (line.length_s * rate_hz).ceil() as u64;
        let brightness = line.context.brightness;
        let channels = VOLTAGES - usize::from(brightness.is_none());
        let header = Header {
            channels: channels as u16,
            sample_rate_hz: self.sample_rate_hz,
            coding: Coding::Float32,
            frames: length,
            comment: Some(CONTROL_VOLTAGES),
        };
        header.write(to)?;
        let scale = self.scale(line);
        let renderer = CvRenderer::new(scale, brightness.unwrap_or_default(), 1.0, 0);
        let mut voltages = Voltages::new(line, renderer, 1.0 / rate_hz);
        for sample in 0..length {
            let time_s = sample as f64 / rate_hz;
            voltages.go_on(time_s);
            let mut written = Ok(());
            voltages.renderer.next(time_s, |at, value| {
                if at < channels && written.is_ok() {
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
    /// How many of them have begun.
    begun: usize,
    renderer: CvRenderer,
    now: Option<PerformedNote<'a>>,
    /// Brightness of the notes that have ended.
    ended: BrightnessFollower,
    /// Length of a sample, in seconds.
    sample_s: f64,
}

impl<'a> Voltages<'a> {
    fn new(line: &'a Line, mut renderer: CvRenderer, sample_s: f64) -> Self {
        // The pitch is there before the first gate.
        let first = line.notes.first().map(|n| n.sent);
        first.into_iter().for_each(|pitch| renderer.jump(pitch));
        Voltages {
            notes: &line.notes,
            begun: 0,
            renderer,
            now: None,
            ended: BrightnessFollower::default(),
            sample_s,
        }
    }

    /// Plays on up to a time.
    fn go_on(&mut self, time_s: f64) {
        self.stop_before(time_s);
        while let Some(next) = self.notes.get(self.begun)
            && next.note.onset_s <= time_s
        {
            // Loudness is a voltage of its own, whatever the player's dynamic range.
            let brightness = self.brightness();
            let (performed, start) =
                PerformedNote::start(self.notes, self.begun, DynamicRange::default(), brightness);
            self.renderer.handle(&start, next.note.onset_s);
            (self.now, self.begun) = (Some(performed), self.begun + 1);
            self.stop_before(time_s);
        }
        let Some(now) = &mut self.now else {
            return;
        };
        if let Some(point) = at(now.named, time_s) {
            let update = now.update(time_s, &point, self.sample_s);
            self.renderer.handle(&update, time_s);
        }
    }

    /// Ends the note whose end has come, unless the next is slurred from it.
    fn stop_before(&mut self, time_s: f64) {
        let slurred_on = self.notes.get(self.begun).is_some_and(is_slurred);
        if let Some(now) = &self.now
            && now.named.note.offset_s <= time_s
            && !slurred_on
        {
            self.renderer.handle(&Sent::Stop, now.named.note.offset_s);
            self.ended = self.brightness();
            self.now = None;
        }
    }

    /// Brightness of the note that sounds, or of the last one.
    fn brightness(&self) -> BrightnessFollower {
        self.now.as_ref().map_or(self.ended, |now| now.brightness)
    }
}

/// A note at a time, its pitch on the straight line to the next point; none without a
/// contour.
fn at(named: &LineNote, time_s: f64) -> Option<Point> {
    let contour = &named.note.contour;
    let points = &contour.points;
    let last = points.len().checked_sub(1)?;
    let position = ((time_s - contour.start_s) / contour.hop_s).clamp(0.0, last as f64);
    let here = &points[position as usize];
    let there = points
        .get(position as usize + 1)
        .map_or(f32::NAN, |p| p.pitch);
    let played = if there.is_nan() {
        here.pitch
    } else {
        here.pitch + (there - here.pitch) * position.fract() as f32
    };
    Some(Point {
        pitch: played,
        ..*here
    })
}

/// Checks a voltage at full scale: of either sign, because some outputs invert.
///
/// # Errors
/// What to give instead.
pub fn check_full_scale(volts: f64) -> Result<(), &'static str> {
    match (0.1..=100.0).contains(&volts.abs()) {
        true => Ok(()),
        false => Err("give volts between 0.1 and 100, negative where the output inverts"),
    }
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
                let settings = ControlVoltage {
                    full_scale_v,
                    sample_rate_hz: rate_hz as u32,
                };
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
