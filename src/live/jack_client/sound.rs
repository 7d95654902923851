//! Sound by JACK: clients whose ports are numbered as the options count channels.

use std::sync::Arc;

use jack::{AudioIn, AudioOut, Client, Control, Port, PortFlags, ProcessHandler, ProcessScope};

use super::{Counted, Patch, Running, moment, open};
use crate::live::callbacks::{CaptureCallback, PlaybackCallback, StreamStatus};

/// A running client; closed when it is dropped.
pub struct SoundClient(#[allow(dead_code)] Running);

/// Channels, where the options ask for no others.
pub const CHANNELS: usize = 2;

/// A client that is not running yet.
pub struct Opened {
    client: Client,
    counted: Counted,
    patch: Patch,
}

impl Opened {
    /// Opens the client for sound in.
    ///
    /// # Errors
    /// Why the server cannot be used.
    pub fn input(patch: Patch) -> Result<Self, String> {
        let (counted, client) = open("leadpipe-in")?;
        Ok(Opened {
            client,
            counted,
            patch,
        })
    }

    /// Opens the client for sound out.
    ///
    /// # Errors
    /// Why the server cannot be used.
    pub fn output(patch: Patch) -> Result<Self, String> {
        let (counted, client) = open("leadpipe-out")?;
        Ok(Opened {
            client,
            counted,
            patch,
        })
    }

    /// Sample rate of the server in hertz.
    pub fn rate_hz(&self) -> f64 {
        f64::from(self.client.sample_rate())
    }

    /// Registers `in_1` and on, and starts the callback.
    ///
    /// # Errors
    /// What the server refuses.
    pub fn capture(
        self,
        channels: usize,
        callback: CaptureCallback,
        status: &Arc<StreamStatus>,
    ) -> Result<SoundClient, String> {
        let register = |i: usize| {
            self.client
                .register_port(&format!("in_{i}"), AudioIn::default())
        };
        let ports: Result<Vec<_>, _> = (1..=channels).map(register).collect();
        let process = CaptureClient {
            ports: ports.map_err(|e| e.to_string())?,
            block: vec![0.0; channels * self.client.buffer_size() as usize],
            callback,
        };
        let sources = Some("^system:capture_");
        let sources = self.client.ports(sources, None, PortFlags::IS_OUTPUT);
        self.run(process, status, numbered("in", sources, channels))
    }

    /// Registers `out_1` and on, and starts the callback.
    ///
    /// # Errors
    /// What the server refuses.
    pub fn playback(
        self,
        channels: usize,
        callback: PlaybackCallback,
        status: &Arc<StreamStatus>,
    ) -> Result<SoundClient, String> {
        let register = |i: usize| {
            self.client
                .register_port(&format!("out_{i}"), AudioOut::default())
        };
        let ports: Result<Vec<_>, _> = (1..=channels).map(register).collect();
        let process = PlaybackClient {
            ports: ports.map_err(|e| e.to_string())?,
            block: vec![0.0; channels * self.client.buffer_size() as usize],
            callback,
        };
        let sinks = Some("^system:playback_");
        let sinks = self.client.ports(sinks, None, PortFlags::IS_INPUT);
        self.run(process, status, numbered("out", sinks, channels))
    }

    fn run(
        self,
        process: impl ProcessHandler + 'static,
        status: &Arc<StreamStatus>,
        usual: Vec<(String, String)>,
    ) -> Result<SoundClient, String> {
        let status = status.clone();
        let running = Running::start(
            (self.counted, self.client),
            process,
            status,
            self.patch,
            usual,
            None,
        );
        Ok(SoundClient(running?))
    }
}

/// Each of the first `channels` ports with its counterpart.
fn numbered(what: &str, others: Vec<String>, channels: usize) -> Vec<(String, String)> {
    let own = (1..=channels).map(|i| format!("{what}_{i}"));
    own.zip(others).collect()
}

struct CaptureClient {
    ports: Vec<Port<AudioIn>>,
    /// Interleaved frames.
    block: Vec<f32>,
    callback: CaptureCallback,
}

impl ProcessHandler for CaptureClient {
    fn process(&mut self, client: &Client, scope: &ProcessScope) -> Control {
        let channels = self.ports.len();
        for (at, port) in self.ports.iter().enumerate() {
            let frames = self.block[at..].iter_mut().step_by(channels);
            frames
                .zip(port.as_slice(scope))
                .for_each(|(to, from)| *to = *from);
        }
        let filled = (channels * scope.n_frames() as usize).min(self.block.len());
        self.callback.dated(moment(client, scope, 0));
        self.callback.process(&self.block[..filled]);
        Control::Continue
    }

    fn buffer_size(&mut self, _: &Client, frames: jack::Frames) -> Control {
        self.block.resize(self.ports.len() * frames as usize, 0.0);
        Control::Continue
    }
}

struct PlaybackClient {
    ports: Vec<Port<AudioOut>>,
    /// Interleaved frames.
    block: Vec<f32>,
    callback: PlaybackCallback,
}

impl ProcessHandler for PlaybackClient {
    fn process(&mut self, client: &Client, scope: &ProcessScope) -> Control {
        let channels = self.ports.len();
        let filled = (channels * scope.n_frames() as usize).min(self.block.len());
        self.callback.dated(moment(client, scope, 0));
        self.callback.process(&mut self.block[..filled]);
        for (at, port) in self.ports.iter_mut().enumerate() {
            let frames = self.block[at..filled].iter().step_by(channels);
            port.as_mut_slice(scope)
                .iter_mut()
                .zip(frames)
                .for_each(|(to, from)| *to = *from);
        }
        Control::Continue
    }

    fn buffer_size(&mut self, _: &Client, frames: jack::Frames) -> Control {
        self.block.resize(self.ports.len() * frames as usize, 0.0);
        Control::Continue
    }
}
