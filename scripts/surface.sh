#!/usr/bin/env bash
# Compares what the library offers (as docs.rs builds it) with what the
# version in Cargo.toml promised, kept in tests/surface: a line that is gone or
# reads otherwise breaks who depends on it, and wants the next minor version (the
# next major from 1.0 on). With --keep the promise is written anew.
set -euo pipefail
cd "$(dirname "$0")/.."
target=${CARGO_TARGET_DIR:-target}
# rustdoc's JSON is not stable yet; asking for it needs no other toolchain.
RUSTC_BOOTSTRAP=1 cargo rustdoc --locked --lib --no-default-features --features decode,pitch-detection -- \
  -Z unstable-options --output-format json
cargo run --locked --features jack --example surface -- "$target/doc/leadpipe.json" "$@"
