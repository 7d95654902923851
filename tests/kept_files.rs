//! The promise: no output takes the place of a file that a player still needs: one that is
//! read, one of another kind, or one of somebody else's.
#![cfg(feature = "cli")]

mod common;

use std::path::Path;

use common::{fail, leadpipe, succeed};

/// The demo's files.
fn demo() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    succeed(&["demo", "--out", folder.path().to_str().unwrap()]);
    folder
}

/// Path of a file in a folder.
fn path_in(folder: &tempfile::TempDir, name: &str) -> String {
    folder.path().join(name).to_str().unwrap().to_owned()
}

/// Expects a command to be refused because of a file, in one line, and the file to stay.
fn refused(file: &Path, args: &[&str], words: &str) {
    let before = std::fs::read(file).unwrap();
    let (code, errors) = fail(args);
    assert_eq!((code, errors.lines().count()), (5, 1), "{args:?}: {errors}");
    assert!(errors.contains(words), "{args:?}: {errors}");
    assert!(std::fs::read(file).unwrap() == before, "{args:?}");
}

/// Every file here is leadpipe's own, so that it may be replaced by a newer one of its kind.
#[test]
fn an_output_replaces_neither_an_input_nor_a_file_of_another_kind() {
    let folder = demo();
    let path = |name: &str| path_in(&folder, name);
    let (take, list, score) = (
        path("lamplight.wav"),
        path("lamplight.csv"),
        path("lamplight.mid"),
    );
    let (text, here) = (path("lamplight.json"), folder.path().to_str().unwrap());
    let is_input = "which is an input; choose another folder or name for the output";
    let other_kind = "a file of another kind has this name";
    for (file, args, words) in [
        (
            &take,
            vec!["transcribe", &take, "--report", &take],
            is_input,
        ),
        (
            &take,
            vec!["intonation", &take, "--report", &take],
            is_input,
        ),
        (
            &take,
            vec!["compare", &take, &score, "--report", &take],
            is_input,
        ),
        (
            &score,
            vec!["compare", &take, &score, "--report", &score],
            is_input,
        ),
        (&list, vec!["write", &list, "--report", &list], is_input),
        (&list, vec!["write", &list, "--out", here], is_input),
        (
            &score,
            vec![
                "transcribe",
                &take,
                "--tempo-map",
                &score,
                "--out",
                here,
                "--write",
                "midi",
            ],
            is_input,
        ),
        (
            &text,
            vec!["intonation", &take, "--report", &text],
            other_kind,
        ),
        (&take, vec!["tunings", "just", "--dump", &take], other_kind),
    ] {
        refused(Path::new(file), &args, words);
    }
    #[cfg(unix)]
    {
        let link = path("link.html");
        std::os::unix::fs::symlink(&take, &link).unwrap();
        let args = ["transcribe", &take, "--report", &link];
        refused(Path::new(&take), &args, is_input);
    }
    let dump = path("mine.syx");
    succeed(&["tunings", "just", "--dump", &dump]);
    succeed(&["tunings", "just", "--dump", &dump]);
    refused(
        Path::new(&dump),
        &["tunings", &dump, "--dump", &dump],
        is_input,
    );
}

#[test]
fn the_manual_replaces_an_older_manual_alone() {
    let folder = tempfile::tempdir().unwrap();
    let args = ["manual", "--out", folder.path().to_str().unwrap()];
    succeed(&args);
    succeed(&args);
    for name in [
        "leadpipe-live.1",
        "leadpipe.fish",
        "_leadpipe",
        "leadpipe.bash",
    ] {
        let path = folder.path().join(name);
        let own = std::fs::read(&path).unwrap();
        std::fs::write(&path, "my own notes").unwrap();
        refused(
            &path,
            &args,
            "a file that leadpipe did not write has this name",
        );
        std::fs::write(&path, own).unwrap();
    }
    // A file where the folder should be.
    let file = folder.path().join("leadpipe.1");
    let args = ["manual", "--out", file.to_str().unwrap()];
    refused(&file, &args, "there is a file where a folder should be");
}

#[test]
fn a_list_that_was_corrected_is_kept_beside_the_new_one() {
    let folder = demo();
    let path = |name: &str| path_in(&folder, name);
    let (take, list, out) = (
        path("lamplight.wav"),
        path("out/lamplight.csv"),
        path("out"),
    );
    let args = ["transcribe", &take, "--out", &out, "--write", "csv"];
    succeed(&args);
    let written = std::fs::read_to_string(&list).unwrap();
    // The last note is crossed out.
    let corrected = written.trim_end().rsplit_once('\n').unwrap().0.to_owned() + "\n";
    std::fs::write(&list, &corrected).unwrap();
    let again = leadpipe(&args);
    let errors = String::from_utf8(again.stderr).unwrap();
    assert!(again.status.success(), "{errors}");
    let kept = path("out/lamplight.old-1.csv");
    assert!(
        errors.contains(&format!("differs; it is kept as {kept}")),
        "{errors}"
    );
    assert_eq!(std::fs::read_to_string(&kept).unwrap(), corrected);
    assert_eq!(std::fs::read_to_string(&list).unwrap(), written);
    // What is as it was written is replaced without a word.
    let again = leadpipe(&args);
    assert!(!String::from_utf8(again.stderr).unwrap().contains("kept"));
    succeed(&["write", &kept]);
}
