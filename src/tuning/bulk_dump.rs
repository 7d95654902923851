//! Reads and writes MIDI Tuning Standard bulk dumps.
//!
//! MMA/AMEI, MIDI 1.0 Detailed Specification, "MIDI Tuning" (bulk dump reply):
//!
//! ```text
//! F0 7E <device> 08 01 <program> <16 characters> [xx yy zz] * 128 <checksum> F7
//! ```
//!
//! `xx` is the key of equal temperament at or below the pitch, `yy zz` the rest
//! in 1/16384 of a semitone; `7F 7F 7F` leaves a key unchanged. The checksum is the
//! exclusive or of everything from `7E` to the last pitch, seven bits.

use std::path::Path;

use super::Tuning;
use crate::error::{Error, Result};
use crate::input_file;
use crate::text::shown_path;
use crate::units::Pitch;

/// Length of a dump in bytes.
const LENGTH: usize = 408;

/// The contents of a dump.
#[derive(Debug, Clone, PartialEq)]
pub struct Dump {
    /// Up to 16 characters.
    pub name: String,
    /// Pitch of each of the 128 keys. A key that the dump leaves unchanged is in equal
    /// temperament.
    pub pitches: Vec<Pitch>,
}

/// The dump that tunes each key to the tuning's nearest pitch.
pub fn encode(tuning: &Tuning, program: u8) -> Vec<u8> {
    let mut bytes = vec![0xF0, 0x7E, 0x7F, 0x08, 0x01, program & 0x7F];
    let ascii = tuning
        .name()
        .chars()
        .filter(|c| c.is_ascii_graphic() || *c == ' ');
    let name: String = ascii.chain(std::iter::repeat(' ')).take(16).collect();
    bytes.extend(name.bytes());
    for key in 0..128 {
        let pitch = tuning.nearest(tuning.reference().equal(key));
        bytes.extend(encode_pitch(pitch));
    }
    let checksum = bytes[1..].iter().fold(0, |sum, byte| sum ^ byte);
    bytes.extend([checksum & 0x7F, 0xF7]);
    bytes
}

/// A pitch in three bytes, to 1/16384 semitone.
pub fn encode_pitch(pitch: Pitch) -> [u8; 3] {
    // 7F 7F 7F means "no change": the highest pitch is one step below.
    let steps = (pitch.0 * 16_384.0)
        .round()
        .clamp(0.0, 128.0 * 16_384.0 - 2.0) as u32;
    let (key, rest) = (steps >> 14, steps & 0x3FFF);
    [key as u8, (rest >> 7) as u8, (rest & 0x7F) as u8]
}

/// Reads a dump.
///
/// # Errors
/// A sentence that says what is wrong and at which byte.
pub fn decode(bytes: &[u8]) -> std::result::Result<Dump, String> {
    if bytes.len() != LENGTH {
        return Err(format!(
            "{} bytes long, a bulk dump has {LENGTH}",
            bytes.len()
        ));
    }
    if bytes[..2] != [0xF0, 0x7E] || bytes[3..5] != [0x08, 0x01] || bytes[LENGTH - 1] != 0xF7 {
        return Err("not a MIDI Tuning Standard bulk dump".into());
    }
    let data = &bytes[1..LENGTH - 2];
    if let Some(at) = data[1..].iter().position(|byte| *byte > 0x7F) {
        return Err(format!("byte {} is not a data byte", at + 2));
    }
    let checksum = data.iter().fold(0, |sum, byte| sum ^ byte) & 0x7F;
    if checksum != bytes[LENGTH - 2] {
        return Err("its checksum is wrong".into());
    }
    let name = String::from_utf8_lossy(&bytes[6..22]).trim_end().to_owned();
    let keys = bytes[22..LENGTH - 2].chunks_exact(3).enumerate();
    let pitches = keys.map(|(key, three)| match three {
        [0x7F, 0x7F, 0x7F] => Pitch(key as f64),
        [semitone, high, low] => {
            let rest = f64::from(*high) * 128.0 + f64::from(*low);
            Pitch(f64::from(*semitone) + rest / 16_384.0)
        }
        _ => unreachable!("chunks of three"),
    });
    Ok(Dump {
        name,
        pitches: pitches.collect(),
    })
}

/// Largest file read, in bytes: a dump has 408.
const MAX_BYTES: u64 = 1 << 16;
const DUMP: &str = "a MIDI Tuning Standard bulk dump (.syx)";

/// Reads a dump from a file.
pub fn read(path: &Path) -> Result<Dump> {
    let wrong = |problem: String| {
        Error::setting(
            format!("{}: {problem}", shown_path(path)),
            format!("give {DUMP}"),
        )
    };
    let bytes = input_file::read(path, MAX_BYTES).map_err(|e| e.setting(path, DUMP))?;
    decode(&bytes).map_err(wrong)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tuning::tuning_file::{Degree, Kind, TuningFile};
    use crate::tuning::{Reference, Tuning};
    use proptest::prelude::*;

    /// A table with its tonic and some degrees somewhere.
    fn table() -> impl Strategy<Value = Tuning> {
        let degrees = prop::collection::vec(0.0f64..1_200.0, 0..30);
        (degrees, 48i32..72, 420.0f64..460.0).prop_map(|(degrees, tonic, a4_hz)| {
            let file = TuningFile {
                name: "generated".into(),
                title: "Generated".into(),
                kind: Kind::Table,
                tonic: tonic.to_string(),
                anchor: None,
                period: 1_200.0,
                degrees: [0.0]
                    .into_iter()
                    .chain(degrees)
                    .map(Degree::Cents)
                    .collect(),
                about: String::new(),
            };
            let reference = Reference::new(a4_hz).unwrap();
            Tuning::new(&file, None, reference).unwrap()
        })
    }

    /// Frequencies and their bytes from the standard's own table of examples.
    #[test]
    fn pitches_as_in_the_standard() {
        for (hz, bytes) in [
            (8.1758, [0x00, 0x00, 0x00]),
            (261.6256, [0x3C, 0x00, 0x00]),
            (440.0, [0x45, 0x00, 0x00]),
            (440.0016, [0x45, 0x00, 0x01]),
        ] {
            assert_eq!(encode_pitch(Pitch::from_hz(hz)), bytes, "{hz} Hz");
        }
    }

    #[test]
    fn tunings_survive_a_round_trip() {
        for name in ["equal-12", "just", "werckmeister-3", "meantone-4"] {
            let tuning = Tuning::find(name, None, Reference::new(442.0).unwrap()).unwrap();
            let dump = decode(&encode(&tuning, 3)).unwrap();
            assert_eq!(dump.name, name);
            for (key, pitch) in dump.pitches.iter().enumerate().take(127) {
                let want = tuning.nearest(tuning.reference().equal(key as i32));
                assert!((pitch.0 - want.0).abs() < 1.0 / 16_384.0, "{name} {key}");
            }
        }
    }

    proptest! {
        #[test]
        fn damage_is_detected(at in 0usize..LENGTH, flip in 1u8..=255) {
            let tuning = Tuning::find("just", None, Reference::default()).unwrap();
            let mut bytes = encode(&tuning, 0);
            // Device and program may be anything; the checksum covers them.
            bytes[at] ^= flip;
            prop_assert!(decode(&bytes).is_err());
        }

        /// Any table comes back to half a step of 1/16384 semitone, and what came back
        /// is written the same again.
        #[test]
        fn any_table_survives_the_trip(table in table(), program in 0u8..128) {
            let bytes = encode(&table, program);
            let dump = decode(&bytes).unwrap();
            prop_assert_eq!(&dump.name, "generated");
            for (key, pitch) in dump.pitches.iter().enumerate() {
                let want = table.nearest(table.reference().equal(key as i32)).0;
                let sayable = want.clamp(0.0, 128.0 - 2.0 / 16_384.0);
                prop_assert!((pitch.0 - sayable).abs() <= 0.5 / 16_384.0 + 1e-9, "{key}: {want}");
                prop_assert_eq!(&encode_pitch(*pitch)[..], &bytes[22 + 3 * key..][..3]);
            }
        }

        /// Every dump whose frame and checksum are right says what its bytes say.
        #[test]
        fn any_sound_dump_is_read(data in prop::collection::vec(0u8..128, 384)) {
            let mut bytes = encode(&Tuning::find("just", None, Reference::default()).unwrap(), 0);
            bytes[22..406].copy_from_slice(&data);
            bytes[406] = bytes[1..406].iter().fold(0, |sum, byte| sum ^ byte) & 0x7F;
            let dump = decode(&bytes).unwrap();
            for (key, (three, pitch)) in data.chunks(3).zip(&dump.pitches).enumerate() {
                if three == [0x7F; 3] {
                    prop_assert_eq!(*pitch, Pitch(key as f64));
                } else {
                    prop_assert_eq!(&encode_pitch(*pitch)[..], three);
                }
            }
        }

        #[test]
        fn noise_is_no_dump(bytes in prop::collection::vec(any::<u8>(), 0..500)) {
            let problem = decode(&bytes).unwrap_err();
            prop_assert!(!problem.is_empty() && !problem.contains('\n'));
        }

        /// Nor is one that was cut off or run on.
        #[test]
        fn another_length_is_refused(length in 0usize..800) {
            let mut bytes = encode(&Tuning::find("just", None, Reference::default()).unwrap(), 0);
            bytes.resize(length, 0xF7);
            prop_assert_eq!(decode(&bytes).is_ok(), length == LENGTH);
        }
    }
}
