//! Renders control voltages sample by sample.
//!
//! The conventions are those of [`crate::output::cv`]: 1 V per octave, the pitch
//! held after a note, gate and trigger at 5 V, no trigger on a slur.

use super::control_event::{NoteOn, NoteUpdate};
use crate::output::cv::{GATE_GAP_S, GATE_V, TRIGGER_S, loudness_v};
use crate::units::Pitch;

/// Calibration of an interface's outputs: what voltage a sample gives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CvScale {
    /// Volts between a sample of 0 and one of 1.0.
    pub full_scale_v: f64,
    /// Volts at a sample of 0.
    pub offset_v: f64,
    /// MIDI key at 0 V.
    pub zero_volt_note: f64,
}

impl CvScale {
    /// Sample that gives a voltage, clipped to the interface's range.
    pub fn sample(&self, volts: f64) -> f32 {
        ((volts - self.offset_v) / self.full_scale_v).clamp(-1.0, 1.0) as f32
    }
}

/// Renderer of pitch, gate, trigger, loudness, and one trigger per route that has
/// one.
#[derive(Debug, Clone)]
pub struct CvRenderer {
    rate_hz: f64,
    scale: CvScale,
    pitch_v: f64,
    target_v: f64,
    loudness_v: f64,
    loudness_target_v: f64,
    gate: bool,
    /// Samples for which the gate stays low before a new attack.
    gate_gap: u32,
    trigger: u32,
    route_triggers: Vec<u32>,
}

/// Time constant for pitch bends and loudness, in seconds: a little more than a
/// hop, so that no steps remain.
const SMOOTH_S: f64 = 0.002;

impl CvRenderer {
    /// Renderer at rest, with `route_triggers` extra triggers.
    pub fn new(rate_hz: f64, scale: CvScale, route_triggers: usize) -> Self {
        CvRenderer {
            rate_hz,
            scale,
            pitch_v: 0.0,
            target_v: 0.0,
            loudness_v: 0.0,
            loudness_target_v: 0.0,
            gate: false,
            gate_gap: 0,
            trigger: 0,
            route_triggers: vec![0; route_triggers],
        }
    }

    fn samples(&self, seconds: f64) -> u32 {
        (seconds * self.rate_hz).round() as u32
    }

    fn volts(&self, pitch: Pitch) -> f64 {
        pitch.volts(self.scale.zero_volt_note)
    }

    /// A note starts. Its pitch is set at once, before the gate.
    pub fn start(&mut self, start: &NoteOn) {
        self.target_v = self.volts(start.pitch);
        self.pitch_v = self.target_v;
        if !start.slurred() {
            self.gate_gap = if self.gate {
                self.samples(GATE_GAP_S)
            } else {
                0
            };
            self.trigger = self.samples(TRIGGER_S);
        }
        self.gate = true;
        self.loudness_target_v = loudness_v(f64::from(start.level_db));
    }

    /// Pitch or level of the note changes.
    pub fn follow(&mut self, update: &NoteUpdate) {
        self.target_v = self.volts(update.pitch);
        self.loudness_target_v = loudness_v(f64::from(update.level_db));
    }

    /// The note ends; its pitch is held.
    pub fn stop(&mut self) {
        self.target_v = self.pitch_v;
        self.loudness_target_v = 0.0;
        self.gate = false;
        self.trigger = 0;
    }

    /// Everything low at once; the pitch is held.
    pub fn silence(&mut self) {
        self.stop();
        self.loudness_v = 0.0;
        self.route_triggers.fill(0);
    }

    /// Fires the trigger of a route, counted from 0.
    pub fn fire_trigger(&mut self, route_triggers: usize) {
        let length = self.samples(TRIGGER_S);
        if let Some(left) = self.route_triggers.get_mut(route_triggers) {
            *left = length;
        }
    }

    /// Next sample of each voltage, written to `out`: pitch, gate, trigger,
    /// loudness, route triggers.
    pub fn next(&mut self, mut out: impl FnMut(usize, f32)) {
        let alpha = 1.0 / (SMOOTH_S * self.rate_hz).max(1.0);
        self.pitch_v += alpha * (self.target_v - self.pitch_v);
        self.loudness_v += alpha * (self.loudness_target_v - self.loudness_v);
        let high = |on: bool| if on { GATE_V } else { 0.0 };
        let gate = self.gate && self.gate_gap == 0;
        self.gate_gap = self.gate_gap.saturating_sub(1);
        let trigger = self.trigger > 0;
        self.trigger = self.trigger.saturating_sub(1);
        let volts = [self.pitch_v, high(gate), high(trigger), self.loudness_v];
        for (at, volts) in volts.into_iter().enumerate() {
            out(at, self.scale.sample(volts));
        }
        for at in 0..self.route_triggers.len() {
            let on = self.route_triggers[at] > 0;
            self.route_triggers[at] = self.route_triggers[at].saturating_sub(1);
            out(4 + at, self.scale.sample(high(on)));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::notes::Attack;
    use crate::units::{Concert, Written};
    use proptest::prelude::*;

    const SCALE: CvScale = CvScale {
        full_scale_v: 10.0,
        offset_v: 0.0,
        zero_volt_note: 60.0,
    };

    fn start(pitch: f64, attack: Attack) -> NoteOn {
        NoteOn {
            at_s: 0.0,
            onset_s: 0.0,
            concert: Concert(60),
            written: Written(60),
            played: 60.0,
            cents: 0.0,
            key: 60,
            pitch: Pitch(pitch),
            strength: 0.5,
            level_db: -30.0,
            attack,
        }
    }

    /// The five channels over a number of samples, in volts.
    fn run(cv: &mut CvRenderer, samples: usize) -> Vec<[f32; 5]> {
        (0..samples)
            .map(|_| {
                let mut frame = [0.0; 5];
                cv.next(|at, sample| frame[at] = sample * 10.0);
                frame
            })
            .collect()
    }

    #[test]
    fn a_note_comes_out_as_standard_voltages() {
        let mut cv = CvRenderer::new(48_000.0, SCALE, 1);
        cv.start(&start(72.0, Attack::Tongued));
        let got = run(&mut cv, 4_800);
        assert!(got.iter().all(|v| (v[0] - 1.0).abs() < 1e-6 && v[1] == 5.0));
        assert_eq!(got.iter().filter(|v| v[2] == 5.0).count(), 240);
        assert!((got[4_799][3] - 2.5).abs() < 1e-3);
        cv.stop();
        let after = run(&mut cv, 4_800);
        assert!(
            after
                .iter()
                .all(|v| (v[0] - 1.0).abs() < 1e-6 && v[1] == 0.0)
        );
    }

    #[test]
    fn tongue_drops_the_gate_and_a_slur_does_not() {
        let mut cv = CvRenderer::new(48_000.0, SCALE, 0);
        cv.start(&start(60.0, Attack::Tongued));
        run(&mut cv, 480);
        cv.start(&start(62.0, Attack::Slurred));
        let slurred = run(&mut cv, 480);
        assert!(slurred.iter().all(|v| v[1] == 5.0 && v[2] == 0.0));
        cv.start(&start(62.0, Attack::Tongued));
        let tongued = run(&mut cv, 480);
        assert_eq!(tongued.iter().take_while(|v| v[1] == 0.0).count(), 144);
        assert_eq!(tongued[0][2], 5.0);
    }

    #[test]
    fn calibration_is_applied_and_bounded() {
        let scale = CvScale {
            full_scale_v: 8.0,
            offset_v: 0.1,
            zero_volt_note: 60.0,
        };
        assert!((scale.sample(2.1) - 0.25).abs() < 1e-6);
        assert_eq!(scale.sample(50.0), 1.0);
    }

    #[test]
    fn routes_have_triggers_of_their_own() {
        let mut cv = CvRenderer::new(48_000.0, SCALE, 1);
        cv.fire_trigger(0);
        cv.fire_trigger(9);
        let got = run(&mut cv, 480);
        assert_eq!(got.iter().filter(|v| v[4] == 5.0).count(), 240);
        assert!(got.iter().all(|v| v[1] == 0.0));
    }

    proptest! {
        /// The output voltage is that of the pitch to a hundredth of a cent, or the
        /// interface's limit.
        #[test]
        fn voltages_come_out_as_meant(
            full in 1.0f64..20.0,
            inverts: bool,
            offset in -0.2f64..0.2,
            zero in 0f64..127.0,
            key in 0f64..127.0,
        ) {
            let scale = CvScale {
                full_scale_v: if inverts { -full } else { full },
                offset_v: offset,
                zero_volt_note: zero,
            };
            let meant_v = Pitch(key).volts(scale.zero_volt_note);
            let sample = f64::from(scale.sample(meant_v));
            let got_v = sample * scale.full_scale_v + scale.offset_v;
            if (meant_v - offset).abs() > full {
                prop_assert_eq!(sample.abs(), 1.0);
            } else {
                prop_assert!((got_v - meant_v).abs() * 1_200.0 < 0.01);
            }
        }
    }
}
