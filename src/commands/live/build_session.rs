//! Builds a session from rig file and options.

use std::collections::HashSet;
use std::path::Path;
use std::sync::Arc;

use leadpipe::internals::live::capture::{self, Capture};
use leadpipe::internals::live::clock::beat_clock::BeatClock;
use leadpipe::internals::live::clock::input::ClockInput;
use leadpipe::internals::live::controls::{self, Commands, Pedals};
use leadpipe::internals::live::devices::{self, Direction};
use leadpipe::internals::live::engine::Engine;
use leadpipe::internals::live::midi_system::PortName;
use leadpipe::internals::live::output_device::{self, OutputDevice};
use leadpipe::internals::live::record::RecordOptions;
use leadpipe::internals::live::recordings::Recordings;
use leadpipe::internals::live::rig::{self, Rig, Switch, channel_index, channel_indices};
use leadpipe::internals::live::routes::Routes;
use leadpipe::internals::live::send::SenderThread;
use leadpipe::internals::live::send::clock_port::ClockPort;
use leadpipe::internals::live::send::json_lines::{Failure, JsonLines};
use leadpipe::internals::live::send::midi_port::MidiPort;
use leadpipe::internals::live::send::osc::Osc;
use leadpipe::internals::live::session::SessionParts;
use leadpipe::internals::live::setup::{Choices, Setup};
use leadpipe::internals::live::streams::InputRequest;
use leadpipe::internals::live::ui_snapshot::Display;
use leadpipe::internals::output::cv_renderer::VOLTAGES;
use leadpipe::internals::sending::brightness::BrightnessRange;
use leadpipe::internals::text::{STDIN, shown_path};
use leadpipe::internals::voice;
use leadpipe::{Error, Horn, LineContext, Reference, Result, Selection, Tuning};

use super::super::say;
use super::{ClockArg, DoubleOptions, InputOptions, Options, OutOptions};

/// The rig that is used where none is named.
const DEFAULT: &str = "default";

/// The rig, with the command-line options applied.
pub fn rig(options: &Options) -> Result<Rig> {
    let mut rig = named_rig(options.rig.as_deref())?;
    if !options.horn.is_empty() {
        rig.horns = options.horn.clone();
    }
    if !options.tuning.is_empty() {
        rig.tunings = options.tuning.clone();
    }
    replace(&mut rig.tonic, &options.tonic);
    replace(&mut rig.reference_hz, &options.reference);
    replace(&mut rig.snap, &options.snap.map(Into::into));
    replace(&mut rig.source, &options.source);
    rig.shift = options.shift.unwrap_or(rig.shift);
    if !options.sequence.is_empty() {
        rig.sequence.notes = options.sequence.clone();
        rig.source.get_or_insert_with(|| "sequence".into());
    }
    apply_input_options(&mut rig, &options.input);
    apply_double_options(&mut rig, &options.double);
    apply_output_options(&mut rig, &options.outs)?;
    super::super::settings::kept().fill(&mut rig);
    check_needed(options, &rig)?;
    name_file(options.rig.as_deref(), &rig)?;
    Ok(rig)
}

/// Refuses options of an output that neither the options nor the rig ask for: they would do
/// nothing.
fn check_needed(options: &Options, rig: &Rig) -> Result<()> {
    let (double, outs) = (&options.double, &options.outs);
    let (voice, cv) = (rig.double.on, !rig.cv.channels.is_empty());
    let needs = [
        ("--output", double.output.is_some(), voice, "--double"),
        ("--timbre", double.timbre.is_some(), voice, "--double"),
        ("--interval", double.interval.is_some(), voice, "--double"),
        ("--glide", double.glide.is_some(), voice, "--double"),
        ("--level", double.level.is_some(), voice, "--double"),
        (
            "--midi-channel",
            outs.midi_channel.is_some(),
            rig.midi.port.is_some(),
            "--midi",
        ),
        (
            "--correct-keys",
            outs.correct_keys,
            rig.midi.port.is_some(),
            "--midi",
        ),
        (
            "--volts-full-scale",
            outs.volts_full_scale.is_some(),
            cv,
            "--cv",
        ),
        #[cfg(feature = "page")]
        (
            "--page-read-only",
            outs.page_read_only,
            rig.page.listen.is_some(),
            "--page",
        ),
    ];
    match needs.iter().find(|(_, given, there, _)| *given && !there) {
        None => Ok(()),
        Some((option, _, _, needed)) => Err(Error::setting(
            format!("{option} without {needed}, in the options or the rig, does nothing"),
            format!("add {needed}, or leave {option} out"),
        )),
    }
}

/// Checks a rig with the options applied. What is wrong with the file whatever the options
/// say is told with the file's name.
fn name_file(name: Option<&str>, rig: &Rig) -> Result<()> {
    let Err(error) = check(rig) else {
        return Ok(());
    };
    let name = name.unwrap_or(DEFAULT);
    let alone = Rig::load(name).and_then(|alone| check_file(name, &alone));
    match alone {
        Err(alone) if alone.to_string().ends_with(&error.to_string()) => Err(alone),
        _ => Err(error),
    }
}

/// Finds every error in a rig file that can be found without opening a device, and names
/// the file.
pub fn check_file(name: &str, rig: &Rig) -> Result<()> {
    let path = rig::path_of(name)?;
    check(rig).map_err(|error| error.about(shown_path(&path)))
}

/// The rig of that name; without one the rig called "default", if there is one.
pub fn named_rig(name: Option<&str>) -> Result<Rig> {
    match name {
        Some(name) => Rig::load(name),
        None if rig_file_exists(DEFAULT) => {
            say("leadpipe: using the rig \"default\"");
            Rig::load(DEFAULT)
        }
        None => Ok(Rig::default()),
    }
}

/// Stores measured values in a section of a rig, if one is named, and reports
/// where.
pub fn store(name: Option<&str>, section: &str, values: &[(&str, f64)]) -> Result<()> {
    let Some(name) = name else {
        say("not stored: give --rig NAME to keep it");
        return Ok(());
    };
    let path = rig::path_to_write(name)?;
    rig::store(&path, section, values)?;
    super::super::print_written(&[path]);
    Ok(())
}

fn rig_file_exists(name: &str) -> bool {
    rig::path_of(name).is_ok_and(|path| path.exists())
}

fn replace<T: Clone>(place: &mut Option<T>, by: &Option<T>) {
    if by.is_some() {
        place.clone_from(by);
    }
}

/// Applies input options to a rig.
pub fn apply_input_options(rig: &mut Rig, options: &InputOptions) {
    replace(&mut rig.input.device, &options.input);
    replace(&mut rig.input.channel, &options.channel);
    replace(&mut rig.input.block, &options.block);
    replace(&mut rig.levels.gate_db, &options.gate);
    if options.from.is_none() {
        super::super::settings::kept().fill_input(&mut rig.input);
    }
}

fn apply_double_options(rig: &mut Rig, options: &DoubleOptions) {
    let double = &mut rig.double;
    double.on |= options.double;
    replace(&mut double.device, &options.output);
    double.timbre = options.timbre.map_or(double.timbre, Into::into);
    double.interval = options.interval.unwrap_or(double.interval);
    double.glide_s = options.glide.unwrap_or(double.glide_s);
    replace(&mut double.level_db, &options.level);
}

fn apply_output_options(rig: &mut Rig, options: &OutOptions) -> Result<()> {
    replace(&mut rig.midi.port, &options.midi);
    replace(&mut rig.midi.channel, &options.midi_channel);
    rig.midi.correct_keys |= options.correct_keys;
    replace(&mut rig.midi.listen, &options.midi_in);
    for clock in &options.clock {
        match clock {
            ClockArg::In(port) => rig.clock.listen = Some(port.clone()),
            ClockArg::Out(port) => rig.clock.port = Some(port.clone()),
        }
    }
    replace(&mut rig.clock.metre, &options.clock_meter);
    if let Some(text) = &options.cv {
        let (device, channels) = device_and_channels(text)?;
        rig.cv.device = device;
        rig.cv.channels = channels;
    }
    if let Some(range) = options.brightness {
        rig.brightness.on = true;
        // Without a range of its own the option takes the rig's.
        if let Some(range) = range {
            rig.brightness.dark = Some(range.dark);
            rig.brightness.bright = Some(range.bright);
        }
    }
    replace(&mut rig.cv.full_scale_v, &options.volts_full_scale);
    replace(&mut rig.cv.zero_volt_note, &options.zero_volt_note);
    if !options.osc.is_empty() {
        rig.osc.to = options.osc.clone();
    }
    replace(&mut rig.osc.listen, &options.listen);
    replace(&mut rig.record.folder, &options.record);
    #[cfg(feature = "page")]
    {
        replace(&mut rig.page.listen, &options.page);
        rig.page.read_only |= options.page_read_only;
    }
    Ok(())
}

/// `DEVICE:3-6`, `DEVICE:3,4` or `:3-6`: the device and its channels from 1.
pub fn device_and_channels(text: &str) -> Result<(Option<String>, Vec<usize>)> {
    let wrong = || {
        Error::setting(
            format!("\"{text}\" names no output channels"),
            "write DEVICE:CHANNELS, such as alsa:hw:2:3-6 or default:3,4",
        )
    };
    let (device, channels) = text.rsplit_once(':').ok_or_else(wrong)?;
    let mut found = Vec::new();
    for part in channels.split(',') {
        let (first, last) = part.split_once('-').unwrap_or((part, part));
        let number = |text: &str| text.trim().parse::<usize>().map_err(|_| wrong());
        let (first, last) = (number(first)?, number(last)?);
        if first == 0 || last < first || last > 256 {
            return Err(wrong());
        }
        found.extend(first..=last);
    }
    Ok((Some(device.to_owned()).filter(|d| !d.is_empty()), found))
}

/// A rig's settings, validated but not yet opened.
struct ValidatedRig {
    choices: Choices,
    context: LineContext,
    routes: Routes,
    triggers: Vec<usize>,
    switches: Vec<Switch>,
}

/// Sample rate that settings are checked at where no device is open.
const USUAL_RATE_HZ: f64 = 48_000.0;

/// Finds every error in a rig that can be found without opening a device.
fn check(rig: &Rig) -> Result<()> {
    validate(rig).map(drop)
}

fn validate(rig: &Rig) -> Result<ValidatedRig> {
    rig.check_values()?;
    // Channels are judged whether they are in use now or not.
    let input = rig.input.channel;
    input
        .map(|c| channel_index("input.channel (--channel)", c))
        .transpose()?;
    rig.voice_channels()?;
    let horns = rig.horns.iter().map(|n| Horn::find(n).map(Arc::new));
    let horns: Vec<Arc<Horn>> = horns
        .collect::<Result<_>>()
        .map_err(|e| e.about("horns (--horn)"))?;
    let tunings = tunings(rig)?;
    rig.clock_metre()?;
    let (routes, triggers) = rig.routes()?;
    let switches = rig.switches()?;
    check_names(&switches, &horns, &tunings)?;
    for text in rig.osc.to.iter().chain(&rig.osc.listen) {
        controls::address("osc (--osc, --listen)", text)?;
    }
    if let Some(text) = &rig.page.listen {
        controls::address("page.listen (--page)", text)?;
    }
    let mut context = LineContext::new((*tunings[0]).clone());
    context.horn = horns.first().map(|h| (**h).clone());
    context.snap = rig.snap.unwrap_or_default();
    context.shift = rig.shift;
    context.zero_volt_note = rig.cv_scale()?.zero_volt_note;
    context.brightness = Some(rig.brightness_range()?).filter(|_| rig.brightness.on);
    let sources = rig.sources(&tunings[0])?;
    // What is drawn from must be there in every tuning of the set.
    for other in &tunings[1..] {
        rig.sources(other)?;
    }
    let choices = Choices {
        sources,
        horns,
        tunings,
    };
    // What can be said of outputs and settings before any device is open.
    output_configs(rig, &triggers, |one, other| Ok(one == other))?;
    Setup::new(
        choices.clone(),
        context.clone(),
        rig.gate_db(),
        USUAL_RATE_HZ,
    )?;
    Ok(ValidatedRig {
        choices,
        context,
        routes,
        triggers,
        switches,
    })
}

/// Opens all devices and outputs of a rig. Gives how to open the stage page, too, if there
/// is one.
pub fn build(
    rig: &Rig,
    from: Option<&Path>,
    jsonl: Option<Failure>,
    commands: &Commands,
) -> Result<(SessionParts, Vec<String>)> {
    let ValidatedRig {
        choices,
        context,
        routes,
        triggers,
        switches,
    } = validate(rig)?;
    let (displays, invitation) = page(rig, commands)?;
    let capture = Capture::open(capture_config(rig, from)?)?;
    let brightness = context.brightness;
    let setup = Setup::new(choices, context, rig.gate_db(), capture.rate_hz())?;
    let output_devices: Vec<OutputDevice> = output_configs(rig, &triggers, same_device)?
        .into_iter()
        .map(|config| OutputDevice::open(config, routes.clone()))
        .collect::<Result<_>>()?;
    let senders = senders(rig, &routes, brightness, jsonl)?;
    let pedals = rig.midi.listen.as_ref();
    let pedals = pedals.map(|port| Pedals::open(port, switches));
    let pedals = pedals.transpose()?;
    let clock = rig.clock.listen.as_deref().map(ClockInput::open);
    let clock = clock.transpose()?;
    if let Some(text) = &rig.osc.listen {
        let at = controls::address("--listen", text)?;
        controls::listen_osc(at, commands.clone())?;
    }
    let follows = rig.clock.port.is_some() || rig.clock.channel.is_some();
    // Last, so that nothing that is refused leaves an empty take behind.
    let record_options = RecordOptions {
        dynamic_range: rig.dynamic_range(),
        metre: rig.clock_metre()?,
    };
    let recordings = match &rig.record.folder {
        Some(folder) => Recordings::begun(folder.clone(), Arc::new(setup.clone()), record_options)?,
        None => Recordings::new(None, record_options),
    };
    let mut engine = Engine::new(setup, rig.dynamic_range());
    let voice = output_devices.iter().find_map(OutputDevice::voice);
    engine.set_voice_interval(voice.map(|voice| voice.interval));
    let parts = SessionParts {
        engine,
        capture,
        senders,
        output_devices,
        recordings,
        pedals,
        clock,
        beat: follows.then(BeatClock::default),
        displays,
    };
    Ok((parts, invitation))
}

/// Displays beside the terminal, and how to open them.
type Displays = (Vec<Box<dyn Display>>, Vec<String>);

/// The stage page, and how to open it.
#[cfg(feature = "page")]
fn page(rig: &Rig, commands: &Commands) -> Result<Displays> {
    use leadpipe::internals::live::page::{Page, PageConfig, TokenFile};
    let Some(text) = &rig.page.listen else {
        return Ok((Vec::new(), Vec::new()));
    };
    let config = PageConfig {
        address: controls::address("--page", text)?,
        read_only: rig.page.read_only,
        token: TokenFile::of_user(),
    };
    let page = Page::open(&config, commands.clone())?;
    let lines = page.invitation().lines();
    Ok((vec![Box::new(page)], lines))
}

/// A build without the page says so.
#[cfg(not(feature = "page"))]
fn page(rig: &Rig, _: &Commands) -> Result<Displays> {
    match &rig.page.listen {
        None => Ok((Vec::new(), Vec::new())),
        Some(_) => Err(Error::setting(
            "this build has no stage page",
            "build it with the feature `page`, or remove [page] listen from the rig",
        )),
    }
}

fn tunings(rig: &Rig) -> Result<Vec<Arc<Tuning>>> {
    let reference =
        Reference::new(rig.a4_hz()).map_err(|e| e.about("reference_hz (--reference)"))?;
    let tonic = rig.tonic.as_deref();
    let plain = ["equal-12".to_owned()];
    let names = match rig.tunings.is_empty() {
        true => &plain[..],
        false => &rig.tunings,
    };
    names
        .iter()
        .map(|name| {
            // With its own tonic: whether it is the tuning or the tonic that is wrong.
            Tuning::find(name, None, reference).map_err(|e| e.about("tunings (--tuning)"))?;
            Tuning::find(name, tonic, reference)
                .map(Arc::new)
                .map_err(|e| e.about("tonic (--tonic)"))
        })
        .collect()
}

/// Refuses a switch that names a horn or tuning outside the set: on stage it would
/// do nothing.
fn check_names(switches: &[Switch], horns: &[Arc<Horn>], tunings: &[Arc<Tuning>]) -> Result<()> {
    use leadpipe::internals::live::command::Command;
    for switch in switches {
        match &switch.command {
            Command::Horn(name) if !horns.iter().any(|h| h.name == *name) => {
                return Err(Error::setting(
                    format!("switch: the horn \"{name}\" is not among the rig's horns"),
                    "add it to horns = [...]",
                ));
            }
            Command::Tuning(name) if !tunings.iter().any(|t| t.name() == name) => {
                return Err(Error::setting(
                    format!("switch: the tuning \"{name}\" is not among the rig's tunings"),
                    "add it to tunings = [...]",
                ));
            }
            _ => {}
        }
    }
    Ok(())
}

/// What to capture: the take `from`, or the rig's input.
pub fn capture_config(rig: &Rig, from: Option<&Path>) -> Result<capture::CaptureConfig> {
    let channel = rig.input.channel;
    if let Some(path) = from {
        // A pipe would be read to its end before the first note, deaf to an interrupt.
        let other = std::fs::metadata(path).is_ok_and(|found| !found.is_file() && !found.is_dir());
        if other || path.as_os_str() == STDIN {
            return Err(Error::input(
                path,
                "a session plays from a file alone, and this is none",
                "save it to a file first",
            ));
        }
        return Ok(capture::CaptureConfig::Take {
            path: path.to_owned(),
            selection: Selection {
                channel,
                ..Selection::default()
            },
            block: rig.input.block,
        });
    }
    Ok(capture::CaptureConfig::Device(InputRequest {
        device: rig.input.device.clone(),
        channel: channel.map(|c| channel_index("--channel", c)).transpose()?,
        block: rig.input.block,
        ..InputRequest::default()
    }))
}

/// What voice and voltages play on: one device where they name the same.
fn output_configs(
    rig: &Rig,
    triggers: &[usize],
    same_device: impl Fn(&Option<String>, &Option<String>) -> Result<bool>,
) -> Result<Vec<output_device::OutputConfig>> {
    let mut configs: Vec<output_device::OutputConfig> = Vec::new();
    if !rig.cv.channels.is_empty() {
        let channels = channel_indices("--cv", &rig.cv.channels)?;
        if channels.len() > VOLTAGES {
            return Err(Error::setting(
                format!("--cv: {} channels for {VOLTAGES} voltages", channels.len()),
                "give at most one each for pitch, gate, trigger, loudness and brightness",
            ));
        }
        let mut channels: Vec<Option<usize>> = channels.into_iter().map(Some).collect();
        // Route triggers follow the standard channels, even if not all of these are used.
        channels.resize(VOLTAGES, None);
        channels.extend(triggers.iter().copied().map(Some));
        let clock = rig.clock_voltage()?;
        let clock = clock.map(|(channel, pulses)| {
            channels.push(Some(channel));
            (triggers.len(), pulses)
        });
        check_each_once(channels.iter().flatten())?;
        configs.push(output_device::OutputConfig {
            device: rig.cv.device.clone(),
            block: rig.input.block,
            cv: Some((rig.cv_scale()?, channels)),
            brightness: rig.brightness_range()?,
            clock,
            ..Default::default()
        });
    } else if rig.clock.channel.is_some() {
        return Err(Error::setting(
            "the clock has an output channel, but there are no control voltages",
            "give --cv, or [cv] channels in the rig",
        ));
    } else if !triggers.is_empty() {
        return Err(Error::setting(
            "a route has a trigger, but there are no control voltages",
            "give --cv, or [cv] channels in the rig",
        ));
    }
    if rig.double.on {
        let voice = Some((rig.voice(), rig.voice_channels()?));
        let same = rig.cv.channels.is_empty() || same_device(&rig.cv.device, &rig.double.device)?;
        match configs.iter_mut().find(|_| same) {
            Some(config) => {
                check_separate_channels(config, &voice)?;
                config.voice = voice;
            }
            None => configs.push(output_device::OutputConfig {
                device: rig.double.device.clone(),
                block: rig.input.block,
                voice,
                ..Default::default()
            }),
        }
    }
    Ok(configs)
}

/// Refuses a channel that would carry two voltages: one of them would never be heard.
fn check_each_once<'a>(channels: impl Iterator<Item = &'a usize>) -> Result<()> {
    let mut seen = HashSet::new();
    let mut channels = channels;
    match channels.find(|channel| !seen.insert(**channel)) {
        None => Ok(()),
        Some(channel) => Err(Error::setting(
            format!("output channel {} is set for two voltages", channel + 1),
            "give each a channel of its own: --cv DEVICE:3-6, or [cv] channels, a route's \
             trigger and [clock] channel in the rig",
        )),
    }
}

/// Refuses a channel that would carry both: steady voltages harm speakers, and
/// sound disturbs modules.
fn check_separate_channels(
    config: &output_device::OutputConfig,
    voice: &Option<(voice::Settings, Vec<usize>)>,
) -> Result<()> {
    let cv = config.cv.iter().flat_map(|(_, c)| c.iter().flatten());
    let voice = voice.iter().flat_map(|(_, c)| c);
    let shared = cv.copied().find(|c| voice.clone().any(|v| v == c));
    match shared {
        None => Ok(()),
        Some(channel) => Err(Error::setting(
            format!(
                "output channel {} is set for both voltages and the voice",
                channel + 1
            ),
            "give them separate channels: --cv DEVICE:3-6, or channels in [double]",
        )),
    }
}

/// Whether two names are the same output device.
fn same_device(one: &Option<String>, other: &Option<String>) -> Result<bool> {
    let id = |name: &Option<String>| {
        devices::find(name.as_deref(), Direction::Output).map(|device| device.id())
    };
    Ok(one == other || id(one)? == id(other)?)
}

fn senders(
    rig: &Rig,
    routes: &Routes,
    brightness: Option<BrightnessRange>,
    jsonl: Option<Failure>,
) -> Result<Vec<SenderThread>> {
    let mut senders = Vec::new();
    if let Some(text) = &rig.midi.port {
        let channel = rig.midi.channel.unwrap_or(1).clamp(1, 16) - 1;
        let port = MidiPort::new(
            PortName::parse(text),
            channel,
            rig.midi.correct_keys,
            routes.clone(),
            brightness,
        );
        let started = SenderThread::start(&format!("MIDI to {text}"), Box::new(port));
        senders.push(started.map_err(|problem| {
            Error::device(
                format!("MIDI to {text}"),
                problem,
                "`leadpipe devices` lists the ports",
            )
        })?);
    }
    if let Some(text) = &rig.clock.port {
        let port = ClockPort::new(PortName::parse(text));
        let started = SenderThread::start(&format!("clock to {text}"), Box::new(port));
        senders.push(started.map_err(|problem| {
            Error::device(
                format!("clock to {text}"),
                problem,
                "`leadpipe devices` lists the ports",
            )
        })?);
    }
    for text in &rig.osc.to {
        let to = controls::address("--osc", text)?;
        let started = SenderThread::start(
            &format!("OSC to {to}"),
            Box::new(Osc::new(to, routes.clone(), brightness)),
        );
        senders.push(started.map_err(|problem| {
            Error::device(
                format!("OSC to {to}"),
                problem,
                "check the address and the network",
            )
        })?);
    }
    if let Some(failure) = jsonl {
        let lines = Box::new(JsonLines::new(std::io::stdout(), failure));
        let started = SenderThread::start("JSON lines to standard output", lines);
        senders.extend(started.ok());
    }
    Ok(senders)
}

#[cfg(test)]
mod tests {
    use super::device_and_channels;

    #[test]
    fn devices_with_channels_are_read() {
        let read = |text| device_and_channels(text).ok();
        assert_eq!(
            read("alsa:hw:2:3-6"),
            Some((Some("alsa:hw:2".into()), vec![3, 4, 5, 6]))
        );
        assert_eq!(read(":1,3"), Some((None, vec![1, 3])));
        assert_eq!(read("jack:5"), Some((Some("jack".into()), vec![5])));
        for wrong in [
            "jack",
            "jack:",
            "jack:0",
            "jack:4-2",
            "jack:x",
            "jack:1-9999999",
        ] {
            assert_eq!(read(wrong), None, "{wrong}");
        }
    }
}
