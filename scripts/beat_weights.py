#!/usr/bin/env python3
"""Fits the weights of src/notation/estimate.rs: how much each piece of evidence counts
when the beats that a line may have are compared.

Melodies of scripts/rhythm.py, played by persons and by a machine, and folk songs of
music21's corpus from other collections than those that are measured with. The program
lists the beats it considers for each, with what speaks for them; the weights are those
for which the right tempo, metre and bar lines are most probable (multinomial logit).

    pip install music21 numpy scipy
    cargo build --release --example beat_evidence
    scripts/beat_weights.py target/release/examples/beat_evidence

Prints the weights, and how often each would be right on cases that were left out.
"""

import argparse
import json
import pathlib
import subprocess
import tempfile

import numpy as np
from scipy.optimize import minimize

import rhythm

MADE = range(100, 580)
SONGS = range(0, 320)
COLLECTIONS = ["boehme10", "zuccal0", "kinder0", "dva0", "ballad10"]
NAMES = [
    "path", "prior", "swings", "accents", "habits", "beats", "eighths",
    "quarter tempo", "beat tempo", "beyond",
]
START = [1.0, 1.0, 0.0, 1.0, 1.0, 0.45, 0.15, 0.0, 0.0, 0.0]
# Strength of the pull towards the start.
STIFF = 0.02


def melodies():
    songs = rhythm.songs_of(COLLECTIONS)
    for machine in (False, True):
        kind = "by a machine" if machine else "by a person"
        for seed in MADE if not machine else MADE[::3]:
            yield f"made, {kind}", rhythm.made(seed, machine)
            if not machine and seed % 3 == 1:
                yield "made, downbeats alone", rhythm.made(seed, downbeats=True)
        for seed in SONGS if not machine else SONGS[::2]:
            yield f"songs, {kind}", rhythm.from_corpus(seed, songs, machine)


def evidence(program, cases):
    """Of each case its candidates: evidence, and whether tempo, metre, bar line are right."""
    found = []
    with tempfile.TemporaryDirectory() as name:
        paths = []
        for i, (_, case) in enumerate(cases):
            paths.append(pathlib.Path(name) / f"{i}.csv")
            rhythm.write_list(case, paths[-1])
        halves = [paths[0::2], paths[1::2]]
        runs = [subprocess.Popen([program, *half], stdout=subprocess.PIPE, text=True) for half in halves]
        lines = [run.communicate()[0].splitlines() for run in runs]
    for i, (kind, case) in enumerate(cases):
        all_ = json.loads(lines[i % 2][i // 2])
        tempo = np.array([abs(c["tempo"] / case.mean - 1) <= 0.03 for c in all_])
        metre = np.array([c["metre"] == case.metre for c in all_])
        first = float(case.notes[0][0] % case.bar)
        bars = np.array([abs(c["first"] / 24 - first) < 1e-6 for c in all_])
        x = np.array([c["evidence"] for c in all_])
        found.append((kind, x, tempo, metre, tempo & metre & bars))
    return found


def loss(weights, cases):
    """Minus the logarithm of the probability of what is right, and its gradient."""
    total, slope = 0.0, np.zeros(len(weights))
    for _, x, *labels in cases:
        score = x @ weights
        p = np.exp(score - score.max())
        p /= p.sum()
        mean = p @ x
        for right in labels:
            share = p[right].sum()
            if not right.any():
                continue
            share = max(share, 1e-12)
            total -= np.log(share)
            slope -= (p[right] @ x[right]) / share - mean
    return total / len(cases), slope / len(cases)


def right(weights, cases):
    rows = {}
    for kind, x, *labels in cases:
        best = np.argmax(x @ weights)
        rows.setdefault(kind, []).append([label[best] for label in labels] + [label.any() for label in labels])
    for kind, row in sorted(rows.items()):
        share = np.mean(row, axis=0)
        print(f"  {kind:22} {len(row):4}  tempo {share[0]:.3f} metre {share[1]:.3f} all {share[2]:.3f}"
              f"   (considered {share[3]:.3f} {share[4]:.3f} {share[5]:.3f})")


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("--keep", type=pathlib.Path, help="file to keep the evidence in")
    options = parser.parse_args()
    cases = evidence(options.program.resolve(), list(melodies()))
    if options.keep:
        import pickle
        options.keep.write_bytes(pickle.dumps(cases))
    fitted = [c for i, c in enumerate(cases) if i % 4]
    left_out = cases[::4]
    start = np.array(START)
    scale = np.maximum(np.std(np.vstack([x - x.mean(0) for _, x, *_ in fitted]), axis=0), 1e-9)

    def penalised(weights):
        value, slope = loss(weights, fitted)
        off = (weights - start) * scale
        return value + STIFF * off @ off / len(off), slope + 2 * STIFF * off * scale / len(off)

    best = minimize(penalised, start, jac=True, method="L-BFGS-B").x
    for name, weight in zip(NAMES, best):
        print(f"{name:14} {weight:8.3f}")
    for title, some in (("fitted to", fitted), ("left out", left_out)):
        for which, weights in (("before", start), ("after", best)):
            print(f"{title}, {which}: loss {loss(weights, some)[0]:.3f}")
            right(weights, some)


if __name__ == "__main__":
    main()
