//! A tempo map as a Standard MIDI File whose tick 0 is the take's first sample.

use std::io;

use midly::num::{u15, u24, u28};
use midly::{Format, Header, MetaMessage, Smf, Timing, Track, TrackEvent, TrackEventKind};

use super::log::Place;
use crate::notation::Metre;
use crate::output::Sink;
use crate::text::PROGRAM;

const TICKS_PER_QUARTER: u16 = 960;

/// Writes a map: places in quarters and seconds, from (0, 0) on. With a metre, bars begin
/// at multiples of its length.
///
/// # Errors
/// What `to` answers.
pub fn write(places: &[Place], metre: Option<Metre>, to: &mut dyn Sink) -> io::Result<()> {
    let mut track = Track::new();
    let mut put = |delta: u32, message| {
        track.push(TrackEvent {
            delta: u28::from(delta),
            kind: TrackEventKind::Meta(message),
        });
    };
    put(0, MetaMessage::Text(PROGRAM.as_bytes()));
    if let Some(metre) = metre {
        // A click each quarter, 8 32nds to it.
        let power = metre.value.ilog2() as u8;
        put(
            0,
            MetaMessage::TimeSignature(metre.beats as u8, power, 24, 8),
        );
    }
    let tick = |quarters: f64| (quarters * f64::from(TICKS_PER_QUARTER)).round() as u32;
    let mut last = 0;
    for pair in places.windows(2) {
        let (from, to) = (tick(pair[0].0), tick(pair[1].0));
        if to <= from {
            continue;
        }
        let quarters = f64::from(to - from) / f64::from(TICKS_PER_QUARTER);
        let micros = 1e6 * (pair[1].1 - pair[0].1) / quarters;
        let micros = micros.round().clamp(1.0, 16_777_215.0) as u32;
        put(from - last, MetaMessage::Tempo(u24::from(micros)));
        last = from;
    }
    put(0, MetaMessage::EndOfTrack);
    let smf = Smf {
        header: Header::new(
            Format::SingleTrack,
            Timing::Metrical(u15::from(TICKS_PER_QUARTER)),
        ),
        tracks: vec![track],
    };
    smf.write_std(to)
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;

    #[test]
    fn a_reader_finds_the_beats_where_they_were() {
        let places = [(0.0, 0.0), (1.0, 0.3), (9.0, 4.3), (17.0, 9.1)];
        let mut bytes = Cursor::new(Vec::new());
        let waltz = Metre { beats: 3, value: 4 };
        write(&places, Some(waltz), &mut bytes).unwrap();
        let bytes = bytes.into_inner();
        let smf = Smf::parse(&bytes).unwrap();
        let (mut now, mut quarter_s, mut now_s) = (0u32, 0.5, 0.0);
        let mut tempi = Vec::new();
        for event in &smf.tracks[0] {
            let delta = event.delta.as_int();
            now += delta;
            now_s += f64::from(delta) / 960.0 * quarter_s;
            match event.kind {
                TrackEventKind::Meta(MetaMessage::Tempo(micros)) => {
                    quarter_s = f64::from(micros.as_int()) / 1e6;
                    tempi.push((f64::from(now) / 960.0, now_s));
                }
                TrackEventKind::Meta(MetaMessage::TimeSignature(beats, power, ..)) => {
                    assert_eq!((now, beats, power), (0, 3, 2));
                }
                _ => {}
            }
        }
        for ((quarters, time_s), expected) in tempi.iter().zip(places) {
            assert_eq!(*quarters, expected.0);
            assert!((time_s - expected.1).abs() < 1e-4);
        }
        assert_eq!(tempi.len(), 3);
        assert!((quarter_s - 0.6).abs() < 1e-6);
    }
}
