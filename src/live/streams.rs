//! Opens device streams and connects them to ring buffers.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{
    BufferSize, Device, ErrorKind, FromSample, Sample, SampleFormat, SizedSample, StreamConfig,
    SupportedBufferSize, SupportedStreamConfig,
};
use rtrb::{Consumer, Producer};

use super::callbacks::{self, CaptureCallback, PlaybackCallback, StreamStatus};
use super::devices::{self, Direction};
use crate::error::{Error, Result};

/// Capacity of the rings between callbacks and engine, in seconds: the engine may
/// be this late before frames are lost.
const RING_S: f64 = 0.5;
/// Time allowed for opening a stream. A JACK server itself waits up to ten seconds
/// for its graph to change; an attempt abandoned sooner continues in the background
/// and blocks the next one.
const OPEN_TIMEOUT: std::time::Duration = std::time::Duration::from_secs(15);

/// An open input.
pub struct InputStream {
    /// Frames of the chosen channel.
    pub ring: Consumer<f32>,
    /// State reported by the callback.
    pub status: Arc<StreamStatus>,
    /// Sample rate in hertz.
    pub rate_hz: f64,
    /// Name of the device.
    pub device: String,
    /// The system's stream; none where a test stands in for the device.
    pub(super) _stream: Option<cpal::Stream>,
}

/// An open output.
pub struct OutputStream {
    /// Interleaved frames.
    pub ring: Producer<f32>,
    /// State reported by the callback.
    pub status: Arc<StreamStatus>,
    /// Sample rate in hertz.
    pub rate_hz: f64,
    /// Channels of a frame.
    pub channels: usize,
    /// Name of the device.
    pub device: String,
    /// The system's stream; none where a test stands in for the device.
    pub(super) _stream: Option<cpal::Stream>,
}

/// Opens an input and captures one of its channels (from 0), or the mix of all.
///
/// # Errors
/// [`Error::Device`] where it cannot be opened this way.
pub fn open_input(
    name: Option<&str>,
    channel: Option<usize>,
    block: Option<u32>,
) -> Result<InputStream> {
    let _lock = devices::open_close_lock();
    let device = devices::find(name, Direction::Input)?;
    let default = Direction::Input
        .config(&device)
        .map_err(|e| devices::error(&device, &e, Direction::Input))?;
    // For a channel beyond the default ones, more channels are requested.
    let channels = match channel {
        Some(at) if at >= usize::from(default.channels()) => at + 1,
        _ => default.channels().into(),
    };
    let config = stream_config(&device, &default, channels, block)?;
    let rate_hz = f64::from(config.sample_rate);
    let capacity = (RING_S * rate_hz) as usize;
    let (callback, ring, status) = callbacks::capture_callback(channels, channel, capacity);
    let format = default.sample_format();
    let stream = match format {
        SampleFormat::F32 => build_input::<f32>(&device, config, callback, &status),
        SampleFormat::I16 => build_input::<i16>(&device, config, callback, &status),
        SampleFormat::I24 => build_input::<cpal::I24>(&device, config, callback, &status),
        SampleFormat::I32 => build_input::<i32>(&device, config, callback, &status),
        SampleFormat::U8 => build_input::<u8>(&device, config, callback, &status),
        SampleFormat::U16 => build_input::<u16>(&device, config, callback, &status),
        SampleFormat::F64 => build_input::<f64>(&device, config, callback, &status),
        _ => return Err(unsupported_format(&device, format)),
    };
    let stream = stream.and_then(|s| s.play().map(|()| s));
    Ok(InputStream {
        ring,
        status,
        rate_hz,
        _stream: Some(stream.map_err(|e| devices::error(&device, &e, Direction::Input))?),
        device: devices::id_of(&device),
    })
}

/// Opens an output of at least `min_channels` channels, of which `volts` carry
/// control voltages.
///
/// # Errors
/// [`Error::Device`] where it cannot be opened this way.
pub fn open_output(
    name: Option<&str>,
    min_channels: usize,
    is_cv: &[usize],
    block: Option<u32>,
) -> Result<OutputStream> {
    let _lock = devices::open_close_lock();
    let device = devices::find(name, Direction::Output)?;
    let default = Direction::Output
        .config(&device)
        .map_err(|e| devices::error(&device, &e, Direction::Output))?;
    let channels = min_channels.max(default.channels().into());
    let config = stream_config(&device, &default, channels, block)?;
    let rate_hz = f64::from(config.sample_rate);
    let is_cv = (0..channels).map(|at| is_cv.contains(&at)).collect();
    let capacity = (RING_S * rate_hz) as usize;
    let (callback, ring, status) = callbacks::playback_callback(is_cv, rate_hz, capacity);
    let format = default.sample_format();
    let stream = match format {
        SampleFormat::F32 => build_output::<f32>(&device, config, callback, &status),
        SampleFormat::I16 => build_output::<i16>(&device, config, callback, &status),
        SampleFormat::I24 => build_output::<cpal::I24>(&device, config, callback, &status),
        SampleFormat::I32 => build_output::<i32>(&device, config, callback, &status),
        SampleFormat::U8 => build_output::<u8>(&device, config, callback, &status),
        SampleFormat::U16 => build_output::<u16>(&device, config, callback, &status),
        SampleFormat::F64 => build_output::<f64>(&device, config, callback, &status),
        _ => return Err(unsupported_format(&device, format)),
    };
    let stream = stream.and_then(|s| s.play().map(|()| s));
    Ok(OutputStream {
        ring,
        status,
        rate_hz,
        channels,
        _stream: Some(stream.map_err(|e| devices::error(&device, &e, Direction::Output))?),
        device: devices::id_of(&device),
    })
}

fn unsupported_format(device: &Device, format: SampleFormat) -> Error {
    Error::device(
        devices::id_of(device),
        format!("sends samples as {format}, which is not understood"),
        "set the device to 16, 24 or 32 bits",
    )
}

fn stream_config(
    device: &Device,
    default: &SupportedStreamConfig,
    channels: usize,
    block: Option<u32>,
) -> Result<StreamConfig> {
    let channels = u16::try_from(channels).map_err(|_| {
        Error::device(
            devices::id_of(device),
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
        move |data, _| callback.process(data),
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
        move |data, _| callback.process(data),
        on_error(status),
        Some(OPEN_TIMEOUT),
    )
}
