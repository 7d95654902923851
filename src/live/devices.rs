//! Lists sound devices and finds one by name.

use std::path::Path;
use std::sync::{Mutex, MutexGuard, PoisonError};

use cpal::traits::{DeviceTrait, HostTrait};
use cpal::{Device, ErrorKind, SupportedStreamConfig};

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

    /// The device's default configuration.
    pub fn config(
        self,
        device: &Device,
    ) -> std::result::Result<SupportedStreamConfig, cpal::Error> {
        match self {
            Direction::Input => device.default_input_config(),
            Direction::Output => device.default_output_config(),
        }
    }

    /// Whether a device serves this direction. Sound systems also list rate
    /// converters and a null device: those are left out.
    fn supports(self, device: &Device) -> bool {
        let id = id_of(device);
        let bare = id.split_once(':').map_or(id.as_str(), |(_, bare)| bare);
        let other = match self {
            Direction::Input => "jack:output",
            Direction::Output => "jack:input",
        };
        let hint = bare.split(':').next().unwrap_or(bare);
        id != other && !["null", "jack", "upmix", "vdownmix", "speex"].contains(&hint)
    }

    fn default_of(self, host: &cpal::Host) -> Option<Device> {
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

/// Sound systems in order of preference: JACK first, because whoever runs its
/// server wants it used.
fn hosts() -> Vec<cpal::Host> {
    let mut ids = cpal::available_hosts();
    ids.sort_by_key(|id| !is_jack(&id.to_string()));
    ids.into_iter()
        .filter_map(|id| cpal::host_from_id(id).ok())
        .collect()
}

/// Whether a device id or host name is JACK's.
pub fn is_jack(id: &str) -> bool {
    id.starts_with("jack")
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

/// Id of a device for the command line.
pub fn id_of(device: &Device) -> String {
    device
        .id()
        .map_or_else(|_| device.to_string(), |id| id.to_string())
}

/// All devices of all sound systems.
pub fn list() -> Vec<DeviceInfo> {
    let default = |direction| find(None, direction).ok().map(|d| id_of(&d));
    let defaults = [
        (Direction::Input, default(Direction::Input)),
        (Direction::Output, default(Direction::Output)),
    ];
    let mut found = Vec::new();
    for host in hosts() {
        for device in host.devices().into_iter().flatten() {
            let id = id_of(&device);
            let name = device
                .description()
                .map_or_else(|_| id.clone(), |d| d.name().to_owned());
            for (direction, default) in &defaults {
                // Querying opens the device, and some plugins print messages then.
                if !direction.supports(&device) {
                    continue;
                }
                let config = direction.config(&device);
                if config.is_err() && !is_unavailable(&config) {
                    continue;
                }
                found.push(DeviceInfo {
                    id: id.clone(),
                    name: name.clone(),
                    direction: *direction,
                    state: config
                        .map(|c| (c.channels(), c.sample_rate()))
                        .map_err(|e| format!("{e}; {}", hint(&e, *direction))),
                    default: default.as_ref() == Some(&id),
                });
            }
        }
    }
    found
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
pub fn find(name: Option<&str>, direction: Direction) -> Result<Device> {
    let Some(wanted) = name.filter(|n| !n.is_empty() && *n != "default") else {
        let works = |device: &Device| direction.config(device).is_ok();
        return hosts()
            .iter()
            .filter_map(|host| direction.default_of(host))
            .find(works)
            .ok_or_else(|| no_device(direction));
    };
    let hosts = hosts();
    let by_host = hosts
        .iter()
        .find(|h| h.id().to_string().eq_ignore_ascii_case(wanted));
    if let Some(host) = by_host {
        return direction.default_of(host).ok_or_else(|| {
            Error::device(
                wanted,
                format!("it has no {}", direction.word()),
                server_hint(wanted),
            )
        });
    }
    let devices: Vec<Device> = hosts
        .iter()
        .flat_map(|h| h.devices().into_iter().flatten())
        .filter(|d| direction.supports(d))
        .filter(|d| direction.config(d).is_ok() || d.id().is_ok_and(|id| id.to_string() == wanted))
        .collect();
    let exact = devices.iter().find(|d| {
        let id = id_of(d);
        id == wanted || id.split_once(':').is_some_and(|(_, bare)| bare == wanted)
    });
    if let Some(device) = exact {
        return Ok(device.clone());
    }
    let part = wanted.to_lowercase();
    let holds = |d: &&Device| {
        let name = d
            .description()
            .map_or_else(|_| String::new(), |d| d.name().to_lowercase());
        id_of(d).to_lowercase().contains(&part) || name.contains(&part)
    };
    let found: Vec<&Device> = devices.iter().filter(holds).collect();
    match found[..] {
        [device] => Ok(device.clone()),
        [] => Err(Error::device(
            wanted,
            format!("there is no such {}", direction.word()),
            format!(
                "`leadpipe devices` lists them{}",
                if is_jack(wanted) {
                    format!("; {}", server_hint(wanted))
                } else {
                    String::new()
                }
            ),
        )),
        _ => Err(Error::device(
            wanted,
            format!("{} {}s match", found.len(), direction.word()),
            "give more of the name, or the id that `leadpipe devices` shows",
        )),
    }
}

fn server_hint(host: &str) -> String {
    if !is_jack(host) {
        return "`leadpipe devices` lists the devices".into();
    }
    if cfg!(feature = "jack") {
        "start the JACK server first".into()
    } else {
        "this build has no JACK support: build it with `--features jack`".into()
    }
}

/// Error where no device serves a direction, with the likely reason.
fn no_device(direction: Direction) -> Error {
    let hint = match (sound_cards(), direction) {
        (SoundCards::None, _) => {
            "there is no sound card: connect an interface, or start a sound server"
        }
        (SoundCards::NoPermission, _) => {
            "no permission for /dev/snd: ask to be added to the group audio, then log in again"
        }
        (SoundCards::Some, Direction::Input) => {
            "connect a microphone or an interface with an input, and check that no other program is using it"
        }
        (SoundCards::Some, Direction::Output) => {
            "connect an interface with an output, and check that no other program is using it"
        }
    };
    let hint = match direction {
        Direction::Input => {
            format!("{hint} (--from TAKE works on a file without any)")
        }
        Direction::Output => hint.to_owned(),
    };
    Error::device("sound", format!("no {} found", direction.word()), hint)
}

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
        SoundCards::NoPermission => Some(
            "no permission for /dev/snd: ask to be added to the group audio, then log in again",
        ),
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

/// Converts a sound system's error.
pub fn error(device: &Device, error: &cpal::Error, direction: Direction) -> Error {
    Error::device(id_of(device), error, hint(error, direction))
}
