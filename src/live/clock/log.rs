//! What a clock said while a take was recorded, and the tempo map that it makes.

use super::message::{ClockMessage, Song, TICKS_PER_QUARTER};
use super::segments::{Tick, segments};

/// Longest time from tick to tick, in seconds: 20 quarters a minute are 0.125 s. After a
/// longer one ticks have been lost.
const LONGEST_S: f64 = 0.4;
/// Ticks that make a tempo: a quarter's.
const LEAST_TICKS: usize = TICKS_PER_QUARTER as usize;
/// Least time from the take's start to the first place of the map, in seconds: it is at a
/// beat, and the take's start is not.
const FIRST_S: f64 = 0.1;
/// Quarters a minute that a map may have.
const TEMPI: std::ops::RangeInclusive<f64> = 2.0..=1_500.0;

/// Ticks that followed each other.
#[derive(Debug, Clone, Default)]
struct Run {
    /// Times in seconds, and numbers counted from the song's beginning.
    ticks: Vec<Tick>,
}

/// The clock's messages in the order they came.
#[derive(Debug, Clone, Default)]
pub struct ClockLog {
    runs: Vec<Run>,
    song: Song,
    /// Whether the next tick follows the one before it.
    joined: bool,
}

/// A place of a tempo map: quarters from the start of the file, and seconds.
pub type Place = (f64, f64);

impl ClockLog {
    /// Nothing yet, of a song that is somewhere.
    pub fn starting(song: Song) -> Self {
        ClockLog {
            song,
            ..ClockLog::default()
        }
    }

    /// A message, by its time in seconds from the start of the take. Times do not fall.
    pub fn push(&mut self, at_s: f64, message: ClockMessage) {
        match message {
            ClockMessage::Tick => self.tick(at_s),
            other => {
                self.song.push(other);
                self.joined = false;
            }
        }
    }

    fn tick(&mut self, at_s: f64) {
        let lost = self.runs.last().and_then(|run| run.lost_before(at_s));
        if let Some(lost) = lost.filter(|_| self.joined) {
            self.song.next = self.song.next.saturating_add(lost);
            self.joined = false;
        }
        let Some(number) = self.song.push(ClockMessage::Tick) else {
            return;
        };
        if !self.joined {
            self.runs.push(Run::default());
            self.joined = true;
        }
        if let Some(run) = self.runs.last_mut() {
            run.ticks.push((f64::from(number), at_s));
        }
    }

    /// The same clock in another file, that begins where this one ends.
    pub fn continued(&self) -> ClockLog {
        ClockLog::starting(self.song)
    }

    /// Places between which the tempo is even, from the take's start on; the last tempo goes
    /// on. Quarters of the song are whole quarters in it, and with `bar`, the quarters in a
    /// bar, bars begin at multiples of it. `None` where there was no clock.
    pub fn places(&self, bar: Option<f64>) -> Option<Vec<Place>> {
        let unit = bar.unwrap_or(1.0);
        let mut places: Vec<Place> = vec![(0.0, 0.0)];
        for run in &self.runs {
            let from = run.ticks.partition_point(|(_, time_s)| *time_s < FIRST_S);
            let ticks = &run.ticks[from..];
            if ticks.len() < LEAST_TICKS {
                continue;
            }
            let lines = segments(ticks);
            let mut within: Vec<Place> = Vec::with_capacity(lines.len() + 1);
            let quarters = |number: f64| number / f64::from(TICKS_PER_QUARTER);
            within.push((quarters(lines[0].from), lines[0].time_s(lines[0].from)));
            for two in lines.windows(2) {
                let (number, time_s) = two[0].meets(&two[1]);
                within.push((quarters(number), time_s));
            }
            let last = lines[lines.len() - 1];
            within.push((quarters(last.to), last.time_s(last.to)));
            // So many whole quarters or bars on that the time before it has its tempo.
            let before = places[places.len() - 1];
            let (at, at_s) = within[0];
            let passed_s = at_s - before.1;
            if passed_s <= 0.0 {
                continue;
            }
            let quarter_s = lines[0].period_s() * f64::from(TICKS_PER_QUARTER);
            let wanted = before.0 + passed_s / quarter_s - at;
            let mut shift = (wanted / unit).round() * unit;
            let tempo = |shift: f64| 60.0 * (at + shift - before.0) / passed_s;
            while tempo(shift) < *TEMPI.start() {
                shift += unit;
            }
            if !TEMPI.contains(&tempo(shift)) || within.windows(2).any(|w| w[1].1 <= w[0].1) {
                continue;
            }
            places.extend(
                within
                    .into_iter()
                    .map(|(quarters, s)| (quarters + shift, s)),
            );
        }
        (places.len() > 1).then_some(places)
    }
}

impl Run {
    /// How many ticks were lost before one at a time, if it is too long after the last.
    fn lost_before(&self, at_s: f64) -> Option<u32> {
        let last = self.ticks.last()?;
        if at_s - last.1 <= LONGEST_S {
            return None;
        }
        let first = self.ticks[self.ticks.len().saturating_sub(4 * LEAST_TICKS)];
        let period_s = (last.1 - first.1) / (last.0 - first.0).max(1.0);
        let missed = if period_s > 0.0 {
            (at_s - last.1) / period_s
        } else {
            1.0
        };
        Some((missed.round() - 1.0).max(0.0) as u32)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A clock whose messages arrive up to 2 ms early or late.
    struct Rig {
        log: ClockLog,
        random: fastrand::Rng,
        now_s: f64,
    }

    impl Rig {
        fn new(now_s: f64) -> Rig {
            Rig {
                log: ClockLog::default(),
                random: fastrand::Rng::with_seed(7),
                now_s,
            }
        }

        fn says(&mut self, message: ClockMessage) {
            self.log.push(self.now_s, message);
        }

        /// Ticks at so many quarters a minute.
        fn ticks(&mut self, quarters: f64, tempo: f64) {
            for _ in 0..(24.0 * quarters) as usize {
                let jitter_s = 0.004 * (self.random.f64() - 0.5);
                self.log.push(self.now_s + jitter_s, ClockMessage::Tick);
                self.now_s += 60.0 / tempo / 24.0;
            }
        }
    }

    /// Time of a position in quarters of the file.
    fn time_s(places: &[Place], quarters: f64) -> f64 {
        let next = places
            .partition_point(|p| p.0 <= quarters)
            .clamp(1, places.len() - 1);
        let (a, b) = (places[next - 1], places[next]);
        a.1 + (quarters - a.0) * (b.1 - a.1) / (b.0 - a.0)
    }

    /// Nearest whole quarter of the map to each time is that far off, in seconds.
    fn assert_on_beats(places: &[Place], beats_s: impl Iterator<Item = f64>, unit: f64) {
        for beat_s in beats_s {
            let next = places
                .partition_point(|p| p.1 <= beat_s)
                .clamp(1, places.len() - 1);
            let (a, b) = (places[next - 1], places[next]);
            let at = a.0 + (beat_s - a.1) * (b.0 - a.0) / (b.1 - a.1);
            let off_s = time_s(places, (at / unit).round() * unit) - beat_s;
            assert!(off_s.abs() < 2e-3, "{off_s} at {beat_s}: {places:?}");
        }
    }

    #[test]
    fn a_steady_clock_is_one_tempo() {
        let mut rig = Rig::new(1.234);
        rig.says(ClockMessage::Start);
        rig.ticks(64.0, 96.0);
        let places = rig.log.places(None).unwrap();
        assert_eq!(places.len(), 3, "{places:?}");
        assert_on_beats(&places, (0..64).map(|i| 1.234 + 0.625 * f64::from(i)), 1.0);
    }

    /// It was running when the take began, in the middle of a bar: the song position says
    /// where; and the tempo jumps.
    #[test]
    fn a_start_in_the_middle_of_a_bar_and_a_jump() {
        let mut rig = Rig::new(0.3);
        // The second quarter of the third bar.
        rig.says(ClockMessage::Position(24 * 9));
        rig.says(ClockMessage::Continue);
        rig.ticks(23.0, 120.0);
        let jump_s = rig.now_s;
        rig.ticks(16.0, 80.0);
        let places = rig.log.places(Some(4.0)).unwrap();
        let first = (0..6).map(|bar| 0.3 + 1.5 + 2.0 * f64::from(bar));
        assert_on_beats(&places, first.filter(|s| *s < jump_s), 4.0);
        let second = (0..4).map(|bar| jump_s + 3.0 * f64::from(bar));
        assert_on_beats(&places, second, 4.0);
    }

    /// A cable that was pulled for two bars, and a song that is stopped and started again.
    #[test]
    fn what_was_lost_is_bridged() {
        let mut rig = Rig::new(0.5);
        rig.says(ClockMessage::Start);
        rig.ticks(8.0, 120.0);
        rig.now_s += 4.0;
        rig.ticks(8.0, 120.0);
        rig.says(ClockMessage::Stop);
        // It goes on ticking.
        rig.ticks(3.3, 100.0);
        rig.says(ClockMessage::Start);
        let again_s = rig.now_s;
        rig.ticks(8.0, 100.0);
        let places = rig.log.places(None).unwrap();
        assert_on_beats(&places, (0..24).map(|i| 0.5 + 0.5 * f64::from(i)), 1.0);
        assert_on_beats(&places, (0..8).map(|i| again_s + 0.6 * f64::from(i)), 1.0);
    }

    #[test]
    fn no_clock_is_no_map() {
        let mut rig = Rig::new(0.5);
        assert_eq!(rig.log.places(None), None);
        rig.says(ClockMessage::Start);
        rig.ticks(0.5, 120.0);
        assert_eq!(rig.log.places(None), None);
    }
}
