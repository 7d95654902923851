#!/usr/bin/env bash
# Counts the instructions of a fixed run (both passes over the demo's take) and
# compares them with the number in .ci/instructions: more than 5 % either way is
# worth a look. Instructions are counted, not seconds, so a busy machine does not
# matter; vector registers do, so a machine without AVX2 is not compared.
# With --keep the number is written anew.
set -euo pipefail
cd "$(dirname "$0")/.."
kept=.ci/instructions
program=${CARGO_TARGET_DIR:-target}/release/leadpipe
cargo build --release --locked --no-default-features --features cli
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
"$program" demo --out "$work" >/dev/null 2>&1
valgrind --quiet --tool=callgrind --callgrind-out-file="$work/count" \
  "$program" transcribe "$work/lamplight.wav" --horn flugelhorn --format csv >/dev/null
count=$(sed -n 's/^\(summary\|totals\): //p' "$work/count" | head -1)
if [ "${1:-}" = --keep ]; then
  echo "$count" >"$kept"
fi
if ! grep -qw avx2 /proc/cpuinfo; then
  echo "$count instructions; not compared: this machine has no AVX2"
  exit 0
fi
was=$(cat "$kept")
change=$(((count - was) * 1000 / was))
echo "$count instructions, kept $was: $change per mille"
if [ "${change#-}" -gt 50 ]; then
  echo "if that is meant: scripts/instructions.sh --keep, and say why in the commit" >&2
  exit 1
fi
