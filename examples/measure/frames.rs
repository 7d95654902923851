//! Single notes: frames right within 50 cents, and whole notes.
//!
//! Sounding frames are those, every 10 ms, whose 2 ms level lies within 30 dB of
//! the note's loudest: air, room and all. So a second figure is of those of them that lie
//! within the note's tone.

use std::path::Path;

use leadpipe::Mode;

use crate::quantile;
use crate::recordings::{listen, manifest, tones};
use crate::sound::samples;

pub fn measure(folder: &Path) {
    println!("\nsingle notes");
    let notes: Vec<_> = manifest(folder)
        .into_iter()
        .filter(|r| r.file.starts_with("notes/"))
        .collect();
    let tones = tones(folder);
    for (name, mode) in [("full pass", Mode::Full), ("causal", Mode::Causal)] {
        let (mut sounding, mut right, mut silent) = (0, 0, 0);
        let (mut in_tone, mut right_in_tone) = (0, 0);
        let mut wrong_notes = Vec::new();
        for note in &notes {
            let (sound, rate_hz) = samples(&folder.join(&note.file));
            let heard = listen(&sound, rate_hz, mode);
            let moments: Vec<_> = heard.track.frames().collect();
            let hop_s = moments[1].time_s - moments[0].time_s;
            let power: Vec<f64> = sound
                .chunks((0.01 * rate_hz) as usize)
                .map(|c| {
                    let two_ms = &c[..c.len().min((0.002 * rate_hz) as usize)];
                    two_ms.iter().map(|x| f64::from(x * x)).sum::<f64>() / two_ms.len() as f64
                })
                .collect();
            let least = power.iter().copied().fold(0.0, f64::max) / 1000.0;
            let mut pitches = Vec::new();
            for (i, _) in power.iter().enumerate().filter(|(_, p)| **p > least) {
                let time_s = 0.01 * i as f64 + 0.001;
                let at = ((time_s - moments[0].time_s) / hop_s).round().max(0.0);
                let pitch = moments.get(at as usize).and_then(|m| m.pitch);
                let tone = tones.get(&note.file);
                let within = tone.is_some_and(|t| (t.tone_on_s..t.tone_off_s).contains(&time_s));
                sounding += 1;
                in_tone += usize::from(within);
                let Some(pitch) = pitch.map(f64::from) else {
                    silent += 1;
                    continue;
                };
                pitches.push(pitch);
                let off = (pitch - note.midi)
                    .abs()
                    .min((pitch - note.midi - note.cents / 100.0).abs());
                right += usize::from(off < 0.5);
                right_in_tone += usize::from(within && off < 0.5);
            }
            let median = quantile(&pitches, 0.5);
            let off = (median - note.midi - note.cents / 100.0).abs();
            if off.is_nan() || off >= 0.5 {
                wrong_notes.push(format!("{} ({median:.1} for {})", note.file, note.midi));
            }
        }
        let share = |n: usize| 100.0 * n as f64 / f64::from(sounding);
        println!(
            "  {name}: {:.2} % of {sounding} frames right within 50 cents, {:.2} % without pitch",
            share(right),
            share(silent)
        );
        println!(
            "    of the {in_tone} within the tone {:.2} %",
            100.0 * right_in_tone as f64 / in_tone as f64
        );
        println!(
            "    wrong by median: {} of {} {wrong_notes:?}",
            wrong_notes.len(),
            notes.len()
        );
    }
}
