//! MIDI ports of the system: those of a JACK server where the program is built for it,
//! otherwise those of ALSA, Core MIDI or Windows.

#[cfg(not(feature = "jack"))]
mod system_ports;

#[cfg(feature = "jack")]
pub use super::jack_client::Patch;
#[cfg(feature = "jack")]
pub use super::jack_client::midi::{Input, Output, inputs, outputs};
#[cfg(not(feature = "jack"))]
pub use system_ports::{Input, Output, Patch, inputs, outputs};

pub use crate::output::midi_encoder::Bytes;

/// Bytes of a message that this program sends, by its status: those of the system's
/// real time have no data.
pub fn length(status: u8) -> usize {
    if status >= 0xf8 { 1 } else { 3 }
}

/// Which port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PortName {
    /// A new virtual port that others connect to.
    Virtual,
    /// An existing port: its name, or any part of it that no other port has.
    Named(String),
}

impl PortName {
    /// Parses the value of `--midi` and `--midi-in`.
    pub fn parse(text: &str) -> Self {
        match text {
            "virtual" => PortName::Virtual,
            name => PortName::Named(name.to_owned()),
        }
    }
}

/// Index of the only name that matches `wanted`.
///
/// # Errors
/// That none or several do.
pub fn find_port(names: &[String], wanted: &str) -> Result<usize, String> {
    if let Some(at) = names.iter().position(|n| n == wanted) {
        return Ok(at);
    }
    let part = wanted.to_lowercase();
    let holds = |(_, name): &(usize, &String)| name.to_lowercase().contains(&part);
    let found: Vec<usize> = names
        .iter()
        .enumerate()
        .filter(holds)
        .map(|(at, _)| at)
        .collect();
    match found[..] {
        [at] => Ok(at),
        [] => Err(format!(
            "no MIDI port is called \"{wanted}\"; {}",
            those_there(names)
        )),
        _ => Err(format!(
            "{} MIDI ports are called \"{wanted}\"; give more of the name",
            found.len()
        )),
    }
}

/// What ports there are, in words.
fn those_there(names: &[String]) -> String {
    match names {
        [] => "there is none: start what it belongs to, or give \"virtual\"".into(),
        _ => format!("there are: {}", names.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_port_is_found_by_what_only_it_is_called() {
        let names = ["Synth:in 1", "Synth:in 2", "Sampler"].map(String::from);
        assert_eq!(find_port(&names, "sampler"), Ok(2));
        assert_eq!(find_port(&names, "Synth:in 2"), Ok(1));
        assert!(find_port(&names, "synth").unwrap_err().starts_with("2 "));
        let none = find_port(&names, "drums").unwrap_err();
        assert!(
            none.ends_with("there are: Synth:in 1, Synth:in 2, Sampler"),
            "{none}"
        );
        assert!(
            find_port(&[], "drums")
                .unwrap_err()
                .contains("there is none")
        );
    }
}
