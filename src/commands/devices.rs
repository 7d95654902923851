use clap::Args;
use leadpipe::Result;
use leadpipe::internals::live::devices::{self, DeviceInfo, Direction};
use leadpipe::internals::live::midi_system;

/// List sound devices and MIDI ports, with a hint for each problem
#[derive(Args)]
#[command(after_help = "\
Give the first column to --input, --output or --cv; any part of it, or of the
name, that fits only one device will do. A star marks the default.

Example:
  leadpipe devices")]
pub struct Options {}

pub fn run(_: &Options) -> Result<()> {
    devices::silence_library_messages();
    let found = devices::list();
    let (midi_out, midi_in) = (midi_system::outputs(), midi_system::inputs());
    super::print(|to| {
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

fn line(device: &DeviceInfo) -> String {
    let star = if device.default { '*' } else { ' ' };
    let state = match &device.state {
        Ok((channels, rate_hz)) => format!("{channels} channels, {rate_hz} Hz"),
        Err(problem) => problem.clone(),
    };
    format!("{star} {:28} {state:26} {}", device.id, device.name)
}
