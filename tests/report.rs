//! The promise: the intonation report is one file that opens from disk, without
//! network, and can be walked by mouse, keys, ears and screen reader.
//! Read here by Debian's Chromium.
#![cfg(feature = "cli")]

#[path = "common/browser.rs"]
mod browser;
mod common;

use std::path::{Path, PathBuf};
use std::time::Duration;

use browser::{Browser, contrast};
use common::{fail, rows, succeed, write_wav};

/// A take of the built-in line that starts three seconds in, and its report.
fn report(audio: bool) -> (tempfile::TempDir, PathBuf, usize) {
    let folder = tempfile::tempdir().unwrap();
    let take = folder.path().join("evening <b>&.wav");
    write_wav(
        &take,
        48_000,
        &[&leadpipe::internals::demo::line::render(48_000.0)],
    );
    let (take, page) = (take.to_str().unwrap(), folder.path().join("report.html"));
    let mut args = vec!["intonation", take, "--horn", "flugelhorn", "--start", "3"];
    let page_text = page.to_str().unwrap().to_owned();
    args.extend(["--report", &page_text]);
    if audio {
        args.push("--audio");
    }
    succeed(&args);
    let list = succeed(&["transcribe", take, "--start", "3", "--format", "csv"]);
    (folder, page, rows(&list).len())
}

/// Screenshots are kept where a person can look at them.
fn keep(browser: &Browser, name: &str) {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
    std::fs::write(folder.join(name), browser.screenshot()).unwrap();
}

const START: &str =
    "[...document.querySelectorAll('#notes tbody tr')].map(r => Number(r.cells[1].textContent))";

#[test]
fn the_report_works_in_a_browser() {
    let (_folder, page, notes) = report(true);
    let browser = Browser::open(&page, false);
    assert_eq!(
        browser.number("document.querySelectorAll('#notes tbody tr').length"),
        notes as f64
    );
    assert_eq!(
        browser.number("document.querySelectorAll('#trace path').length"),
        notes as f64
    );
    // A name cannot become markup.
    assert_eq!(
        browser.value("document.querySelector('h1').textContent"),
        "evening <b>&"
    );
    keep(&browser, "report-light.png");

    // Sorting: down and up by cents, by written pitch as pitch.
    let cents = "[...document.querySelectorAll('#notes tbody tr')].map(r => Number(r.cells[5].textContent))";
    let sorted = |list: &str, way: &str| {
        browser.value(&format!(
            "{list}.every((v, i, a) => !i || a[i - 1] {way} v)"
        ))
    };
    assert_eq!(sorted(START, "<="), true);
    browser.click("#notes th:nth-child(6) button");
    assert_eq!(sorted(cents, "<="), true);
    assert_eq!(
        browser.value("document.querySelectorAll('#notes th')[5].getAttribute('aria-sort')"),
        "ascending"
    );
    browser.click("#notes th:nth-child(6) button");
    assert_eq!(sorted(cents, ">="), true);
    browser.click("#notes th:nth-child(4) button");
    let keys =
        "[...document.querySelectorAll('#notes tbody tr')].map(r => Number(r.cells[3].dataset.by))";
    assert_eq!(sorted(keys, "<="), true);
    browser.click("#notes th:nth-child(1) button");
    assert_eq!(sorted(START, "<="), true);

    // Zoom by button and by key, move by key, slider and mouse.
    let paths = "document.querySelectorAll('#trace path').length";
    browser.click("#in");
    browser.click("#in");
    browser.wait(&format!("{paths} < {notes}"));
    let shown = "document.getElementById('where').textContent";
    let moved = |act: &dyn Fn()| {
        // A headless browser loses a made-up key or drag now and then: three tries.
        let before = browser.value(shown).as_str().unwrap().to_owned();
        let happened = (0..3).any(|_| {
            act();
            browser.comes_true(&format!("{shown} !== {before:?}"), Duration::from_secs(2))
        });
        assert!(happened, "the trace stayed at {before}");
    };
    moved(&|| browser.keys("#trace", "\u{E014}"));
    moved(&|| browser.drag("#trace", 120));
    moved(&|| browser.keys("#scrub", "\u{E010}"));
    moved(&|| browser.keys("#trace", "-"));
    moved(&|| browser.keys("#trace", "0"));
    browser.wait(&format!("{paths} === {notes}"));

    // A note chosen in the table is chosen in the trace, and the sound goes there.
    browser.wait("document.getElementById('sound').readyState >= 3");
    browser.click("#notes tbody tr:nth-child(3)");
    browser.wait("document.querySelectorAll('#trace .chosen').length === 1");
    assert_eq!(
        browser.number("document.querySelectorAll('#notes [aria-selected=true]').length"),
        1.0
    );
    let start_s = browser.number(&format!("{START}[2]"));
    let sound_s = browser.number("document.getElementById('sound').currentTime");
    // The sound starts where the part does, three seconds into the take.
    assert!(
        (start_s - 3.0 - sound_s).abs() < 0.01,
        "{start_s} {sound_s}"
    );

    // The cursor goes with the sound.
    browser.click("#all");
    let cursor = "Number(document.querySelector('#trace .cursor').getAttribute('x1'))";
    browser.wait(&format!("{cursor} > 0"));
    let before = browser.number(cursor);
    browser.value("(document.getElementById('sound').play(), 0)");
    browser.wait(&format!("{cursor} > {before} + 10"));
    browser.value("(document.getElementById('sound').pause(), 0)");
    keep(&browser, "report-playing.png");
    assert_eq!(browser.complaints(), [""; 0]);
}

#[test]
fn the_report_is_dark_where_the_player_is() {
    let (_folder, page, _) = report(false);
    let background = "getComputedStyle(document.body).backgroundColor";
    let light = Browser::open(&page, false).value(background);
    let browser = Browser::open(&page, true);
    assert_eq!(
        browser.value("matchMedia('(prefers-color-scheme: dark)').matches"),
        true
    );
    assert_ne!(browser.value(background), light);
    keep(&browser, "report-dark.png");
    // Text stands out from the paper by 4.5 to 1 at least in both (WCAG 2.2,
    // 1.4.3), the colours of the trace by 3 to 1 (1.4.11).
    let css = include_str!("../src/output/report/page.css");
    for theme in css.split(":root {").skip(1).take(2) {
        for (name, least) in [
            ("ink", 4.5),
            ("quiet", 4.5),
            ("brass", 4.5),
            ("true", 4.5),
            ("sharp", 4.5),
            ("flat", 4.5),
        ] {
            for ground in ["paper", "card"] {
                let found = contrast(theme, name, ground);
                assert!(found >= least, "{name} on {ground}: {found:.1}");
            }
        }
    }
}

#[test]
fn a_screen_reader_gets_it_all() {
    let (_folder, page, notes) = report(false);
    let browser = Browser::open(&page, false);
    let tree = browser.accessible();
    let has = |role: &str, name: &str| tree.iter().any(|(r, n)| r == role && n.contains(name));
    for heading in [
        "Overall",
        "Pitch over time",
        "Notes",
        "By written pitch",
        "How to read this",
    ] {
        assert!(has("heading", heading), "{heading}");
    }
    // The pictures say what they are; the sort buttons and the slider have names.
    assert!(
        has("image", "Pitch over time") || has("img", "Pitch over time"),
        "{tree:?}"
    );
    assert!(
        tree.iter()
            .any(|(r, n)| (r == "image" || r == "img") && n.contains("Sounding time by cents"))
    );
    assert!(
        has("button", "cents") && has("button", "Zoom in") && has("slider", "Start of the part")
    );
    let table_rows = tree.iter().filter(|(role, _)| role == "row").count();
    assert!(table_rows > notes, "{table_rows}");
    let unnamed: Vec<_> = (tree.iter())
        .filter(|(r, n)| r == "button" && n.is_empty())
        .collect();
    assert!(unnamed.is_empty(), "{unnamed:?}");
}

#[test]
fn the_report_prints_as_rows_of_the_still_picture() {
    let (_folder, page, _) = report(false);
    let browser = Browser::open(&page, false);
    let pdf = browser.pdf();
    assert!(pdf.starts_with(b"%PDF"));
    std::fs::write(
        Path::new(env!("CARGO_TARGET_TMPDIR")).join("report.pdf"),
        &pdf,
    )
    .unwrap();
    // Nothing is asked of any network.
    let text = std::fs::read_to_string(&page).unwrap();
    let outside = text.replace("http://www.w3.org/2000/svg", "");
    assert!(!outside.contains("http://") && !outside.contains("https://"));
}

/// The trace's rows, the table's rows and headings are all there on paper, whole.
#[test]
fn print_holds_every_row_and_note() {
    let folder = tempfile::tempdir().unwrap();
    let line = leadpipe::internals::demo::line::render(48_000.0);
    let long: Vec<f32> = line.iter().cycle().take(line.len() * 5).copied().collect();
    let (take, page) = (
        folder.path().join("long.wav"),
        folder.path().join("long.html"),
    );
    write_wav(&take, 48_000, &[&long]);
    let (take, path) = (take.to_str().unwrap(), page.to_str().unwrap());
    succeed(&["intonation", take, "--horn", "flugelhorn", "--report", path]);
    let text = std::fs::read_to_string(&page).unwrap();
    // Each row is a picture of its own, which no page break can cut.
    assert_eq!(text.matches("class=\"row\"").count(), 6);
    // The number is the same in the table, the trace's labels and the data for the script.
    let list = succeed(&["transcribe", take, "--horn", "flugelhorn"]);
    let first = list
        .lines()
        .nth(2)
        .unwrap()
        .split_whitespace()
        .collect::<Vec<_>>();
    let (name, cents) = (first[3], first[5]);
    assert!(
        text.contains(&format!(">{name} {cents}</text>")),
        "{first:?}"
    );
    assert!(text.contains(&format!("\">{cents}</td>")), "{first:?}");
}

#[test]
fn a_spectrum_on_request() {
    let folder = tempfile::tempdir().unwrap();
    let (take, page) = (
        folder.path().join("take.wav"),
        folder.path().join("take.html"),
    );
    write_wav(
        &take,
        48_000,
        &[&leadpipe::internals::demo::line::render(48_000.0)],
    );
    let (take, path) = (take.to_str().unwrap(), page.to_str().unwrap());
    let args = [
        "intonation",
        take,
        "--report",
        path,
        "--spectrum",
        "--format",
        "json",
    ];
    let json: serde_json::Value = serde_json::from_str(&succeed(&args)).unwrap();
    let bright: Vec<f64> = json["notes"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|note| note["brightness"].as_f64())
        .collect();
    assert!(
        bright.len() > 12 && bright.iter().all(|b| (1.0..=20.0).contains(b)),
        "{bright:?}"
    );
    let browser = Browser::open(&page, false);
    let shown = "[...document.querySelectorAll('.spectrum image')].filter(i => i.getBoundingClientRect().height > 20).length";
    assert_eq!(browser.number(shown), 2.0);
    keep(&browser, "report-spectrum.png");
    let (code, errors) = fail(&["intonation", "-", "--spectrum"]);
    assert!(code == 4 && errors.contains("read from a pipe"), "{errors}");
}

#[test]
fn many_takes_make_one_report() {
    let folder = tempfile::tempdir().unwrap();
    let sound = leadpipe::internals::demo::line::render(48_000.0);
    for day in ["2031-05-02", "2031-05-09", "2031-05-16"] {
        let take = folder.path().join(format!("long tones {day}.wav"));
        write_wav(&take, 48_000, &[&sound[..48_000 * 4]]);
    }
    std::fs::write(folder.path().join("broken.wav"), b"not a take").unwrap();
    let page = folder.path().join("weeks.html");
    let args = [
        "intonation",
        folder.path().to_str().unwrap(),
        "--horn",
        "flugelhorn",
        "--report",
        page.to_str().unwrap(),
    ];
    // One broken take is named and does not cost the others.
    let (code, errors) = fail(&args);
    assert_eq!(code, 3);
    assert!(
        errors.contains("broken.wav") && errors.contains("1 of 4 takes"),
        "{errors}"
    );
    let browser = Browser::open(&page, false);
    assert_eq!(browser.complaints(), [""; 0]);
    let cells = "[...document.querySelectorAll('section:nth-of-type(2) tbody th')].map(c => c.textContent).join()";
    assert_eq!(browser.value(cells), "2031-05-02,2031-05-09,2031-05-16");
    keep(&browser, "report-weeks.png");
}
