use std::io::{BufRead, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use clap::Args;
use leadpipe::internals::audio::decode::of_whole_take;
use leadpipe::internals::live::capture::{Capture, CaptureEvent};
use leadpipe::internals::live::devices;
use leadpipe::internals::live::rig::Rig;
use leadpipe::internals::live::soundcheck::{LevelMeter, LevelReadings, SoundcheckResult};
use leadpipe::{Error, Result, Selection, Settings, Take};

use super::ListFormat;
use super::live::{InputOptions, RigVoice, apply_input_options, capture_config, named_rig, store};

/// Measure the room, your playing and the rig, and set gate and levels
#[derive(Args)]
#[command(after_help = "\
Four parts: the room alone, your softest playing, your loudest playing, the rig
alone. If the rig's doubling voice is on, it plays the fourth part by itself;
otherwise let your synthesizers sound. With --rig the result is stored there.

Turn the monitors down before the fourth part: the voice plays through them.

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
    #[arg(long, value_name = "SECONDS", default_value_t = 4.0, value_parser = super::number(0.5..=120.0, "seconds"))]
    seconds: f64,
    /// Start each part after three seconds instead of waiting for the Enter key
    #[arg(long)]
    hands_free: bool,
    /// Use four recordings instead of the microphone: room, soft, loud, rig
    #[arg(long, value_name = "FILES", value_delimiter = ',', conflicts_with_all = ["input", "from"])]
    takes: Vec<PathBuf>,
    /// Format of the levels on standard output
    #[arg(long, value_enum, default_value_t = ListFormat::Table)]
    format: ListFormat,
}

const PARTS: [(&str, &str); 4] = [
    ("room", "Silence, please: the room alone."),
    (
        "soft",
        "Play a few notes across your range, as softly as you ever will.",
    ),
    (
        "loud",
        "Play a few notes across your range, as loudly as you ever will.",
    ),
    ("rig", "Do not play: the rig alone, as loud as it will get."),
];
/// Pause before a part, hands free, in seconds.
const PAUSE_S: f64 = 3.0;

pub fn run(options: &Options) -> Result<()> {
    devices::silence_library_messages();
    let mut rig = named_rig(options.rig.as_deref())?;
    apply_input_options(&mut rig, &options.input);
    rig.check_values()?;
    let readings = match options.takes.len() {
        0 => listen(&rig, options)?,
        4 => options
            .takes
            .iter()
            .map(|path| read(path, options.input.channel))
            .collect::<Result<_>>()?,
        n => {
            return Err(Error::setting(
                format!("--takes with {n} recordings"),
                "give four: room,soft,loud,rig",
            ));
        }
    };
    let [room, soft, loud, bleed] = &readings[..] else {
        return Ok(());
    };
    // Levels of playing that nobody has heard would mean nothing.
    SoundcheckResult::check_playing(soft, loud)?;
    let result = SoundcheckResult::new(room, soft, loud, bleed);
    let warnings = result.warnings();
    let checked = result.check_gate();
    // One that cannot work is not shown as if it could be used.
    let gate_db = checked.is_ok().then_some(result.gate_db);
    let levels = serde_json::json!({
        "room_db": result.room_db,
        "soft_db": result.soft_db,
        "loud_db": result.loud_db,
        "bleed_db": result.bleed_db,
        "gate_db": gate_db,
        "warnings": warnings,
    });
    super::print(|to| {
        match options.format {
            ListFormat::Json => return super::write_json(&levels, to),
            ListFormat::Csv => {
                writeln!(to, "room_db,soft_db,loud_db,bleed_db,gate_db")?;
                let SoundcheckResult {
                    room_db,
                    soft_db,
                    loud_db,
                    bleed_db,
                    ..
                } = &result;
                let gate_db = gate_db.map_or(String::new(), |db| db.to_string());
                return writeln!(to, "{room_db},{soft_db},{loud_db},{bleed_db},{gate_db}");
            }
            ListFormat::Table => {}
        }
        writeln!(to, "room        {:6.1} dBFS", result.room_db)?;
        writeln!(to, "soft        {:6.1} dBFS", result.soft_db)?;
        writeln!(to, "loud        {:6.1} dBFS", result.loud_db)?;
        writeln!(
            to,
            "rig's bleed {:6.1} dBFS, {}",
            result.bleed_db,
            result.bleed_in_words()
        )?;
        if let Some(gate_db) = gate_db {
            writeln!(to, "gate        {gate_db:6.1} dBFS")?;
        }
        for warning in &warnings {
            writeln!(to, "! {warning}")?;
        }
        Ok(())
    })?;
    checked?;
    let values = [
        ("room_db", result.room_db),
        ("soft_db", result.soft_db),
        ("loud_db", result.loud_db),
        ("bleed_db", result.bleed_db),
        ("gate_db", result.gate_db),
    ];
    store(options.rig.as_deref(), "levels", &values)
}

fn listen(rig: &Rig, options: &Options) -> Result<Vec<LevelReadings>> {
    let mut capture = Capture::open(capture_config(rig, options.input.from.as_deref())?)?;
    let mut readings = Vec::new();
    for (name, what) in PARTS {
        eprintln!("{name}: {what}");
        wait(options.hands_free)?;
        // Samples that arrived while waiting do not belong to this part.
        capture.read(&mut Vec::new())?;
        let voice = match name {
            "rig" => RigVoice::start(rig)?,
            _ => None,
        };
        readings.push(measure_part(&mut capture, options.seconds, voice)?);
    }
    Ok(readings)
}

fn wait(hands_free: bool) -> Result<()> {
    let stdin = std::io::stdin();
    if hands_free {
        std::thread::sleep(Duration::from_secs_f64(PAUSE_S));
        return Ok(());
    }
    if stdin.is_terminal() {
        eprint!("  press Enter when ready ");
        let _ = std::io::stderr().flush();
    }
    let mut line = String::new();
    stdin.lock().read_line(&mut line).map_err(Error::Stdout)?;
    Ok(())
}

fn measure_part(
    capture: &mut Capture,
    seconds: f64,
    mut voice: Option<RigVoice>,
) -> Result<LevelReadings> {
    let mut meter = LevelMeter::new(Settings::builder(capture.rate_hz()).build()?);
    let until = Instant::now() + Duration::from_secs_f64(seconds);
    let mut samples = Vec::new();
    while Instant::now() < until {
        samples.clear();
        match capture.read(&mut samples)? {
            CaptureEvent::Finished => break,
            CaptureEvent::Lost | CaptureEvent::Reconnected(_) => {
                return Err(Error::device(
                    capture.name(),
                    "disconnected during the soundcheck",
                    "connect it and start again",
                ));
            }
            // Nothing is read while the player is asked.
            CaptureEvent::Stalled | CaptureEvent::Samples => meter.push(&samples),
        }
        if let Some(voice) = &mut voice {
            voice.render();
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    if let Some(voice) = voice {
        voice.close();
    }
    Ok(meter.finish())
}

fn read(path: &Path, channel: Option<usize>) -> Result<LevelReadings> {
    let selection = Selection {
        channel,
        ..Selection::default()
    };
    let mut take = Take::open(path, &selection)?;
    let mut meter = LevelMeter::new(Settings::builder(take.sample_rate_hz()).build()?);
    let mut block = Vec::new();
    while take.next_block(&mut block).map_err(of_whole_take)? {
        meter.push(&block);
    }
    Ok(meter.finish())
}
