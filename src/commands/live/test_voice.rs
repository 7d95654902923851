//! The doubling voice playing by itself, for the fourth part of a soundcheck.

use std::time::{Duration, Instant};

use leadpipe::internals::live::control_event::{ControlEvent, NoteName, NoteOn};
use leadpipe::internals::live::output_device::{OutputConfig, OutputDevice};
use leadpipe::internals::live::rig::Rig;
use leadpipe::internals::live::routes::Routes;
use leadpipe::{Attack, Concert, Pitch, Result, Written};

/// Notes that it repeats (low, middle, high), and the length of each.
const KEYS: [u8; 3] = [46, 58, 70];
const NOTE_LENGTH: Duration = Duration::from_millis(500);

/// The rig's own voice, playing by itself at full strength.
pub struct RigVoice {
    output_device: OutputDevice,
    next: usize,
    due: Instant,
}

impl RigVoice {
    /// Starts the voice, if the rig has one.
    pub fn start(rig: &Rig) -> Result<Option<Self>> {
        if !rig.double.on {
            return Ok(None);
        }
        let config = OutputConfig {
            device: rig.double.device.clone(),
            voice: Some((rig.voice(), rig.voice_channels()?)),
            ..OutputConfig::default()
        };
        Ok(Some(RigVoice {
            output_device: OutputDevice::open(config, Routes::default())?,
            next: 0,
            due: Instant::now(),
        }))
    }

    /// Continues playing; call every few milliseconds.
    pub fn render(&mut self) {
        if Instant::now() >= self.due {
            self.due += NOTE_LENGTH;
            let key = KEYS[self.next % KEYS.len()];
            self.next += 1;
            self.output_device.handle(&ControlEvent::NoteOn(NoteOn {
                at_s: 0.0,
                onset_s: 0.0,
                name: NoteName {
                    concert: Concert(key.into()),
                    written: Written(key.into()),
                    played: key.into(),
                    cents: 0.0,
                    key,
                    pitch: Pitch(key.into()),
                },
                velocity: 1.0,
                strength: 1.0,
                level_db: 0.0,
                attack: Attack::Tongued,
            }));
        }
        self.output_device.render_ahead();
    }

    /// Stops the voice.
    pub fn close(self) {
        self.output_device.close();
    }
}
