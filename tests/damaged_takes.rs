//! The promise: what is damaged in a take is silent and named, and all other notes keep
//! their time.
#![cfg(feature = "cli")]

mod common;

use std::path::Path;
use std::process::Command;

use common::{leadpipe, rows, succeed};

/// The demo's take in a format, 13.4 s.
fn encoded(folder: &Path, ending: &str) -> Vec<u8> {
    let wav = folder.join("whole.wav");
    if !wav.exists() {
        let sound = ::leadpipe::internals::demo::line::render(48_000.0);
        let mut file = std::fs::File::create(&wav).unwrap();
        ::leadpipe::internals::output::wav::write_mono(&sound, 48_000, &mut file).unwrap();
    }
    let path = folder.join(format!("whole.{ending}"));
    let status = Command::new("sox")
        .args([&wav, &path])
        .status()
        .expect("sox is installed: apt-get install sox libsox-fmt-mp3");
    assert!(status.success(), "{ending}");
    std::fs::read(path).unwrap()
}

fn notes(path: &Path) -> (Vec<common::Row>, String) {
    let output = leadpipe(&["transcribe", path.to_str().unwrap(), "--format", "csv"]);
    let errors = String::from_utf8(output.stderr).unwrap();
    assert!(output.status.success(), "{errors}");
    (rows(&String::from_utf8(output.stdout).unwrap()), errors)
}

/// An MP3 file behind a first frame that says how many others there are (the tag Info),
/// as most encoders write it.
fn described(mp3: &[u8]) -> Vec<u8> {
    // 64 kbit/s at 48 kHz in mono: 192 bytes a frame.
    const FRAME: usize = 192;
    assert_eq!(mp3[..3], [0xFF, 0xFB, 0x54], "{:?}", &mp3[..4]);
    let mut file = mp3[..4].to_vec();
    file.resize(4 + 17, 0);
    file.extend(b"Info\0\0\0\x01");
    file.extend(((mp3.len() / FRAME) as u32).to_be_bytes());
    file.resize(FRAME, 0);
    file.extend(mp3);
    file
}

/// Notes from a time on start when they did.
fn assert_in_time(whole: &[common::Row], damaged: &[common::Row], from_s: f64, what: &str) {
    let late = |rows: &[common::Row]| -> Vec<(i32, f64)> {
        let late = rows.iter().filter(|row| row.onset_s > from_s);
        late.map(|row| (row.midi, row.onset_s)).collect()
    };
    let (whole, damaged) = (late(whole), late(damaged));
    assert!(whole.len() > 3, "{whole:?}");
    assert_eq!(whole.len(), damaged.len(), "{what}: {damaged:?}");
    for (a, b) in whole.iter().zip(&damaged) {
        assert!(
            a.0 == b.0 && (a.1 - b.1).abs() < 0.005,
            "{what}: {a:?} {b:?}"
        );
    }
}

#[test]
fn notes_after_damage_keep_their_time() {
    let folder = tempfile::tempdir().unwrap();
    for ending in ["flac", "mp3", "ogg"] {
        let mut bytes = encoded(folder.path(), ending);
        let path = folder.path().join(format!("whole.{ending}"));
        if ending == "mp3" {
            bytes = described(&bytes);
            std::fs::write(&path, &bytes).unwrap();
        }
        let (whole, said) = notes(&path);
        assert!(!said.contains("damaged"), "{said}");
        let middle = bytes.len() / 2;
        let mut overwritten = bytes.clone();
        overwritten[middle..middle + 700].fill(0x5A);
        let mut cut = bytes.clone();
        cut.drain(middle..middle + 1_000);
        for (what, bytes) in [("overwritten", overwritten), ("cut", cut)] {
            let path = folder.path().join(format!("{what}.{ending}"));
            std::fs::write(&path, bytes).unwrap();
            let (damaged, said) = notes(&path);
            assert!(
                said.contains("damaged at 6.") || said.contains("damaged at 7."),
                "{ending} {what}: {said}"
            );
            assert_in_time(&whole, &damaged, 8.0, &format!("{ending} {what}"));
        }
    }
}

/// Without a tag that counts the frames and tells the encoder's delay, at a constant and at
/// a varying bit rate: read to its end, each note where another decoder has it.
#[test]
fn an_mp3_file_without_a_tag_keeps_its_times() {
    let folder = tempfile::tempdir().unwrap();
    encoded(folder.path(), "aiff");
    let sox = |args: &[&str]| {
        let status = Command::new("sox")
            .current_dir(folder.path())
            .args(args)
            .status();
        assert!(status.unwrap().success(), "{args:?}");
    };
    for quality in ["128", "-5"] {
        sox(&["whole.wav", "-C", quality, "tagged.mp3"]);
        let mut bytes = std::fs::read(folder.path().join("tagged.mp3")).unwrap();
        let is_tag = |four: &[u8]| matches!(four, b"Xing" | b"Info");
        if bytes[..100].windows(4).any(is_tag) {
            // It is a frame of its own: 128 kbit/s at 48 kHz are 384 bytes.
            assert_eq!(bytes[..3], [0xFF, 0xFB, 0x94]);
            bytes.drain(..384);
        }
        let path = folder.path().join("bare.mp3");
        std::fs::write(&path, &bytes).unwrap();
        sox(&["bare.mp3", "decoded.wav"]);
        let (decoded, _) = notes(&folder.path().join("decoded.wav"));
        let (read, said) = notes(&path);
        assert_eq!(said, "", "{quality}");
        assert_in_time(&decoded, &read, 0.0, quality);
    }
}

/// Every format says how much is there, and that much can be used.
#[test]
fn a_cut_off_take_is_used_as_far_as_it_goes() {
    let folder = tempfile::tempdir().unwrap();
    for (ending, said) in [
        ("aiff", "cut off: 6.70 s of 13.40 s are there;"),
        ("caf", "cut off: 6.6"),
        ("ogg", "cut off: only the first "),
    ] {
        let bytes = encoded(folder.path(), ending);
        let path = folder.path().join(format!("cut.{ending}"));
        std::fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
        let take = path.to_str().unwrap();
        let (code, errors) = common::fail(&["transcribe", take]);
        assert!(code == 3 && errors.contains(said), "{errors}");
        let end = errors.split("--end ").nth(1).unwrap().trim();
        let there = rows(&succeed(&[
            "transcribe",
            take,
            "--end",
            end,
            "--format",
            "csv",
        ]));
        assert!(there.len() > 3, "{ending}: {there:?}");
    }
    // An Ogg file need not say that its last page is the last, and something may follow it.
    let bytes = std::fs::read(folder.path().join("whole.ogg")).unwrap();
    let last = bytes.windows(4).rposition(|four| four == b"OggS").unwrap();
    let path = folder.path().join("end.ogg");
    std::fs::write(&path, &bytes[..last]).unwrap();
    notes(&path);
    std::fs::write(&path, [&bytes[..], b"TAG", &[0; 125]].concat()).unwrap();
    notes(&path);
}

#[test]
fn a_take_that_is_mostly_lost_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let mut bytes = encoded(folder.path(), "flac");
    let (from, to) = (bytes.len() / 5, bytes.len() * 4 / 5);
    // Less than a frame apart.
    for at in (from..to).step_by(1_000) {
        bytes[at..at + 20].fill(0);
    }
    let path = folder.path().join("lost.flac");
    std::fs::write(&path, bytes).unwrap();
    let (code, errors) = common::fail(&["transcribe", path.to_str().unwrap()]);
    assert_eq!(code, 3);
    assert!(errors.contains("are lost; copy it again"), "{errors}");
}

/// Every container of the same sound gives the same notes, and so does a recording whose
/// recorder never wrote its length.
#[test]
fn containers_hold_the_same_notes() {
    let folder = tempfile::tempdir().unwrap();
    encoded(folder.path(), "aiff");
    let wav = std::fs::read(folder.path().join("whole.wav")).unwrap();
    let csv = |path: &Path| succeed(&["transcribe", path.to_str().unwrap(), "--format", "csv"]);
    let whole = csv(&folder.path().join("whole.wav"));
    let data = wav.windows(4).position(|four| four == b"data").unwrap();
    let sound = &wav[data + 8..];
    for ending in ["caf", "w64", "aiff"] {
        encoded(folder.path(), ending);
        assert_eq!(
            csv(&folder.path().join(format!("whole.{ending}"))),
            whole,
            "{ending}"
        );
    }
    for length in [0u32, u32::MAX] {
        let mut bytes = wav.clone();
        bytes[4..8].copy_from_slice(&length.to_le_bytes());
        bytes[data + 4..data + 8].copy_from_slice(&length.to_le_bytes());
        let path = folder.path().join(format!("unclosed-{length}.wav"));
        std::fs::write(&path, bytes).unwrap();
        let output = leadpipe(&["transcribe", path.to_str().unwrap(), "--format", "csv"]);
        assert_eq!(String::from_utf8(output.stdout).unwrap(), whole);
        let said = String::from_utf8(output.stderr).unwrap();
        assert!(said.contains("its header has no length"), "{said}");
    }
    // RF64 as EBU Tech 3306 has it, and the same cut off.
    let mut rf64 = b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0".to_vec();
    for size in [
        sound.len() as u64 + 72,
        sound.len() as u64,
        sound.len() as u64 / 2,
    ] {
        rf64.extend(size.to_le_bytes());
    }
    rf64.extend([0; 4]);
    rf64.extend(&wav[12..data]);
    rf64.extend(b"data\xff\xff\xff\xff");
    rf64.extend(sound);
    let path = folder.path().join("long.wav");
    std::fs::write(&path, &rf64).unwrap();
    assert_eq!(csv(&path), whole);
    std::fs::write(&path, &rf64[..rf64.len() / 2]).unwrap();
    let (code, errors) = common::fail(&["transcribe", path.to_str().unwrap()]);
    assert!(
        code == 3 && errors.contains("of 13.40 s are there"),
        "{errors}"
    );
}
