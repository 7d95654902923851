#!/usr/bin/env python3
"""Makes lines, reads their cells and labels them, one line after the other, for train.py to learn from meanwhile.

usage: cells.py OUT COUNT SEED --reader TONE_CELLS [--kind offline 0.25 --kind causal 0.17] [--first 0] [--workers N]

Writes OUT/KIND/line-NNNNN.npz (see label.labelled). TONE_CELLS is the example `tone_cells`, built. The number behind
a kind is the share of its moments that is kept. Sound and cells themselves are not kept.
"""
import argparse
import json
import os
import subprocess
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor

# one process a core, so one thread a process
for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

import numpy as np

import make
from label import OFFSETS, labelled


def line(task):
    """Makes one line, and its cells of each kind."""
    out, number, seed, reader, kinds = task
    with tempfile.TemporaryDirectory() as folder:
        make.write((folder, number, seed, ()))
        name = f"line-{number:05d}"
        with open(os.path.join(folder, name + ".json")) as file:
            truth = json.load(file)
        for kind, share in kinds.items():
            cells = os.path.join(folder, kind)
            subprocess.run([reader, kind, cells, os.path.join(folder, name + ".wav")], check=True, stdout=subprocess.DEVNULL)
            rng = np.random.default_rng([seed, number, list(OFFSETS).index(kind)])
            labelled(kind, truth, cells, os.path.join(out, kind, name + ".npz"), share, rng)
            os.remove(cells)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out")
    parser.add_argument("count", type=int)
    parser.add_argument("seed", type=int)
    parser.add_argument("--reader", required=True, metavar="TONE_CELLS")
    parser.add_argument("--kind", nargs=2, action="append", metavar=("KIND", "SHARE"))
    parser.add_argument("--first", type=int, default=0, help="number of the first line")
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument("--sources", default=os.path.join(make.HERE, "sources.npz"))
    options = parser.parse_args()
    kinds = {kind: float(share) for kind, share in options.kind or (("offline", 0.25), ("causal", 0.17))}
    for kind in kinds:
        if kind not in OFFSETS:
            parser.error(f"--kind {kind}: there are {' and '.join(OFFSETS)}")
        os.makedirs(os.path.join(options.out, kind), exist_ok=True)
    began = time.monotonic()
    numbers = range(options.first, options.first + options.count)
    tasks = [(options.out, number, options.seed, os.path.abspath(options.reader), kinds) for number in numbers]
    with ProcessPoolExecutor(options.workers, initializer=make.start, initargs=(options.sources,)) as pool:
        for done, _ in enumerate(pool.map(line, tasks), 1):
            if done % 500 == 0:
                print(done, "lines in", round(time.monotonic() - began), "s", flush=True)


if __name__ == "__main__":
    main()
