//! Brass-like additive synthesis.
//!
//! What makes a tone brassy is that its partials grow with loudness, higher ones faster,
//! and appear in that order in the attack (Risset and Mathews,
//! Physics Today 22(2), 1969). So one envelope drives everything: the amplitude
//! of partial k is that of the envelope raised to a power that grows with k.

use std::f64::consts::TAU;

/// How a played note starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Start {
    /// With the tongue: a quick rise and a small burst of noise.
    Tongued,
    /// Slurred from the previous note, without a gap.
    Slurred,
    /// With air alone: a slow rise.
    Breath,
}

impl Start {
    /// Rise of the air, seconds to 63 %.
    pub fn rise_s(self) -> f64 {
        match self {
            Start::Breath => 0.09,
            Start::Tongued | Start::Slurred => 0.008,
        }
    }
}

/// What the pitch does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Bend {
    /// Nothing.
    Straight,
    /// From this many cents below, over this many seconds.
    Scoop { cents: f64, over_s: f64 },
    /// Down by this many cents over the last seconds given.
    Fall { cents: f64, over_s: f64 },
    /// Up by this many cents over the last seconds given.
    Doit { cents: f64, over_s: f64 },
    /// Sine of a rate in hertz and an extent in cents (half of peak to peak).
    Vibrato { rate_hz: f64, extent_cents: f64 },
    /// Alternation with a pitch this many semitones above, this many times a second.
    Shake { semitones: f64, rate_hz: f64 },
    /// Steadily to a pitch this many semitones away.
    Slide { semitones: f64 },
}

/// A note as it is played.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Played {
    /// Start in seconds.
    pub onset_s: f64,
    /// When the air stops, in seconds.
    pub end_s: f64,
    /// Sounding pitch, MIDI semitones.
    pub pitch: f64,
    /// Loudness from 0 (as soft as possible) to 1.
    pub force: f64,
    /// How it starts.
    pub start: Start,
    /// What the pitch does.
    pub bend: Bend,
    /// Tongue roll, times a second; 0 for none.
    pub flutter_hz: f64,
}

impl Played {
    /// Tongued, straight note.
    pub fn new(onset_s: f64, end_s: f64, pitch: f64, force: f64) -> Self {
        Played {
            onset_s,
            end_s,
            pitch,
            force,
            start: Start::Tongued,
            bend: Bend::Straight,
            flutter_hz: 0.0,
        }
    }

    /// The same note slurred.
    pub fn slurred(self) -> Self {
        Played {
            start: Start::Slurred,
            ..self
        }
    }

    /// The same note bent.
    pub fn bent(self, bend: Bend) -> Self {
        Played { bend, ..self }
    }

    /// Pitch at a time, MIDI semitones.
    fn pitch_at(&self, time_s: f64) -> f64 {
        let since = time_s - self.onset_s;
        let left = self.end_s - time_s;
        // Slides accelerate and slow down, as an arm or a lip does.
        let ease = |x: f64| 0.5 - 0.5 * (std::f64::consts::PI * x.clamp(0.0, 1.0)).cos();
        let bend = match self.bend {
            Bend::Straight => 0.0,
            Bend::Scoop { cents, over_s } => -cents / 100.0 * (1.0 - ease(since / over_s)),
            Bend::Fall { cents, over_s } => -cents / 100.0 * ease(1.0 - left / over_s),
            Bend::Doit { cents, over_s } => cents / 100.0 * ease(1.0 - left / over_s),
            Bend::Vibrato {
                rate_hz,
                extent_cents,
            } => {
                // It begins after a delay.
                let depth = ease((since - 0.15) / 0.25) * extent_cents / 100.0;
                depth * (TAU * rate_hz * since).sin()
            }
            Bend::Shake { semitones, rate_hz } => {
                // A lip jumps between partials: a clipped sine.
                let wave = (4.0 * (TAU * rate_hz * since - 0.25 * TAU).sin()).tanh();
                semitones * (0.5 + 0.5 * wave)
            }
            Bend::Slide { semitones } => semitones * since / (self.end_s - self.onset_s),
        };
        self.pitch + bend
    }
}

/// Settings of the room and the horn.
#[derive(Debug, Clone, Copy)]
pub struct Room {
    /// Sample rate in hertz.
    pub sample_rate_hz: f64,
    /// Noise of the room, dBFS RMS.
    pub noise_db: f64,
    /// Breath in the tone, dB relative to it.
    pub breath_db: f64,
}

impl Default for Room {
    fn default() -> Self {
        Room {
            sample_rate_hz: 48_000.0,
            noise_db: -66.0,
            breath_db: -38.0,
        }
    }
}

const PARTIALS: usize = 24;
/// Fall of the air after the note, seconds to 37 %.
const RELEASE_S: f64 = 0.022;
/// Time a valve takes, seconds.
const VALVE_S: f64 = 0.012;

/// Fast white noise that is the same on every machine.
#[derive(Debug, Clone)]
pub struct Noise(u64);

impl Noise {
    /// Noise from a seed.
    pub fn new(seed: u64) -> Self {
        Noise(
            seed.wrapping_mul(2_862_933_555_777_941_757)
                .wrapping_add(3_037_000_493),
        )
    }

    /// Next value, uniform from -1 to 1.
    pub fn value(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

/// Renders notes (in order, without overlap) for `length_s` seconds.
pub fn play(notes: &[Played], length_s: f64, room: &Room, seed: u64) -> Vec<f32> {
    let rate_hz = room.sample_rate_hz;
    let step_s = 1.0 / rate_hz;
    let mut noise = Noise::new(seed);
    let room_gain = 3f64.sqrt() * 10f64.powf(room.noise_db / 20.0);
    let breath_gain = 10f64.powf(room.breath_db / 20.0);
    let (mut phase, mut air, mut pitch, mut at) = (0.0f64, 0.0f64, None, 0);
    let mut hiss = 0.0;
    let count = (length_s * rate_hz).round() as usize;
    let mut out = Vec::with_capacity(count);
    for i in 0..count {
        let time_s = i as f64 * step_s;
        while notes.get(at + 1).is_some_and(|n| n.onset_s <= time_s) {
            at += 1;
        }
        let note = notes.get(at).filter(|n| n.onset_s <= time_s);
        let sounding = note.filter(|n| time_s < n.end_s);
        let (goal, time_to_s) = match sounding {
            Some(n) => (n.force, n.start.rise_s()),
            None => (0.0, RELEASE_S),
        };
        air += (goal - air) * (1.0 - (-step_s / time_to_s).exp());
        let burst = match note {
            Some(n) if n.start == Start::Tongued => (-(time_s - n.onset_s) / 0.006).exp() * n.force,
            _ => 0.0,
        };
        if let Some(n) = note {
            let wanted = n.pitch_at(time_s.min(n.end_s));
            // Only a valve takes time; the tongue stops the air meanwhile.
            let now = match pitch {
                Some(p) if n.start == Start::Slurred => {
                    p + (wanted - p) * (1.0 - (-step_s / (VALVE_S / 3.0)).exp())
                }
                _ => wanted,
            };
            pitch = Some(now);
        }
        let mut sample = room_gain * noise.value();
        if air > 1e-4
            && let Some(p) = pitch
        {
            let hz = crate::units::Pitch(p).hz();
            phase = (phase + hz * step_s).fract();
            let roll = note.map_or(1.0, |n| match n.flutter_hz {
                0.0 => 1.0,
                roll_hz => 0.62 + 0.38 * (TAU * roll_hz * (time_s - n.onset_s)).cos(),
            });
            hiss += 0.3 * (noise.value() - hiss);
            let breath = breath_gain * (air + 2.0 * burst) * hiss;
            sample += 0.35 * roll * (tone(phase, hz, air, rate_hz) + 4.0 * breath);
        }
        out.push(sample as f32);
    }
    out
}

/// Sum of the partials at a phase (turns), for an air pressure from 0 to 1.
fn tone(phase: f64, hz: f64, air: f64, rate_hz: f64) -> f64 {
    let level = air.clamp(1e-4, 1.0).ln();
    let mut sum = 0.0;
    // exp(k x) by multiplication, sine by rotation: one call each a sample.
    let turn = (TAU * phase).sin_cos();
    let (mut sine, mut cosine) = (0.0, 1.0);
    let growth = (0.35 * level).exp();
    let fade = (-0.22f64).exp();
    let mut amplitude = (1.2 * level).exp();
    for k in 1..=PARTIALS {
        if hz * k as f64 > 0.45 * rate_hz {
            break;
        }
        (sine, cosine) = (
            sine * turn.1 + cosine * turn.0,
            cosine * turn.1 - sine * turn.0,
        );
        // The second and third partials of a brass tone are stronger than the first.
        let body = match k {
            1 => 0.7,
            2 => 1.0,
            3 => 0.9,
            _ => 0.8,
        };
        sum += body * amplitude * sine;
        amplitude *= growth * fade;
    }
    0.35 * sum
}
