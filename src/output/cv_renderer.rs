//! Renders control voltages sample by sample, for files and sessions alike: 1 V per
//! octave, the pitch held after a note, gate and trigger at 5 V, no trigger on a slur,
//! loudness and brightness from 0 to 5 V.

use crate::sending::Sent;
use crate::sending::brightness::BrightnessRange;
use crate::text::counted;
use crate::units::Pitch;

/// Gate and trigger, in volts (common practice).
pub const GATE_V: f64 = 5.0;
/// How much of a gate may be cut off, in volts: modules take less than this for a gate, and an
/// interface of nominally 5 V may measure a little under.
const GATE_TOLERANCE_V: f64 = 0.5;
/// Length of a trigger in seconds (common practice: 1 to 10 ms).
const TRIGGER_S: f64 = 0.005;
/// A gate is low at least this long before a new attack, in seconds, so that an
/// envelope starts again.
const GATE_GAP_S: f64 = 0.003;
/// Loudness: 0 V at this level and [`GATE_V`] at full scale, linear in dB.
const LOUDNESS_FLOOR_DB: f64 = -60.0;

/// Voltage of a level in dBFS.
pub fn loudness_v(level_db: f64) -> f64 {
    GATE_V * (1.0 - level_db / LOUDNESS_FLOOR_DB).clamp(0.0, 1.0)
}

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
    /// Share of full scale that gives a voltage.
    fn share(&self, volts: f64) -> f64 {
        (volts - self.offset_v) / self.full_scale_v
    }

    /// Sample that gives a voltage, clipped to the interface's range.
    pub fn sample(&self, volts: f64) -> f32 {
        self.share(volts).clamp(-1.0, 1.0) as f32
    }

    /// Whether the clipping of a voltage moves it by more than `tolerance_v`.
    pub fn clips(&self, volts: f64, tolerance_v: f64) -> bool {
        (self.share(volts).abs() - 1.0) * self.full_scale_v.abs() > tolerance_v
    }

    /// What is wrong with a scale that clips the pitch of `beyond` of `count` notes, or the gate,
    /// and what to do about it; none where it clips neither.
    pub fn clipping_in_words(&self, beyond: usize, count: usize) -> Option<String> {
        let pitch = (beyond > 0).then(|| {
            let notes = counted(count as u64, "note");
            format!("the pitch of {beyond} of {notes}, which is wrong there")
        });
        let gate = self.clips(GATE_V, GATE_TOLERANCE_V);
        let gate = gate.then(|| format!("the {GATE_V} V of gate, trigger and loudness"));
        let nearer = match beyond {
            0 => "",
            _ => ", and set --zero-volt-note nearer to the notes",
        };
        let cut: Vec<String> = pitch.into_iter().chain(gate).collect();
        (!cut.is_empty()).then(|| {
            format!(
                "the interface's full scale of {} V cuts off {}; check --volts-full-scale{nearer}",
                self.full_scale_v.abs(),
                cut.join(", and ")
            )
        })
    }
}

/// Voltages that every renderer has: pitch, gate, trigger, loudness, brightness.
pub const VOLTAGES: usize = 5;

/// Renderer of [`VOLTAGES`], and one trigger per route that has one. Times are seconds on the clock of whoever drives it.
#[derive(Debug, Clone)]
pub struct CvRenderer {
    scale: CvScale,
    /// Part of the way to its target that a voltage goes in a sample.
    share: f64,
    pitch_v: f64,
    target_v: f64,
    loudness_v: f64,
    loudness_target_v: f64,
    brightness: BrightnessRange,
    brightness_v: f64,
    brightness_target_v: Option<f64>,
    /// When the gate rises and falls.
    gate_s: (f64, f64),
    trigger_until_s: f64,
    route_triggers_until_s: Vec<f64>,
}

impl CvRenderer {
    /// Renderer at rest, with `route_triggers` extra triggers. `share` of the way to
    /// the newest pitch, loudness and brightness is gone in each sample; 1 follows at once.
    pub fn new(
        scale: CvScale,
        brightness: BrightnessRange,
        share: f64,
        route_triggers: usize,
    ) -> Self {
        CvRenderer {
            scale,
            share,
            pitch_v: 0.0,
            target_v: 0.0,
            loudness_v: 0.0,
            loudness_target_v: 0.0,
            brightness,
            brightness_v: 0.0,
            brightness_target_v: None,
            gate_s: (f64::INFINITY, f64::NEG_INFINITY),
            trigger_until_s: f64::NEG_INFINITY,
            route_triggers_until_s: vec![f64::NEG_INFINITY; route_triggers],
        }
    }

    fn gate(&self, time_s: f64) -> bool {
        (self.gate_s.0..self.gate_s.1).contains(&time_s)
    }

    /// Does what is sent, at a time on this renderer's clock.
    pub fn handle(&mut self, sent: &Sent, at_s: f64) {
        match sent {
            Sent::Start(start) => {
                self.jump(start.pitch);
                self.start(at_s, start.slurred);
                self.set_level(start.level_db);
            }
            Sent::Update(update) => {
                self.follow(update.pitch);
                self.set_level(update.level_db);
                if let Some(brightness) = update.brightness {
                    self.set_brightness(brightness);
                }
            }
            Sent::Stop => self.stop(at_s),
            Sent::Silence => self.silence(at_s),
        }
    }

    /// A note starts. Its pitch must be set before, by [`CvRenderer::jump`].
    fn start(&mut self, at_s: f64, slurred: bool) {
        let fell_s = self.gate_s.1.min(at_s);
        let high = self.gate_s.1 > at_s;
        let rises_s = match (slurred, high) {
            (true, true) => self.gate_s.0,
            (true, false) => at_s,
            (false, _) => at_s.max(fell_s + GATE_GAP_S),
        };
        self.gate_s = (rises_s, f64::INFINITY);
        if !slurred {
            self.trigger_until_s = at_s + TRIGGER_S;
        }
    }

    /// Pitch at once.
    pub fn jump(&mut self, pitch: Pitch) {
        self.follow(pitch);
        self.pitch_v = self.target_v;
    }

    /// Pitch that the note moves to.
    fn follow(&mut self, pitch: Pitch) {
        self.target_v = pitch.volts(self.scale.zero_volt_note);
    }

    /// Level in dBFS that the loudness moves to.
    fn set_level(&mut self, level_db: f32) {
        self.loudness_target_v = loudness_v(f64::from(level_db));
    }

    /// Brightness in units of the fundamental that its voltage moves to: at once where there
    /// was none before. It is held after the note.
    fn set_brightness(&mut self, brightness: f32) {
        let volts = GATE_V * f64::from(self.brightness.share(brightness));
        if self.brightness_target_v.replace(volts).is_none() {
            self.brightness_v = volts;
        }
    }

    /// The note ends; its pitch is held.
    fn stop(&mut self, at_s: f64) {
        self.gate_s.1 = at_s;
        self.target_v = self.pitch_v;
        self.loudness_target_v = 0.0;
    }

    /// Everything low at once; pitch and brightness are held.
    fn silence(&mut self, at_s: f64) {
        self.stop(at_s);
        self.loudness_v = 0.0;
        self.trigger_until_s = f64::NEG_INFINITY;
        self.route_triggers_until_s.fill(f64::NEG_INFINITY);
    }

    /// Fires the trigger of a route, counted from 0.
    pub fn fire_trigger(&mut self, at_s: f64, route: usize) {
        if let Some(until_s) = self.route_triggers_until_s.get_mut(route) {
            *until_s = at_s + TRIGGER_S;
        }
    }

    /// Sample of each voltage at a time, written to `out`: pitch, gate, trigger,
    /// loudness, brightness, route triggers. To be asked for at rising times.
    pub fn next(&mut self, time_s: f64, mut out: impl FnMut(usize, f32)) {
        self.pitch_v = toward(self.pitch_v, self.target_v, self.share);
        self.loudness_v = toward(self.loudness_v, self.loudness_target_v, self.share);
        let brightness_v = self.brightness_target_v.unwrap_or_default();
        self.brightness_v = toward(self.brightness_v, brightness_v, self.share);
        let high = |on: bool| if on { GATE_V } else { 0.0 };
        let volts: [f64; VOLTAGES] = [
            self.pitch_v,
            high(self.gate(time_s)),
            high(time_s < self.trigger_until_s),
            self.loudness_v,
            self.brightness_v,
        ];
        let routes = self.route_triggers_until_s.iter();
        let routes = routes.map(|until_s| high(time_s < *until_s));
        for (at, volts) in volts.into_iter().chain(routes).enumerate() {
            out(at, self.scale.sample(volts));
        }
    }
}

fn toward(from: f64, to: f64, share: f64) -> f64 {
    if share >= 1.0 {
        to
    } else {
        from + share * (to - from)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SCALE: CvScale = CvScale {
        full_scale_v: 10.0,
        offset_v: 0.0,
        zero_volt_note: 60.0,
    };

    const BRIGHTNESS: BrightnessRange = BrightnessRange {
        dark: 1.0,
        bright: 8.0,
    };

    const RATE_HZ: f64 = 48_000.0;

    /// A renderer on the clock of a stream.
    struct Stream {
        renderer: CvRenderer,
        samples: u64,
    }

    impl Stream {
        fn new(route_triggers: usize) -> Self {
            Stream {
                renderer: CvRenderer::new(SCALE, BRIGHTNESS, 0.01, route_triggers),
                samples: 0,
            }
        }

        fn now_s(&self) -> f64 {
            self.samples as f64 / RATE_HZ
        }

        fn start(&mut self, pitch: f64, slurred: bool) {
            let now_s = self.now_s();
            self.renderer.jump(Pitch(pitch));
            self.renderer.start(now_s, slurred);
            self.renderer.set_level(-30.0);
        }

        /// Volts of the channels over so many samples.
        fn run(&mut self, samples: usize) -> Vec<[f32; 6]> {
            let mut frames = Vec::new();
            for _ in 0..samples {
                let mut frame = [0.0; 6];
                let time_s = (self.samples as f64 + 0.5) / RATE_HZ;
                self.renderer
                    .next(time_s, |at, sample| frame[at] = sample * 10.0);
                self.samples += 1;
                frames.push(frame);
            }
            frames
        }
    }

    #[test]
    fn loudness_spans_the_gate_voltage() {
        assert_eq!(loudness_v(0.0), GATE_V);
        assert_eq!(loudness_v(-60.0), 0.0);
        assert_eq!(loudness_v(-90.0), 0.0);
        assert!((loudness_v(-30.0) - 2.5).abs() < 1e-12);
    }

    #[test]
    fn a_note_comes_out_as_standard_voltages() {
        let mut cv = Stream::new(1);
        cv.start(72.0, false);
        let got = cv.run(4_800);
        assert!(got.iter().all(|v| (v[0] - 1.0).abs() < 1e-6 && v[1] == 5.0));
        assert_eq!(got.iter().filter(|v| v[2] == 5.0).count(), 240);
        assert!((got[4_799][3] - 2.5).abs() < 1e-3);
        let now_s = cv.now_s();
        cv.renderer.stop(now_s);
        let after = cv.run(4_800);
        assert!(
            after
                .iter()
                .all(|v| (v[0] - 1.0).abs() < 1e-6 && v[1] == 0.0)
        );
    }

    #[test]
    fn tongue_drops_the_gate_and_a_slur_does_not() {
        let mut cv = Stream::new(0);
        cv.start(60.0, false);
        cv.run(480);
        cv.start(62.0, true);
        let slurred = cv.run(480);
        assert!(slurred.iter().all(|v| v[1] == 5.0 && v[2] == 0.0));
        cv.start(62.0, false);
        let tongued = cv.run(480);
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
        assert!(!scale.clips(8.1, 1e-3) && scale.clips(8.2, 1e-3));
        assert!(!scale.clips(-7.9, 1e-3) && scale.clips(-8.0, 1e-3));
    }

    #[test]
    fn brightness_moves_without_steps_and_is_held() {
        let mut cv = Stream::new(0);
        cv.start(60.0, false);
        assert!(cv.run(10).iter().all(|v| v[4] == 0.0));
        // An octave above the fundamental of three.
        cv.renderer.set_brightness(2.0);
        assert!(cv.run(10).iter().all(|v| (v[4] - 5.0 / 3.0).abs() < 1e-4));
        cv.renderer.set_brightness(8.0);
        let got = cv.run(4_800);
        assert!(got.windows(2).all(|v| (v[1][4] - v[0][4]).abs() < 0.034));
        let now_s = cv.now_s();
        cv.renderer.stop(now_s);
        cv.renderer.silence(now_s);
        assert!(cv.run(480).iter().all(|v| (v[4] - 5.0).abs() < 1e-3));
    }

    #[test]
    fn routes_have_triggers_of_their_own() {
        let mut cv = Stream::new(1);
        cv.renderer.fire_trigger(0.0, 0);
        cv.renderer.fire_trigger(0.0, 9);
        let got = cv.run(480);
        assert_eq!(got.iter().filter(|v| v[5] == 5.0).count(), 240);
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
