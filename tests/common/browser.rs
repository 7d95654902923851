//! Debian's Chromium, driven by its ChromeDriver (packages `chromium` and
//! `chromium-driver`) over the W3C WebDriver protocol.
#![allow(dead_code)]

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

/// A browser with one window. It closes when dropped.
pub struct Browser {
    driver: Child,
    base: String,
    _profile: tempfile::TempDir,
}

impl Browser {
    /// Opens a file of this machine's, in light or dark.
    pub fn open(page: &Path, dark: bool) -> Browser {
        let browser = Browser::start(dark);
        browser.visit(&format!("file://{}", page.display()));
        browser
    }

    /// A browser with an empty window, in light or dark.
    pub fn start(dark: bool) -> Browser {
        let mut driver = Command::new("chromedriver")
            .args(["--port=0"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver is installed: apt-get install chromium chromium-driver");
        let lines = BufReader::new(driver.stdout.take().unwrap()).lines();
        let port = lines
            .map_while(Result::ok)
            .find_map(|line| {
                let (_, port) = line.split_once("successfully on port ")?;
                Some(port.trim_end_matches('.').to_owned())
            })
            .expect("a port");
        let profile = tempfile::tempdir().unwrap();
        let mut args: Vec<String> = [
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--autoplay-policy=no-user-gesture-required",
            "--window-size=1100,1000",
        ]
        .map(String::from)
        .into();
        args.push(format!("--user-data-dir={}", profile.path().display()));
        if dark {
            args.push("--blink-settings=preferredColorScheme=0".into());
        }
        let wish = json!({"capabilities": {"alwaysMatch": {
            "goog:chromeOptions": {"args": args},
            "goog:loggingPrefs": {"browser": "ALL"},
        }}});
        let root = format!("http://127.0.0.1:{port}/session");
        let session = post(&root, &wish);
        let id = session["sessionId"].as_str().expect("a session").to_owned();
        Browser {
            driver,
            base: format!("{root}/{id}"),
            _profile: profile,
        }
    }

    /// Goes to an address.
    pub fn visit(&self, url: &str) {
        self.call("url", json!({"url": url}));
    }

    /// Opens another tab, and goes on in it; gives the handle of the one before.
    pub fn another_tab(&self) -> String {
        let before = self.value_of("window");
        let new = self.call("window/new", json!({"type": "window"}));
        self.tab(new["handle"].as_str().expect("a handle"));
        before
    }

    /// Goes on in a tab.
    pub fn tab(&self, handle: &str) {
        self.call("window", json!({"handle": handle}));
    }

    fn value_of(&self, what: &str) -> String {
        let url = format!("{}/{what}", self.base);
        let mut answer = ureq::get(&url).call().expect("an answer");
        let answer: Value = answer.body_mut().read_json().expect("JSON");
        answer["value"].as_str().expect("a text").to_owned()
    }

    /// A command of the DevTools protocol.
    pub fn devtools(&self, command: &str, parameters: Value) -> Value {
        let body = json!({"cmd": command, "params": parameters});
        self.call("goog/cdp/execute", body)
    }

    /// A screen of so many CSS pixels, touched by fingers, in light or dark.
    pub fn screen(&self, width: u32, height: u32, dark: bool) {
        self.devtools(
            "Emulation.setDeviceMetricsOverride",
            json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": true}),
        );
        self.prefer(&[("prefers-color-scheme", if dark { "dark" } else { "light" })]);
    }

    /// What the user prefers, by the names of media features.
    pub fn prefer(&self, features: &[(&str, &str)]) {
        let feature = |(name, value): &(&str, &str)| json!({"name": name, "value": value});
        let features: Vec<Value> = features.iter().map(feature).collect();
        self.devtools("Emulation.setEmulatedMedia", json!({"features": features}));
    }

    /// Touches an element with a finger.
    pub fn tap(&self, css: &str) {
        let at = json!({"element-6066-11e4-a52e-4f735466cecf": self.element(css)});
        self.call(
            "actions",
            json!({"actions": [{"type": "pointer", "id": "finger",
                "parameters": {"pointerType": "touch"}, "actions": [
                {"type": "pointerMove", "origin": at, "x": 0, "y": 0, "duration": 0},
                {"type": "pointerDown", "button": 0},
                {"type": "pointerUp", "button": 0},
            ]}]}),
        );
    }

    fn call(&self, what: &str, body: Value) -> Value {
        post(&format!("{}/{what}", self.base), &body)
    }

    /// Value of an expression in the page.
    pub fn value(&self, expression: &str) -> Value {
        let script = format!("return {expression}");
        self.call("execute/sync", json!({"script": script, "args": []}))
    }

    /// Number that an expression gives.
    pub fn number(&self, expression: &str) -> f64 {
        let value = self.value(expression);
        value
            .as_f64()
            .unwrap_or_else(|| panic!("{expression}: {value}"))
    }

    /// Waits for an expression to come true, up to five seconds.
    pub fn wait(&self, expression: &str) {
        let came = self.comes_true(expression, Duration::from_secs(5));
        assert!(came, "never came true: {expression}");
    }

    /// Whether an expression comes true in time.
    pub fn comes_true(&self, expression: &str, within: Duration) -> bool {
        let until = Instant::now() + within;
        while self.value(expression) != Value::Bool(true) {
            if Instant::now() > until {
                return false;
            }
            std::thread::sleep(Duration::from_millis(30));
        }
        true
    }

    fn element(&self, css: &str) -> String {
        let found = self.call("element", json!({"using": "css selector", "value": css}));
        let id = found.as_object().and_then(|o| o.values().next());
        id.and_then(Value::as_str).expect(css).to_owned()
    }

    /// Clicks as a mouse would.
    pub fn click(&self, css: &str) {
        let id = self.element(css);
        self.call(&format!("element/{id}/click"), json!({}));
    }

    /// Types keys with an element in focus.
    pub fn keys(&self, css: &str, text: &str) {
        let id = self.element(css);
        self.call(&format!("element/{id}/value"), json!({"text": text}));
    }

    /// Drags from an element's middle by so many pixels to the right.
    pub fn drag(&self, css: &str, by: i32) {
        let id = self.element(css);
        let at = json!({"element-6066-11e4-a52e-4f735466cecf": id});
        self.call(
            "actions",
            json!({"actions": [{"type": "pointer", "id": "mouse", "actions": [
                {"type": "pointerMove", "origin": at, "x": 0, "y": 0, "duration": 0},
                {"type": "pointerDown", "button": 0},
                {"type": "pointerMove", "origin": "pointer", "x": by, "y": 0, "duration": 60},
                {"type": "pointerUp", "button": 0},
            ]}]}),
        );
    }

    /// What the console said at the level of an error or a warning.
    pub fn complaints(&self) -> Vec<String> {
        let log = self.call("se/log", json!({"type": "browser"}));
        let entries = log.as_array().expect("a log").iter();
        let loud = entries.filter(|e| e["level"] == "SEVERE" || e["level"] == "WARNING");
        loud.map(|e| e["message"].to_string()).collect()
    }

    /// Names and roles as assistive technology is given them.
    pub fn accessible(&self) -> Vec<(String, String)> {
        let tree = self.devtools("Accessibility.getFullAXTree", json!({}));
        let nodes = tree["nodes"].as_array().expect("nodes").iter();
        let text = |v: &Value| v["value"].as_str().unwrap_or("").to_owned();
        nodes
            .filter(|n| n["ignored"] != true)
            .map(|n| (text(&n["role"]), text(&n["name"])))
            .collect()
    }

    /// A picture of the window as PNG.
    pub fn screenshot(&self) -> Vec<u8> {
        use base64::Engine;
        let url = format!("{}/screenshot", self.base);
        let answer: Value = (ureq::get(&url).call().expect("an answer"))
            .body_mut()
            .read_json()
            .expect("JSON");
        let text = answer["value"].as_str().expect("a picture");
        base64::prelude::BASE64_STANDARD
            .decode(text)
            .expect("base64")
    }

    /// The page as it would be printed, as PDF.
    pub fn pdf(&self) -> Vec<u8> {
        use base64::Engine;
        let printed = self.call("print", json!({"background": true}));
        let text = printed.as_str().expect("a document");
        base64::prelude::BASE64_STANDARD
            .decode(text)
            .expect("base64")
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = ureq::delete(&self.base).call();
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

/// Contrast of two colours of a style sheet's theme, by their names there, from 1 to 21
/// (WCAG 2.2, relative luminance).
pub fn contrast(theme: &str, one: &str, other: &str) -> f64 {
    let luminance = |name: &str| {
        let (_, rest) = theme.split_once(&format!("--{name}: #")).expect(name);
        let part = |i: usize| {
            let value = u8::from_str_radix(&rest[i..i + 2], 16).expect(name);
            let share = f64::from(value) / 255.0;
            if share <= 0.04045 {
                share / 12.92
            } else {
                ((share + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * part(0) + 0.7152 * part(2) + 0.0722 * part(4)
    };
    let (a, b) = (luminance(one), luminance(other));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

fn post(url: &str, body: &Value) -> Value {
    let agent: ureq::Agent = ureq::Agent::config_builder()
        .http_status_as_error(false)
        .timeout_global(Some(Duration::from_secs(60)))
        .build()
        .into();
    let mut answer = agent
        .post(url)
        .send_json(body)
        .expect("chromedriver answers");
    let failed = !answer.status().is_success();
    let mut answer: Value = answer.body_mut().read_json().expect("JSON");
    assert!(!failed, "{url}: {}", answer["value"]["message"]);
    answer["value"].take()
}
