//! The promise: a player can play from the stage page. It shows what the session decides at
//! once, its controls do what keys and pedals do, it comes back by itself, and strangers on
//! the network have no part in it. Read here by Debian's Chromium, played from a file.
#![cfg(all(feature = "cli", feature = "page"))]

#[path = "common/browser.rs"]
mod browser;
mod common;
#[path = "common/page.rs"]
mod page;
#[path = "common/stage.rs"]
mod stage;

use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

use browser::{Browser, contrast};
use common::wait;
use leadpipe::internals::demo::brass::{Played, Room, play as render};
use page::{PlainPage, said_url};
use serde_json::Value;
use stage::{Live, OscReceiver};
use tungstenite::Message;
use tungstenite::protocol::frame::coding::CloseCode;

/// A session that plays a take to a page.
struct Session {
    live: Live,
    url: String,
    _folder: tempfile::TempDir,
}

/// Tongued notes of half a second, five tones up and down, over and over.
fn melody(length_s: f64) -> Vec<Played> {
    let pitches = [58.0, 60.0, 62.0, 63.0, 65.0, 63.0, 62.0, 60.0];
    let count = (length_s / 0.6) as usize;
    let note = |i: usize| {
        let start_s = 0.3 + 0.6 * i as f64;
        Played::new(start_s, start_s + 0.5, pitches[i % pitches.len()], 0.5)
    };
    (0..count).map(note).collect()
}

fn take(folder: &Path, notes: &[Played], length_s: f64) -> PathBuf {
    let path = folder.join("take.wav");
    common::write_wav(
        &path,
        48_000,
        &[&render(notes, length_s, &Room::default(), 1)],
    );
    path
}

impl Session {
    /// Plays the melody for so many seconds.
    fn start(length_s: f64, options: &[&str]) -> Session {
        Session::play(&melody(length_s), length_s, options)
    }

    fn play(notes: &[Played], length_s: f64, options: &[&str]) -> Session {
        let folder = tempfile::tempdir().unwrap();
        let take = take(folder.path(), notes, length_s);
        let state = folder.path().join("state");
        let mut all = vec!["--jsonl", "--from", take.to_str().unwrap()];
        all.extend(options);
        let live = Live::start_with(&[("XDG_STATE_HOME", state.to_str().unwrap())], &all);
        Session {
            url: said_url(&live),
            live,
            _folder: folder,
        }
    }

    fn host(&self) -> String {
        let rest = self.url.strip_prefix("http://").unwrap();
        rest.split('/').next().unwrap().to_owned()
    }

    fn port(&self) -> u16 {
        self.host().rsplit(':').next().unwrap().parse().unwrap()
    }

    /// A page without a browser, as one of this machine opens it.
    fn page(&self) -> PlainPage {
        let host = format!("127.0.0.1:{}", self.port());
        PlainPage::open(&host, &self.query()).expect("a page")
    }

    fn query(&self) -> String {
        self.url
            .split_once('?')
            .map_or(String::new(), |(_, query)| format!("?{query}"))
    }

    fn events(&self) -> Vec<Value> {
        let lines = self.live.lines();
        lines
            .iter()
            .map(|line| serde_json::from_str(line).expect("JSON"))
            .collect()
    }

    /// Written names of the notes that began so far.
    fn written(&self) -> Vec<String> {
        let events = self.events();
        let starts = events.iter().filter(|e| e["event"] == "start");
        starts
            .map(|e| e["written"].as_str().unwrap().to_owned())
            .collect()
    }

    fn count(&self, event: &str) -> usize {
        self.events().iter().filter(|e| e["event"] == event).count()
    }
}

/// Screenshots are kept where a person can look at them.
fn keep(browser: &Browser, name: &str) {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
    std::fs::write(folder.join(name), browser.screenshot()).unwrap();
}

const NOTE: &str = "['letter', 'accidental', 'octave'].map(id => document.getElementById(id).textContent).join('').replace('♭', 'b').replace('♯', '#')";
const SOUNDS: &str = "!document.getElementById('note').classList.contains('rest')";
const CONNECTED: &str =
    "document.getElementById('lost').hidden && !document.getElementById('panic').disabled";

#[test]
fn the_page_shows_each_note_at_once() {
    let session = Session::start(40.0, &["--horn", "trumpet", "--page", "127.0.0.1:0"]);
    let browser = Browser::start(false);
    browser.visit(&session.url);
    browser.wait(CONNECTED);
    // Takes down each name that is shown, from a rest on.
    browser.value(&format!(
        "(window.names = [], new MutationObserver(() => {{ const name = {NOTE}; if ({SOUNDS} && name !== names.at(-1)) names.push(name); }})
          .observe(document.getElementById('note'), {{ subtree: true, childList: true, characterData: true, attributes: true }}), 0)"
    ));
    let shown = || -> Vec<String> {
        let names = browser.value("names");
        let names = names.as_array().unwrap().iter();
        names
            .map(|name| name.as_str().unwrap().to_owned())
            .collect()
    };
    assert!(wait(20.0, || shown().len() >= 14), "{:?}", shown());
    let (shown, written) = (shown(), session.written());
    // The first may have begun before it was looked at, the last may be newer than the list.
    let shown = &shown[1..shown.len() - 1];
    let agrees = written.windows(shown.len()).any(|part| part == shown);
    assert!(agrees, "{shown:?} are not among {written:?}");
    let mut glass_ms: Vec<f64> = serde_json::from_value(browser.value("stagePage.glass")).unwrap();
    glass_ms.sort_by(f64::total_cmp);
    let share = |part: f64| glass_ms[(part * (glass_ms.len() - 1) as f64) as usize];
    println!(
        "decision to glass: median {:.1} ms, 90th percentile {:.1} ms, of {}",
        share(0.5),
        share(0.9),
        glass_ms.len()
    );
    assert!(glass_ms.len() > 10 && share(0.5) < 50.0, "{glass_ms:?}");
    assert_eq!(browser.complaints(), [""; 0]);
}

#[test]
fn a_touch_on_one_page_is_seen_on_the_other() {
    let folder = tempfile::tempdir().unwrap();
    let takes = folder.path().join("takes");
    let rig = folder.path().join("stage.toml");
    std::fs::write(&rig, format!("[record]\nfolder = {:?}\n", takes)).unwrap();
    let receiver = OscReceiver::start();
    let osc = receiver.port.to_string();
    let session = Session::start(
        90.0,
        &[
            "--rig",
            rig.to_str().unwrap(),
            "--horn",
            "trumpet,trombone",
            "--tuning",
            "equal-12,just",
            "--osc",
            &osc,
            "--page",
            "127.0.0.1:0",
        ],
    );
    let browser = Browser::start(true);
    browser.screen(820, 1180, true);
    browser.visit(&session.url);
    browser.wait(CONNECTED);
    let mut other = session.page();
    assert!(other.hear(|m| m["setup"].is_object())["setup"]["horns"][1][0] == "trombone");

    let has_played = |name: &str| session.written().iter().any(|n| n == name);
    assert!(wait(10.0, || has_played("G4")), "{:?}", session.written());
    browser.tap("#horn");
    keep(&browser, "page-sheet.png");
    browser.tap("[data-name=trombone]");
    other.hear(|m| m["horn"] == "trombone");
    browser.wait(
        "document.querySelector('#horn span').textContent.toLowerCase().includes('trombone')",
    );
    // A trombone's part is written as it sounds, a trumpet's a tone higher.
    let before = session.written().len();
    assert!(wait(10.0, || session.written().len() > before + 8));
    let written = session.written();
    assert!(
        written[..before].contains(&"G4".to_owned())
            && !written[before + 1..].contains(&"G4".to_owned()),
        "{written:?}"
    );

    // Panic is one touch away while a list is open.
    browser.tap("#tuning");
    let silences = session.count("silence");
    browser.tap("#sheet-panic");
    assert!(wait(10.0, || session.count("silence") > silences));
    browser.wait("!document.getElementById('sheet').open");
    other.hear(|m| m["muted"] == false && m["note"].is_object());
    browser.tap("#tuning");
    browser.tap("[data-name=just]");
    other.hear(|m| m["tuning"] == "just");
    browser.tap("#shift button:last-child");
    other.hear(|m| m["shift"] == 1);
    browser.wait("document.querySelector('#shift span').textContent === '+1'");

    // A mark in the take, then the take's end, then one that is not kept.
    other.hear(|m| m["recording_s"].as_f64().is_some_and(|s| s > 1.0));
    browser.tap("#mark");
    let mark = other.hear(|m| !m["marks"].as_array().unwrap_or(&Vec::new()).is_empty());
    assert_eq!(mark["marks"][0][1], true);
    browser
        .wait("document.getElementById('said').textContent.startsWith('Marked in the take at 0:')");
    keep(&browser, "page-marked.png");
    browser.tap("#record");
    other.hear(|m| m["answer"].is_null() && m["setup"].is_null() && m["recording_s"].is_null());
    browser.wait("document.getElementById('recording').hidden");
    browser.tap("#mark");
    browser.wait("document.getElementById('said').textContent.includes('not kept')");
    assert!(wait(10.0, || session.count("mark") == 2));
    let files = || -> Vec<PathBuf> {
        std::fs::read_dir(&takes)
            .unwrap()
            .map(|e| e.unwrap().path())
            .collect()
    };
    let is = |path: &PathBuf, ending| path.extension().is_some_and(|e| e == ending);
    // The notes are written once the take is closed.
    assert!(
        wait(20.0, || files().iter().any(|path| is(path, "json"))),
        "{:?}",
        files()
    );
    let wav = files().into_iter().find(|path| is(path, "wav")).unwrap();
    let bytes = std::fs::read(&wav).unwrap();
    let cue = bytes
        .windows(4)
        .position(|w| w == b"cue ")
        .expect("a cue point");
    let field = |at: usize| u32::from_le_bytes(bytes[cue + at..cue + at + 4].try_into().unwrap());
    let (count, frame) = (field(8), f64::from(field(32)));
    let length = f64::from(hound::WavReader::open(&wav).unwrap().duration());
    assert!(
        count == 1 && frame > 48_000.0 && frame < length,
        "{count} {frame} {length}"
    );
    common::succeed(&["transcribe", wav.to_str().unwrap(), "--format", "csv"]);

    // Mute: no note begins, and whatever sounds was silenced.
    browser.tap("#mute");
    other.hear(|m| m["muted"] == true);
    browser.wait("document.getElementById('silent').textContent === 'MUTED'");
    keep(&browser, "page-muted.png");
    let started = session.count("start");
    let silenced = |receiver: &OscReceiver| {
        receiver
            .messages()
            .iter()
            .filter(|m| m.addr == "/leadpipe/silence")
            .count()
    };
    assert!(wait(5.0, || silenced(&receiver) > 0));
    let now_s = other.hear(|m| m["now_s"].is_number())["now_s"]
        .as_f64()
        .unwrap();
    other.hear(|m| m["now_s"].as_f64().is_some_and(|s| s > now_s + 2.0));
    assert_eq!(session.count("start"), started);
    browser.tap("#mute");
    other.hear(|m| m["muted"] == false);
    assert!(wait(5.0, || session.count("start") > started));
    assert_eq!(browser.complaints(), [""; 0]);
}

/// A port that is free, and that the system gives to nobody by itself.
fn lasting_port() -> u16 {
    let first = 20_000 + (std::process::id() % 10_000) as u16;
    let is_free = |port: &u16| std::net::TcpListener::bind(("127.0.0.1", *port)).is_ok();
    (first..first + 100).find(is_free).expect("a port")
}

/// A page that loses the program says so, and comes back when there is one again.
#[test]
fn the_page_comes_back_by_itself() {
    let at = format!("127.0.0.1:{}", lasting_port());
    let session = Session::start(60.0, &["--page", &at]);
    let browser = Browser::start(false);
    browser.screen(390, 844, false);
    browser.visit(&session.url);
    browser.wait(CONNECTED);
    // The network goes, the program stays.
    browser.value("(stagePage.cut(), 0)");
    browser.wait("!document.getElementById('lost').hidden");
    browser.wait(CONNECTED);
    let Session { live, _folder, .. } = session;
    assert_eq!(live.end("TERM"), Some(0));
    browser.wait(
        "!document.getElementById('lost').hidden && document.getElementById('panic').disabled",
    );
    browser.wait("document.getElementById('lost').textContent.includes('The session has ended') || document.getElementById('lost').textContent.includes('does not answer')");
    // Nothing claims to be well meanwhile.
    assert_eq!(
        browser.value("document.getElementById('ports').textContent"),
        "Not connected"
    );
    keep(&browser, "page-lost.png");
    let session = Session::start(60.0, &["--page", &at]);
    assert!(browser.comes_true(CONNECTED, Duration::from_secs(20)));
    assert!(browser.comes_true(SOUNDS, Duration::from_secs(10)));
    // A program that stands still is not taken for one that is well.
    session.live.signal("STOP");
    let told = browser.comes_true(
        "!document.getElementById('lost').hidden",
        Duration::from_secs(10),
    );
    session.live.signal("CONT");
    assert!(told);
    assert!(browser.comes_true(CONNECTED, Duration::from_secs(20)));
}

/// Visible things that are cut off, overlap or are too small for a finger.
const FAULTS: &str = "(() => {
    const faults = [];
    const root = document.documentElement;
    if (root.scrollHeight > innerHeight || root.scrollWidth > innerWidth) faults.push('it scrolls');
    const all = [...document.querySelectorAll('main button, #note, #cents, .meter, canvas')].filter(e => e.offsetParent);
    const boxes = all.map(e => [e.id || e.textContent || e.tagName, e.getBoundingClientRect(), e]);
    for (const [name, box, e] of boxes) {
      if (box.left < 0 || box.top < 0 || box.right > innerWidth + 0.5 || box.bottom > innerHeight + 0.5) faults.push(name + ' is off the screen');
      if (e.tagName === 'BUTTON' && (box.width < 44 || box.height < 44)) faults.push(name + ' is small');
      if (e.tagName === 'BUTTON' && e.id !== 'ports' && e.scrollWidth > e.clientWidth + 1) faults.push(name + ' is cut off');
      for (const [other, o, f] of boxes) {
        if (e !== f && !e.contains(f) && !f.contains(e) && box.left < o.right - 1 && o.left < box.right - 1 && box.top < o.bottom - 1 && o.top < box.bottom - 1) faults.push(name + ' overlaps ' + other);
      }
    }
    return faults.join('; ');
  })()";

#[test]
fn it_fits_every_screen_without_scrolling() {
    let session = Session::start(
        120.0,
        &[
            "--horn",
            "trumpet,flugelhorn,cornet,trombone,horn,euphonium,tuba-f,tuba-eb,tenor-horn,baritone",
            "--tuning",
            "equal-12,just",
            "--page",
            "127.0.0.1:0",
        ],
    );
    let browser = Browser::start(false);
    browser.visit(&session.url);
    browser.wait(CONNECTED);
    for (name, width, height) in [
        ("tablet", 1180, 820),
        ("tablet-upright", 820, 1180),
        ("small-tablet", 1024, 600),
        ("phone", 844, 390),
        ("phone-upright", 390, 844),
        ("small-phone", 360, 640),
        ("monitor", 1920, 1080),
    ] {
        for dark in [false, true] {
            browser.screen(width, height, dark);
            browser.wait(&format!("innerWidth === {width}"));
            assert!(browser.comes_true(SOUNDS, Duration::from_secs(5)));
            assert_eq!(browser.value(FAULTS), "", "{name}");
            // The letter is what is seen first: no less than a third of the shorter side.
            let size = browser
                .number("parseFloat(getComputedStyle(document.getElementById('note')).fontSize)");
            assert!(size > 0.33 * f64::from(width.min(height)), "{name}: {size}");
            keep(
                &browser,
                &format!("page-{name}-{}.png", if dark { "dark" } else { "light" }),
            );
        }
    }
    // However long a list is and wherever it stands, panic is seen and touched.
    for (name, width, height) in [("small-phone", 360, 640), ("phone", 844, 390)] {
        browser.screen(width, height, true);
        browser.wait(&format!("innerWidth === {width}"));
        browser.tap("#horn");
        browser.wait("document.getElementById('sheet').open");
        for to in ["0", "sheet.scrollHeight"] {
            let scrolled =
                format!("(sheet.scrollTop = {to}, sheet.scrollHeight > sheet.clientHeight)");
            assert_eq!(browser.value(&scrolled), true, "{name}");
            let hit = "(r => document.elementFromPoint(r.x + r.width / 2, r.y + r.height / 2).id + ' ' + Math.round(Math.min(r.width, r.height)))(document.getElementById('sheet-panic').getBoundingClientRect())";
            assert_eq!(browser.value(hit), "sheet-panic 60", "{name}");
            keep(
                &browser,
                &format!(
                    "page-sheet-{name}-{}.png",
                    if to == "0" { "top" } else { "end" }
                ),
            );
        }
        browser.tap("#sheet-close");
    }
    let paper = "getComputedStyle(document.body).backgroundColor";
    let dark = browser.value(paper);
    browser.tap("#theme");
    assert_ne!(browser.value(paper), dark);
    // Who is disturbed by movement sees the trace once a second.
    browser.prefer(&[("prefers-reduced-motion", "reduce")]);
    browser.value("(window.drawn = 0, CanvasRenderingContext2D.prototype.clearRect = new Proxy(CanvasRenderingContext2D.prototype.clearRect, { apply: (f, t, a) => { drawn += 1; return Reflect.apply(f, t, a); } }), window.since = performance.now(), 0)");
    browser.wait("performance.now() - since > 3000");
    let drawn = browser.number("drawn");
    assert!(
        (1.0..=5.0).contains(&drawn),
        "{drawn} times in three seconds"
    );
}

/// Text by 4.5 to 1 at least, what only has a shape by 3 to 1 (WCAG 2.2, 1.4.3 and 1.4.11);
/// the note itself by 15.
#[test]
fn it_is_read_in_the_sun_and_in_the_dark() {
    let css = include_str!("../src/live/page/page.css");
    let themes: Vec<&str> = css.split("--paper: ").skip(1).collect();
    assert_eq!(themes.len(), 3);
    for theme in themes {
        let theme = format!("--paper: {}", theme.split('}').next().unwrap());
        for ground in ["paper", "card"] {
            for name in ["ink", "quiet", "true", "sharp", "flat", "brass", "alarm"] {
                let found = contrast(&theme, name, ground);
                assert!(found >= 4.5, "{name} on {ground}: {found:.1}");
            }
            assert!(contrast(&theme, "rail", ground) >= 3.0, "rail on {ground}");
        }
        assert!(contrast(&theme, "ink", "paper") >= 15.0);
        assert!(contrast(&theme, "on-alarm", "alarm") >= 4.5);
    }
}

#[test]
fn a_screen_reader_gets_it_all() {
    let session = Session::start(
        60.0,
        &["--horn", "trumpet,trombone", "--page", "127.0.0.1:0"],
    );
    let browser = Browser::start(false);
    browser.visit(&session.url);
    browser.wait(CONNECTED);
    browser.wait("/^[A-G] .*(in tune|cents)/.test(document.getElementById('note').getAttribute('aria-label'))");
    let tree = browser.accessible();
    let has = |role: &str, name: &str| tree.iter().any(|(r, n)| r == role && n.contains(name));
    for (role, name) in [
        ("button", "Panic"),
        ("button", "Mute"),
        ("button", "Record"),
        ("button", "Mark"),
        ("button", "Trumpet"),
        ("button", "Shift up a semitone"),
        ("button", "Dark colours"),
        ("meter", "Deviation from the tuning"),
        ("meter", "Level and gate"),
        ("heading", "stage page"),
        ("region", "Controls"),
    ] {
        assert!(has(role, name), "no {role} {name}: {tree:?}");
    }
    assert!(
        tree.iter().any(|(role, _)| role == "status"),
        "what happens is told"
    );
    assert!(has("image", "Written pitch") || has("img", "Written pitch"));
    let unnamed: Vec<_> = tree
        .iter()
        .filter(|(r, n)| r == "button" && n.is_empty())
        .collect();
    assert!(unnamed.is_empty(), "{unnamed:?}");
    // By keys alone: the sheet of horns opens, and closes with Escape.
    browser.keys("#horn", "\u{E007}");
    browser.wait("document.getElementById('sheet').open");
    let tree = browser.accessible();
    assert!(
        tree.iter().any(|(r, n)| r == "dialog" && n == "Horn"),
        "{tree:?}"
    );
    // Panic is in the list too, but not where the next key would press it.
    assert!(tree.iter().any(|(r, n)| r == "button" && n == "Panic"));
    assert_eq!(
        browser.value("document.activeElement.dataset.name"),
        "trumpet"
    );
    browser.keys("#sheet-close", "\u{E00C}");
    browser.wait("!document.getElementById('sheet').open");
}

/// Status of an answer to a request with these headers.
fn status(port: u16, path: &str, headers: &str) -> String {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream
        .set_read_timeout(Some(Duration::from_secs(10)))
        .unwrap();
    write!(stream, "GET {path} HTTP/1.1\r\n{headers}\r\n").unwrap();
    let mut head = [0; 12];
    stream.read_exact(&mut head).expect("an answer");
    String::from_utf8_lossy(&head[9..]).into_owned()
}

fn upgrade(host: &str, origin: &str) -> String {
    format!(
        "Host: {host}\r\nOrigin: {origin}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n\
         Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n"
    )
}

#[test]
fn strangers_are_refused() {
    let session = Session::start(30.0, &["--page", "127.0.0.1:0"]);
    let (port, host) = (session.port(), session.host());
    let origin = format!("http://{host}");
    assert_eq!(status(port, "/live", &upgrade(&host, &origin)), "101");
    assert_eq!(
        status(port, "/live", &upgrade(&host, "http://elsewhere.example")),
        "403"
    );
    assert_eq!(
        status(
            port,
            "/live",
            &upgrade("elsewhere.example", "http://elsewhere.example")
        ),
        "403"
    );
    assert_eq!(status(port, "/", &format!("Host: {host}\r\n")), "200");
    assert_eq!(status(port, "/", "Host: elsewhere.example\r\n"), "403");
    assert_eq!(status(port, "/", ""), "403");
    assert_eq!(
        status(port, "/etc/passwd", &format!("Host: {host}\r\n")),
        "404"
    );
    assert_eq!(status(port, &format!("/{}", "x".repeat(9_000)), ""), "431");
}

#[test]
fn the_network_wants_the_token_and_may_only_look() {
    let session = Session::start(30.0, &["--page", "0.0.0.0:0", "--page-read-only"]);
    let (port, query) = (session.port(), session.query());
    let host = format!("127.0.0.1:{port}");
    let origin = format!("http://{host}");
    assert!(query.starts_with("?token=") && query.len() > 20, "{query}");
    for path in [
        "/live",
        "/live?token=",
        "/live?token=0123456789abcdef01234567",
    ] {
        assert_eq!(
            status(port, path, &upgrade(&host, &origin)),
            "403",
            "{path}"
        );
    }
    assert_eq!(status(port, "/", &format!("Host: {host}\r\n")), "403");
    assert_eq!(
        status(port, &format!("/live{query}"), &upgrade(&host, &origin)),
        "101"
    );
    // The terminal shows a code.
    assert!(
        session.live.errors().matches('█').count() > 50,
        "{}",
        session.live.errors()
    );
    // This machine may do all, others may look.
    let mut here = session.page();
    assert_eq!(here.hear(|m| m["setup"].is_object())["read_only"], false);
    here.send("1 mute on");
    assert_eq!(here.answer(1), Value::Null);
    if !session.host().starts_with("127.") {
        let mut there = PlainPage::open(&session.host(), &query).expect("a page");
        assert_eq!(there.hear(|m| m["setup"].is_object())["read_only"], true);
        there.send("1 mute off");
        assert!(there.answer(1).as_str().unwrap().contains("only shows"));
        there.hear(|m| m["muted"] == true);
    }
}

/// A tablet that has the address once finds its way back.
#[test]
fn the_token_is_the_same_the_next_time() {
    let folder = tempfile::tempdir().unwrap();
    let take = take(folder.path(), &melody(2.0), 2.0);
    let state = folder.path().join("state");
    let query = || {
        let options = ["--from", take.to_str().unwrap(), "--page", "0.0.0.0:0"];
        let live = Live::start_with(&[("XDG_STATE_HOME", state.to_str().unwrap())], &options);
        let url = said_url(&live);
        url.split_once('?').unwrap().1.to_owned()
    };
    assert_eq!(query(), query());
}

#[test]
fn pages_and_messages_are_limited() {
    let session = Session::start(60.0, &["--page", "127.0.0.1:0"]);
    let mut pages: Vec<PlainPage> = (0..8).map(|_| session.page()).collect();
    pages[7].hear(|m| m["now_s"].is_number());
    assert_eq!(session.page().farewell(), CloseCode::Again);
    // One goes, and there is room again.
    pages.pop();
    let has_room = || {
        let mut page = session.page();
        matches!(page.0.read(), Ok(Message::Text(_)))
    };
    assert!(wait(10.0, has_room));

    let mut page = pages.pop().unwrap();
    page.send(&format!("1 horn {}", "x".repeat(300)));
    assert_eq!(page.farewell(), CloseCode::Size);
    let mut page = pages.pop().unwrap();
    page.send("dance");
    assert_eq!(page.farewell(), CloseCode::Policy);
    // A hand that is too fast is told; a flood is sent away.
    let mut page = pages.pop().unwrap();
    for i in 1..=100 {
        page.send(&format!("{i} up"));
    }
    assert_eq!(page.answer(1), Value::Null);
    assert!(page.answer(100).as_str().unwrap().contains("too fast"));
    let mut flood = pages.pop().unwrap();
    for i in 0..2_000 {
        if !flood.send(&format!("{i} panic")) {
            break;
        }
    }
    assert_eq!(flood.farewell(), CloseCode::Policy);
    // The others have noticed nothing.
    let mut page = pages.pop().unwrap();
    page.send("5 quit");
    assert!(page.answer(5).as_str().unwrap().contains("not understood"));
    let now_s = page.hear(|m| m["now_s"].is_number())["now_s"]
        .as_f64()
        .unwrap();
    page.hear(|m| m["now_s"].as_f64().is_some_and(|s| s > now_s + 0.5));
}

/// Who asks for nothing, or takes nothing, holds nobody up.
#[test]
fn idlers_hold_nobody_up() {
    let session = Session::start(60.0, &["--page", "127.0.0.1:0"]);
    let idle: Vec<TcpStream> = (0..40)
        .filter_map(|_| TcpStream::connect(session.host()).ok())
        .collect();
    // They are let go after some seconds.
    let opens = || PlainPage::open(&session.host(), "").is_ok();
    assert!(wait(20.0, opens));
    drop(idle);
    let deaf: Vec<PlainPage> = (0..4).map(|_| session.page()).collect();
    let mut page = session.page();
    let now_s = page.hear(|m| m["now_s"].is_number())["now_s"]
        .as_f64()
        .unwrap();
    page.hear(|m| m["now_s"].as_f64().is_some_and(|s| s > now_s + 3.0));
    drop(deaf);
}

#[test]
fn an_address_that_cannot_be_used_is_refused_in_one_line() {
    let folder = tempfile::tempdir().unwrap();
    let take = take(folder.path(), &[], 1.0);
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let taken = taken.local_addr().unwrap().to_string();
    for (page, code, word) in [
        (
            &*taken,
            7,
            "it is in use; end what uses it, or give another port: --page 127.0.0.1:",
        ),
        ("192.0.2.1:8080", 7, "this machine does not have it"),
        ("nonsense", 4, "HOST:PORT"),
        ("127.0.0.1:99999", 4, "HOST:PORT"),
    ] {
        let args = [
            "live",
            "--plain",
            "--from",
            take.to_str().unwrap(),
            "--page",
            page,
        ];
        let (got, errors) = common::fail(&args);
        assert_eq!(got, code, "{page}: {errors}");
        assert!(errors.contains(word), "{page}: {errors}");
        assert_eq!(errors.trim_end().lines().count(), 1, "{errors}");
    }
}

/// By JACK's clock: a panic ends the note that the horn still holds, a mute the next one,
/// and nothing begins while it lasts.
#[cfg(feature = "jack")]
#[test]
fn panic_and_mute_silence_midi() {
    let _stage = stage::alone();
    let folder = tempfile::tempdir().unwrap();
    let notes = [
        Played::new(1.0, 9.0, 58.0, 0.5),
        Played::new(9.5, 17.0, 60.0, 0.5),
        Played::new(17.5, 18.5, 62.0, 0.5),
    ];
    let take = take(folder.path(), &notes, 19.0);
    let server = stage::Server::start(128);
    let live = Live::start(
        Some(&server),
        &[
            "--midi",
            "virtual",
            "--horn",
            "trombone",
            "--page",
            "127.0.0.1:0",
        ],
    );
    live.wait_for_port(&server, "leadpipe:notes");
    let browser = Browser::start(false);
    browser.screen(820, 1180, false);
    browser.visit(&said_url(&live));
    assert!(browser.comes_true(CONNECTED, Duration::from_secs(20)));
    let shows = |name: &str| {
        let shown = format!("{SOUNDS} && {NOTE} === '{name}'");
        assert!(
            browser.comes_true(&shown, Duration::from_secs(30)),
            "{name} is not shown"
        );
    };
    let back = std::thread::scope(|scope| {
        let playing = scope.spawn(|| stage::play_for_midi(&server, &take, folder.path()));
        shows("Bb3");
        browser.tap("#panic");
        browser.wait("document.getElementById('silent').textContent.startsWith('SILENT')");
        shows("C4");
        browser.tap("#mute");
        browser.wait("document.getElementById('silent').textContent === 'MUTED'");
        playing.join().expect("what came back")
    });
    // A server would wait for a client that was killed.
    assert_eq!(live.end("TERM"), Some(0));
    let notes = back.notes();
    let keys: Vec<u8> = notes.iter().map(|note| note.key).collect();
    assert_eq!(keys, [58, 60], "{notes:?}");
    assert!(notes[0].off_s < 8.5 && notes[1].off_s < 16.5, "{notes:?}");
}
