//! Opens streams on devices and ties them to the rings.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{
    BufferSize, Device, ErrorKind, FromSample, Sample, SampleFormat, SizedSample, StreamConfig,
    SupportedBufferSize, SupportedStreamConfig,
};
use rtrb::{Consumer, Producer};

use super::bridge::{self, Counts, Intake, Outlet};
use super::devices::{self, Way};
use crate::error::{Error, Result};

/// What the rings between callbacks and engine hold, in seconds: the engine may
/// be late by so much before anything is lost.
const ROOM_S: f64 = 0.5;
/// How long opening a stream may take. A JACK server itself waits up to ten
/// seconds for its graph to change; an attempt that is given up sooner goes on
/// behind our back and is in the next one's way.
const OPEN: std::time::Duration = std::time::Duration::from_secs(15);

/// An open input.
pub struct Input {
    /// Frames of the chosen channel.
    pub ring: Consumer<f32>,
    /// What the callback counts.
    pub counts: Arc<Counts>,
    /// Sample rate in hertz.
    pub rate_hz: f64,
    /// Name of the device.
    pub device: String,
    _stream: cpal::Stream,
}

/// An open output.
pub struct Output {
    /// Interleaved frames.
    pub ring: Producer<f32>,
    /// What the callback counts.
    pub counts: Arc<Counts>,
    /// Sample rate in hertz.
    pub rate_hz: f64,
    /// Channels of a frame.
    pub channels: usize,
    /// Name of the device.
    pub device: String,
    _stream: cpal::Stream,
}

/// Opens an input and takes one channel of it, from 0, or the mix of all.
///
/// # Errors
/// [`Error::Device`] where it cannot be opened as asked.
pub fn open_input(name: Option<&str>, channel: Option<usize>, block: Option<u32>) -> Result<Input> {
    let _turn = devices::one_at_a_time();
    let device = devices::choose(name, Way::In)?;
    let default = Way::In
        .config(&device)
        .map_err(|e| devices::error(&device, &e, Way::In))?;
    // A channel past the default ones is opened up to, where the device has it.
    let channels = match channel {
        Some(at) if at >= usize::from(default.channels()) => at + 1,
        _ => default.channels().into(),
    };
    let config = stream_config(&device, &default, channels, block)?;
    let rate_hz = f64::from(config.sample_rate);
    let room = (ROOM_S * rate_hz) as usize;
    let (intake, ring, counts) = bridge::intake(channels, channel, room);
    let format = default.sample_format();
    let stream = match format {
        SampleFormat::F32 => read::<f32>(&device, config, intake, &counts),
        SampleFormat::I16 => read::<i16>(&device, config, intake, &counts),
        SampleFormat::I24 => read::<cpal::I24>(&device, config, intake, &counts),
        SampleFormat::I32 => read::<i32>(&device, config, intake, &counts),
        SampleFormat::U8 => read::<u8>(&device, config, intake, &counts),
        SampleFormat::U16 => read::<u16>(&device, config, intake, &counts),
        SampleFormat::F64 => read::<f64>(&device, config, intake, &counts),
        _ => return Err(strange_format(&device, format)),
    };
    let stream = stream.and_then(|s| s.play().map(|()| s));
    Ok(Input {
        ring,
        counts,
        rate_hz,
        _stream: stream.map_err(|e| devices::error(&device, &e, Way::In))?,
        device: devices::id_of(&device),
    })
}

/// Opens an output of at least so many channels, of which `volts` carry
/// voltages.
///
/// # Errors
/// [`Error::Device`] where it cannot be opened as asked.
pub fn open_output(
    name: Option<&str>,
    least_channels: usize,
    volts: &[usize],
    block: Option<u32>,
) -> Result<Output> {
    let _turn = devices::one_at_a_time();
    let device = devices::choose(name, Way::Out)?;
    let default = Way::Out
        .config(&device)
        .map_err(|e| devices::error(&device, &e, Way::Out))?;
    let channels = least_channels.max(default.channels().into());
    let config = stream_config(&device, &default, channels, block)?;
    let rate_hz = f64::from(config.sample_rate);
    let volts = (0..channels).map(|at| volts.contains(&at)).collect();
    let room = (ROOM_S * rate_hz) as usize;
    let (outlet, ring, counts) = bridge::outlet(volts, rate_hz, room);
    let format = default.sample_format();
    let stream = match format {
        SampleFormat::F32 => write::<f32>(&device, config, outlet, &counts),
        SampleFormat::I16 => write::<i16>(&device, config, outlet, &counts),
        SampleFormat::I24 => write::<cpal::I24>(&device, config, outlet, &counts),
        SampleFormat::I32 => write::<i32>(&device, config, outlet, &counts),
        SampleFormat::U8 => write::<u8>(&device, config, outlet, &counts),
        SampleFormat::U16 => write::<u16>(&device, config, outlet, &counts),
        SampleFormat::F64 => write::<f64>(&device, config, outlet, &counts),
        _ => return Err(strange_format(&device, format)),
    };
    let stream = stream.and_then(|s| s.play().map(|()| s));
    Ok(Output {
        ring,
        counts,
        rate_hz,
        channels,
        _stream: stream.map_err(|e| devices::error(&device, &e, Way::Out))?,
        device: devices::id_of(&device),
    })
}

fn strange_format(device: &Device, format: SampleFormat) -> Error {
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

/// What the sound system reports goes into the counts: it may report from the
/// callback's own thread.
fn on_error(counts: &Arc<Counts>) -> impl FnMut(cpal::Error) + Send + 'static {
    let counts = counts.clone();
    move |error: cpal::Error| match error.kind() {
        ErrorKind::Xrun => {
            counts.xruns.fetch_add(1, Ordering::Relaxed);
        }
        ErrorKind::RealtimeDenied => {}
        _ => counts.lose(error.to_string()),
    }
}

fn read<T>(
    device: &Device,
    config: StreamConfig,
    mut intake: Intake,
    counts: &Arc<Counts>,
) -> std::result::Result<cpal::Stream, cpal::Error>
where
    T: SizedSample + Sample,
    f32: FromSample<T>,
{
    device.build_input_stream::<T, _, _>(
        config,
        move |data, _| intake.take(data),
        on_error(counts),
        Some(OPEN),
    )
}

fn write<T>(
    device: &Device,
    config: StreamConfig,
    mut outlet: Outlet,
    counts: &Arc<Counts>,
) -> std::result::Result<cpal::Stream, cpal::Error>
where
    T: SizedSample + Sample + FromSample<f32>,
{
    device.build_output_stream::<T, _, _>(
        config,
        move |data, _| outlet.fill(data),
        on_error(counts),
        Some(OPEN),
    )
}
