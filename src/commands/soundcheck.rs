use std::io::{BufRead, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use clap::Args;
use leadpipe::analysis::Settings;
use leadpipe::audio::{Selection, Take};
use leadpipe::error::{Error, Result};
use leadpipe::live::devices;
use leadpipe::live::intake::{Intake, News};
use leadpipe::live::rig::Rig;
use leadpipe::live::soundcheck::{Heeded, Listening, Verdict};

use super::live::{InputOptions, RigVoice, intake_wish, named_rig, store, take_input};

/// Listen to the room, to you and to the rig, and set gate and levels
#[derive(Args)]
#[command(after_help = "\
Four parts: the room alone, you as soft as you play, you as loud as you play,
the rig alone. The doubling voice plays the fourth itself if the rig has it on;
otherwise let your synthesizers sound. With --rig the result is stored there.

Turn the monitors down before the fourth part: the voice comes out of them.

Examples:
  leadpipe soundcheck --rig stage
  leadpipe soundcheck --input jack --channel 1 --seconds 6
  leadpipe soundcheck --takes room.wav,soft.wav,loud.wav,rig.wav")]
pub struct Options {
    /// Rig file to read devices from and to store the result in
    #[arg(long, value_name = "NAME")]
    rig: Option<String>,
    #[command(flatten)]
    input: InputOptions,
    /// Length of each part
    #[arg(long, value_name = "SECONDS", default_value_t = 4.0)]
    seconds: f64,
    /// Start each part after a moment instead of waiting for the return key
    #[arg(long)]
    hands_free: bool,
    /// Four recordings instead of listening: room, soft, loud, rig
    #[arg(long, value_name = "FILES", value_delimiter = ',', conflicts_with_all = ["input", "from"])]
    takes: Vec<PathBuf>,
}

const PARTS: [(&str, &str); 4] = [
    ("room", "Be silent: the room alone."),
    (
        "soft",
        "Play as softly as you ever will, a few notes over your range.",
    ),
    (
        "loud",
        "Play as loudly as you ever will, a few notes over your range.",
    ),
    ("rig", "Be silent: the rig alone, as loud as it will be."),
];
/// Moment before a part, hands free, in seconds.
const BREATH_S: f64 = 3.0;

pub fn run(options: &Options) -> Result<()> {
    devices::hush_libraries();
    let mut rig = named_rig(options.rig.as_deref())?;
    take_input(&mut rig, &options.input);
    let heeded = match options.takes.len() {
        0 => listen(&rig, options)?,
        4 => options
            .takes
            .iter()
            .map(|path| read(path))
            .collect::<Result<_>>()?,
        n => {
            return Err(Error::setting(
                format!("{n} takes"),
                "give four: room,soft,loud,rig",
            ));
        }
    };
    let [room, soft, loud, bleed] = &heeded[..] else {
        return Ok(());
    };
    let verdict = Verdict::new(room, soft, loud, bleed);
    super::print(|to| {
        writeln!(to, "room        {:6.1} dBFS", verdict.room_db)?;
        writeln!(to, "soft        {:6.1} dBFS", verdict.soft_db)?;
        writeln!(to, "loud        {:6.1} dBFS", verdict.loud_db)?;
        writeln!(
            to,
            "rig's bleed {:6.1} dBFS, {:.0} dB under soft playing",
            verdict.bleed_db,
            verdict.clear_db()
        )?;
        writeln!(to, "gate        {:6.1} dBFS", verdict.gate_db)?;
        for warning in verdict.warnings(soft, loud) {
            writeln!(to, "! {warning}")?;
        }
        Ok(())
    })?;
    if !Verdict::heard_playing(soft, loud) {
        return Err(Error::setting(
            "no playing was heard, so nothing is set",
            "check channel and microphone, then start again",
        ));
    }
    let values = [
        ("room_db", verdict.room_db),
        ("soft_db", verdict.soft_db),
        ("loud_db", verdict.loud_db),
        ("bleed_db", verdict.bleed_db),
        ("gate_db", verdict.gate_db),
    ];
    store(options.rig.as_deref(), "levels", &values)
}

fn listen(rig: &Rig, options: &Options) -> Result<Vec<Heeded>> {
    let mut intake = Intake::open(intake_wish(rig, options.input.from.as_deref())?)?;
    let mut heeded = Vec::new();
    for (name, what) in PARTS {
        eprintln!("{name}: {what}");
        wait(options.hands_free)?;
        // What came in while waiting is not of this part.
        intake.pull(&mut Vec::new())?;
        let voice = match name {
            "rig" => RigVoice::start(rig)?,
            _ => None,
        };
        heeded.push(part(&mut intake, options.seconds, voice)?);
    }
    Ok(heeded)
}

fn wait(hands_free: bool) -> Result<()> {
    let stdin = std::io::stdin();
    if hands_free {
        std::thread::sleep(Duration::from_secs_f64(BREATH_S));
        return Ok(());
    }
    if stdin.is_terminal() {
        eprint!("  return when ready ");
        let _ = std::io::stderr().flush();
    }
    let mut line = String::new();
    stdin.lock().read_line(&mut line).map_err(Error::Stdout)?;
    Ok(())
}

fn part(intake: &mut Intake, seconds: f64, mut voice: Option<RigVoice>) -> Result<Heeded> {
    let mut listening = Listening::new(intake.rate_hz(), Settings::default());
    let until = Instant::now() + Duration::from_secs_f64(seconds.clamp(0.5, 120.0));
    let mut samples = Vec::new();
    while Instant::now() < until {
        samples.clear();
        match intake.pull(&mut samples)? {
            News::Over => break,
            News::Lost | News::Back(_) => {
                return Err(Error::device(
                    intake.name(),
                    "it went away during the soundcheck",
                    "connect it and start again",
                ));
            }
            News::Samples => listening.push(&samples),
        }
        if let Some(voice) = &mut voice {
            voice.go_on();
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    if let Some(voice) = voice {
        voice.end();
    }
    Ok(listening.finish())
}

fn read(path: &Path) -> Result<Heeded> {
    let mut take = Take::open(path, &Selection::default())?;
    let mut listening = Listening::new(take.sample_rate_hz(), Settings::default());
    let mut block = Vec::new();
    while take.next_block(&mut block)? {
        listening.push(&block);
    }
    Ok(listening.finish())
}
