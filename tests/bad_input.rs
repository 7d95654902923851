//! Bad input gets one clear line, a stable exit code, and leaves no output.
#![cfg(feature = "cli")]

mod common;

use std::path::{Path, PathBuf};

use common::{fail, fixture, leadpipe, succeed, write_wav};
use leadpipe::internals::demo::brass::{Played, Room, play};

/// A folder with a good take in it.
fn folder() -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let take = folder.path().join("take.wav");
    write_wav(
        &take,
        48_000,
        &[&play(
            &[Played::new(0.3, 0.9, 58.0, 0.6)],
            1.2,
            &Room::default(),
            1,
        )],
    );
    (folder, take)
}

/// Runs `transcribe` on a file with outputs asked for; expects one line on
/// standard error, nothing on standard output, no files.
fn refused(path: &Path, args: &[&str]) -> (i32, String) {
    let out = tempfile::tempdir().unwrap();
    let folder = out.path().join("made");
    let fixed = [
        "transcribe",
        path.to_str().unwrap(),
        "--out",
        folder.to_str().unwrap(),
    ];
    let output = leadpipe(&[&fixed, args].concat());
    let errors = String::from_utf8(output.stderr).unwrap();
    assert!(output.stdout.is_empty());
    assert_eq!(errors.lines().count(), 1, "{errors}");
    assert!(errors.starts_with("leadpipe: "), "{errors}");
    assert!(!folder.exists(), "an empty folder is left");
    (output.status.code().unwrap(), errors)
}

#[test]
fn files_that_are_no_takes() {
    let (folder, _) = folder();
    let file = |name: &str, bytes: &[u8]| {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path
    };
    let bare = folder.path().join("bare");
    std::fs::create_dir(&bare).unwrap();
    for (path, words) in [
        (folder.path().join("missing.wav"), "no such file"),
        (bare, "no takes in this folder"),
        (file("empty.wav", b""), "empty"),
        (
            file(
                "text.wav",
                b"these are words, not sound, and quite a few of them",
            ),
            "not an audio file",
        ),
        (file("noise.mp3", &[0x5A; 5000]), "not an audio file"),
        (
            file("header.wav", b"RIFF\x24\x00\x00\x00WAVEfmt "),
            "not an audio file",
        ),
        (
            file("take.wv", b"wvpk\xb4\xa6\x00\x00"),
            "WavPack, is not read; give a WAV",
        ),
        (file("take.m4a", b"\x00\x00\x00\x1cftypM4A "), "M4A"),
        (
            file("take.opus", &[&b"OggS"[..], &[0; 24], b"OpusHead"].concat()),
            "Opus",
        ),
    ] {
        let (code, errors) = refused(&path, &[]);
        assert_eq!(code, 3, "{errors}");
        assert!(errors.contains(words), "{errors}");
        assert!(errors.contains(path.to_str().unwrap()), "{errors}");
    }
}

#[test]
fn truncated_takes_say_what_is_there() {
    let (folder, take) = folder();
    let bytes = std::fs::read(&take).unwrap();
    let cut = folder.path().join("cut.wav");
    std::fs::write(&cut, &bytes[..bytes.len() / 2]).unwrap();
    let (code, errors) = refused(&cut, &[]);
    assert_eq!(code, 3);
    assert!(errors.contains("0.60 s of 1.20 s are there"), "{errors}");
    // What it suggests works.
    let end = errors.split("--end ").nth(1).unwrap().trim();
    assert!(succeed(&["transcribe", cut.to_str().unwrap(), "--end", end]).contains("Bb3"));
}

/// What is advised is an option that the command has, and that chooses of the right file.
#[test]
fn advice_fits_the_command() {
    let (folder, take) = folder();
    let bytes = std::fs::read(&take).unwrap();
    let cut = folder.path().join("cut.wav");
    std::fs::write(&cut, &bytes[..bytes.len() * 3 / 4]).unwrap();
    let left = play(
        &[Played::new(0.2, 0.9, 58.0, 0.6)],
        1.2,
        &Room::default(),
        1,
    );
    let right: Vec<f32> = left.iter().map(|sample| -sample).collect();
    let inverted = folder.path().join("inverted.wav");
    write_wav(&inverted, 48_000, &[&left, &right]);
    let silent = folder.path().join("silent.wav");
    write_wav(&silent, 48_000, &[&vec![0.0; 48_000]]);
    let [take, cut, inverted, silent] =
        [&take, &cut, &inverted, &silent].map(|path| path.to_str().unwrap());
    for (target, advice, followed) in [
        (cut, "--target-end 0.89", &["--target-end", "0.89"][..]),
        (
            inverted,
            "--target-channel 1 to 2",
            &["--target-channel", "2"],
        ),
        (silent, "(--target-channel)", &[]),
    ] {
        let (_, errors) = fail(&["compare", take, target]);
        assert!(
            errors.contains(target) && errors.contains(advice),
            "{errors}"
        );
        if !followed.is_empty() {
            let table = succeed(&[&["compare", take, target][..], followed].concat());
            assert!(table.contains("1 right"), "{table}");
        }
    }
    let (_, errors) = fail(&["compare", cut, take]);
    assert!(errors.contains("with --end 0.89"), "{errors}");
    let (code, errors) = fail(&["compare", take, "a.mid", "--target-end", "1"]);
    assert!(
        code == 4 && errors.contains("a score as target"),
        "{errors}"
    );
    #[cfg(feature = "live")]
    {
        let cuts = [cut; 4].join(",");
        for args in [
            &["live", "--plain", "--from", cut][..],
            &["soundcheck", "--takes", &cuts],
        ] {
            let (code, errors) = fail(args);
            assert!(
                code == 3 && errors.contains("seconds 0 to 0.89") && !errors.contains("--end"),
                "{errors}"
            );
        }
        let takes = [inverted; 4].join(",");
        let (_, errors) = fail(&["soundcheck", "--takes", &takes]);
        assert!(errors.contains("--channel 1 to 2"), "{errors}");
        let heard = leadpipe(&["soundcheck", "--takes", &takes, "--channel", "2"]);
        assert!(String::from_utf8_lossy(&heard.stdout).contains("soft "));
    }
}

/// A stereo file with one side upside down is silent only as a mix: that is said, and either
/// channel will do.
#[test]
fn channels_that_cancel_are_not_called_silent() {
    let folder = tempfile::tempdir().unwrap();
    let note = Played::new(0.2, 0.9, 58.0, 0.6);
    let left = play(&[note], 1.2, &Room::default(), 1);
    let right: Vec<f32> = left.iter().map(|sample| -sample).collect();
    let take = folder.path().join("inverted.wav");
    write_wav(&take, 48_000, &[&left, &right]);
    for excerpt in [&[][..], &["--end", "1"]] {
        let (code, errors) = refused(&take, excerpt);
        assert_eq!(code, 3);
        assert!(
            errors.contains("its 2 channels cancel each other"),
            "{errors}"
        );
        assert!(errors.contains("--channel 1 to 2"), "{errors}");
        assert_eq!(errors.trim().lines().count(), 1, "{errors}");
    }
    for channel in ["1", "2"] {
        let take = take.to_str().unwrap();
        assert!(succeed(&["transcribe", take, "--channel", channel]).contains("Bb3"));
    }
    // A second channel without sound cancels nothing.
    write_wav(&take, 48_000, &[&left, &vec![0.0; left.len()]]);
    assert!(succeed(&["transcribe", take.to_str().unwrap()]).contains("Bb3"));
}

#[test]
fn silence_nan_and_bad_levels() {
    let (folder, _) = folder();
    let file = |name: &str, samples: &[f32]| {
        let path = folder.path().join(name);
        write_wav(&path, 48_000, &[samples]);
        path
    };
    let (code, errors) = refused(&file("silent.wav", &[0.0; 48_000]), &[]);
    assert_eq!(code, 6);
    assert!(errors.contains("the take is silent"), "{errors}");

    let mut tone = play(
        &[Played::new(0.2, 0.9, 58.0, 0.6)],
        1.2,
        &Room::default(),
        2,
    );
    tone[24_000] = f32::NAN;
    let (code, errors) = refused(&file("nan.wav", &tone), &[]);
    assert_eq!(code, 3);
    assert!(
        errors.contains("sample 24000 (0.500 s) is not a number"),
        "{errors}"
    );
    tone[24_000] = f32::INFINITY;
    assert_eq!(refused(&file("inf.wav", &tone), &[]).0, 3);
    tone[24_000] = 0.0;

    // Clipped, shifted and interrupted takes are used, with a word of warning.
    let clipped: Vec<f32> = tone.iter().map(|x| (40.0 * x).clamp(-1.0, 1.0)).collect();
    let shifted: Vec<f32> = tone.iter().map(|x| x + 0.2).collect();
    let lost = tone.iter().enumerate().map(|(at, x)| match at {
        20_000..20_100 | 30_000..30_500 => 0.0,
        _ => *x,
    });
    let lost = lost.collect();
    for (name, samples, words) in [
        ("clipped.wav", clipped, "clipped"),
        ("dc.wav", shifted, "DC offset"),
        ("lost.wav", lost, "2 dropouts of up to 12 ms filled"),
    ] {
        let path = file(name, &samples);
        let output = leadpipe(&["transcribe", path.to_str().unwrap(), "--format", "csv"]);
        assert!(output.status.success());
        assert!(String::from_utf8_lossy(&output.stderr).contains(words));
        let rows = common::rows(&String::from_utf8(output.stdout).unwrap());
        assert_eq!(rows.len(), 1, "{name}: {rows:?}");
        assert_eq!(rows[0].midi, 58, "{name}");
    }
}

#[test]
fn unknown_names_suggest_the_nearest() {
    let (_folder, take) = folder();
    for (args, words) in [
        (["--horn", "flugelhron"], "flugelhorn"),
        (["--horn", "Tuba in G"], "tuba-"),
        (["--tuning", "meantone"], "meantone-"),
        (["--tuning", "missing.toml"], "missing.toml"),
        (["--tonic", "H"], "is not a note name"),
        (["--reference", "44"], "between 380 and 500"),
        (["--horn", "nowhere.toml"], "nowhere.toml"),
        (["--horn", "kazoo"], "`leadpipe horns` lists them"),
    ] {
        let (code, errors) = refused(&take, &args);
        assert_eq!(code, 4, "{errors}");
        assert!(errors.contains(words), "{errors}");
    }
    // Where nothing is near, nothing is suggested.
    let (_, errors) = refused(&take, &["--horn", "kazoo"]);
    assert!(!errors.contains("did you mean"), "{errors}");
}

#[test]
fn malformed_tables_say_line_and_column() {
    let (folder, take) = folder();
    let file = folder.path().join("bad.toml");
    let refused = |option: &str, text: &str| {
        std::fs::write(&file, text).unwrap();
        refused(&take, &[option, file.to_str().unwrap()])
    };
    let (code, errors) = refused(
        "--tuning",
        "name = \"bad\"\ntitle = \"Bad\"\nkind = \"table\"\ntonic = \"C4\"\ndegrees = [0, oops]\n",
    );
    assert_eq!(code, 4);
    assert!(errors.contains("line 5, column 15"), "{errors}");
    // Types are said in words.
    let (code, errors) = refused(
        "--horn",
        "[[horn]]\nname = \"x\"\ntitle = \"X\"\nsounds = \"3\"\n",
    );
    assert!(
        code == 4 && errors.contains("expected a whole number"),
        "{errors}"
    );
}

#[test]
fn wrong_selections() {
    let (_folder, take) = folder();
    let (code, errors) = refused(&take, &["--channel", "2"]);
    assert_eq!(code, 3);
    assert!(errors.contains("no channel 2; it has only one"), "{errors}");
    assert_eq!(refused(&take, &["--start", "1", "--end", "0.5"]).0, 4);
    assert_eq!(refused(&take, &["--start", "100"]).0, 4);
    // The command line itself is clap's: exit code 2.
    let path = take.to_str().unwrap();
    assert_eq!(fail(&["transcribe", path, "--start", "soon"]).0, 2);
    assert_eq!(fail(&["transcribe", path, "--write", "csv"]).0, 2);
    assert_eq!(fail(&["transcribe", path, "--volts-full-scale", "0"]).0, 2);
    assert_eq!(fail(&["nonsense"]).0, 2);
    // A number out of range is told its range, a negative one too, and an option that there is
    // not is not taken for a value.
    for (args, words) in [
        (["--start", "-3"], "give seconds or minutes:seconds"),
        (["--tempo", "-60"], "quarter notes per minute, 20 to 400"),
        (["--pickup", "-1"], "--pickup <QUARTERS>"),
    ] {
        let (code, errors) = fail(&[&["transcribe", path][..], &args].concat());
        assert!(code == 2 && errors.contains(words), "{errors}");
    }
    let (code, errors) = fail(&["transcribe", path, "--quickly"]);
    assert!(code == 2 && !errors.contains("-- --"), "{errors}");
}

#[test]
fn pickups_and_downbeats_that_cannot_be() {
    let (_folder, take) = folder();
    for (args, words) in [
        (
            &["--meter", "4/4", "--pickup", "4"][..],
            "a bar of 4/4 has 4;",
        ),
        (
            &["--meter", "6/8", "--pickup", "3.5"],
            "a bar of 6/8 has 3;",
        ),
        (
            &["--pickup", "6"],
            "the longest bar that is looked for, of 12/8, has 6;",
        ),
        (&["--meter", "free", "--pickup", "1"], "without bars"),
        (&["--downbeat", "1.1"], "the last note ends at 0."),
    ] {
        let (code, errors) = refused(&take, args);
        assert_eq!(code, 4, "{errors}");
        assert!(errors.contains(words), "{errors}");
    }
    // A bar is longer than its pickup, so that only some metres may be.
    let table = succeed(&["transcribe", take.to_str().unwrap(), "--pickup", "5.5"]);
    assert!(table.contains("dotted quarters"), "{table}");
}

#[test]
fn outputs_that_cannot_be_written() {
    let (folder, take) = folder();
    // A file where the folder should be: refused for root as well.
    let blocked = folder.path().join("blocked");
    std::fs::write(&blocked, "in the way").unwrap();
    let inside = blocked.join("deeper");
    for out in [&blocked, &inside] {
        let args = [
            "transcribe",
            take.to_str().unwrap(),
            "--out",
            out.to_str().unwrap(),
        ];
        let (code, errors) = fail(&args);
        assert_eq!(code, 5, "{errors}");
        assert_eq!(errors.lines().count(), 1, "{errors}");
        assert!(
            errors.contains("a file where a folder should be"),
            "{errors}"
        );
    }
    // One output that cannot be put in its place: none of its neighbours stay
    // half-written.
    let out = folder.path().join("out");
    std::fs::create_dir_all(out.join("take.mid")).unwrap();
    let args = [
        "transcribe",
        take.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--write",
        "midi",
    ];
    assert_eq!(fail(&args).0, 5);
    let left: Vec<_> = std::fs::read_dir(&out)
        .unwrap()
        .map(|f| f.unwrap().file_name())
        .collect();
    assert_eq!(left, ["take.mid"]);
}

#[test]
fn every_format_is_read() {
    // Encoded here by tools that CI installs for it.
    let (folder, take) = folder();
    let wav = succeed(&["transcribe", take.to_str().unwrap(), "--format", "csv"]);
    for ending in ["aiff", "flac", "mp3", "ogg"] {
        let path = folder.path().join(format!("take.{ending}"));
        let status = std::process::Command::new("sox")
            .args([take.to_str().unwrap(), "-b", "16", path.to_str().unwrap()])
            .status()
            .expect("sox is installed: apt-get install sox libsox-fmt-mp3");
        assert!(status.success(), "{ending}");
        let heard = common::rows(&succeed(&[
            "transcribe",
            path.to_str().unwrap(),
            "--format",
            "csv",
        ]));
        let want = common::rows(&wav);
        assert_eq!(heard.len(), want.len(), "{ending}");
        assert_eq!(heard[0].midi, want[0].midi, "{ending}");
        assert!((heard[0].cents - want[0].cents).abs() < 1.0, "{ending}");
        assert!(
            (heard[0].onset_s - want[0].onset_s).abs() < 0.06,
            "{ending}: {heard:?}"
        );
    }
    assert!(fixture("tenor-trombone-C3.wav").exists());
}

/// Runs the program with something on standard input.
fn with_stdin(args: &[&str], stdin: &[u8]) -> std::process::Output {
    use std::io::Write;
    use std::process::Stdio;
    let mut child = common::command()
        .args(args)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut pipe = child.stdin.take().unwrap();
    std::thread::scope(|scope| {
        // A program that refuses its input may not read all of it.
        scope.spawn(move || drop(pipe.write_all(stdin)));
        child.wait_with_output().unwrap()
    })
}

#[test]
#[cfg(unix)]
fn takes_come_from_pipes_too() {
    let (folder, take) = folder();
    let bytes = std::fs::read(&take).unwrap();
    let whole = succeed(&["transcribe", take.to_str().unwrap(), "--format", "csv"]);
    let piped = with_stdin(&["transcribe", "-", "--format", "csv"], &bytes);
    assert_eq!(String::from_utf8(piped.stdout).unwrap(), whole);
    let out = folder.path().join("out");
    let named = with_stdin(
        &[
            "transcribe",
            "-",
            "--out",
            out.to_str().unwrap(),
            "--write",
            "csv",
        ],
        &bytes,
    );
    assert!(named.status.success() && out.join("stdin.csv").exists());

    let pipe = folder.path().join("pipe");
    let made = std::process::Command::new("mkfifo").arg(&pipe).status();
    assert!(made.unwrap().success());
    let heard = std::thread::scope(|scope| {
        scope.spawn(|| std::fs::write(&pipe, &bytes).unwrap());
        succeed(&["transcribe", pipe.to_str().unwrap(), "--format", "csv"])
    });
    assert_eq!(heard, whole);
    // Its sound cannot be read a second time; that is said before the first.
    let (code, errors) = refused(&pipe, &["--write", "report", "--audio"]);
    assert!(code == 4 && errors.contains("read from a pipe"), "{errors}");
    #[cfg(feature = "live")]
    for from in [pipe.to_str().unwrap(), "-"] {
        let (code, errors) = fail(&["live", "--from", from]);
        assert!(
            code == 3 && errors.contains("from a file alone"),
            "{errors}"
        );
    }
    let empty = with_stdin(&["transcribe", "-"], b"");
    let errors = String::from_utf8(empty.stderr).unwrap();
    assert_eq!(empty.status.code(), Some(3));
    assert!(
        errors.contains("standard input: the file is empty"),
        "{errors}"
    );
}

/// A link to a device that never ends, wherever a file is expected.
#[test]
#[cfg(unix)]
fn endless_and_other_things_are_not_files() {
    let (folder, take) = folder();
    let take = take.to_str().unwrap();
    let link = |name: &str| {
        let path = folder.path().join(name);
        std::os::unix::fs::symlink("/dev/zero", &path).unwrap();
        path.to_str().unwrap().to_owned()
    };
    let (horn, table, dump) = (link("a.toml"), link("b.toml"), link("c.syx"));
    let (score, list, sound) = (link("d.mid"), link("e.csv"), link("f.wav"));
    for (args, code) in [
        (vec!["transcribe", take, "--horn", &horn], 4),
        (vec!["transcribe", take, "--tuning", &table], 4),
        (vec!["transcribe", take, "--tuning", &dump], 4),
        (vec!["compare", take, &score], 3),
        (vec!["write", &list], 3),
        (vec!["transcribe", &sound], 3),
    ] {
        let (failed, errors) = fail(&args);
        assert_eq!(failed, code, "{errors}");
        assert!(errors.contains("a device or a socket"), "{errors}");
    }
    // The length that the system gives for a pipe says nothing.
    let pipe = folder.path().join("long.toml");
    assert!(
        std::process::Command::new("mkfifo")
            .arg(&pipe)
            .status()
            .unwrap()
            .success()
    );
    let (code, errors) = std::thread::scope(|scope| {
        scope.spawn(|| drop(std::fs::write(&pipe, vec![b'#'; 4 << 20])));
        fail(&["transcribe", take, "--horn", pipe.to_str().unwrap()])
    });
    assert!(code == 4 && errors.contains("larger than 1 MB"), "{errors}");
}

/// Names of files, horns and tunings are shown, not obeyed, and do not spoil a file.
#[test]
#[cfg(unix)]
fn names_with_control_characters() {
    let (folder, take) = folder();
    let odd = folder.path().join("a\u{1b}[2J\nb\u{1}.wav");
    std::fs::copy(&take, &odd).unwrap();
    let horn = folder.path().join("horn.toml");
    let text = "[[horn]]\nname = \"x\"\ntitle = \"Bell\\u0007 horn\"\nsounds = 0\nclef = \"treble\"\n\
                low = \"C3\"\nhigh = \"C6\"\nfundamental = \"C2\"\nvalves = 3\n";
    std::fs::write(&horn, text).unwrap();
    let out = folder.path().join("out");
    let output = leadpipe(&[
        "transcribe",
        odd.to_str().unwrap(),
        "--horn",
        horn.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--write",
        "svg,musicxml,report",
    ]);
    assert!(output.status.success(), "{output:?}");
    for shown in [output.stdout, output.stderr] {
        let shown = String::from_utf8(shown).unwrap();
        let acts = |c: char| c.is_control() && c != '\n';
        assert!(
            !shown.contains(acts) && shown.contains("a\\u{1b}[2J\\nb"),
            "{shown:?}"
        );
    }
    for file in std::fs::read_dir(&out).unwrap() {
        let text = std::fs::read_to_string(file.unwrap().path()).unwrap();
        let forbidden = |c: char| c.is_control() && !matches!(c, '\t' | '\n' | '\r');
        assert!(!text.contains(forbidden));
    }
    // Errors too, and none is longer than its reader's patience.
    let (_, errors) = refused(&folder.path().join("no\nsuch\u{7}.wav"), &[]);
    assert!(errors.contains("no\\nsuch\\u{7}.wav"), "{errors}");
    let table = folder.path().join("long.toml");
    std::fs::write(&table, format!("name = \"{}\"", "x".repeat(900_000))).unwrap();
    for (option, name) in [
        ("--tuning", table.to_str().unwrap()),
        ("--horn", &"y".repeat(90_000)),
    ] {
        let (code, errors) = refused(&take, &[option, name]);
        assert!(code == 4 && errors.len() < 700, "{} bytes", errors.len());
    }
}

#[test]
fn the_command_line_is_refused_in_one_line() {
    for (args, words) in [
        (&["transcribe"][..], "<TAKE>"),
        (&["transcribe", "a.wav", "--strt", "3"], "'--start'"),
        (&["transcribe", "a.wav", "--gate", "nan"], "-200 to 0"),
        (&["transcribe", "a.wav", "--cents-over", "inf"], "0 to 1200"),
        (&["transcribe", "a.wav", "--write", "csv"], "--out"),
        (&["nonsense\n"], "nonsense"),
    ] {
        let (code, errors) = fail(args);
        assert_eq!((code, errors.lines().count()), (2, 1), "{errors}");
        assert!(
            errors.contains(words) && errors.contains("--help`"),
            "{errors}"
        );
    }
    // The same mistake has the same code wherever an option is given.
    #[cfg(feature = "live")]
    for (option, value, words) in [
        ("--gate", "5", "-200 to 0"),
        ("--shift", "99", "-48 to 48"),
        ("--sequence", "C4 E4", "by commas, such as C4,E4"),
        ("--sequence", "H4", "a note name"),
        (
            "--volts-full-scale",
            "0",
            "negative where the output inverts",
        ),
        ("--zero-volt-note", "H4", "a note name"),
    ] {
        for command in ["transcribe", "live"] {
            let args: &[&str] = match command {
                "live" => &["live", "--from", "a.wav", option, value],
                _ => &["transcribe", "a.wav", option, value],
            };
            let (code, errors) = fail(args);
            assert_eq!((code, errors.lines().count()), (2, 1), "{args:?}: {errors}");
            assert!(errors.contains(words), "{args:?}: {errors}");
        }
    }
    // Nothing is called - by mistake.
    for args in [
        &["transcribe", "a.wav", "--report", "-"][..],
        &["transcribe", "a.wav", "--out", "-"],
        &["intonation", "a.wav", "--report", "-"],
        &["compare", "a.wav", "b.mid", "--report", "-"],
        &["write", "a.csv", "--out", "-"],
        &["tunings", "just", "--dump", "-"],
        &["demo", "--out", "-"],
    ] {
        let (code, errors) = fail(args);
        assert_eq!((code, errors.lines().count()), (2, 1), "{args:?}: {errors}");
        assert!(
            errors.contains("not written to standard output"),
            "{errors}"
        );
    }
    let horn = tempfile::tempdir().unwrap();
    let horn = horn.path().join("horn.toml");
    let text = "[[horn]]\nname = \"x\"\ntitle = \"x\"\nsounds = -2147483648\nclef = \"treble\"\n\
                low = \"C3\"\nhigh = \"C6\"\nfundamental = \"C2\"\nvalves = 3\n";
    std::fs::write(&horn, text).unwrap();
    let (code, errors) = fail(&["horns", horn.to_str().unwrap()]);
    assert!(code == 4 && errors.contains("four octaves"), "{errors}");
}

/// Help that nobody gets is an error, like any other output that cannot be written.
#[test]
#[cfg(target_os = "linux")]
fn help_to_a_full_device_fails() {
    for asked in ["--version", "--help"] {
        let full = std::fs::File::create("/dev/full").unwrap();
        let output = common::command().arg(asked).stdout(full).output().unwrap();
        let errors = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(5), "{asked}: {errors}");
        assert!(
            errors.starts_with("leadpipe: standard output: ") && errors.lines().count() == 1,
            "{errors}"
        );
    }
}
