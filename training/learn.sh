#!/usr/bin/env bash
# One network of each kind learned from nothing: makes lines, reads and labels their cells, and
# learns from them meanwhile. What the shipped weights went through is in training/README.md.
#
# usage: training/learn.sh [LINES] [SEED] [SECONDS] [MEMBER]     (30000, 91, 1000, 1)
#
# MEMBER is which of the two networks of its kind each becomes, 1 or 2: give each other lines.
#
# Wants training/sources.npz (pack.py) and PyTorch with one or two accelerators of 70 GB. SECONDS is
# what learning may take; 32 cores make 30 lines a second.
set -euo pipefail
cd "$(dirname "$0")/.."
lines=${1:-30000} seed=${2:-91} seconds=${3:-1000} member=${4:-1}
work=${TMPDIR:-/tmp}/leadpipe-training
accelerators=$(python3 -c 'import torch; print(max(1, torch.cuda.device_count()))')
cargo build --release --example tone_cells
mkdir -p "$work/cells/offline" "$work/cells/causal"
training/cells.py "$work/cells" "$lines" "$seed" --reader "${CARGO_TARGET_DIR:-target}/release/examples/tone_cells" &
trap 'kill $(jobs -p) 2>/dev/null || true; rm -rf "$work/cells"' EXIT
# A line has up to 5000 cells that are kept. Both networks on one accelerator have half of its memory each.
room=$((60000000 / (accelerators > 1 ? 1 : 2)))
cells=$((lines * 5000 < room ? lines * 5000 : room))
learn() {
  CUDA_VISIBLE_DEVICES=$(($2 % accelerators)) python3 training/train.py "$1" "$work/cells/$1" "$work/$1.bin" \
    --seconds "$seconds" --seed $(($2 + 11)) --cells $cells --remove
}
learn offline 0 &
offline=$!
learn causal 1 &
causal=$!
wait $offline
wait $causal
for kind in offline causal; do
  cp "$work/$kind.bin" "src/analysis/tone/$kind-$member.bin"
done
