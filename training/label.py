"""Labels the cells of a line and keeps some of them for learning.

A row of a .cells file (written by the example `tone_cells`) is one pitch asked about at one moment: the number of the
take, time in seconds, pitch in MIDI semitones, rank, then the features at each offset (8-bit, times 60).
"""
import os

import numpy as np

FEATURES = 42
OFFSETS = {"offline": 22, "causal": 16}
# Notes shorter than this count for more, and so do notes as far as this under their line.
SHORT_S = 0.3
SOFT_DB = 8
# Offline a moment lasts 10.9 ms; the label of an onset fades over one and a half of them.
FADE_S = 0.016
# A trill or wide vibrato is back at each of its pitches within so long, and shows there all the time.
SWING_S = 0.12
# Live, a note counts as just begun for so long; then its age is read, in tenths of a second.
FRESH_S = 0.07


def row_type(offsets):
    return np.dtype([("file", "<u4"), ("time_s", "<f4"), ("pitch", "<f4"), ("rank", "<u4"), ("x", "i1", (offsets, FEATURES))])


def turned_s(contour, lower, time_s):
    """When the pitch of a trill last came to the side of its two notes that it is on, for each time (seconds)."""
    times, midi = (np.asarray(contour[name]) for name in ("times_s", "midi"))
    # A slur into the trill may come from far above its upper note.
    above = midi > (lower + np.quantile(midi, 0.85)) / 2
    turns = np.concatenate([times[:1], times[1:][np.diff(above)]])
    return turns[np.clip(np.searchsorted(turns, time_s, "right") - 1, 0, None)]


def labels(rows, notes, causal):
    """Tone, onset, tongue and age of each row, and how much each counts (shape rows x 4)."""
    time_s, pitch = rows["time_s"].astype(float), rows["pitch"].astype(float)
    want = np.zeros((len(rows), 4), np.float32)
    weight = np.ones((len(rows), 4), np.float32)
    weight[:, 2:] = 0
    for note in notes:
        onset_s, offset_s = note["onset_s"], note["offset_s"]
        contour = note.get("contour")
        trill = causal and contour and note.get("trill")
        at = np.full(len(rows), note["midi"], float)
        if contour:
            at = np.interp(time_s, contour["times_s"], contour["midi"])
        off = np.abs(pitch - at)
        inside = (time_s > onset_s - 0.003) & (time_s < offset_s + 0.003)
        near, beside = off < 0.35, (off >= 0.35) & (off < 0.8)
        # A swing of a trill or vibrato shows at its neighbours too.
        if contour:
            reach = max(1, round(SWING_S / max(1e-3, contour["times_s"][1] - contour["times_s"][0])))
            around = np.lib.stride_tricks.sliding_window_view(np.pad(contour["midi"], reach, "edge"), 2 * reach + 1)
            low, high = (np.interp(time_s, contour["times_s"], edge) for edge in (around.min(1), around.max(1)))
            beside |= ~near & (pitch > low - 0.5) & (pitch < high + 0.5)
        want[inside & near, 0] = 1
        # Each note counts. A short one has few cells, and a soft one is the first to be lost in noise.
        short = np.clip(SHORT_S / max(1e-3, offset_s - onset_s), 1, 4) ** 0.5
        weight[inside & near, 0] = short * np.clip(-note["level_db"] / SOFT_DB, 1, 2)
        weight[inside & beside, 0] = 0
        edge = (np.abs(time_s - onset_s) < 0.008) | (np.abs(time_s - offset_s) < 0.012)
        weight[edge & (off < 0.8), 0] *= 0.3
        age_s = time_s - onset_s
        if trill:
            # Nobody knows at its first turns that they are no notes: live, each is one.
            age_s = np.where(inside, time_s - turned_s(contour, note["midi"], time_s), age_s)
        if causal:
            fade = ((age_s > -0.002) & (age_s < FRESH_S) & inside).astype(float)
        else:
            fade = np.clip(1 - np.abs(age_s) / FADE_S, 0, 1)
        start = contour["midi"][0] if contour else note["midi"]
        here = near if trill else (np.abs(pitch - start) < 0.5) | near
        want[:, 1] = np.maximum(want[:, 1], np.where(here, fade, 0))
        weight[~here & (np.abs(pitch - start) < 1.2) & (fade > 0), 1] = 0
        known = here & (fade > 0.3)
        want[known, 2] = (note.get("attack") == "tongued") & (time_s[known] < onset_s + FRESH_S)
        weight[known, 2] = 1
        want[known, 3] = 10 * age_s[known]
        weight[known, 3] = 1
        if causal:
            border = here & (np.abs(age_s - FRESH_S) < 0.008)
            weight[border, 1] = 0
    return want, weight


def labelled(kind, line, cells, out, share, rng):
    """Writes some cells of a line to the file `out`, whole or not at all: x (cells x offsets x features), pitch, want and
    weight (see `labels`), count (cells of each moment that is kept, in order) and origin.

    line: what make.py writes as JSON. cells: path of the line's .cells file. share: of the moments, which are kept.
    """
    rows = np.fromfile(cells, row_type(OFFSETS[kind]))
    # Moments are kept or left out whole. Knocks are short, and few.
    moments, moment = np.unique(rows["time_s"], return_inverse=True)
    kept = rng.random(len(moments)) < (share if line["notes"] else min(1, 2 * share))
    rows = rows[kept[moment]]
    want, weight = labels(rows, line["notes"], kind == "causal")
    count = np.bincount(moment[kept[moment]], minlength=len(moments))[kept]
    with open(out + ".part", "wb") as file:
        np.savez(file, x=rows["x"], pitch=rows["pitch"], want=want, weight=weight,
                 count=count[count > 0].astype(np.uint8), origin=line["info"]["origin"])
    os.rename(out + ".part", out)
