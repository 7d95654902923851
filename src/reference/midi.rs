//! Parts of a Standard MIDI File (MIDI 1.0: Standard MIDI Files 1.0).

use std::collections::BTreeMap;

use midly::num::u4;
use midly::{EventIter, MetaMessage, MidiMessage, Smf, Timing, Track, TrackEventKind};

use super::tempo_map::TempoMap;
use super::{MAX_NOTES, Performed, ScorePart, TargetNote, one_at_a_time};
use crate::midi_values::{BREATH, semitones, share};
use crate::notation::key::Key;
use crate::text::PROGRAM;
use crate::units::Concert;

/// General MIDI 1: channel 10.
const PERCUSSION: u4 = u4::new(9);

/// A note in ticks.
struct TickNote {
    start: u64,
    end: u64,
    key: u8,
    course: Option<Course>,
}

/// How a note was played.
struct Course {
    slurred: bool,
    velocity: u8,
    /// Bend and loudness from some tick on.
    points: Vec<(u64, Bent)>,
}

/// What bends a note and makes it loud or soft.
#[derive(Clone, Copy, Default)]
struct Bent {
    semitones: f64,
    breath: u8,
}

/// The notes that are on in a track, and how they are played if this program wrote it. That of
/// other programs is a score: in those notes may overlap in chords, and bends are effects.
#[derive(Default)]
struct Sounding {
    is_own: bool,
    on: BTreeMap<(u8, u8), (u64, Option<Course>)>,
    bent: BTreeMap<u8, Bent>,
    /// Channel and key of the note that the event before ended.
    just_ended: Option<(u8, u8)>,
}

impl Sounding {
    /// Takes a message; gives a note that it ends.
    fn take(&mut self, at: u64, channel: u8, message: MidiMessage) -> Option<(u8, TickNote)> {
        let just_ended = self.just_ended.take();
        let (key, velocity) = match message {
            MidiMessage::NoteOn { key, vel } => (key.as_int(), vel.as_int()),
            MidiMessage::NoteOff { key, .. } => (key.as_int(), 0),
            MidiMessage::PitchBend { bend } => {
                let semitones = semitones(bend.as_int());
                self.bend(at, channel, |bent| bent.semitones = semitones);
                return None;
            }
            MidiMessage::Controller { controller, value } if controller == BREATH => {
                self.bend(at, channel, |bent| bent.breath = value.as_int());
                return None;
            }
            _ => return None,
        };
        let ended = self
            .on
            .remove(&(channel, key))
            .map(|(start, course)| TickNote {
                start,
                end: at,
                key,
                course,
            });
        if velocity > 0 {
            let course = self.is_own.then(|| Course {
                // As the encoder writes a slur: the note before ends after this one begins, or,
                // if it has the same key, at once.
                slurred: self.on.keys().any(|(on, _)| *on == channel)
                    || just_ended == Some((channel, key)),
                velocity,
                points: vec![(at, self.bent.get(&channel).copied().unwrap_or_default())],
            });
            self.on.insert((channel, key), (at, course));
        } else {
            self.just_ended = Some((channel, key));
        }
        ended.map(|note| (channel, note))
    }

    fn bend(&mut self, at: u64, channel: u8, change: impl Fn(&mut Bent)) {
        let bent = self.bent.entry(channel).or_default();
        change(bent);
        let on = self.on.range_mut((channel, 0)..=(channel, u8::MAX));
        for course in on.filter_map(|(_, (_, course))| course.as_mut()) {
            match course.points.last_mut().filter(|last| last.0 == at) {
                Some(last) => last.1 = *bent,
                None => course.points.push((at, *bent)),
            }
        }
    }
}

/// Whether this program wrote a file.
fn is_own(smf: &Smf<'_>) -> bool {
    let mark = TrackEventKind::Meta(MetaMessage::Text(PROGRAM.as_bytes()));
    smf.tracks.iter().flatten().any(|event| event.kind == mark)
}

fn parsed(bytes: &[u8]) -> Result<Smf<'_>, String> {
    // -128 frames a second is invalid, and midly 0.5.3 overflows on it.
    let head = bytes.windows(13).filter(|w| w.starts_with(b"MThd"));
    if head.into_iter().any(|w| w[12] == 0x80) {
        return Err("not a valid MIDI file (its time code is out of range)".into());
    }
    let invalid = |e| format!("not a valid MIDI file ({e})");
    let (header, tracks) = midly::parse(bytes).map_err(invalid)?;
    let promised = tracks.size_hint().0;
    let mut whole = Vec::with_capacity(promised);
    for data in track_data(bytes, promised)? {
        let number = whole.len() + 1;
        whole.push(events(data).ok_or_else(|| format!("damaged in track {number} of {promised}"))?);
    }
    Ok(Smf {
        header,
        tracks: whole,
    })
}

/// What each track holds. midly makes do with what is there of a file, which would be a shorter
/// score; one that lacks anything is refused here.
fn track_data(bytes: &[u8], promised: usize) -> Result<Vec<&[u8]>, String> {
    const HEAD: usize = 8;
    // In a RIFF file the score comes after other headers.
    let start = bytes.windows(4).position(|w| w == b"MThd").unwrap_or(0);
    let mut rest = &bytes[start..];
    let mut tracks = Vec::new();
    while let Some((head, data)) = rest.split_at_checked(HEAD) {
        let length = u32::from_be_bytes([head[4], head[5], head[6], head[7]]) as usize;
        let is_track = head.starts_with(b"MTrk");
        let Some((data, after)) = data.split_at_checked(length) else {
            // What follows the last track is none of the score.
            if tracks.len() >= promised {
                break;
            }
            return Err(format!(
                "cut off in track {} of {promised}: {} of its {length} bytes are there",
                tracks.len() + 1,
                data.len()
            ));
        };
        if is_track {
            tracks.push(data);
        }
        rest = after;
    }
    match tracks.len() < promised {
        true => Err(format!(
            "cut off: {} of its {promised} tracks are there",
            tracks.len()
        )),
        false => Ok(tracks),
    }
}

/// The events of a track up to its end; none if one of them cannot be read.
fn events(data: &[u8]) -> Option<Track<'_>> {
    let mut events = EventIter::new(data);
    let mut track = Track::new();
    while !events.unread().is_empty() {
        // Lenient as it is, midly ends a track at what it cannot read.
        let event = events.next()?.ok()?;
        track.push(event);
        if event.kind == TrackEventKind::Meta(MetaMessage::EndOfTrack) {
            break;
        }
    }
    Some(track)
}

/// What a file says of the beat.
#[derive(Debug, Clone, PartialEq)]
pub struct Conducted {
    /// Position in quarters and quarters a minute from there on.
    pub tempi: Vec<(f64, f64)>,
    /// Position in quarters, beats of a bar and their value: 2, 4, 8.
    pub signatures: Vec<(f64, u32, u32)>,
}

/// Tempi and time signatures of a file, of whichever track.
///
/// # Errors
/// What is wrong with the file, in words.
pub fn conducted(bytes: &[u8]) -> Result<Conducted, String> {
    let smf = parsed(bytes)?;
    let Timing::Metrical(quarter) = smf.header.timing else {
        return Err("a MIDI file that counts frames, not beats".into());
    };
    let quarter = f64::from(quarter.as_int().max(1));
    let mut found = Conducted {
        tempi: Vec::new(),
        signatures: Vec::new(),
    };
    for track in &smf.tracks {
        let mut at = 0u64;
        for event in track {
            at += u64::from(event.delta.as_int());
            let quarters = at as f64 / quarter;
            match event.kind {
                TrackEventKind::Meta(MetaMessage::Tempo(micros)) => {
                    let tempo = 60e6 / f64::from(micros.as_int().max(1));
                    found.tempi.push((quarters, tempo));
                }
                TrackEventKind::Meta(MetaMessage::TimeSignature(beats, power, ..)) => {
                    let value = 1 << u32::from(power.min(6));
                    found.signatures.push((quarters, u32::from(beats), value));
                }
                _ => {}
            }
        }
    }
    // Tracks run side by side.
    found.signatures.sort_by(|a, b| a.0.total_cmp(&b.0));
    Ok(found)
}

/// Each track's channel with notes is a part. Percussion (channel 10) is left out
/// (General MIDI 1).
///
/// # Errors
/// What is wrong with the file, in words.
pub fn parts(bytes: &[u8]) -> Result<Vec<ScorePart>, String> {
    let smf = parsed(bytes)?;
    let mut tempi = Vec::new();
    let quarter = match smf.header.timing {
        Timing::Metrical(ticks) => f64::from(ticks.as_int().max(1)),
        Timing::Timecode(frames, sub) => {
            // A quarter at 60 a minute is a second.
            tempi.push((0.0, 60.0));
            f64::from(frames.as_f32()) * f64::from(sub.max(1))
        }
    };
    let timed = matches!(smf.header.timing, Timing::Timecode(..));
    let mut metres = vec![(0.0, 4.0)];
    let mut key: Option<(u64, Key)> = None;
    let mut found: BTreeMap<(usize, u8), (String, Vec<TickNote>)> = BTreeMap::new();
    let mut count = 0;
    let is_own = is_own(&smf);
    for (number, track) in smf.tracks.iter().enumerate() {
        let mut at = 0u64;
        let mut name = format!("track {}", number + 1);
        let mut sounding = Sounding {
            is_own,
            ..Sounding::default()
        };
        for event in track {
            at += u64::from(event.delta.as_int());
            let quarters = at as f64 / quarter;
            match event.kind {
                TrackEventKind::Meta(MetaMessage::TrackName(text)) => {
                    name = String::from_utf8_lossy(text).trim().to_owned();
                }
                TrackEventKind::Meta(MetaMessage::Tempo(micros)) if !timed => {
                    tempi.push((quarters, 60e6 / f64::from(micros.as_int().max(1))));
                }
                TrackEventKind::Meta(MetaMessage::TimeSignature(beats, power, ..)) => {
                    let length = f64::from(beats.max(1)) * 4.0 / 2f64.powi(i32::from(power.min(6)));
                    metres.push((quarters, length));
                }
                TrackEventKind::Meta(MetaMessage::KeySignature(fifths, _))
                    if key.is_none_or(|(first, _)| at < first) =>
                {
                    let fifths = i32::from(fifths).clamp(-7, 7);
                    key = Some((at, Key { fifths }));
                }
                TrackEventKind::Midi { channel, message } if channel != PERCUSSION => {
                    let ended = sounding.take(at, channel.as_int(), message);
                    if let Some((channel, note)) = ended {
                        found.entry((number, channel)).or_default().1.push(note);
                        count += 1;
                        if count > 4 * MAX_NOTES {
                            return Err("too many notes".into());
                        }
                    }
                }
                _ => {}
            }
        }
        for ((_, channel), part) in found.range_mut((number, 0)..=(number, u8::MAX)) {
            part.0 = format!("{name}, channel {}", channel + 1);
        }
    }
    let tempo_map = TempoMap::new(tempi);
    let bars = Bars::new(metres);
    let part = |(name, notes): (String, Vec<TickNote>)| {
        let target = |note: TickNote| {
            let (start, end) = (note.start as f64 / quarter, note.end as f64 / quarter);
            let start_s = tempo_map.seconds(start);
            let performed = note.course.map(|course| Performed {
                slurred: course.slurred,
                velocity: share(course.velocity),
                course: (course.points.iter())
                    .map(|(at, bent)| {
                        let time_s = tempo_map.seconds(*at as f64 / quarter);
                        (time_s - start_s, bent.semitones, share(bent.breath))
                    })
                    .collect(),
            });
            TargetNote {
                start_s,
                length_s: tempo_map.seconds(end) - start_s,
                concert: Concert(i32::from(note.key)),
                pitch: None,
                bar: (!timed).then(|| bars.at(start).to_string()),
                performed,
            }
        };
        let count = notes.len();
        let (notes, shortened) = one_at_a_time(notes.into_iter().map(target).collect());
        let tempo = tempo_map.median_at(notes.iter().map(|note| note.start_s));
        ScorePart {
            name,
            left_out: count - notes.len(),
            shortened,
            notes,
            tempo: tempo.filter(|_| !timed),
            key: key.map(|(_, key)| (key, 0)),
            written: None,
        }
    };
    Ok(found.into_values().map(part).collect())
}

/// Where bars begin, by the time signatures.
struct Bars {
    /// Position of each signature in quarters, length of its bars, and how many bars
    /// begin before it.
    metres: Vec<(f64, f64, f64)>,
}

impl Bars {
    /// Bars of time signatures: position and length of a bar, in quarters.
    fn new(mut metres: Vec<(f64, f64)>) -> Bars {
        metres.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut before = 0.0;
        let mut all = Vec::with_capacity(metres.len());
        for (at, (from, length)) in metres.iter().enumerate() {
            all.push((*from, *length, before));
            if let Some(next) = metres.get(at + 1) {
                let here = bars_between(*from, next.0, *length);
                before += here.ceil() - if here.fract() < 1e-6 { 1.0 } else { 0.0 };
            }
        }
        Bars { metres: all }
    }

    /// Number of the bar at a position in quarters, from 1.
    fn at(&self, quarters: f64) -> u64 {
        let passed = self.metres.partition_point(|metre| metre.0 <= quarters);
        let Some((from, length, before)) = passed.checked_sub(1).map(|last| self.metres[last])
        else {
            return 1;
        };
        (before + bars_between(from, quarters, length).floor()) as u64 + 1
    }
}

/// Bars of a length from one position to another.
fn bars_between(from: f64, to: f64, length: f64) -> f64 {
    // Tolerance for rounding: positions are divisions of ticks.
    (to - from + 1e-9) / length
}

#[cfg(test)]
mod tests {
    use super::super::assert_is_a_line;
    use super::*;
    use midly::{Format, Header, TrackEvent};
    use proptest::prelude::*;

    #[test]
    fn bars_are_counted_through_metres() {
        let metres = [(0.0, 4.0), (0.0, 3.0), (6.0, 4.0)];
        for (quarters, number) in [(0.0, 1), (2.9, 1), (3.0, 2), (6.0, 3), (9.9, 3), (10.0, 4)] {
            assert_eq!(
                Bars::new(metres.to_vec()).at(quarters),
                number,
                "{quarters}"
            );
        }
    }

    /// Found by fuzzing.
    #[test]
    fn a_senseless_time_code_is_refused() {
        let file = b"MThd\0\0\0\x06\0\0\0\x01\x80\x01MTrk\0\0\0\x04\0\xff\x2f\0";
        assert!(parts(file).unwrap_err().contains("time code"));
    }

    /// Two tracks with a note each.
    fn two_tracks() -> Vec<u8> {
        let event = |delta: u32, kind| TrackEvent {
            delta: delta.into(),
            kind,
        };
        let midi = |message| TrackEventKind::Midi {
            channel: 0.into(),
            message,
        };
        let track = |key: u8| {
            let (key, vel) = (key.into(), 80.into());
            vec![
                event(0, midi(MidiMessage::NoteOn { key, vel })),
                event(480, midi(MidiMessage::NoteOff { key, vel })),
                event(0, TrackEventKind::Meta(MetaMessage::EndOfTrack)),
            ]
        };
        let header = Header::new(Format::Parallel, Timing::Metrical(480.into()));
        let tracks = vec![track(60), track(62)];
        let mut bytes = Vec::new();
        Smf { header, tracks }.write_std(&mut bytes).unwrap();
        bytes
    }

    /// A file without its end is no shorter score.
    #[test]
    fn what_is_cut_off_is_refused() {
        let whole = two_tracks();
        assert_eq!(parts(&whole).unwrap().len(), 2);
        for length in 0..whole.len() {
            let problem = parts(&whole[..length]).unwrap_err();
            assert!(!problem.is_empty(), "{length}");
            assert!(conducted(&whole[..length]).is_err(), "{length}");
        }
        let cut = parts(&whole[..whole.len() - 1]).unwrap_err();
        assert!(
            cut.contains("cut off in track 2 of 2: 12 of its 13"),
            "{cut}"
        );
        let missing = parts(&whole[..whole.len() - 21]).unwrap_err();
        assert!(missing.contains("1 of its 2 tracks"), "{missing}");
        // An event that makes no sense: data where its status should be.
        let mut damaged = whole.clone();
        damaged[23] = 0x10;
        let damaged = parts(&damaged).unwrap_err();
        assert!(damaged.contains("damaged in track 1 of 2"), "{damaged}");
        // Something after the last track is none of the score.
        let mut more = whole;
        more.extend(b"XFIH\0\0\xff\xff");
        assert_eq!(parts(&more).unwrap().len(), 2);
    }

    proptest! {
        /// Whatever a file holds, it is refused in words or read as lines.
        #[test]
        fn any_bytes_are_lines_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let mut file = b"MThd\0\0\0\x06\0\0\0\x01\x01\xe0MTrk\0\0\0".to_vec();
            file.push(bytes.len() as u8);
            file.extend(&bytes);
            for read in [parts(&file), parts(&bytes)] {
                match read {
                    Ok(parts) => parts.iter().for_each(assert_is_a_line),
                    Err(problem) => prop_assert!(!problem.is_empty()),
                }
            }
        }

        /// What is struck and let go is read back, whatever the tempo and the rests.
        #[test]
        fn a_melody_is_read_as_it_was_written(
            melody in prop::collection::vec((0u8..128, 0u32..2_000, 40u32..2_000), 1..40),
            tempo in 20.0f64..400.0,
        ) {
            let micros = (60e6 / tempo) as u32;
            let mut track = vec![TrackEvent {
                delta: 0.into(),
                kind: TrackEventKind::Meta(MetaMessage::Tempo(micros.into())),
            }];
            let mut message = |delta: u32, message| {
                let kind = TrackEventKind::Midi { channel: 3.into(), message };
                track.push(TrackEvent { delta: delta.into(), kind });
            };
            for (key, rest, length) in &melody {
                let key = (*key).into();
                message(*rest, MidiMessage::NoteOn { key, vel: 80.into() });
                // As many programs end a note.
                message(*length, MidiMessage::NoteOn { key, vel: 0.into() });
            }
            let header = Header::new(Format::SingleTrack, Timing::Metrical(480.into()));
            let mut bytes = Vec::new();
            Smf { header, tracks: vec![track] }.write_std(&mut bytes).unwrap();
            let parts = parts(&bytes).unwrap();
            prop_assert_eq!(parts.len(), 1);
            assert_is_a_line(&parts[0]);
            prop_assert_eq!(parts[0].notes.len(), melody.len());
            let tick_s = f64::from(micros) / 1e6 / 480.0;
            let mut at = 0;
            for (note, (key, rest, length)) in parts[0].notes.iter().zip(&melody) {
                at += rest;
                prop_assert_eq!(note.concert.0, i32::from(*key));
                prop_assert!((note.start_s - f64::from(at) * tick_s).abs() < 1e-6);
                prop_assert!((note.length_s - f64::from(*length) * tick_s).abs() < 1e-6);
                at += length;
            }
        }
    }
}
