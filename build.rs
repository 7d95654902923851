//! Hands the target and the compiler's name to `leadpipe --version`.

use std::process::Command;

fn main() {
    println!("cargo::rerun-if-changed=build.rs");
    let target = std::env::var("TARGET").unwrap_or_else(|_| "unknown target".into());
    println!("cargo::rustc-env=LEADPIPE_TARGET={target}");
    let compiler = std::env::var("RUSTC").unwrap_or_else(|_| "rustc".into());
    let answer = Command::new(compiler).arg("--version").output();
    let text = answer.map_or(Vec::new(), |a| a.stdout);
    let text = String::from_utf8_lossy(&text);
    // "rustc 1.95.0 (59807616e 2026-04-14)": the name and the number say enough.
    let words: Vec<&str> = text.split_whitespace().take(2).collect();
    println!("cargo::rustc-env=LEADPIPE_COMPILER={}", words.join(" "));
}
