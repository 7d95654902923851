#!/usr/bin/env python3
"""Fit the limits of staccato and staccatissimo to takes that are labelled with them.

usage: note_lengths.py PROGRAM FOLDER        (target/release/leadpipe /path/to/brass-dev)

FOLDER holds manifest.json (rows with `file`, `articulation`) and the takes. A take counts by the medians over
its notes that are not slurred on: the share of its time that a note is played for, and that share times its length in
seconds, by which staccatissimo is told. Each limit is midway, in logarithms, between the nearest medians of
either side. Prints the limits, and how many takes come out right with each left out in turn, its notes by majority.
There is no chance in it.
"""
import json
import os
import subprocess
import sys
import tempfile

import numpy as np

LABELS = {"staccatissimo": 2, "staccato": 1, "nonlegato": 0, "tongued-slur": 0, "double-tonguing": 0, "legato": 0}
SHARE, SHARE_TIMES_SECONDS = 0, 1


def notes_of(program, take):
    """Logarithms of the share of a take's notes, and of share times seconds, shape (notes, 2), and which of them may be short."""
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run([program, "transcribe", take, "--write", "json", "--out", folder], check=True, capture_output=True)
        (name,) = os.listdir(folder)
        with open(os.path.join(folder, name)) as file:
            notes = json.load(file)["notes"]
    measured = [(note["measured"]["sounding"], note["measured"]["body_s"]) for note in notes]
    slurred_on = [note["attack"] == "slurred" for note in notes[1:]] + [False]
    share, seconds = np.log(np.maximum(measured, 1e-4)).T
    return np.stack([share, share + seconds], 1), ~np.array(slurred_on)


def limit(takes, by, shorter, longer):
    """The limit between takes of two groups of labels, and the gap that it lies in, in nepers."""
    def medians(labels):
        return [np.median(values[apart, by]) for label, values, apart in takes if label in labels]
    below, above = max(medians(shorter)), min(medians(longer))
    return (below + above) / 2, above - below


def fitted(takes):
    return limit(takes, SHARE, (1, 2), (0,))[0], limit(takes, SHARE_TIMES_SECONDS, (2,), (1,))[0]


def label_of(take, limits):
    """The label of a take's notes, by majority."""
    _, values, apart = take
    staccato, staccatissimo = limits
    short = (values[:, SHARE] < staccato) & apart
    shortest = short & (values[:, SHARE_TIMES_SECONDS] < staccatissimo)
    return 2 if shortest.mean() > 0.5 else 1 if short.mean() > 0.5 else 0


def main():
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    program, folder = sys.argv[1:]
    with open(os.path.join(folder, "manifest.json")) as file:
        rows = [row for row in json.load(file) if row["articulation"] in LABELS and row["file"].startswith("phrases/")]
    takes = [(LABELS[row["articulation"]], *notes_of(program, os.path.join(folder, row["file"]))) for row in rows]
    staccato, staccatissimo = fitted(takes)
    print(f"STACCATO_SHARE {np.exp(staccato):.3f}, STACCATISSIMO_S {np.exp(staccatissimo):.4f}")
    gaps = [limit(takes, SHARE_TIMES_SECONDS, (2,), (1,))[1], limit(takes, SHARE, (1, 2), (0,))[1]]
    print(f"gap of staccatissimo {gaps[0]:.2f} nepers, of staccato {gaps[1]:.2f}")
    wrong = [row["file"] for at, (row, take) in enumerate(zip(rows, takes))
             if label_of(take, fitted(takes[:at] + takes[at + 1:])) != take[0]]
    print(f"each take left out: {len(takes) - len(wrong)} of {len(takes)} right {' '.join(wrong)}")


if __name__ == "__main__":
    main()
