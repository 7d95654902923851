#!/usr/bin/env bash
# All weights of the program, learned anew: makes lines, reads their cells, learns.
#
# usage: training/learn.sh [LINES] [SEED] [SECONDS]     (7000, 71, 400)
#
# Wants training/sources.npz (pack.py), PyTorch with an accelerator or two, and 16 GB of disk and
# 8 GB of memory for every 1000 lines. SECONDS is what each of the three large networks may take.
set -euo pipefail
cd "$(dirname "$0")/.."
lines=${1:-7000} seed=${2:-71} seconds=${3:-400}
work=${TMPDIR:-/tmp}/leadpipe-training
accelerators=$(python3 -c 'import torch; print(max(1, torch.cuda.device_count()))')
cargo build --release --example tone_cells
mkdir -p "$work/lines" "$work/offline" "$work/causal"
training/make.py "$work/lines" "$lines" "$seed"
for kind in offline causal; do
  find "$work/lines" -name '*.wav' -print0 | xargs -0 -P "$(nproc)" -I{} sh -c \
    'exec "${CARGO_TARGET_DIR:-target}/release/examples/tone_cells" "$1" "$2/$1/$(basename "$3" .wav).cells" "$3"' - "$kind" "$work" {}
done
rm -f "$work"/lines/*.wav
learn() {
  CUDA_VISIBLE_DEVICES=$(($3 % accelerators)) python3 training/train.py "$1" "$work/lines" "$work/$1" "$work/$2.bin" \
    --seconds "$seconds" --seed $(($3 + 1)) "${@:4}"
}
learn offline offline-1 0 &
first=$!
learn offline offline-2 1 --without samples &
second=$!
learn causal causal 2
wait $first
wait $second
cp "$work"/{offline-1,offline-2,causal}.bin src/analysis/tone/
