//! The promise: whatever is in a file, it is used or refused in one line. Thousands of
//! files, each a sound one with some of its bytes changed, cut or repeated.
#![cfg(feature = "cli")]

mod common;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use common::write_wav;
use leadpipe::internals::demo::brass::{Played, Room, play};
use leadpipe::internals::note_list;
use leadpipe::{Error, Horn, Reference, ReferencePart, Result, Selection, Take, Tuning};

/// Mutations of each file.
const TIMES: usize = 400;

/// Xorshift (Marsaglia, 2003): the same files in every run.
struct Random(u64);

impl Random {
    fn below(&mut self, end: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 16) as usize % end.max(1)
    }

    /// A place in a file: half of them in its first bytes, where headers are.
    fn place(&mut self, length: usize) -> usize {
        let end = if self.below(2) == 0 {
            length.min(100)
        } else {
            length
        };
        self.below(end)
    }
}

fn mutated(sound: &[u8], random: &mut Random) -> Vec<u8> {
    let mut bytes = sound.to_vec();
    for _ in 0..1 + random.below(4) {
        let length = bytes.len();
        let at = random.place(length);
        let some = 1 + random.below(64);
        let end = (at + some).min(length);
        match random.below(7) {
            0 => bytes[at..end]
                .iter_mut()
                .for_each(|b| *b = random.below(256) as u8),
            1 => bytes[at] ^= 1 << random.below(8),
            2 => bytes[at..end].fill([0, 0xFF, b'9', b' '][random.below(4)]),
            3 => drop(bytes.drain(at..end)),
            4 => {
                let again = bytes[at..end].to_vec();
                bytes.splice(at..at, again);
            }
            5 => bytes.truncate(at.max(1)),
            _ => {
                let value = [0, 1, u32::MAX, 1 << 31, 0x7FFF_FFFF][random.below(5)];
                let end = (at + 4).min(length);
                bytes[at..end].copy_from_slice(&value.to_le_bytes()[..end - at]);
            }
        }
        if bytes.is_empty() {
            break;
        }
    }
    bytes
}

fn read_take(path: &Path) -> Result<()> {
    let mut take = Take::open(path, &Selection::default())?;
    let mut block = Vec::new();
    while take.next_block(&mut block)? {
        assert!(block.iter().all(|sample| sample.is_finite()));
    }
    take.warnings()
        .iter()
        .for_each(|warning| assert_one_line(warning));
    Ok(())
}

fn read_other(path: &Path) -> Result<()> {
    let name = path.to_str().unwrap();
    match path.extension().unwrap().to_str().unwrap() {
        "toml" if name.contains("horn") => Horn::find(name).map(drop),
        #[cfg(feature = "live")]
        "toml" if name.contains("rig") => {
            use leadpipe::internals::live::rig::Rig;
            Rig::load(name).and_then(|rig| rig.check_values())
        }
        "toml" | "syx" => {
            let tuning = Tuning::find(name, None, Reference::default())?;
            assert!(tuning.pitches().iter().all(|pitch| pitch.is_finite()));
            Ok(())
        }
        "csv" | "json" => note_list::read(path, Reference::default()).map(drop),
        _ => ReferencePart::read(path, None).map(drop),
    }
}

fn assert_one_line(text: &str) {
    assert!(!text.contains(char::is_control), "{text:?}");
    assert!((10..700).contains(&text.chars().count()), "{text:?}");
}

fn assert_refusal(error: &Error) {
    assert_one_line(&error.to_string());
    assert!(error.to_string().contains("; "), "no hint: {error}");
    assert!((3..=5).contains(&error.exit_code()), "{error:?}");
}

#[test]
fn no_file_is_too_strange() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let sound = play(
        &[Played::new(0.05, 0.4, 58.0, 0.6)],
        0.5,
        &Room::default(),
        1,
    );
    write_wav(&at("take.wav"), 48_000, &[&sound]);
    for ending in ["16.wav", "aiff", "flac", "mp3", "ogg", "caf", "w64"] {
        let status = std::process::Command::new("sox")
            .arg(at("take.wav"))
            .args(["-b", "16"])
            .arg(at(&format!("take.{ending}")))
            .status()
            .expect("sox is installed: apt-get install sox libsox-fmt-mp3");
        assert!(status.success(), "{ending}");
    }
    let out = folder.path().to_str().unwrap();
    let take = at("take.wav");
    let write = ["--write", "csv,json,midi,musicxml"];
    common::succeed(
        &[
            &["transcribe", take.to_str().unwrap(), "--out", out],
            &write[..],
        ]
        .concat(),
    );
    let dump = at("tuning.syx");
    common::succeed(&["tunings", "just", "--dump", dump.to_str().unwrap()]);
    std::fs::write(
        at("tuning.toml"),
        include_str!("../tunings/werckmeister-3.toml"),
    )
    .unwrap();
    #[cfg(feature = "live")]
    std::fs::write(at("rig.toml"), leadpipe::internals::live::rig::STARTING).unwrap();
    std::fs::write(at("horn.toml"), include_str!("../src/horn/catalogue.toml")).unwrap();

    let mut random = Random(0x5EED_1EAD_0000_0001);
    let mut failed = Vec::new();
    let mut count = 0;
    let mut names: Vec<_> = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(
        names.len(),
        15 + usize::from(cfg!(feature = "live")),
        "{names:?}"
    );
    for name in names {
        let sound = std::fs::read(at(&name)).unwrap();
        let path = at(&format!("mutated-{name}"));
        let take = name.starts_with("take") && common_take(&name);
        for number in 0..TIMES {
            std::fs::write(&path, mutated(&sound, &mut random)).unwrap();
            let read = if take { read_take } else { read_other };
            let outcome = catch_unwind(AssertUnwindSafe(|| {
                if let Err(error) = read(&path) {
                    assert_refusal(&error);
                }
            }));
            count += 1;
            if outcome.is_err() {
                failed.push(format!("{name} {number}"));
            }
        }
    }
    assert!(failed.is_empty(), "{} of {count}: {failed:?}", failed.len());
}

fn common_take(name: &str) -> bool {
    let lists = ["csv", "json", "mid", "musicxml"];
    !lists.iter().any(|ending| name.ends_with(ending))
}
