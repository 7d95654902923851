#!/usr/bin/env bash
# One network of each kind learned from nothing: makes lines, reads and labels their cells, learns.
# What the shipped weights went through after that is in training/README.md.
#
# usage: training/learn.sh [LINES] [SEED] [SECONDS] [MEMBER]     (13000, 91, 425, 1)
#
# MEMBER is which of the two offline networks it becomes, 1 or 2: give each other lines.
#
# Wants training/sources.npz (pack.py), PyTorch with one or two accelerators, and for every 1000
# lines 1 GB of disk and 5 GB more while their cells are read, and 5 GB of an accelerator's
# memory. SECONDS is what each of the two networks may take.
set -euo pipefail
cd "$(dirname "$0")/.."
lines=${1:-13000} seed=${2:-91} seconds=${3:-425} member=${4:-1}
work=${TMPDIR:-/tmp}/leadpipe-training
accelerators=$(python3 -c 'import torch; print(max(1, torch.cuda.device_count()))')
cargo build --release --example tone_cells
mkdir -p "$work/lines"
training/make.py "$work/lines" "$lines" "$seed"
for kind in offline causal; do
  mkdir -p "$work/cells"
  find "$work/lines" -name '*.wav' -print0 | xargs -0 -P "$(nproc)" -I{} sh -c \
    'exec "${CARGO_TARGET_DIR:-target}/release/examples/tone_cells" "$1" "$2/cells/$(basename "$3" .wav).cells" "$3"' - "$kind" "$work" {}
  # Live moments are half as long: fewer of them say as much.
  share=0.35
  if [ $kind = causal ]; then share=0.2; fi
  training/label.py $kind "$work/lines" "$work/cells" "$work/$kind" --share $share
  rm -r "$work/cells"
done
rm -r "$work/lines"
learn() {
  CUDA_VISIBLE_DEVICES=$(($2 % accelerators)) python3 training/train.py "$1" "$work/$1" "$work/$1.bin" \
    --seconds "$seconds" --seed $(($2 + 11))
}
learn offline 0 &
first=$!
learn causal 2
wait $first
cp "$work/offline.bin" "src/analysis/tone/offline-$member.bin"
cp "$work/causal.bin" src/analysis/tone/
