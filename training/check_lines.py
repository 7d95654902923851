#!/usr/bin/env python3
"""Check made lines against their own truth.

usage: check_lines.py LINES [--notes CSV_FOLDER]

Prints, for every origin of horn sound: the samples' soundness (finite, not clipped by the file format), notes
whose named shape their contour does not have, how far the tone's level at each labelled onset and end is from where it should be, and with --notes the
note F (onset within 50 ms, pitch within 50 cents; needs mir_eval) of a program's note lists, which are
CSV_FOLDER/line-NNNNN.csv with the columns onset_s, offset_s, frequency_hz. Meant for lines made without
surroundings: the tone's level is read from the samples as they are.
"""
import argparse
import collections
import csv
import glob
import json
import os

import numpy as np
from scipy.io import wavfile

from shapes import SHAPES


def tone_db(samples, rate, midi, start, stop):
    """Level of the first eight harmonics of `midi` (one value a millisecond from start to stop, seconds), dB.

    Each harmonic is brought down to 0 Hz and averaged over a Hann window of two and a half periods, at least 10 ms.
    """
    hz = 440 * 2 ** ((midi - 69) / 12)
    window = np.hanning(int(max(2.5 / hz, 0.010) * rate) | 1)
    window /= window.sum()
    first, last = int(start * rate), int(stop * rate)
    padded = np.pad(samples, len(window))
    part = padded[first + len(window) // 2 + 1: last + len(window) + len(window) // 2]
    energy = 0
    for harmonic in range(1, 9):
        if hz * harmonic > rate / 2 - 500:
            break
        base = part * np.exp(-2j * np.pi * hz * harmonic * np.arange(len(part)) / rate)
        energy = energy + np.abs(np.convolve(base, window, "valid")[:: rate // 1000]) ** 2
    return 10 * np.log10(energy + 1e-14)


def shape_faults(note):
    """What is wrong with the name of a note's shape. (Slides may be cut off by the note beside them.)"""
    shape, contour = note["shape"], note["contour"]
    if shape not in SHAPES:
        return [f"no shape is called {shape}"]
    faults = []
    if (shape == "shake") != note.get("trill", False):
        faults.append(f"a trill and yet a {shape}, or the other way round")
    length_s = note["offset_s"] - note["onset_s"]
    if shape == "shake" and length_s > 0.5 and (contour is None or np.ptp(contour["midi"]) < 0.9):
        faults.append("a shake that stays where it is")
    if shape == "vibrato" and length_s > 0.8 and contour is None:
        faults.append("a vibrato that stays where it is")
    return faults


def check(path):
    """Soundness of a line and its labels and, for each note that does not move in pitch, errors of its onset and end in ms."""
    rate, samples = wavfile.read(path)
    scale = 32767 if samples.dtype == np.int16 else 1
    samples = samples / scale
    truth = json.load(open(path[:-4] + ".json"))
    faults = []
    if not np.isfinite(samples).all():
        faults.append("not finite")
    if np.sum(np.abs(samples) > 0.99997) > 3:
        faults.append("clipped")
    if np.abs(samples).max() < 1e-5:
        faults.append("silent")
    onsets, ends = [], []
    notes = truth["notes"]
    faults += [f"note {index}: {fault}" for index, note in enumerate(notes) for fault in shape_faults(note)]
    for index, note in enumerate(notes):
        if note["contour"] is not None or note["offset_s"] - note["onset_s"] < 0.04:
            continue
        after = notes[index + 1] if index + 1 < len(notes) else None
        before = notes[index - 1] if index else None
        start = max(0, note["onset_s"] - 0.1)
        stop = min(len(samples) / rate, note["offset_s"] + 0.1)
        level = tone_db(samples, rate, note["midi"], start, stop)
        times = start + np.arange(len(level)) / 1000
        inside = (times >= note["onset_s"]) & (times < note["offset_s"])
        loudest = level[inside].max()
        if note["attack"] == "tongued" and (before is None or before["offset_s"] < note["onset_s"] - 0.1):
            # walked back from 12 dB under the loudest to the first value 27 dB under it
            reached = np.flatnonzero(inside & (level > loudest - 12))[0]
            under = np.flatnonzero(level[:reached] < loudest - 27)
            if len(under):
                onsets.append((times[under[-1]] - note["onset_s"]) * 1000)
            else:
                onsets.append(np.nan)
        if after is None or after["onset_s"] > note["offset_s"] + 0.1:
            left = np.flatnonzero(inside & (level > loudest - 12))[-1]
            under = np.flatnonzero(level[left:] < loudest - 27)
            ends.append((times[left + under[0]] - note["offset_s"]) * 1000 if len(under) else np.nan)
    return truth, faults, onsets, ends


def note_f(truth, path):
    import mir_eval

    rows = list(csv.DictReader(open(path))) if os.path.exists(path) else []
    reference = np.array([[n["onset_s"], n["offset_s"]] for n in truth["notes"]]).reshape(-1, 2)
    pitches = 440 * 2 ** ((np.array([n["midi"] for n in truth["notes"]]) - 69) / 12)
    found = np.array([[max(0, float(r["onset_s"])), max(float(r["offset_s"]), float(r["onset_s"]) + 0.002)] for r in rows])
    heard = np.array([float(r["frequency_hz"]) for r in rows])
    return mir_eval.transcription.precision_recall_f1_overlap(
        reference, pitches, found.reshape(-1, 2), heard, onset_tolerance=0.05, pitch_tolerance=50, offset_ratio=None)[:3]


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("lines")
    parser.add_argument("--notes")
    parser.add_argument("--each", action="store_true", help="a row a line, too")
    options = parser.parse_args()
    groups = collections.defaultdict(lambda: collections.defaultdict(list))
    for path in sorted(glob.glob(os.path.join(options.lines, "*.wav"))):
        truth, faults, onsets, ends = check(path)
        info = truth["info"]
        name = os.path.basename(path)[:-4]
        for fault in faults:
            print(f"{name}: {fault}")
        scores = None
        if options.notes and truth["notes"]:
            scores = note_f(truth, os.path.join(options.notes, name + ".csv"))
        for key in (info["origin"], f"{info['origin']} / {info.get('style', '-')}"):
            group = groups[key]
            group["lines"].append(1)
            group["notes"].append(len(truth["notes"]))
            group["onset"] += onsets
            group["end"] += ends
            if scores is not None:
                group["score"].append(scores)
        if options.each:
            print(f"{name} {info['origin']} {info['instrument']} {info.get('style')} {len(truth['notes'])} notes, worst onset "
                  f"{np.nanmax(np.abs(onsets)) if onsets else 0:.0f} ms, {scores}")
    for key in sorted(groups):
        group = groups[key]
        row = f"{key}: {len(group['lines'])} lines, {sum(group['notes'])} notes"
        for what in ("onset", "end"):
            values = np.array(group[what])
            if len(values):
                near = np.mean(np.abs(values) <= 15)
                row += (f"; {what} {np.nanmedian(values):+.1f} ms (5 to 95 %: {np.nanpercentile(values, 5):+.0f} to "
                        f"{np.nanpercentile(values, 95):+.0f}), within 15 ms {near:.3f} of {len(values)}")
        if group["score"]:
            row += "; note P {:.3f} R {:.3f} F {:.3f}".format(*np.mean(group["score"], axis=0))
        print(row)


if __name__ == "__main__":
    main()
