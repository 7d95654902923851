#!/usr/bin/env python3
"""Fits the profiles of src/notation/key.rs and says how often a key signature is right.

Tunes of music21's corpus (folk songs and dance tunes in the public domain) with the key
signature they are printed with. Some collections are fitted to, others measured with.

    pip install music21 numpy && scripts/key_profile.py

Prints the shares of each degree, how often tunes end on each, and for the measured
collections the share of key signatures found: by these profiles, and by those of
Krumhansl and Kessler (Psychological Review 89(4), 1982) with correlation.
"""

import numpy as np
from music21 import corpus

FITTED = ["boehme10", "zuccal0", "kinder0", "dva0", "ballad10", "airdsAirs"]
MEASURED = {"folk songs": ["altdeu10", "erk20", "irl"], "dance tunes": ["oneills1850"]}
INDEPENDENT = 0.6
USUAL = {"major": 0.75, "minor": 0.25}
LEAST_SHARE = 2e-3
KRUMHANSL = (
    [6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88],
    [6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17],
)


def files(collection):
    if collection in ("airdsAirs", "oneills1850"):
        return corpus.getComposer(collection)
    return [f"essenFolksong/{collection}"]


def tunes(collections):
    """Fifths, mode and notes (key, quarters) of tunes in one major or minor key."""
    found = []
    for path in (path for name in collections for path in files(name)):
        score = corpus.parse(path)
        for tune in getattr(score, "scores", None) or [score]:
            keys = list(tune.recurse().getElementsByClass("KeySignature"))
            mode = getattr(keys[0], "mode", "major") if keys else None
            if len({k.sharps for k in keys}) != 1 or mode not in USUAL:
                continue
            notes = [
                (n.pitch.midi, float(n.duration.quarterLength))
                for n in tune.parts[0].recurse().notes
                if n.isNote
            ]
            if len(notes) > 7:
                found.append((keys[0].sharps, mode, notes))
    return found


def degrees(notes, tonic):
    """Time on each degree of a tonic, the sum being 1."""
    times = np.zeros(12)
    for key, length in notes:
        times[(key - tonic) % 12] += length
    return times / times.sum()


def fit(all_tunes):
    modes = {}
    for mode in USUAL:
        shares, ends = np.zeros(12), np.full(12, 0.5)
        for fifths, of, notes in all_tunes:
            if of == mode:
                shares += degrees(notes, 7 * fifths)
                ends[(notes[-1][0] - 7 * fifths) % 12] += 1
        shares = np.maximum(shares / shares.sum(), LEAST_SHARE)
        modes[mode] = (shares / shares.sum(), ends / ends.sum())
    return modes


def probable(modes, notes):
    def log_p(fifths):
        times = degrees(notes, 7 * fifths) * len(notes) ** INDEPENDENT
        last = (notes[-1][0] - 7 * fifths) % 12
        of = lambda m: np.log(USUAL[m]) + times @ np.log(modes[m][0]) + np.log(modes[m][1][last])
        return np.logaddexp(of("major"), of("minor"))

    return max(range(-5, 7), key=log_p)


def correlated(notes):
    def fits(fifths):
        places = ((7 * fifths, KRUMHANSL[0]), (7 * fifths + 9, KRUMHANSL[1]))
        return max(np.corrcoef(degrees(notes, tonic), p)[0, 1] for tonic, p in places)

    return max(range(-5, 7), key=fits)


def main():
    modes = fit(tunes(FITTED))
    for mode, (shares, ends) in modes.items():
        print(f"{mode} shares", ", ".join(f"{x:.3f}" for x in shares))
        print(f"{mode} ends  ", ", ".join(f"{x:.4f}" for x in ends))
    for name, collections in MEASURED.items():
        for mode in USUAL:
            some = [t for t in tunes(collections) if t[1] == mode]
            if not some:
                continue
            right = np.mean([probable(modes, notes) == fifths for fifths, _, notes in some])
            before = np.mean([correlated(notes) == fifths for fifths, _, notes in some])
            print(f"{name}, {mode}: {len(some)} tunes, {right:.3f} right, by correlation {before:.3f}")


if __name__ == "__main__":
    main()
