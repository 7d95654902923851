//! What is believed of techniques before any is heard: from where on a movement of pitch or level
//! has a name.
//!
//! Both passes name techniques by the same numbers. "Fitted" is by `examples/fit_articulation.rs`;
//! `training/README.md` says what was taken from that. "Flat" means that the fit moved it and found
//! nothing that is better on other lines too.

/// The numbers by which techniques are told from each other and from plain notes.
#[derive(Debug, Clone, Copy)]
pub struct TechniqueModel {
    /// What comes from another pitch or goes to one.
    pub slides: SlideModel,
    /// What wavers about one pitch or one level.
    pub waves: WaveModel,
    /// What goes back and forth between two pitches.
    pub swings: SwingModel,
}

/// Scoop, fall, doit and glissando: pitch that comes from somewhere or goes somewhere. Made lines
/// have no glissando that takes most of its note, so that what is for glissandi alone is not fitted.
#[derive(Debug, Clone, Copy)]
pub struct SlideModel {
    /// Smallest slide that is named, in cents: more than an attack needs to settle. Fitted: at 60
    /// it names as well on made lines, but of 211 recorded tongued notes 30 slide instead of 20.
    pub least_cents: f32,
    /// A slide this long over most of a note is a glissando, in cents.
    pub glissando_cents: f32,
    /// A glide this long from one note to the next is heard as a glissando, in seconds.
    pub glissando_s: f64,
    /// What is quicker than this, in seconds, is a step, not a slide: valves and lips take less to
    /// change the note, and sixteenth notes take as long at 187 to the minute. Flat from 0.08 to 0.1.
    pub brief_s: f64,
    /// In a note longer than this any slide that is named is a glissando, in seconds: no
    /// scoop or fall takes a second.
    pub slow_s: f64,
    /// Smallest excursion from a pitch to which a shorter note returns, in cents: more than
    /// any vibrato.
    pub excursion_cents: f32,
    /// A note no longer than this may be one that a lip glissando only passes by, in seconds.
    pub passing_s: f64,
}

/// Vibrato of the pitch, flutter of the level.
#[derive(Debug, Clone, Copy)]
pub struct WaveModel {
    /// A note's edges, in which pitch and level do as the attack and the release do, in seconds.
    /// Fitted.
    pub edge_s: f64,
    /// Slowest and fastest vibrato, in hertz: flat.
    pub vibrato_hz: (f64, f64),
    /// Smallest vibrato that is named, in cents: audible as motion. Flat.
    pub vibrato_cents: f64,
    /// Share of the pitch's motion that a vibrato must explain. Fitted.
    pub vibrato_share: f64,
    /// Fewest cycles for a reliable rate: flat.
    pub vibrato_cycles: f64,
    /// Slowest and fastest roll of a flutter tongue, in hertz (common practice: 20 to 30 a second).
    pub flutter_hz: (f64, f64),
    /// Smallest depth of a flutter, half of peak to peak, in dB. Fitted.
    pub flutter_db: f64,
    /// Share of the level's motion that a flutter must explain. Fitted: the best lies at 0.4. But
    /// live a roll's dips are attacks to the note model, and so is double tonguing at 7 to 14 a
    /// second, which is no roll from 0.5 on; a roll is one up to 0.65.
    pub flutter_share: f64,
}

/// Trill, shake and wide vibrato: pitch that crosses the middle of its range again and again.
#[derive(Debug, Clone, Copy)]
pub struct SwingModel {
    /// Narrowest and widest oscillation, in semitones: a semitone played narrow, a shake
    /// from the second partial to the third, a fifth, overshot. Both flat; made lines have nothing
    /// wider that alternates.
    pub width: (f32, f32),
    /// Margin either side of the middle that a swing must leave, as a share of its width: its
    /// middle third. Flat.
    pub margin: f32,
    /// Slowest trill, in hertz, tongued or not: the turns of a recorded valve trill seem tongued to
    /// the network and dip by 10 dB. Sixteenths at 120 to the minute alternate at 4; the slowest
    /// trill that the networks learned from turns at 4.5 (`training/synthesis.py`), the slowest of
    /// the recorded ones that were looked at, at 4.8. Not fitted: made lines have nothing slower that
    /// alternates.
    pub slowest_hz: f64,
    /// Shortest time on one side of the middle, in seconds: a slur may slip back for a moment.
    /// Flat from 0.02 to 0.03.
    pub shortest_side_s: f64,
    /// Longest time on one side of the middle, in seconds. Flat from 0.3 on, as long as there is one.
    pub longest_side_s: f64,
    /// Longest time to the first crossing and from the last, in seconds. Made lines would
    /// have 0.3, by which three of the recorded trills that were looked at are two notes.
    pub edge_s: f64,
    /// Fewest crossings of the middle: two turns and a half.
    pub crossings: usize,
    /// Share of its motion that a sine explains in a vibrato. A trill is square, of
    /// which a sine explains 8/pi^2, or 0.81; where it takes a third of its time to go
    /// from note to note, 0.93. Flat on made lines; without it recorded trills are vibratos.
    pub sine_share: f64,
    /// Share of its time that a vibrato spends in the middle third of its range. A
    /// sine spends 0.2; a trill passes through, and where it takes a third of its time to go from
    /// note to note it spends 0.1. Fitted.
    pub middle_share: f64,
    /// A lip trill dips more than a slur; this much is a new attack, in dB. Not fitted: made trills
    /// do not dip, so that 12 would be best for them, and recorded trills shatter.
    pub dip_db: f32,
}

impl SwingModel {
    /// Half a turn of the slowest trill, in seconds.
    pub fn half_turn_s(&self) -> f64 {
        0.5 / self.slowest_hz
    }

    /// The fewest turns of the slowest trill, in seconds.
    pub fn fewest_turns_s(&self) -> f64 {
        self.crossings as f64 * self.half_turn_s()
    }
}

impl TechniqueModel {
    /// The model of both passes.
    pub const DEFAULT: TechniqueModel = TechniqueModel {
        slides: SlideModel {
            least_cents: 70.0,
            glissando_cents: 130.0,
            glissando_s: 0.1,
            brief_s: 0.08,
            slow_s: 2.5,
            excursion_cents: 100.0,
            passing_s: 0.13,
        },
        waves: WaveModel {
            edge_s: 0.045,
            vibrato_hz: (2.5, 9.0),
            vibrato_cents: 7.0,
            vibrato_share: 0.3,
            vibrato_cycles: 2.0,
            flutter_hz: (15.0, 36.0),
            flutter_db: 1.25,
            flutter_share: 0.5,
        },
        swings: SwingModel {
            width: (0.7, 8.5),
            margin: 1.0 / 6.0,
            slowest_hz: 4.2,
            shortest_side_s: 0.02,
            longest_side_s: 0.3,
            edge_s: 0.4,
            crossings: 5,
            sine_share: 0.93,
            middle_share: 0.135,
            dip_db: 18.0,
        },
    };
}
