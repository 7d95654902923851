#!/usr/bin/env python3
"""Fit the limits of staccato and staccatissimo to takes that are labelled with them.

usage: note_lengths.py PROGRAM FOLDER        (target/release/leadpipe /path/to/brass-dev)

FOLDER holds manifest.json (rows with `file`, `articulation`) and the takes. A take counts by the medians over
its notes that are not slurred on: the share of its time that a note is played for, and its length in seconds.
Each limit is midway, in logarithms, between the nearest medians of either side. What is staccatissimo
is judged by SHARE_WEIGHT of the logarithm of the share and the rest of that of the seconds: of the weights from 0
to 1 in twelfths, the middle one of those that leave the widest gap to a hundredth of a neper. Prints the limits, and how many takes come out
right with each left out in turn, its notes by majority; once with the weight of all takes and once with the
weight, too, fitted to the others. There is no chance in it.
"""
import json
import os
import subprocess
import sys
import tempfile

import numpy as np

LABELS = {"staccatissimo": 2, "staccato": 1, "nonlegato": 0, "tongued-slur": 0, "double-tonguing": 0, "legato": 0}
WEIGHTS = [twelfths / 12 for twelfths in range(13)]


def notes_of(program, take):
    """Logarithms of share and seconds of a take's notes, shape (notes, 2), and which of them may be short."""
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run([program, "transcribe", take, "--write", "json", "--out", folder], check=True, capture_output=True)
        (name,) = os.listdir(folder)
        with open(os.path.join(folder, name)) as file:
            notes = json.load(file)["notes"]
    measured = [(note["measured"]["sounding"], note["measured"]["body_s"]) for note in notes]
    slurred_on = [note["attack"] == "slurred" for note in notes[1:]] + [False]
    return np.log(np.maximum(measured, 1e-4)), ~np.array(slurred_on)


def limit(takes, weight, shorter, longer):
    """The limit between takes of two groups of labels, and the gap that it lies in, in nepers."""
    def medians(labels):
        return [np.median(values[apart] @ (weight, 1 - weight)) for label, values, apart in takes if label in labels]
    below, above = max(medians(shorter)), min(medians(longer))
    return (below + above) / 2, above - below


def fitted(takes, weights):
    gaps = [round(limit(takes, weight, (2,), (1,))[1], 2) for weight in weights]
    widest = [weight for weight, gap in zip(weights, gaps) if gap == max(gaps)]
    weight = widest[len(widest) // 2]
    return limit(takes, 1, (1, 2), (0,))[0], weight, limit(takes, weight, (2,), (1,))[0]


def label_of(values, apart, limits):
    """The label of a take's notes, by majority."""
    staccato, weight, staccatissimo = limits
    short = (values[:, 0] < staccato) & apart
    shortest = short & (values @ (weight, 1 - weight) < staccatissimo)
    return 2 if shortest.mean() > 0.5 else 1 if short.mean() > 0.5 else 0


def main():
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    program, folder = sys.argv[1:]
    with open(os.path.join(folder, "manifest.json")) as file:
        rows = [row for row in json.load(file) if row["articulation"] in LABELS and row["file"].startswith("phrases/")]
    takes = [(LABELS[row["articulation"]], *notes_of(program, os.path.join(folder, row["file"]))) for row in rows]
    staccato, weight, staccatissimo = fitted(takes, WEIGHTS)
    print(f"STACCATO_SHARE {np.exp(staccato):.3f}, SHARE_WEIGHT {weight:.3f}, STACCATISSIMO {np.exp(staccatissimo):.3f}")
    print(f"gap of staccatissimo {limit(takes, weight, (2,), (1,))[1]:.2f} nepers, of staccato {limit(takes, 1, (1, 2), (0,))[1]:.2f}")
    for name, weights in (("that of all", [weight]), ("fitted too", WEIGHTS)):
        wrong = []
        for at, (label, values, apart) in enumerate(takes):
            heard = label_of(values, apart, fitted(takes[:at] + takes[at + 1:], weights))
            if heard != label:
                wrong.append(rows[at]["file"])
        print(f"each take left out, weight {name}: {len(takes) - len(wrong)} of {len(takes)} right {' '.join(wrong)}")


if __name__ == "__main__":
    main()
