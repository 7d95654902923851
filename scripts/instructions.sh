#!/usr/bin/env bash
# Counts the instructions of fixed runs and compares them with the numbers in
# .ci/instructions: more than 5 % either way is worth a look. Instructions are counted, not
# seconds, so a busy machine does not matter; vector registers do, so a machine without
# AVX2 is not compared. With --keep the numbers are written anew.
#
#   demo    both passes over the demo's take
#   legato  five minutes of slurs back and forth, too slow for a trill: work that grows with
#           more than the length of a slurred line shows here
#   room    the demo's take in a noisy hall: more candidates, more frames without a tone
#   live    the demo's take, decided as the live engine does
set -euo pipefail
cd "$(dirname "$0")/.."
kept=.ci/instructions
program=${CARGO_TARGET_DIR:-target}/release/leadpipe
cargo build --release --locked --no-default-features --features cli
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

"$program" demo --out "$work" >/dev/null 2>&1
mv "$work/lamplight.wav" "$work/demo.wav"
for hz in 233.08 261.63; do
  sox -n -r 48000 -b 16 "$work/$hz.wav" synth 0.19 sine "$hz" sine "$(awk "BEGIN { print 2 * $hz }")" remix - gain -12
done
sox "$work/233.08.wav" "$work/261.63.wav" "$work/legato.wav" repeat 788

python3 scripts/noisy_room.py "$work/demo.wav" "$work/room.wav"

count() {
  local take=$1
  shift
  valgrind --quiet --tool=callgrind --callgrind-out-file="$work/count" \
    "$program" transcribe "$work/$take.wav" --horn flugelhorn --format csv "$@" >/dev/null
  sed -n 's/^\(summary\|totals\): //p' "$work/count" | head -1
}

{
  for run in demo legato room; do
    echo "$run $(count $run)"
  done
  echo "live $(count demo --causal)"
} >"$work/counts"
if [ "${1:-}" = --keep ]; then
  cp "$work/counts" "$kept"
fi
if ! grep -qw avx2 /proc/cpuinfo; then
  cat "$work/counts"
  echo "not compared: this machine has no AVX2"
  exit 0
fi
far=0
while read -r run count; do
  was=$(awk -v run="$run" '$1 == run { print $2 }' "$kept")
  change=$(((count - was) * 1000 / was))
  echo "$run: $count instructions, kept $was: $change per mille"
  if [ "${change#-}" -gt 50 ]; then
    far=1
  fi
done <"$work/counts"
if [ $far = 1 ]; then
  echo "if that is meant: scripts/instructions.sh --keep, and say why in the commit" >&2
  exit 1
fi
