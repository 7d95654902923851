#!/usr/bin/env bash
# Builds the Debian package: the program with JACK, its manual pages, shell
# completions and guides. Needs cargo-deb (cargo install cargo-deb) and what the
# README's second command installs.
set -euo pipefail
cd "$(dirname "$0")/.."
target=${CARGO_TARGET_DIR:-target}
cargo build --release --locked --features jack
"$target/release/leadpipe" manual --out "$target/release/manual"
scripts/copyright.py >"$target/release/copyright"
cargo deb --no-build --features jack
