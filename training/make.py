#!/usr/bin/env python3
"""Write training lines as WAV files, each with its truth.

usage: make.py OUT COUNT SEED [--workers N] [--without NAME ...]

Writes OUT/line-NNNNN.wav (24 kHz; 16-bit, or 32-bit float where the line is very soft) and
OUT/line-NNNNN.json ({"notes": [...], "info": {...}}). Line N of a seed is the same whatever COUNT and
--workers are. --without leaves out origins, instruments or surroundings (see sound.make_line).
"""
import argparse
import json
import os
import time
from concurrent.futures import ProcessPoolExecutor

# one process a core, so one thread a process
for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

import numpy as np
from scipy.io import wavfile

from sound import RATE, Sources, make_line

FLOAT_BELOW_DBFS = -50
HERE = os.path.dirname(os.path.abspath(__file__))
_sources = None


def plain(note):
    """A note as JSON takes it: numbers rounded to 0.1 ms and 0.1 cent, arrays as lists."""
    out = dict(note, onset_s=round(float(note["onset_s"]), 5), offset_s=round(float(note["offset_s"]), 5),
               midi=round(float(note["midi"]), 4), level_db=round(note["level_db"], 1))
    if note["contour"] is not None:
        times, midi = note["contour"]
        out["contour"] = dict(times_s=np.round(times, 4).tolist(), midi=np.round(midi, 3).tolist())
    return out


def start(path):
    global _sources
    _sources = Sources.load(path)


def write(task):
    folder, number, seed, exclude = task
    samples, notes, info = make_line(np.random.default_rng([seed, number]), _sources, exclude=exclude)
    name = os.path.join(folder, f"line-{number:05d}")
    if np.abs(samples).max() < 10 ** (FLOAT_BELOW_DBFS / 20):
        wavfile.write(name + ".wav", RATE, samples)
    else:
        wavfile.write(name + ".wav", RATE, np.round(samples * 32767).astype(np.int16))
    with open(name + ".json", "w") as file:
        json.dump({"notes": [plain(note) for note in notes], "info": info}, file)
    return len(samples) / RATE


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("out")
    parser.add_argument("count", type=int)
    parser.add_argument("seed", type=int)
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument("--without", nargs="*", default=[], metavar="NAME")
    parser.add_argument("--sources", default=os.path.join(HERE, "sources.npz"))
    options = parser.parse_args()
    if not os.path.exists(options.sources):
        parser.error(f"{options.sources} is missing: make it with pack.py")
    names = Sources.load(options.sources).names()
    for name in options.without:
        if name not in names:
            parser.error(f"--without {name}: nothing has that name; there are {', '.join(names)}")
    os.makedirs(options.out, exist_ok=True)
    began = time.monotonic()
    tasks = [(options.out, number, options.seed, tuple(options.without)) for number in range(options.count)]
    with ProcessPoolExecutor(options.workers, initializer=start, initargs=(options.sources,)) as pool:
        seconds = sum(pool.map(write, tasks, chunksize=8))
    took = time.monotonic() - began
    print(f"{options.count} lines, {seconds:.0f} s of sound in {took:.1f} s: {seconds / took:.0f} x real time")


if __name__ == "__main__":
    main()
