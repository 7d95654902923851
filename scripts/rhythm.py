#!/usr/bin/env python3
"""Rhythm, tempo, metre and beats of the written part, measured on known melodies.

Melodies are made here (eight metres, pickups, dotted values, sixteenths, triplets,
rests, swing) or come from music21's corpus (folk songs in the public domain), are
played by a player who drifts, strays and shortens notes, and given to
`leadpipe write` as note lists. The MusicXML that it writes is read back. The column
`swing` is the share of parts with the right marks of swing within a bar of where they belong,
and no others.

    cargo build --release && scripts/rhythm.py target/release/leadpipe
    scripts/rhythm.py target/release/leadpipe --seeds 100-139 --show
    scripts/rhythm.py target/release/leadpipe --seeds 7000-7039 --passages
    pip install music21 && scripts/rhythm.py target/release/leadpipe --corpus

Seeds below 4000 were looked at while the decoder was made, those from 100 to 579 and songs
of other collections were fitted to (scripts/beat_weights.py); the README's figures are those
of the seeds from 4000 on.
"""

import argparse
import concurrent.futures
import csv
import math
import pathlib
import random
import subprocess
import sys
import tempfile
import xml.etree.ElementTree as ElementTree
from collections import defaultdict
from fractions import Fraction as F

# Groups of a bar in quarters.
METRES = {
    "2/4": [[1, 1]],
    "3/4": [[1, 1, 1]],
    "4/4": [[1, 1, 1, 1]],
    "6/8": [[F(3, 2)] * 2],
    "9/8": [[F(3, 2)] * 3],
    "12/8": [[F(3, 2)] * 4],
    "5/4": [[1] * 5],
    "7/8": [[1, 1, F(3, 2)], [F(3, 2), 1, 1]],
}
H, Q, E, S = F(2), F(1), F(1, 2), F(1, 4)
DQ, DE, T = F(3, 2), F(3, 4), F(1, 3)
# Values that fill a group, with weights in a plain, a lively and a triplet style.
SIMPLE = [
    ([Q], (6, 3, 4)),
    ([E, E], (5, 4, 2)),
    ([DE, S], (0.5, 1.5, 0)),
    ([S, S, E], (0.1, 1, 0.2)),
    ([E, S, S], (0.1, 1, 0.2)),
    ([S, S, S, S], (0, 1.5, 0.5)),
    ([T, T, T], (0.1, 0.3, 3)),
    ([2 * T, T], (0, 0, 1)),
]
COMPOUND = [
    ([DQ], (3, 2, 3)),
    ([Q, E], (4, 3, 4)),
    ([E, E, E], (4, 4, 4)),
    ([E, Q], (0.4, 0.5, 0.4)),
    ([DE, S, E], (0.3, 1, 0.3)),
    ([E, E, S, S], (0.1, 0.8, 0.1)),
    ([S, S, E, E], (0.1, 0.6, 0.1)),
]
# Values over two groups.
TWO_SIMPLE = [([H], 3), ([DQ, E], 4), ([E, Q, E], 0.6)]
TWO_COMPOUND = [([F(3)], 3), ([F(5, 2), E], 0.5)]


class Case:
    """A melody as it stands on the page and as it was played."""

    def __init__(self, name, metre, notes, bar, tempo, swing=F(1, 2)):
        self.name, self.metre, self.notes, self.bar = name, metre, notes, bar
        self.tempo, self.swing = tempo, swing
        # Places between which a line swings that is straight elsewhere.
        self.passage = None
        self.tags = set()
        self.played = []

    def play(self, rng, drift, jitter_s, machine=False, downbeats=False):
        """Onsets, ends and levels of the notes (start, value, pitch, strength).

        A machine keeps its tempo and strays by no more than a transcription does; it
        holds all notes alike and gives no accents. Some players bring out the downbeats
        alone, and play all else alike.
        """
        if machine:
            drift, jitter_s = 0.0, 0.003
        quarter_s = 60.0 / self.tempo
        span = float(self.notes[-1][0] + self.notes[-1][1])
        waves = [(rng.uniform(10, 40), rng.uniform(0, math.tau), w) for w in (1.0, 0.5)]
        top = sum(w for *_, w in waves)
        steps = max(1, int(span * 16))
        clock = [rng.uniform(0.3, 2.5)]
        for i in range(steps + 16):
            x = i / 16
            wave = sum(w * math.sin(math.tau * x / l + p) for l, p, w in waves) / top
            clock.append(clock[-1] + quarter_s / 16 / (1 + drift * wave))

        def at(place):
            beat = place // 1
            within = place - beat
            swings = self.passage is None or self.passage[0] <= place < self.passage[1]
            if self.swing != F(1, 2) and swings and within * 12 % 4 != 0:
                s = self.swing
                within = within * 2 * s if within < E else s + (within - E) * 2 * (1 - s)
            x = float(beat + within) * 16
            i = min(int(x), len(clock) - 2)
            return clock[i] + (x - i) * (clock[i + 1] - clock[i])

        # The tempo that was played on the whole.
        last = at(self.notes[-1][0])
        self.mean = 60 * float(self.notes[-1][0] - self.notes[0][0]) / (last - at(self.notes[0][0]))
        held = rng.uniform(0.75, 0.95)
        accent = rng.uniform(1.0, 3.0)
        spread, spread_db = 0.05, 1.0
        if machine:
            held, accent, spread, spread_db = 0.9, 0.0, 0.0, 0.3
        if downbeats:
            accent, spread_db = 1.5 * accent, 0.5
        for start, value, pitch, strength in self.notes:
            if downbeats:
                strength = float(strength == 1.0)
            onset = at(start) + rng.gauss(0, jitter_s)
            if self.played:
                onset = max(onset, self.played[-1][0] + 0.03)
            clipped = not machine and rng.random() < 0.04
            share = 0.45 if clipped else min(0.99, max(0.5, rng.gauss(held, spread)))
            end = onset + share * (at(start + value) - at(start))
            if self.played and self.played[-1][1] > onset:
                self.played[-1][1] = onset
            level = -20 + accent * strength + rng.gauss(0, spread_db)
            self.played.append([onset, end, pitch, level])
        return self


def strength(place, groups):
    """Metrical strength of a place in its bar: 1 for the bar, down to -0.5."""
    if place == 0:
        return 1.0
    at, starts = F(0), []
    for group in groups:
        starts.append(at)
        at += group
    if place not in starts:
        return -0.5
    return 0.5 if len(groups) == 4 and place == starts[2] else 0.0


def made(seed, machine=False, passage=False, downbeats=False):
    """A melody of our own; one that swings from its second third to its last, if asked for."""
    rng = random.Random(seed)
    metre = list(METRES)[seed % len(METRES)] if not passage else ["4/4", "3/4", "2/4"][seed % 3]
    groups = [F(g) for g in rng.choice(METRES[metre])]
    bar = sum(groups)
    compound = metre in ("6/8", "9/8", "12/8")
    style = rng.choices([0, 1, 2], (5, 4, 3))[0]
    tempo = round(math.exp(rng.uniform(math.log(50), math.log(200))))
    if style == 1 and not compound:
        tempo = min(tempo, 140)
    swing = F(1, 2)
    if passage or metre in ("3/4", "4/4", "5/4", "2/4") and rng.random() < 0.3:
        low, fastest = (58, 180) if passage else (54, 200)
        swing, tempo = F(rng.randint(low, 70), 100), min(max(tempo, 90), fastest)
        style = 0

    def fill():
        """Values of a bar, negative for rests."""
        values, at = [], 0
        while at < len(groups):
            two = at + 1 < len(groups) and groups[at] == groups[at + 1] and at % 2 == 0
            if two and rng.random() < 0.3:
                table = TWO_COMPOUND if groups[at] != 1 else TWO_SIMPLE
                values += rng.choices([p for p, _ in table], [w for _, w in table])[0]
                at += 2
                continue
            table = COMPOUND if groups[at] != 1 else SIMPLE
            table = [p for p in table if swing == F(1, 2) or S not in p[0] and p[0] != [2 * T, T]]
            weights = [0.6 if p == [T, T, T] and swing != F(1, 2) else w[style] for p, w in table]
            values += rng.choices([p for p, _ in table], weights)[0]
            at += 1
        if rng.random() < 0.25:
            # A rest in place of an eighth or a longer note that is not the first.
            places = [i for i, v in enumerate(values) if i > 0 and v >= E and v not in (T, 2 * T)]
            if places:
                i = rng.choice(places)
                values[i] = -values[i]
        return values

    motifs = [fill() for _ in range(rng.choice([2, 3, 4]))]
    bars = []
    count = 8 * 4 // len(groups) if passage else 1
    for i in range(3 * count if passage else rng.randint(8, 14)):
        again = rng.random() < 0.45
        bars.append(rng.choice(motifs) if again else fill())
    bars[-1] = [bar] if bar in (2, 3, 4) else [g for g in groups[:-1]] + [groups[-1]]
    pickup = rng.random() < 0.4
    scale = [0, 2, 4, 5, 7, 9, 11]
    tonic = rng.randint(55, 66)
    degree, notes = 4, []
    lead = F(0)
    if pickup:
        unit = rng.choice([E, 1]) if not compound and metre != "7/8" else E
        values = rng.choice([[unit], [unit], [E, E]])
        lead = sum(values)
        at = bar - lead
        for value in values:
            notes.append([at, value, tonic + 7, strength(at % bar, groups)])
            at += value
    at = bar if pickup else F(0)
    for values in bars:
        for value in values:
            if value > 0:
                degree = max(-3, min(12, degree + rng.choice([-2, -1, -1, 0, 1, 1, 2, 3, -3])))
                pitch = tonic + 12 * (degree // 7) + scale[degree % 7]
                notes.append([at, value, pitch, strength(at % bar, groups)])
            at += abs(value)
    case = Case(f"made {seed}", metre, notes, bar, tempo, swing)
    drift = rng.choice([0, 0.02, 0.04, 0.08, 0.1])
    jitter = rng.choice([0.010, 0.015, 0.025])
    if passage:
        drift, jitter = min(drift, 0.04), 0.015
        first = bar if pickup else F(0)
        case.passage = first + count * bar, first + 2 * count * bar
    case.tags = {f"metre {metre}", f"drift {drift:.2f}", f"jitter {jitter * 1000:.0f} ms"}
    case.tags |= {"pickup"} if pickup else set()
    case.tags |= {f"swing {'from 0.6' if swing >= F(6, 10) else 'below 0.6'}"} if swing != F(1, 2) else set()
    case.tags |= {["plain", "lively", "triplets"][style]}
    return case.play(rng, drift, jitter, machine, downbeats)


# Bars of quarters and longer values alone, negative for rests.
BROAD = {
    "2/4": [[1, 1], [H], [1, -1]],
    "3/4": [[H, 1], [1, 1, 1], [F(3)], [1, H], [H, -1]],
    "4/4": [[1, 1, 1, 1], [H, 1, 1], [1, 1, H], [H, H], [F(3), 1], [F(4)]],
}


def broad(seed, machine=False):
    """A melody of quarters and longer values alone, at 100 to 200: half of them waltzes,
    some of one rhythm all through."""
    rng = random.Random(seed)
    metre = rng.choice(["3/4", "3/4", "2/4", "4/4"])
    groups = [F(1)] * int(metre[0])
    bar = sum(groups)
    tempo = round(math.exp(rng.uniform(math.log(100), math.log(200))))
    motifs = rng.sample(BROAD[metre], rng.choice([1, 2, 2, 3]))
    scale, tonic, degree = [0, 2, 4, 5, 7, 9, 11], rng.randint(55, 66), 4
    notes, at = [], F(0)
    if rng.random() < 0.4:
        at = bar
        notes.append([bar - 1, Q, tonic + 7, strength(bar - 1, groups)])
    for number in range(rng.choice([8, 12, 16, 24, 32])):
        for value in rng.choice(motifs) if number else motifs[0]:
            if value > 0:
                degree = max(-3, min(12, degree + rng.choice([-2, -1, -1, 0, 1, 1, 2, 3, -3])))
                pitch = tonic + 12 * (degree // 7) + scale[degree % 7]
                notes.append([at, F(value), pitch, strength(at % bar, groups)])
            at += abs(value)
    case = Case(f"broad {seed}", metre, notes, bar, tempo)
    drift, jitter = rng.choice([0, 0.02, 0.04]), rng.choice([0.010, 0.015, 0.025])
    case.tags = {f"metre {metre}", f"{len(motifs)} rhythms"}
    return case.play(rng, drift, jitter, machine)


def from_corpus(seed, songs, machine=False):
    """A folk song, played."""
    rng = random.Random(seed)
    name, metre, notes, bar = songs[seed % len(songs)]
    tempo = round(math.exp(rng.uniform(math.log(66), math.log(144))))
    case = Case(f"{name} ({seed})", metre, notes, bar, tempo)
    drift = rng.choice([0, 0.02, 0.04, 0.08])
    jitter = rng.choice([0.010, 0.015, 0.025])
    case.tags = {f"metre {metre}", f"drift {drift:.2f}", f"jitter {jitter * 1000:.0f} ms"}
    if notes[0][0] != 0:
        case.tags.add("pickup")
    return case.play(rng, drift, jitter, machine)


def songs_of(collections):
    """Songs in one metre all through: name, metre, notes, bar."""
    from music21 import corpus

    songs = []
    for collection in collections:
        for score in corpus.parse(f"essenFolksong/{collection}").scores:
            part = score.parts[0]
            signatures = {t.ratioString for t in part.recurse().getElementsByClass("TimeSignature")}
            if len(signatures) != 1 or signatures & set(METRES) == set():
                continue
            metre = signatures.pop()
            groups = [F(g) for g in METRES[metre][0]]
            bar, notes, good, tied = sum(groups), [], True, False
            for number, measure in enumerate(part.getElementsByClass("Measure")):
                length = F(measure.duration.quarterLength).limit_denominator(48)
                if number == 0:
                    base, at0 = F(0), bar - length if length < bar else F(0)
                    if length < bar:
                        base = F(0)
                elif length != bar and measure is not part.getElementsByClass("Measure")[-1]:
                    good = False
                for note in measure.recurse().notesAndRests:
                    at = base + F(note.offset).limit_denominator(48) + (at0 if number == 0 else 0)
                    value = F(note.duration.quarterLength).limit_denominator(48)
                    if note.isRest:
                        continue
                    if tied and notes:
                        notes[-1][1] += value
                    else:
                        pitch = note.pitch.midi if note.isNote else max(p.midi for p in note.pitches)
                        notes.append([at, value, pitch, strength(at % bar, groups)])
                    tied = note.tie is not None and note.tie.type in ("start", "continue")
                base += bar
            if good and len(notes) >= 15 and all(n[1] > 0 for n in notes):
                songs.append((score.metadata.title or collection, metre, notes, bar))
    return songs


def write_list(case, path):
    with open(path, "w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["onset_s", "offset_s", "midi", "level_db"])
        for onset, end, pitch, level in case.played:
            rows.writerow([f"{onset:.4f}", f"{end:.4f}", pitch, f"{level:.1f}"])


def read_part(path):
    """Tempo, metre, notes (place in the bar, value) and marks of swing (bar, whether it
    swings from there) of a MusicXML part."""
    root = ElementTree.parse(path).getroot()
    tempo = metre = None
    divisions, notes, marks, bar = 1, [], [], F(4)
    for number, measure in enumerate(root.iter("measure")):
        at, places = F(0), []
        for element in measure:
            if element.tag == "attributes":
                divisions = int(element.findtext("divisions") or divisions)
                if element.find("time/beats") is not None:
                    beats, value = element.findtext("time/beats"), element.findtext("time/beat-type")
                    metre = f"{beats}/{value}"
                    bar = F(4 * int(beats), int(value))
            sound = element if element.tag == "sound" else element.find("sound")
            if sound is not None and sound.get("tempo") and tempo is None:
                tempo = float(sound.get("tempo"))
            if sound is not None and sound.find("swing") is not None:
                marks.append((number, sound.find("swing/straight") is None))
            if element.tag != "note" or element.find("grace") is not None:
                if element.tag == "note":
                    places.append((at, F(0), False))
                continue
            value = F(int(element.findtext("duration")), divisions)
            if element.find("rest") is None:
                stops = any(t.get("type") == "stop" for t in element.findall("tie"))
                places.append((at, value, stops))
            at += value
        # A pickup bar ends where a whole one would.
        lead = bar - at if measure.get("implicit") == "yes" else F(0)
        for place, value, stops in places:
            if stops and notes:
                notes[-1][1] += value
            else:
                notes.append([place + lead, value])
    return tempo, metre, notes, marks


def expected_marks(case):
    """Marks of swing that a part should have: first and last bar where each may stand, from
    the last off-beat before the change to the first after it."""
    if case.swing == F(1, 2):
        return []
    if case.passage is None:
        return [(0, 0, True)]
    first = case.notes[0][0] // case.bar
    off_beats = [start for start, *_ in case.notes if start % 1 * 12 % 4 != 0]

    def mark(place, swings):
        before = max((o for o in off_beats if o < place), default=place)
        after = min((o for o in off_beats if o >= place), default=place)
        return before // case.bar - first, after // case.bar - first, swings

    begins, ends = case.passage
    return [mark(begins, True), mark(ends, False)]


def score(case, tempo, metre, notes, marks):
    found = dict(tempo=0.0, metre=0.0, rhythm=0.0, beat=0.0)
    right = expected_marks(case)
    near = lambda a, b: b[0] - 1 <= a[0] <= b[1] + 1 and a[1] == b[2]
    found["marks"] = float(len(marks) == len(right) and all(map(near, marks, right)))
    if tempo is not None:
        found["tempo"] = float(abs(tempo / case.mean - 1) <= 0.03)
    found["metre"] = float(metre == case.metre)
    if len(notes) == len(case.notes):
        right = sum(n[1] == t[1] for n, t in zip(notes, case.notes))
        beats = sum(n[0] == t[0] % case.bar for n, t in zip(notes, case.notes))
        found["rhythm"], found["beat"] = right / len(notes), beats / len(notes)
    return found


def measure(program, case, given):
    options = ["--tempo", str(case.tempo), "--meter", case.metre] if given else []
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        write_list(case, folder / "notes.csv")
        command = [program, "write", folder / "notes.csv", "--out", folder, "--write", "musicxml"]
        subprocess.run([*command, *options], check=True, capture_output=True)
        return score(case, *read_part(folder / "notes.musicxml"))


def seeds(text):
    first, _, last = text.partition("-")
    return range(int(first), int(last or first) + 1)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("--seeds", type=seeds, default=seeds("4000-4159"))
    parser.add_argument("--corpus", nargs="*", metavar="COLLECTION", help="folk songs (music21)")
    parser.add_argument("--passages", action="store_true", help="each swings in its second third alone")
    parser.add_argument("--broad", action="store_true", help="quarters and longer values alone")
    parser.add_argument("--downbeats", action="store_true", help="downbeats louder, all else alike")
    parser.add_argument("--machine", action="store_true", help="played without drift and accents")
    parser.add_argument("--show", action="store_true", help="each melody's figures, too")
    options = parser.parse_args()
    if options.broad:
        cases = [broad(seed, options.machine) for seed in options.seeds]
    elif options.corpus is None:
        players = options.machine, options.passages, options.downbeats
        cases = [made(seed, *players) for seed in options.seeds]
    else:
        songs = songs_of(options.corpus or ["altdeu10", "erk20", "irl"])
        cases = [from_corpus(seed, songs, options.machine) for seed in options.seeds]
    program = options.program.resolve()
    with concurrent.futures.ThreadPoolExecutor() as pool:
        work = lambda case: [measure(program, case, given) for given in (False, True)]
        results = list(pool.map(work, cases))
    report(cases, results, options.show)


def report(cases, results, show):
    groups = defaultdict(list)
    for case, (free, given) in zip(cases, results):
        for tag in ["all", *case.tags]:
            groups[tag].append((free, given))
        if show:
            text = " ".join(f"{k} {v:.2f}" for k, v in free.items())
            print(f"{case.name:12} {case.metre:5} {case.tempo:4}  {text}  given: "
                  f"rhythm {given['rhythm']:.2f} beat {given['beat']:.2f}  {', '.join(sorted(case.tags))}")
    print(f"{'':18} {'cases':>5}  tempo  metre rhythm   beat  swing | given: rhythm   beat")
    for tag in sorted(groups, key=lambda t: (t != "all", t)):
        rows = groups[tag]
        mean = lambda which, key: sum(r[which][key] for r in rows) / len(rows)
        free = "".join(f" {mean(0, k):6.3f}" for k in ("tempo", "metre", "rhythm", "beat", "marks"))
        print(f"{tag:18} {len(rows):5} {free} |        {mean(1, 'rhythm'):6.3f} {mean(1, 'beat'):6.3f}")


if __name__ == "__main__":
    main()
