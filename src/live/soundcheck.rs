//! Evaluates a soundcheck: noise of the room, levels of the player, bleed of the
//! rig.

use crate::analysis::Settings;
use crate::error::{Error, Result};
use crate::notes::segment::NoteEvent;
use crate::statistics;
use crate::transcriber::{Event, Tracker};
use crate::units::{db_power, power_db};

/// Levels of one part of a soundcheck, in dBFS, each the mean power over
/// 20 ms.
#[derive(Debug, Clone, Default)]
pub struct LevelReadings {
    /// All windows.
    all: Vec<f64>,
    /// Windows that a note sounds in most of.
    tone: Vec<f64>,
}

/// Window of a level reading, in seconds: about a period of the lowest horn.
const WINDOW_S: f64 = 0.02;

/// Measures the levels of one part.
pub struct LevelMeter {
    tracker: Tracker,
    window_hops: usize,
    /// Whether a note sounds.
    sounding: bool,
    power: f64,
    tone_hops: usize,
    hops: usize,
    readings: LevelReadings,
}

impl LevelMeter {
    /// Meter for one channel.
    pub fn new(settings: Settings) -> Self {
        let tracker = Tracker::new(settings);
        LevelMeter {
            window_hops: (WINDOW_S / tracker.hop_s()).round().max(1.0) as usize,
            tracker,
            sounding: false,
            power: 0.0,
            tone_hops: 0,
            hops: 0,
            readings: LevelReadings::default(),
        }
    }

    /// Takes samples.
    pub fn push(&mut self, samples: &[f32]) {
        let (power, tone_hops, hops) = (&mut self.power, &mut self.tone_hops, &mut self.hops);
        let (readings, window_hops) = (&mut self.readings, self.window_hops);
        let sounding = &mut self.sounding;
        self.tracker.push(samples, |event| {
            let frame = match event {
                Event::Frame(frame) => frame,
                Event::Note(event) => {
                    *sounding = matches!(event, NoteEvent::Started(_));
                    return;
                }
            };
            *power += f64::from(db_power(frame.level_db));
            *tone_hops += usize::from(*sounding);
            *hops += 1;
            if *hops == window_hops {
                let level_db = f64::from(power_db((*power / window_hops as f64) as f32));
                readings.all.push(level_db);
                if *tone_hops * 2 > window_hops {
                    readings.tone.push(level_db);
                }
                (*power, *tone_hops, *hops) = (0.0, 0, 0);
            }
        });
    }

    /// The readings.
    pub fn finish(self) -> LevelReadings {
        self.readings
    }
}

impl LevelReadings {
    /// Quantile of all levels, dBFS; `share` from 0 to 1.
    fn quantile(&self, share: f64) -> f64 {
        quantile(&self.all, share)
    }

    /// Quantile of the levels of tone; of all levels where there is no tone.
    fn tone_quantile(&self, share: f64) -> f64 {
        match self.tone.len() {
            0 => self.quantile(share),
            _ => quantile(&self.tone, share),
        }
    }

    /// Duration of tone, in seconds.
    fn tone_s(&self) -> f64 {
        self.tone.len() as f64 * WINDOW_S
    }
}

fn quantile(values: &[f64], share: f64) -> f64 {
    statistics::quantile(&mut values.to_vec(), share).unwrap_or(-120.0)
}

/// Result of a soundcheck, in dBFS.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SoundcheckResult {
    pub room_db: f64,
    pub soft_db: f64,
    pub loud_db: f64,
    /// The rig's bleed into the microphone.
    pub bleed_db: f64,
    /// Noise gate to use.
    pub gate_db: f64,
}

/// Margin of the gate above room and bleed, and below soft playing, in dB.
const GATE_MARGIN_DB: f64 = 6.0;
/// How far bleed must be below soft playing, in dB: with a pad nearer than this,
/// extra notes appear (`cargo run --release --example measure`).
const MIN_CLEARANCE_DB: f64 = 35.0;
/// Least duration of tone in a part, in seconds.
const MIN_TONE_S: f64 = 0.5;
/// Levels above this are about to clip, dBFS.
const CLIP_WARNING_DB: f64 = -6.0;

impl SoundcheckResult {
    /// Combines the four parts.
    pub fn new(
        room: &LevelReadings,
        soft: &LevelReadings,
        loud: &LevelReadings,
        rig: &LevelReadings,
    ) -> Self {
        let room_db = room.quantile(0.9);
        let soft_db = soft.tone_quantile(0.2);
        let loud_db = loud.tone_quantile(0.95).max(soft_db + 3.0);
        let bleed_db = rig.quantile(0.95);
        let above_noise_db = room_db.max(bleed_db) + GATE_MARGIN_DB;
        SoundcheckResult {
            room_db,
            soft_db,
            loud_db,
            bleed_db,
            // A gate that cuts off soft notes is worse than none.
            gate_db: above_noise_db
                .min(soft_db - GATE_MARGIN_DB)
                .clamp(-90.0, -10.0),
        }
    }

    /// Checks that both soft and loud playing contain enough tone for the levels to mean
    /// something.
    ///
    /// # Errors
    /// [`Error::Unheard`] naming the parts that do not.
    pub fn check_playing(soft: &LevelReadings, loud: &LevelReadings) -> Result<()> {
        let lacks = |part: &LevelReadings| part.tone_s() < MIN_TONE_S;
        let what = match (lacks(soft), lacks(loud)) {
            (true, true) => "neither soft nor loud",
            (true, false) => "no soft",
            (false, true) => "no loud",
            (false, false) => return Ok(()),
        };
        Err(Error::Unheard {
            problem: format!("{what} notes were heard, so nothing was measured or stored"),
            hint: "check channel and microphone, and play longer".into(),
        })
    }

    /// Refuses a gate under the noise that it should keep out, because soft playing is
    /// hardly louder than that, or softer.
    ///
    /// # Errors
    /// [`Error::Setting`] saying what is too loud.
    pub fn check_gate(&self) -> Result<()> {
        let (noise_db, what) = match self.bleed_db > self.room_db {
            true => (self.bleed_db, "the rig in the microphone"),
            false => (self.room_db, "the room"),
        };
        if self.gate_db > noise_db {
            return Ok(());
        }
        // As the numbers beside it read.
        let relation = match self.soft_db.round() - noise_db.round() {
            db if db < 0.0 => "softer than",
            db if db > 0.0 => "hardly louder than",
            _ => "no louder than",
        };
        Err(Error::setting(
            format!(
                "soft playing at {:.0} dBFS is {relation} {what} at {noise_db:.0} dBFS, and no gate can tell them apart; nothing was stored",
                self.soft_db
            ),
            "go closer to the microphone or make it quieter, then start again",
        ))
    }

    /// How far the rig's bleed is below soft playing, in dB.
    pub fn clearance_db(&self) -> f64 {
        self.soft_db - self.bleed_db
    }

    /// The rig's bleed compared with soft playing, as text.
    pub fn bleed_in_words(&self) -> String {
        let (distance_db, relation) = match self.clearance_db() {
            db if db < 0.0 => (-db, "louder"),
            db => (db, "softer"),
        };
        format!("{distance_db:.0} dB {relation} than your soft playing")
    }

    /// What should be done before playing.
    pub fn warnings(&self) -> Vec<String> {
        let mut warnings = Vec::new();
        if self.loud_db > CLIP_WARNING_DB {
            warnings.push("loud playing comes near full scale: turn the input down".into());
        }
        let above_room_db = self.soft_db - self.room_db;
        if above_room_db < 2.0 * GATE_MARGIN_DB {
            let how = match above_room_db.round() > 0.0 {
                true => format!("only {above_room_db:.0} dB louder"),
                false => "no louder".into(),
            };
            warnings.push(format!(
                "soft playing is {how} than the room: go closer to the microphone, or make the room quieter"
            ));
        }
        // Bleed below the room's noise does not matter.
        if self.bleed_db > self.room_db + 3.0 && self.clearance_db() < MIN_CLEARANCE_DB {
            warnings.push(format!(
                "the rig bleeds into the microphone, {}; unless it is {MIN_CLEARANCE_DB:.0} dB softer it may be taken for notes: turn speakers down or away, go closer to the microphone, or use headphones or a pickup",
                self.bleed_in_words()
            ));
        }
        warnings
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::brass::{Noise, Played, Room, play};

    fn measure(samples: &[f32]) -> LevelReadings {
        let mut meter = LevelMeter::new(Settings::builder(48_000.0).build().unwrap());
        meter.push(samples);
        meter.finish()
    }

    fn notes(force: f64) -> LevelReadings {
        let room = Room {
            noise_db: -70.0,
            ..Room::default()
        };
        let notes = [
            Played::new(0.3, 1.4, 58.0, force),
            Played::new(1.6, 2.8, 62.0, force),
        ];
        measure(&play(&notes, 3.0, &room, 1))
    }

    fn noise(level_db: f64) -> LevelReadings {
        let mut noise = Noise::new(9);
        let gain = 3f64.sqrt() * 10f64.powf(level_db / 20.0);
        let samples: Vec<f32> = (0..144_000)
            .map(|_| (gain * noise.value()) as f32)
            .collect();
        measure(&samples)
    }

    #[test]
    fn a_good_stage_has_nothing_to_warn_of() {
        let (room, soft, loud, rig) = (noise(-75.0), notes(0.3), notes(0.9), noise(-74.0));
        let result = SoundcheckResult::new(&room, &soft, &loud, &rig);
        // The analysis hears a quarter of this noise's bandwidth: 6 dB less.
        assert!((result.room_db + 81.0).abs() < 1.5, "{result:?}");
        assert!(result.loud_db > result.soft_db + 8.0, "{result:?}");
        assert!(result.gate_db > result.room_db && result.gate_db < result.soft_db);
        assert_eq!(result.warnings(), Vec::<String>::new(), "{result:?}");
    }

    #[test]
    fn a_gate_that_cannot_work_is_refused_in_words_that_are_true() {
        let levels = |soft_db, bleed_db| SoundcheckResult {
            room_db: -70.0,
            soft_db,
            loud_db: -20.0,
            bleed_db,
            gate_db: soft_db - GATE_MARGIN_DB,
        };
        for (soft_db, bleed_db, words) in [
            (-54.9, -49.0, "-55 dBFS is softer than the rig"),
            (-49.2, -49.0, "-49 dBFS is no louder than the rig"),
            (-45.0, -49.0, "-45 dBFS is hardly louder than the rig"),
        ] {
            let error = levels(soft_db, bleed_db).check_gate().unwrap_err();
            assert!(error.to_string().contains(words), "{error}");
        }
        assert!(levels(-40.0, -60.0).check_gate().is_ok());
        let drowned = SoundcheckResult {
            room_db: -50.0,
            ..levels(-54.9, -60.0)
        };
        let warnings = drowned.warnings();
        assert!(
            warnings[0].contains("no louder than the room"),
            "{warnings:?}"
        );
    }

    #[test]
    fn bleed_and_silence_are_told() {
        let (room, soft, loud) = (noise(-75.0), notes(0.3), notes(0.9));
        let rig = notes(0.12);
        let result = SoundcheckResult::new(&room, &soft, &loud, &rig);
        assert!(result.clearance_db() < 35.0, "{result:?}");
        let warnings = result.warnings();
        assert!(
            warnings.iter().any(|w| w.contains("bleeds")),
            "{warnings:?}"
        );
        let heard = SoundcheckResult::check_playing;
        assert!(heard(&soft, &loud).is_ok());
        for (soft, loud, words) in [
            (&room, &loud, "no soft notes"),
            (&soft, &room, "no loud notes"),
            (&room, &room, "neither soft nor loud notes"),
        ] {
            let error = heard(soft, loud).unwrap_err();
            assert!(error.to_string().starts_with(words), "{error}");
        }
    }
}
