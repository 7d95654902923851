//! Lists sound devices and finds one by name.

use std::path::Path;
use std::sync::{Mutex, MutexGuard, PoisonError};

use cpal::traits::{DeviceTrait, HostTrait};
use cpal::{ErrorKind, SupportedStreamConfig};

use crate::error::{Error, Result};

/// Direction of a sound device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// Into the program.
    Input,
    /// Out of it.
    Output,
}

impl Direction {
    fn word(self) -> &'static str {
        match self {
            Direction::Input => "input",
            Direction::Output => "output",
        }
    }

    /// Command-line option that names such a device.
    fn option(self) -> &'static str {
        match self {
            Direction::Input => "--input",
            Direction::Output => "--output",
        }
    }

    fn config(
        self,
        device: &cpal::Device,
    ) -> std::result::Result<SupportedStreamConfig, cpal::Error> {
        match self {
            Direction::Input => device.default_input_config(),
            Direction::Output => device.default_output_config(),
        }
    }

    /// Whether a device is of any use. Sound systems also list rate converters and a
    /// null device: those are left out.
    fn is_useful(id: &str) -> bool {
        let bare = id.split_once(':').map_or(id, |(_, bare)| bare);
        let hint = bare.split(':').next().unwrap_or(bare);
        !["null", "jack", "upmix", "vdownmix", "speex"].contains(&hint)
    }

    fn default_of(self, host: &cpal::Host) -> Option<cpal::Device> {
        match self {
            Direction::Input => host.default_input_device(),
            Direction::Output => host.default_output_device(),
        }
    }
}

/// A device in the list.
#[derive(Debug, Clone)]
pub struct DeviceInfo {
    /// Id for `--input` and similar options.
    pub id: String,
    /// Name given by the system.
    pub name: String,
    /// Direction.
    pub direction: Direction,
    /// Channels and sample rate, or why it cannot be used.
    pub state: std::result::Result<(u16, u32), String>,
    /// Whether it is used where none is named.
    pub default: bool,
}

/// A device that can be opened.
#[derive(Clone)]
pub enum SoundDevice {
    /// The JACK server's input or output.
    #[cfg(feature = "jack")]
    Jack(Direction),
    /// A device of the operating system's sound system.
    System(cpal::Device),
}

impl SoundDevice {
    /// Id for the command line.
    pub fn id(&self) -> String {
        match self {
            #[cfg(feature = "jack")]
            SoundDevice::Jack(Direction::Input) => "jack:input".into(),
            #[cfg(feature = "jack")]
            SoundDevice::Jack(Direction::Output) => "jack:output".into(),
            SoundDevice::System(device) => {
                let id = device.id();
                id.map_or_else(|_| device.to_string(), |id| id.to_string())
            }
        }
    }

    fn name(&self) -> String {
        match self {
            #[cfg(feature = "jack")]
            SoundDevice::Jack(Direction::Input) => "JACK Input".into(),
            #[cfg(feature = "jack")]
            SoundDevice::Jack(Direction::Output) => "JACK Output".into(),
            SoundDevice::System(device) => {
                let description = device.description();
                description.map_or_else(|_| self.id(), |d| d.name().to_owned())
            }
        }
    }

    /// What is wrong with it, as an error with a hint.
    pub fn error(&self, error: &cpal::Error, direction: Direction) -> Error {
        Error::device(self.id(), error, hint(error, direction))
    }
}

fn hosts() -> Vec<cpal::Host> {
    let ids = cpal::available_hosts().into_iter();
    ids.filter_map(|id| cpal::host_from_id(id).ok()).collect()
}

/// Whether a device id is JACK's.
pub fn is_jack(id: &str) -> bool {
    id.starts_with("jack")
}

/// Channels and rate of the JACK server, where one is running: whoever runs one wants it
/// used, so that it comes before all other sound systems.
fn jack_server() -> Option<(u16, u32)> {
    #[cfg(feature = "jack")]
    if let Ok((rate_hz, _)) = super::jack_client::server() {
        return Some((super::jack_client::sound::CHANNELS as u16, rate_hz));
    }
    None
}

#[cfg(feature = "jack")]
fn jack_device(direction: Direction) -> Option<SoundDevice> {
    Some(SoundDevice::Jack(direction))
}

#[cfg(not(feature = "jack"))]
fn jack_device(_: Direction) -> Option<SoundDevice> {
    None
}

/// Lock to hold while a device or port is opened or closed. A JACK server may stop
/// its graph for seconds when several clients come and go at once.
pub fn open_close_lock() -> MutexGuard<'static, ()> {
    static TURN: Mutex<()> = Mutex::new(());
    TURN.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Keeps sound libraries from printing messages over the screen from this thread;
/// their errors are returned as well.
pub fn silence_library_messages() {
    #[cfg(feature = "jack")]
    jack::set_logger(jack::LoggerType::None);
    #[cfg(target_os = "linux")]
    let _ = alsa::Output::local_error_handler();
}

/// All devices of all sound systems.
pub fn list() -> Vec<DeviceInfo> {
    let jack = jack_server();
    let both = [Direction::Input, Direction::Output];
    let mut found = Vec::new();
    for direction in both {
        if let (Some(state), Some(device)) = (jack, jack_device(direction)) {
            found.push(DeviceInfo {
                id: device.id(),
                name: device.name(),
                direction,
                state: Ok(state),
                default: true,
            });
        }
    }
    let defaults = both.map(|d| jack.is_none().then(|| system_default(d)).flatten());
    let defaults = defaults.map(|d| d.map(|device| device.id()));
    for host in hosts() {
        for system in host.devices().into_iter().flatten() {
            let device = SoundDevice::System(system.clone());
            let id = device.id();
            if !Direction::is_useful(&id) {
                continue;
            }
            for (direction, default) in both.into_iter().zip(&defaults) {
                // Querying opens the device, and some plugins print messages then.
                let config = direction.config(&system);
                if config.is_err() && !is_unavailable(&config) {
                    continue;
                }
                found.push(DeviceInfo {
                    id: id.clone(),
                    name: device.name(),
                    direction,
                    state: config
                        .map(|c| (c.channels(), c.sample_rate()))
                        .map_err(|e| format!("{e}; {}", hint(&e, direction))),
                    default: default.as_ref() == Some(&id),
                });
            }
        }
    }
    found
}

fn system_default(direction: Direction) -> Option<SoundDevice> {
    let works = |device: &cpal::Device| direction.config(device).is_ok();
    let hosts = hosts();
    let mut defaults = hosts.iter().filter_map(|host| direction.default_of(host));
    defaults.find(works).map(SoundDevice::System)
}

/// Whether a device exists but cannot be used now.
fn is_unavailable(config: &std::result::Result<SupportedStreamConfig, cpal::Error>) -> bool {
    let kinds = [ErrorKind::DeviceBusy, ErrorKind::PermissionDenied];
    config.as_ref().is_err_and(|e| kinds.contains(&e.kind()))
}

/// The device with a name: an id from the list, the name of a sound system for its
/// default device, or any part of a name that only one has. Without a name, the
/// first default device that works.
///
/// # Errors
/// [`Error::Device`] where none or several match.
pub fn find(name: Option<&str>, direction: Direction) -> Result<SoundDevice> {
    let Some(wanted) = name.filter(|n| !n.is_empty() && *n != "default") else {
        let jack = jack_server().and_then(|_| jack_device(direction));
        let found = jack.or_else(|| system_default(direction));
        return found.ok_or_else(|| no_device(direction));
    };
    if is_jack(&wanted.to_lowercase()) {
        return find_jack(wanted, direction);
    }
    let hosts = hosts();
    let by_host = hosts
        .iter()
        .find(|h| h.id().to_string().eq_ignore_ascii_case(wanted));
    if let Some(host) = by_host {
        let device = direction.default_of(host).map(SoundDevice::System);
        return device.ok_or_else(|| {
            Error::device(
                wanted,
                format!("it has no {}", direction.word()),
                "`leadpipe devices` lists the devices",
            )
        });
    }
    let mut devices: Vec<SoundDevice> = hosts
        .iter()
        .flat_map(|h| h.devices().into_iter().flatten())
        .filter(|d| direction.config(d).is_ok() || d.id().is_ok_and(|id| id.to_string() == wanted))
        .map(SoundDevice::System)
        .filter(|d| Direction::is_useful(&d.id()))
        .collect();
    devices.extend(jack_server().and_then(|_| jack_device(direction)));
    let exact = devices.iter().find(|d| {
        let id = d.id();
        id == wanted || id.split_once(':').is_some_and(|(_, bare)| bare == wanted)
    });
    if let Some(device) = exact {
        return Ok(device.clone());
    }
    let part = wanted.to_lowercase();
    let holds = |d: &&SoundDevice| {
        d.id().to_lowercase().contains(&part) || d.name().to_lowercase().contains(&part)
    };
    let found: Vec<&SoundDevice> = devices.iter().filter(holds).collect();
    match found[..] {
        [device] => Ok(device.clone()),
        [] => Err(Error::device(
            wanted,
            format!("there is no such {}", direction.word()),
            "`leadpipe devices` lists them",
        )),
        _ => Err(Error::device(
            wanted,
            format!("{} {}s match", found.len(), direction.word()),
            "give more of the name, or the id that `leadpipe devices` shows",
        )),
    }
}

/// `jack`, or the id of the server's input or output. Whether a server is running shows
/// when it is opened.
fn find_jack(wanted: &str, direction: Direction) -> Result<SoundDevice> {
    let Some(device) = jack_device(direction) else {
        return Err(Error::device(
            wanted,
            format!("there is no such {}", direction.word()),
            "this build has no JACK support: build it with `--features jack`",
        ));
    };
    if wanted.eq_ignore_ascii_case("jack") || wanted.eq_ignore_ascii_case(&device.id()) {
        return Ok(device);
    }
    Err(Error::device(
        wanted,
        format!("there is no such {}", direction.word()),
        format!("write jack or {}", device.id()),
    ))
}

/// Error where no device serves a direction, with the likely reason.
fn no_device(direction: Direction) -> Error {
    let hint = match (sound_cards(), direction) {
        (SoundCards::None, _) => format!(
            "there is no sound card: connect an interface, or start a {}",
            if cfg!(feature = "jack") { "JACK or other sound server" } else { "sound server" }
        ),
        (SoundCards::NoPermission, _) => NO_PERMISSION.into(),
        (SoundCards::Some, Direction::Input) => {
            "connect a microphone or an interface with an input, and check that no other program is using it".into()
        }
        (SoundCards::Some, Direction::Output) => {
            "connect an interface with an output, and check that no other program is using it".into()
        }
    };
    let hint = match direction {
        Direction::Input => {
            format!("{hint} (--from TAKE works on a file without any)")
        }
        Direction::Output => hint,
    };
    Error::device("sound", format!("no {} found", direction.word()), hint)
}

const NO_PERMISSION: &str =
    "no permission for /dev/snd: ask to be added to the group audio, then log in again";

enum SoundCards {
    None,
    NoPermission,
    Some,
}

fn sound_cards() -> SoundCards {
    if !cfg!(target_os = "linux") {
        return SoundCards::Some;
    }
    let folder = Path::new("/dev/snd");
    let Ok(entries) = std::fs::read_dir(folder) else {
        return SoundCards::None;
    };
    let is_pcm = |e: &std::fs::DirEntry| e.file_name().to_string_lossy().starts_with("pcm");
    let pcms: Vec<_> = entries.flatten().filter(is_pcm).collect();
    let open = |e: &std::fs::DirEntry| std::fs::File::open(e.path()).is_ok();
    match pcms.first() {
        None => SoundCards::None,
        Some(_) if pcms.iter().any(open) => SoundCards::Some,
        // Busy devices cannot be opened either, but report that when they are used.
        Some(first) => match std::fs::File::open(first.path()) {
            Err(e) if e.kind() == std::io::ErrorKind::PermissionDenied => SoundCards::NoPermission,
            _ => SoundCards::Some,
        },
    }
}

/// One line of advice where no device can be used.
pub fn advice() -> Option<&'static str> {
    match sound_cards() {
        SoundCards::None => Some(
            "no sound card: connect an interface or start a sound server; `leadpipe live --from TAKE` works on a file without one",
        ),
        SoundCards::NoPermission => Some(NO_PERMISSION),
        SoundCards::Some => None,
    }
}

/// What to do about a sound system's error.
pub fn hint(error: &cpal::Error, direction: Direction) -> String {
    match error.kind() {
        ErrorKind::DeviceBusy => {
            "close the program that is using it, or choose another device".into()
        }
        ErrorKind::PermissionDenied => {
            "ask to be added to the group audio, then log in again".into()
        }
        ErrorKind::DeviceNotAvailable | ErrorKind::HostUnavailable => {
            "check that it is connected and that its sound server is running".into()
        }
        ErrorKind::UnsupportedConfig => "try another --block, or leave it out".into(),
        _ => format!("try another {}", direction.option()),
    }
}
