use clap::Args;
use leadpipe::Result;
use leadpipe::internals::live::devices::{self, DeviceInfo, Direction};
use leadpipe::internals::live::midi_system;
use serde::Serialize;

use super::ListFormat;

/// List sound devices and MIDI ports, with a hint for each problem
#[derive(Args)]
#[command(after_help = "\
Give the first column to --input, --output or --cv; any part of it, or of the
name, that fits only one device will do. A star marks the default.

Examples:
  leadpipe devices
  leadpipe devices --format json")]
pub struct Options {
    /// Format of the list on standard output
    #[arg(long, value_enum, default_value_t = ListFormat::Table)]
    format: ListFormat,
}

pub fn run(options: &Options) -> Result<()> {
    devices::silence_library_messages();
    let found = devices::list();
    let (midi_out, midi_in) = (midi_system::outputs(), midi_system::inputs());
    let ports = |kind: &'static str, names: &std::result::Result<Vec<String>, String>| {
        let names = names.iter().flatten();
        names.map(|name| Row::port(kind, name)).collect::<Vec<_>>()
    };
    let mut rows: Vec<Row> = found.iter().map(Row::device).collect();
    rows.extend(ports("midi-out", &midi_out));
    rows.extend(ports("midi-in", &midi_in));
    super::print_rows(options.format, &rows, |to| {
        for (direction, title) in [(Direction::Input, "Inputs"), (Direction::Output, "Outputs")] {
            writeln!(to, "{title}")?;
            let mut any = false;
            for device in found.iter().filter(|d| d.direction == direction) {
                any = true;
                writeln!(to, "{}", line(device))?;
            }
            if !any {
                writeln!(to, "  none")?;
            }
        }
        for (title, ports) in [("MIDI out", &midi_out), ("MIDI in", &midi_in)] {
            writeln!(to, "{title}")?;
            match ports {
                Ok(names) if names.is_empty() => {
                    writeln!(to, "  none; \"virtual\" opens a new virtual port")?
                }
                Ok(names) => {
                    for name in names {
                        writeln!(to, "  {name}")?;
                    }
                }
                Err(problem) => writeln!(to, "  {problem}")?,
            }
        }
        let none = !found.iter().any(|device| device.state.is_ok());
        if let Some(advice) = devices::advice().filter(|_| none) {
            writeln!(to, "\n{advice}")?;
        }
        Ok(())
    })
}

/// A device or a port in one row.
#[derive(Serialize)]
struct Row {
    kind: &'static str,
    id: String,
    name: String,
    default: bool,
    channels: Option<u16>,
    rate_hz: Option<u32>,
    problem: Option<String>,
}

impl Row {
    fn device(device: &DeviceInfo) -> Row {
        let format = device.state.as_ref().ok();
        Row {
            kind: match device.direction {
                Direction::Input => "input",
                Direction::Output => "output",
            },
            id: device.id.clone(),
            name: device.name.clone(),
            default: device.default,
            channels: format.map(|(channels, _)| *channels),
            rate_hz: format.map(|(_, rate_hz)| *rate_hz),
            problem: device.state.clone().err(),
        }
    }

    fn port(kind: &'static str, name: &str) -> Row {
        Row {
            kind,
            id: name.to_owned(),
            name: name.to_owned(),
            default: false,
            channels: None,
            rate_hz: None,
            problem: None,
        }
    }
}

fn line(device: &DeviceInfo) -> String {
    let star = if device.default { '*' } else { ' ' };
    let state = match &device.state {
        Ok((channels, rate_hz)) => format!("{channels} channels, {rate_hz} Hz"),
        Err(problem) => problem.clone(),
    };
    format!("{star} {:28} {state:26} {}", device.id, device.name)
}
