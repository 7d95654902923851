//! Opens device streams and connects them to ring buffers.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Instant;

use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{
    BufferSize, Device, ErrorKind, FromSample, Sample, SampleFormat, SizedSample, StreamConfig,
    SupportedBufferSize, SupportedStreamConfig, SupportedStreamConfigRange,
};
use rtrb::{Consumer, Producer};

use super::callbacks::{self, CaptureCallback, PlaybackCallback, StreamStatus};
use super::clock::stream_time::{BlockTime, Moment};
use super::closing;
use super::devices::{self, Direction, SoundDevice};
#[cfg(feature = "jack")]
use super::jack_client::sound::{self, Opened, SoundClient};
use super::midi_system::Patch;
use crate::error::{Error, Result};

/// Capacity of the rings between callbacks and engine, in seconds: the engine may
/// be this late before frames are lost.
const RING_S: f64 = 0.5;
/// Time allowed for opening a stream; an attempt abandoned sooner continues in the
/// background and blocks the next one.
const OPEN_TIMEOUT: std::time::Duration = std::time::Duration::from_secs(15);

/// An open input.
pub struct InputStream {
    /// Frames of the chosen channel.
    pub ring: Consumer<f32>,
    /// When its blocks were captured.
    pub times: Consumer<BlockTime>,
    /// State reported by the callback.
    pub status: Arc<StreamStatus>,
    /// Sample rate in hertz.
    pub rate_hz: f64,
    /// Name of the device.
    pub device: String,
    /// The running stream; none where a test stands in for the device.
    pub(super) _stream: Option<RunningStream>,
}

/// An open output.
pub struct OutputStream {
    /// Interleaved frames.
    pub ring: Producer<f32>,
    /// When its blocks are played.
    pub times: Consumer<BlockTime>,
    /// State reported by the callback.
    pub status: Arc<StreamStatus>,
    /// Sample rate in hertz.
    pub rate_hz: f64,
    /// Channels of a frame.
    pub channels: usize,
    /// Name of the device.
    pub device: String,
    /// The running stream; none where a test stands in for the device.
    pub(super) _stream: Option<RunningStream>,
}

/// A stream that runs until it is dropped. It is closed on a thread of its own: the
/// library of a sound server that has died may never return from that.
pub struct RunningStream(Option<StreamOf>);

/// Whose stream.
enum StreamOf {
    #[cfg(feature = "jack")]
    Jack(#[allow(dead_code)] SoundClient),
    System(#[allow(dead_code)] cpal::Stream),
}

impl Drop for RunningStream {
    fn drop(&mut self) {
        closing::close(self.0.take());
    }
}

/// What of a device an input takes.
#[derive(Debug, Clone, Default)]
pub struct InputRequest {
    /// The device; the default one if left out.
    pub device: Option<String>,
    /// One of its channels, from 0; the mix of all if left out.
    pub channel: Option<usize>,
    /// Frames in a block, if the device supports it.
    pub block: Option<u32>,
    /// What its ports are connected to.
    pub patch: Patch,
}

/// Opens an input.
///
/// # Errors
/// [`Error::Device`] where it cannot be opened this way.
pub fn open_input(wanted: &InputRequest) -> Result<InputStream> {
    let _lock = devices::open_close_lock();
    let device = devices::find(wanted.device.as_deref(), Direction::Input)?;
    match &device {
        #[cfg(feature = "jack")]
        SoundDevice::Jack(_) => open_jack_input(&device, wanted),
        SoundDevice::System(system) => open_system_input(&device, system, wanted),
    }
}

fn open_system_input(
    device: &SoundDevice,
    system: &cpal::Device,
    wanted: &InputRequest,
) -> Result<InputStream> {
    let failed = |e: cpal::Error| device.error(&e, Direction::Input);
    let default = system.default_input_config().map_err(failed)?;
    let channels = wanted.channels(default.channels().into());
    let supported = system.supported_input_configs().map_err(failed)?;
    check_channels(device, channels, most_channels(&default, supported))?;
    let config = stream_config(device, &default, channels, wanted.block)?;
    let rate_hz = f64::from(config.sample_rate);
    let (mut callback, ring, status) = wanted.capture(rate_hz, channels);
    let times = callback.report_times();
    let format = default.sample_format();
    let stream = match format {
        SampleFormat::F32 => build_input::<f32>(system, config, callback, &status),
        SampleFormat::I16 => build_input::<i16>(system, config, callback, &status),
        SampleFormat::I24 => build_input::<cpal::I24>(system, config, callback, &status),
        SampleFormat::I32 => build_input::<i32>(system, config, callback, &status),
        SampleFormat::U8 => build_input::<u8>(system, config, callback, &status),
        SampleFormat::U16 => build_input::<u16>(system, config, callback, &status),
        SampleFormat::F64 => build_input::<f64>(system, config, callback, &status),
        _ => return Err(unsupported_format(device, format)),
    };
    Ok(InputStream {
        ring,
        times,
        status,
        rate_hz,
        _stream: Some(started(stream).map_err(failed)?),
        device: device.id(),
    })
}

impl InputRequest {
    /// How many channels to ask for: for one beyond the default ones, more.
    fn channels(&self, default: usize) -> usize {
        self.channel.map_or(default, |at| default.max(at + 1))
    }

    fn capture(
        &self,
        rate_hz: f64,
        channels: usize,
    ) -> (CaptureCallback, Consumer<f32>, Arc<StreamStatus>) {
        callbacks::capture_callback(channels, self.channel, (RING_S * rate_hz) as usize)
    }
}

/// What of a device an output takes.
#[derive(Debug, Clone, Default)]
pub struct OutputRequest<'a> {
    /// The device; the default one if left out.
    pub device: Option<&'a str>,
    /// Least number of channels.
    pub min_channels: usize,
    /// Channels, from 0, that carry control voltages.
    pub cv: &'a [usize],
    /// Frames in a block, if the device supports it.
    pub block: Option<u32>,
    /// What its ports are connected to.
    pub patch: Patch,
}

/// Opens an output.
///
/// # Errors
/// [`Error::Device`] where it cannot be opened this way.
pub fn open_output(wanted: &OutputRequest) -> Result<OutputStream> {
    let _lock = devices::open_close_lock();
    let device = devices::find(wanted.device, Direction::Output)?;
    match &device {
        #[cfg(feature = "jack")]
        SoundDevice::Jack(_) => open_jack_output(&device, wanted),
        SoundDevice::System(system) => open_system_output(&device, system, wanted),
    }
}

fn open_system_output(
    device: &SoundDevice,
    system: &cpal::Device,
    wanted: &OutputRequest,
) -> Result<OutputStream> {
    let failed = |e: cpal::Error| device.error(&e, Direction::Output);
    let default = system.default_output_config().map_err(failed)?;
    let channels = wanted.min_channels.max(default.channels().into());
    let supported = system.supported_output_configs().map_err(failed)?;
    check_channels(device, channels, most_channels(&default, supported))?;
    let config = stream_config(device, &default, channels, wanted.block)?;
    let rate_hz = f64::from(config.sample_rate);
    let (mut callback, ring, status) = wanted.playback(rate_hz, channels);
    let times = callback.report_times();
    let format = default.sample_format();
    let stream = match format {
        SampleFormat::F32 => build_output::<f32>(system, config, callback, &status),
        SampleFormat::I16 => build_output::<i16>(system, config, callback, &status),
        SampleFormat::I24 => build_output::<cpal::I24>(system, config, callback, &status),
        SampleFormat::I32 => build_output::<i32>(system, config, callback, &status),
        SampleFormat::U8 => build_output::<u8>(system, config, callback, &status),
        SampleFormat::U16 => build_output::<u16>(system, config, callback, &status),
        SampleFormat::F64 => build_output::<f64>(system, config, callback, &status),
        _ => return Err(unsupported_format(device, format)),
    };
    Ok(OutputStream {
        ring,
        times,
        status,
        rate_hz,
        channels,
        _stream: Some(started(stream).map_err(failed)?),
        device: device.id(),
    })
}

impl OutputRequest<'_> {
    fn playback(
        &self,
        rate_hz: f64,
        channels: usize,
    ) -> (PlaybackCallback, Producer<f32>, Arc<StreamStatus>) {
        let is_cv = (0..channels).map(|at| self.cv.contains(&at)).collect();
        callbacks::playback_callback(is_cv, rate_hz, (RING_S * rate_hz) as usize)
    }
}

fn started(
    stream: std::result::Result<cpal::Stream, cpal::Error>,
) -> std::result::Result<RunningStream, cpal::Error> {
    let stream = stream.and_then(|s| s.play().map(|()| s))?;
    Ok(RunningStream(Some(StreamOf::System(stream))))
}

#[cfg(feature = "jack")]
fn open_jack_input(device: &SoundDevice, wanted: &InputRequest) -> Result<InputStream> {
    let failed = |problem| jack_error(device, problem);
    let opened = Opened::input(wanted.patch.clone()).map_err(failed)?;
    let rate_hz = opened.rate_hz();
    let channels = wanted.channels(sound::CHANNELS);
    let (mut callback, ring, status) = wanted.capture(rate_hz, channels);
    let times = callback.report_times();
    let client = opened.capture(channels, callback, &status);
    Ok(InputStream {
        ring,
        times,
        status,
        rate_hz,
        _stream: Some(RunningStream(Some(StreamOf::Jack(client.map_err(failed)?)))),
        device: device.id(),
    })
}

#[cfg(feature = "jack")]
fn open_jack_output(device: &SoundDevice, wanted: &OutputRequest) -> Result<OutputStream> {
    let failed = |problem| jack_error(device, problem);
    let opened = Opened::output(wanted.patch.clone()).map_err(failed)?;
    let rate_hz = opened.rate_hz();
    let channels = wanted.min_channels.max(sound::CHANNELS);
    let (mut callback, ring, status) = wanted.playback(rate_hz, channels);
    let times = callback.report_times();
    let client = opened.playback(channels, callback, &status);
    Ok(OutputStream {
        ring,
        times,
        status,
        rate_hz,
        channels,
        _stream: Some(RunningStream(Some(StreamOf::Jack(client.map_err(failed)?)))),
        device: device.id(),
    })
}

#[cfg(feature = "jack")]
fn jack_error(device: &SoundDevice, problem: String) -> Error {
    Error::device(device.id(), problem, "start the JACK server first")
}

/// Most channels that a device can be opened with.
fn most_channels(
    default: &SupportedStreamConfig,
    supported: impl Iterator<Item = SupportedStreamConfigRange>,
) -> usize {
    let most = supported.map(|range| range.channels()).max();
    usize::from(most.unwrap_or(0).max(default.channels()))
}

/// Refuses a channel beyond those of a device. (JACK's are its clients' own: whatever
/// number is asked for is registered, and a patchbay may connect it to anything.)
fn check_channels(device: &SoundDevice, wanted: usize, there: usize) -> Result<()> {
    if wanted <= there {
        return Ok(());
    }
    Err(Error::device(
        device.id(),
        format!("there is no channel {wanted}"),
        format!("its channels are 1 to {there}"),
    ))
}

fn unsupported_format(device: &SoundDevice, format: SampleFormat) -> Error {
    Error::device(
        device.id(),
        format!("sends samples as {format}, which is not understood"),
        "set the device to 16, 24 or 32 bits",
    )
}

fn stream_config(
    device: &SoundDevice,
    default: &SupportedStreamConfig,
    channels: usize,
    block: Option<u32>,
) -> Result<StreamConfig> {
    let channels = u16::try_from(channels).map_err(|_| {
        Error::device(
            device.id(),
            format!("has no channel {channels}"),
            "`leadpipe devices` shows how many there are",
        )
    })?;
    let buffer_size = match (block, default.buffer_size()) {
        (Some(frames), SupportedBufferSize::Range { min, max }) => {
            BufferSize::Fixed(frames.clamp(*min, *max))
        }
        (Some(frames), SupportedBufferSize::Unknown) => BufferSize::Fixed(frames),
        (None, _) => BufferSize::Default,
    };
    Ok(StreamConfig {
        channels,
        sample_rate: default.sample_rate(),
        buffer_size,
    })
}

/// Errors are recorded in the stream's status, since the sound system may report
/// them on the callback's thread.
fn on_error(status: &Arc<StreamStatus>) -> impl FnMut(cpal::Error) + Send + 'static {
    let status = status.clone();
    move |error: cpal::Error| match error.kind() {
        ErrorKind::Xrun => {
            status.xruns.fetch_add(1, Ordering::Relaxed);
        }
        ErrorKind::RealtimeDenied => {}
        _ => status.set_lost(error.to_string()),
    }
}

fn build_input<T>(
    device: &Device,
    config: StreamConfig,
    mut callback: CaptureCallback,
    status: &Arc<StreamStatus>,
) -> std::result::Result<cpal::Stream, cpal::Error>
where
    T: SizedSample + Sample,
    f32: FromSample<T>,
{
    device.build_input_stream::<T, _, _>(
        config,
        move |data, info| {
            let times = info.timestamp();
            let ago = times.callback.duration_since(times.capture);
            let now = Instant::now();
            callback.dated(Moment::system(now.checked_sub(ago).unwrap_or(now)));
            callback.process(data);
        },
        on_error(status),
        Some(OPEN_TIMEOUT),
    )
}

fn build_output<T>(
    device: &Device,
    config: StreamConfig,
    mut callback: PlaybackCallback,
    status: &Arc<StreamStatus>,
) -> std::result::Result<cpal::Stream, cpal::Error>
where
    T: SizedSample + Sample + FromSample<f32>,
{
    device.build_output_stream::<T, _, _>(
        config,
        move |data, info| {
            let times = info.timestamp();
            let ahead = times.playback.duration_since(times.callback);
            let now = Instant::now();
            callback.dated(Moment::system(now.checked_add(ahead).unwrap_or(now)));
            callback.process(data);
        },
        on_error(status),
        Some(OPEN_TIMEOUT),
    )
}
