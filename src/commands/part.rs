//! How a printable part is asked for.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::{Args, ValueEnum};
use leadpipe::internals::notation::key::{Key, KeyMode};
use leadpipe::internals::notation::tempo_track::TempoTrack;
use leadpipe::internals::notation::{SWINGS, TEMPI, is_pickup};
use leadpipe::internals::output::provenance::keep_input;
use leadpipe::internals::text::shown_path;
use leadpipe::{Clef, Heading, Metre, NotationOptions, Result};

/// How the printable part is written. What is left out is estimated.
#[derive(Args)]
#[command(next_help_heading = "Part and MIDI file; what is left out is estimated")]
pub struct PartOptions {
    /// Tempo in quarter notes per minute, in 6/8 too: 66 dotted quarters are 99
    #[arg(long, value_name = "BPM", value_parser = super::number(TEMPI, "quarter notes per minute"))]
    tempo: Option<f64>,
    /// Tempo and bars from a MIDI file, such as a click track, that begins with the take; by
    /// default TAKE.tempo.mid beside the take, if there is one
    #[arg(long, value_name = "FILE.mid", conflicts_with_all = ["tempo", "steady"])]
    tempo_map: Option<PathBuf>,
    /// Keep one tempo throughout; otherwise the beat follows the player
    #[arg(long)]
    steady: bool,
    /// Time signature, such as 3/4, or "free" for no bars
    #[arg(long, alias = "metre", value_name = "BEATS/VALUE", value_parser = metre)]
    meter: Option<Measured>,
    /// Quarter notes before the first bar line, less than a bar: 0, 0.5, 1, 2
    #[arg(long, value_name = "QUARTERS", value_parser = pickup)]
    pickup: Option<f64>,
    /// A bar begins with the note at this time
    #[arg(long, value_name = "SECONDS", value_parser = super::seconds, conflicts_with = "pickup")]
    downbeat: Option<f64>,
    /// Smallest value that is written
    #[arg(long, value_name = "VALUE", value_parser = ["4", "8", "16", "32"])]
    smallest_note: Option<String>,
    /// Share of a beat that the first of two swung eighths takes, such as 0.62 or 2:1, or
    /// "off"
    #[arg(long, value_name = "RATIO", value_parser = swing)]
    swing: Option<f64>,
    /// Key signature of the written part: a key such as F, "E flat minor" or F#m, or a
    /// number of sharps, negative for flats
    #[arg(long, value_name = "KEY", allow_hyphen_values = true, value_parser = key)]
    key: Option<(Key, Option<KeyMode>)>,
    /// Mark notes in the part with their cents if they are farther than this from the
    /// tuning; otherwise none are
    #[arg(long, value_name = "CENTS", value_parser = super::number(0.0..=1200.0, "cents"))]
    cents_over: Option<f64>,
    /// Title of the part; by default the take's name
    #[arg(long, value_name = "TEXT")]
    title: Option<String>,
    /// Composer, above the part
    #[arg(long, value_name = "TEXT")]
    composer: Option<String>,
    /// Name of the part, such as "2nd trumpet"; by default the horn's
    #[arg(long, value_name = "TEXT")]
    part_name: Option<String>,
    /// Clef of the part; by default the horn's
    #[arg(long, value_enum)]
    clef: Option<ClefArg>,
}

/// [`Clef`] on the command line.
#[derive(Clone, Copy, ValueEnum)]
enum ClefArg {
    Treble,
    Alto,
    Tenor,
    Bass,
}

impl From<ClefArg> for Clef {
    fn from(clef: ClefArg) -> Clef {
        match clef {
            ClefArg::Treble => Clef::Treble,
            ClefArg::Alto => Clef::Alto,
            ClefArg::Tenor => Clef::Tenor,
            ClefArg::Bass => Clef::Bass,
        }
    }
}

/// A metre, or none.
#[derive(Clone, Copy)]
struct Measured(Option<Metre>);

impl PartOptions {
    /// What stands above the part.
    pub fn heading(&self) -> Heading {
        let mut heading = Heading::default();
        heading.title.clone_from(&self.title);
        heading.composer.clone_from(&self.composer);
        heading.part_name.clone_from(&self.part_name);
        heading.clef = self.clef.map(Clef::from);
        heading.mode = self.key.and_then(|(_, mode)| mode);
        heading.cents_over = self.cents_over;
        heading
    }

    /// Leaves the key out, for a list that has its own.
    pub fn forget_key(&mut self) {
        self.key = None;
    }

    /// Sharps of the key that was asked for.
    pub fn fifths(&self) -> Option<i32> {
        self.key.map(|(key, _)| key.fifths)
    }

    /// Whether tempo, metre, bars or swing are asked for, so that a list's own rhythm does not
    /// count.
    pub fn estimates_rhythm(&self) -> bool {
        self.tempo.is_some()
            || self.tempo_map.is_some()
            || self.meter.is_some()
            || self.pickup.is_some()
            || self.downbeat.is_some()
            || self.smallest_note.is_some()
            || self.swing.is_some()
    }

    /// The same for the library, for a take or a list, which may have tempo and bars of its own.
    pub fn notation(&self, take: &Path, own: Option<TempoTrack>) -> Result<NotationOptions> {
        let any = self.tempo.is_none() && !self.steady;
        let beside = || TempoTrack::beside(take).filter(|_| any);
        let tempo_map = self.tempo_map.clone().or_else(beside);
        tempo_map.iter().for_each(|map| keep_input(map));
        let read = tempo_map.as_deref().map(TempoTrack::read).transpose()?;
        let tempo_track = read.or(own.filter(|_| any));
        let path = tempo_map.as_deref().unwrap_or(take);
        if let Some(track) = &tempo_track
            && track.metre_changes()
            && self.meter.is_none()
        {
            super::say(format_args!(
                "leadpipe: {}: its time signature changes; the part keeps the first",
                shown_path(path)
            ));
        }
        let options = NotationOptions {
            tempo_track: tempo_track.map(Arc::new),
            tempo: self.tempo,
            steady: self.steady,
            metre: self.meter.map(|m| m.0),
            pickup: self.pickup,
            downbeat_s: self.downbeat,
            smallest: self.smallest_note.as_deref().and_then(|v| v.parse().ok()),
            swing: self.swing,
            fifths: self.fifths(),
            leave_out_doubtful: false,
        };
        options.check()?;
        Ok(options)
    }
}

fn metre(text: &str) -> std::result::Result<Measured, String> {
    if text == "free" {
        return Ok(Measured(None));
    }
    let metre = Metre::parse(text).ok_or("give a time signature such as 4/4, 3/4, 6/8, or free")?;
    Ok(Measured(Some(metre)))
}

fn pickup(text: &str) -> std::result::Result<f64, String> {
    match text.parse::<f64>() {
        Ok(quarters) if is_pickup(quarters) => Ok(quarters),
        _ => Err("give quarter notes, such as 0, 0.5 or 1".into()),
    }
}

fn swing(text: &str) -> std::result::Result<f64, String> {
    if text == "off" {
        return Ok(0.5);
    }
    let number = |text: &str| text.trim().parse::<f64>().ok().filter(|n| *n > 0.0);
    let share = match text.split_once(':') {
        Some((long, short)) => number(long).zip(number(short)).map(|(a, b)| a / (a + b)),
        None => number(text),
    };
    let sane = share.filter(|share| SWINGS.contains(share));
    sane.ok_or_else(|| "give a share from 0.5 to 0.8, a ratio such as 2:1, or off".into())
}

/// Reads a key by its name or its sharps.
pub fn key(text: &str) -> std::result::Result<(Key, Option<KeyMode>), String> {
    Key::parse_with_mode(text).ok_or_else(|| {
        "give a key such as F, \"E flat minor\" or F#m, or its number of sharps, -7 to 7".into()
    })
}
