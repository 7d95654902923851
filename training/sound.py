"""Training sound: lines of brass notes with known onsets, ends and pitches, in random surroundings.

    sources = Sources.load("sources.npz")
    samples, notes, info = make_line(np.random.default_rng(7), sources)
"""
import numpy as np
from scipy.signal import resample_poly

from joined import RATE, Note, joined_line
from shapes import growl
from surroundings import SHARES, knocks_only, rms, surrounded
from synthesis import synthetic_line

NO_HORN = 0.04  # share of lines that have surroundings only
KNOCKS_ONLY = 0.07  # share of lines that have claps, clicks and the like instead of notes
SYNTHETIC = 0.35  # share of the others that are synthesised
IN_MID_NOTE = 0.15  # share of lines that begin in the middle of a note
GROWLING = 0.16  # share of lines in which half of the longer notes are growled


class Sources:
    """The single notes of sources.npz (made by pack.py)."""

    def __init__(self, notes):
        self.notes = notes

    @classmethod
    def load(cls, path):
        with np.load(path) as file:
            differences = (file["high"].astype(np.uint16) << 8) | file["low"]
            names = ("length", "midi", "on", "off", "instrument", "origin")
            columns = [file[name].tolist() for name in names] + [file["settling"]]
        notes, first = [], 0
        for length, midi, on_s, off_s, instrument, origin, settling in zip(*columns):
            samples = np.cumsum(differences[first: first + length], dtype=np.uint16).view(np.int16)
            notes.append(Note(samples.astype(np.float32) / 32768, midi, on_s, off_s, instrument, origin, settling))
            first += length
        return cls(notes)

    def names(self):
        """Every name that make_line's `exclude` takes."""
        return sorted({"synthesis"} | set(SHARES) | {name for note in self.notes for name in (note.origin, note.instrument)})

    def without(self, exclude):
        """The notes whose origin and instrument are not in `exclude`."""
        return [note for note in self.notes if note.origin not in exclude and note.instrument not in exclude]


def make_line(rng, sources, rate=RATE, exclude=()):
    """One line of 8 to 12 s: (samples, notes, info).

    samples: float32, mono, at `rate` Hz.
    notes: dicts of onset_s and offset_s (where the tone begins and ends), midi (A4 = 69), attack ("tongued" or
    "slurred"), level_db (the dry note's RMS over that of all notes, against which the strengths of the surroundings
    in info are given), contour (None, or times_s and midi as two arrays where pitch moves), shape (the name in
    shapes.SHAPES of how the pitch was made to move), and "trill", "flutter" or "growl" True where the note has one.
    info: origin, instrument and style of the horn, and each surrounding used.
    exclude: origins ("brass-dev", "samples", "soundfont", "synthesis"), instruments ("tuba", ...) and surroundings (the keys of
    surroundings.SHARES) to leave out; without "level" every line peaks at -3 dBFS.

    Raises ValueError where no horn is left.
    """
    exclude = frozenset(exclude)
    length_s, lead_s = rng.uniform(8, 12), rng.uniform(0.2, 2)
    pool = sources.without(exclude)
    if rng.random() < NO_HORN:
        samples, notes, info = np.zeros(int(length_s * RATE), np.float32), [], dict(origin="none", instrument="none")
    elif "knocks" not in exclude and rng.random() < KNOCKS_ONLY:
        samples, kind = knocks_only(rng, int(length_s * RATE))
        samples, notes, info = samples.astype(np.float32), [], dict(origin="none", instrument="none", style=kind)
    elif "synthesis" not in exclude and (not pool or rng.random() < SYNTHETIC):
        samples, notes, info = synthetic_line(rng, length_s - rng.uniform(0, 1), lead_s)
    elif pool:
        samples, notes, info = joined_line(rng, pool, length_s - rng.uniform(0, 1), lead_s)
    else:
        raise ValueError("every origin of horn sound is excluded: leave one in")
    samples = np.pad(samples, (0, max(0, int(length_s * RATE) - len(samples))))

    playing = np.zeros(len(samples), bool)
    for note in notes:
        playing[int(note["onset_s"] * RATE): int(note["offset_s"] * RATE)] = True
    horn_level = rms(samples[playing]) if playing.any() else 0.05
    for note in notes:
        tone = samples[int(note["onset_s"] * RATE): int(note["offset_s"] * RATE)]
        note["level_db"] = 20 * float(np.log10(rms(tone) / horn_level))
    if rng.random() < GROWLING:
        for note in notes:
            on, off = int(note["onset_s"] * RATE), min(int(note["offset_s"] * RATE), len(samples))
            if off - on > 0.12 * RATE and rng.random() < 0.5:
                samples[on:off] *= growl(rng, np.arange(off - on) / RATE)
                note["growl"] = True
    # what a room or noise hides best: the dip between repeated notes, fast notes, and soft low notes
    hidden = []
    if info.get("style") in ("repeated", "double tonguing", "fast"):
        hidden.append("reverberation")
    if info.get("soft"):
        hidden.append(("noise", "pad")[rng.integers(2)])
    # electronic tones and knocks are to be known in silence, too
    if (info.get("electronic") or info["origin"] == "none" and "style" in info) and rng.random() < 0.5:
        exclude |= set(SHARES) - {"equaliser", "level"}
        hidden = []
    samples, used = surrounded(rng, samples, horn_level, notes, exclude, surely=hidden if rng.random() < 0.5 else ())

    skipped = int(rng.integers(0, 201))  # where a listener's first frame falls must not matter
    if notes and rng.random() < IN_MID_NOTE:  # a recording that begins while a note sounds
        long = [note for note in notes if note["offset_s"] - note["onset_s"] > 0.2 and note["onset_s"] < 0.6 * length_s]
        if long:
            first = long[rng.integers(len(long))]
            skipped = int(RATE * rng.uniform(first["onset_s"], first["offset_s"] - 0.15))
    samples = samples[skipped:]
    notes = [note for note in notes if note["offset_s"] > skipped / RATE]
    for note in notes:
        note["onset_s"] = max(0.0, note["onset_s"] - skipped / RATE)
        note["offset_s"] -= skipped / RATE
        if note["contour"] is not None:
            note["contour"] = (note["contour"][0] - skipped / RATE, note["contour"][1])
    if rate != RATE:
        samples = resample_poly(samples, rate, RATE).astype(np.float32)
    return samples, notes, dict(info, surroundings=used)
