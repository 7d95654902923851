//! Values of MIDI 1.0 messages that files, written and read, and sessions have in common:
//! bend, its range, 7-bit controllers (MIDI 1.0 Detailed Specification, table III).

pub const BREATH: u8 = 2;
/// Sound Controller 5, by default Brightness (MIDI 1.0 Detailed Specification; RP-021, Sound
/// Controller Defaults).
pub const BRIGHTNESS: u8 = 74;
const DATA_COARSE: u8 = 6;
const DATA_FINE: u8 = 38;
const RPN_FINE: u8 = 100;
const RPN_COARSE: u8 = 101;

/// Bend range, semitones either way: wide enough for a fall of an octave. 14 bits
/// over it are steps of 0.15 cents.
pub const BEND_RANGE: u8 = 12;
/// Time between controller values, in seconds: a serial MIDI cable carries some
/// 1000 messages per second.
pub const CONTROL_STEP_S: f64 = 0.005;

/// Level range below the loudest note that a file's 7 bits stand for, in dB.
pub const LEVEL_SPAN_DB: f32 = 48.0;

/// Controllers and values that set the bend range: RPN 0,0 and its value, then the
/// null RPN so that later data entry does not change it.
pub const SET_BEND_RANGE: [(u8, u8); 6] = [
    (RPN_COARSE, 0),
    (RPN_FINE, 0),
    (DATA_COARSE, BEND_RANGE),
    (DATA_FINE, 0),
    (RPN_COARSE, 127),
    (RPN_FINE, 127),
];

/// 14-bit bend for a distance in semitones, -8192 to 8191.
pub fn bend_value(semitones: f64) -> i16 {
    let steps = semitones / f64::from(BEND_RANGE) * 8192.0;
    steps.round().clamp(-8192.0, 8191.0) as i16
}

/// Semitones of a 14-bit bend.
pub fn semitones(bend_value: i16) -> f64 {
    f64::from(bend_value) / 8192.0 * f64::from(BEND_RANGE)
}

/// 7-bit value of a share from 0 to 1.
pub fn seven_bits(share: f32) -> u8 {
    (share * 127.0).round().clamp(0.0, 127.0) as u8
}

/// Share of a 7-bit value.
pub fn share(seven_bits: u8) -> f32 {
    f32::from(seven_bits) / 127.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn bends_come_back_within_a_fifth_of_a_cent(semitones in -11.9f64..11.9) {
            let back = super::semitones(bend_value(semitones));
            prop_assert!((back - semitones).abs() * 100.0 < 0.2);
        }

        #[test]
        fn seven_bits_are_seven(some in -10f32..10.0) {
            prop_assert!(seven_bits(some) <= 127);
            let near = some.clamp(0.0, 1.0) - share(seven_bits(some));
            prop_assert!(near.abs() <= 0.51 / 127.0);
        }
    }
}
