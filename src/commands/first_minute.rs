//! The program without a command: the shortest way to a first doubled note and a first
//! written take.

use std::fmt::Write as _;

use leadpipe::internals::text::shown;

use super::settings;

/// What to type first on this machine, with this player's horn.
pub fn text() -> String {
    let set = settings::kept().horn;
    let option = match &set {
        Some(_) => String::new(),
        None => " --horn trumpet".into(),
    };
    let mut text =
        "leadpipe plays a synthesizer rig from a brass instrument, and writes takes down.\n"
            .to_owned();
    let steps = |text: &mut String, steps: [(String, &str); 2]| {
        for (command, what) in steps {
            let _ = writeln!(text, "  {command}\n      {what}");
        }
    };
    let microphone = microphone();
    match &microphone {
        Some(name) => {
            let _ = write!(
                text,
                "
Your input: {}
First put on headphones or turn the monitors down, for a microphone and a speaker in
one room feed back. Then play; q ends it.
",
                shown(name)
            );
            let live = format!("leadpipe live{option}");
            let doubled = "a soft synthesizer voice doubles you";
            let recorded = "your take, with its notes written beside it";
            steps(
                &mut text,
                [
                    (format!("{live} --double --level -36"), doubled),
                    (format!("{live} --record takes"), recorded),
                ],
            );
            text += "\nWithout a microphone:\n";
        }
        None if cfg!(feature = "live") => {
            text += "
No microphone is found (`leadpipe devices` says why). With one, `leadpipe live` doubles
you and records takes; without one:
";
        }
        None => text += "\nThis build works on files:\n",
    }
    let demo = "leadpipe demo --out demo".to_owned();
    let own = format!("leadpipe transcribe TAKE.wav{option}");
    steps(
        &mut text,
        [
            (demo, "a built-in take, and all that is made of it"),
            (own, "a recording of yours: every note, written down"),
        ],
    );
    text.push('\n');
    text += match set {
        Some(_) => "`leadpipe settings` shows what you have set.\n",
        None => {
            "Another horn: `leadpipe horns` lists them, and `leadpipe settings new` keeps yours.\n"
        }
    };
    text += "`leadpipe --help` lists all commands.\n";
    text
}

/// Name of the microphone that would be used, if there is one.
#[cfg(feature = "live")]
fn microphone() -> Option<String> {
    use leadpipe::internals::live::devices::{self, Direction};
    devices::silence_library_messages();
    let inputs = devices::list();
    let mut inputs = inputs
        .into_iter()
        .filter(|device| device.direction == Direction::Input && device.state.is_ok());
    let first = inputs.next()?;
    let default = std::iter::once(first.clone())
        .chain(inputs)
        .find(|device| device.default);
    Some(default.unwrap_or(first).name)
}

#[cfg(not(feature = "live"))]
fn microphone() -> Option<String> {
    None
}
