#!/usr/bin/env python3
"""Fits the weights of src/notation/page_notes.rs: which notes of a take are none that belong
on a page, but the tail of the note before, or that note cut in two by a click.

Melodies of scripts/rhythm.py, some of their notes very soft, are played by fluidsynth's
trumpet, trombone and horn; lines of training/ are synthesised, or joined from recorded single
notes, many of them repeated or double tongued. Valve clicks are added to a copy of each, and two
more are put in rooms (noise that decays). The example touching_notes transcribes all, notes are
matched with those that were played, and a logistic regression tells the rest from them.

    pip install numpy scipy soundfile mido
    apt-get install fluidsynth fluid-soundfont-gm
    cargo build --release --example touching_notes
    scripts/page_notes.py target/release/examples/touching_notes --sources training/sources.npz

Without sources (training/README.md says how they are packed) no lines of recorded notes are
made. Prints the weights, and how many notes each surrounding would lose and be rid of, on
melodies that were left out.
"""

import argparse
import json
import pathlib
import random
import subprocess
import sys
import tempfile
from collections import defaultdict

import mido
import numpy as np
import soundfile
from scipy.optimize import minimize

import rhythm

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "training"))
import joined  # noqa: E402
import sound as training  # noqa: E402
import synthesis  # noqa: E402

SOUND_FONT = "/usr/share/sounds/sf2/FluidR3_GM.sf2"
MELODIES = range(9000, 9048)
SYNTHESISED = range(500, 560)
JOINED = range(100, 260)
# Program of General MIDI and semitones that a melody is moved by.
HORNS = [(56, 0), (57, -12), (60, -7)]
NAMES = ["constant", "dip", "rises", "rises at once", "slurred", "goes on", "breaks off"]
# As in page_notes.rs: odds at which a note is left out, and what touches the note before.
LEFT_OUT = np.log(8.0)
TOUCHING_S = 0.03


def play(case, program, shift, rng, path):
    """Renders a case; legato now and then, so that repeated notes part as little as the
    tongue of a horn parts them."""
    midi = mido.MidiFile(ticks_per_beat=1000)
    track = mido.MidiTrack()
    midi.tracks.append(track)
    track.append(mido.MetaMessage("set_tempo", tempo=1_000_000))
    track.append(mido.Message("program_change", program=program))
    events, truth = [], []
    legato = rng.random() < 0.3
    for i, (onset, end, pitch, level) in enumerate(case.played):
        following = case.played[i + 1][0] if i + 1 < len(case.played) else end
        if legato:
            end = max(end, following - 0.04)
        soft = rng.random() < 0.1
        velocity = int(np.clip(90 + 3 * (level + 20) - (55 if soft else 0), 15, 127))
        key = pitch + shift
        events += [(onset, 1, key, velocity), (end, 0, key, 0)]
        truth.append((onset, key))
    at = 0
    for time_s, on, key, velocity in sorted(events):
        tick = round(1000 * time_s)
        kind = "note_on" if on else "note_off"
        track.append(mido.Message(kind, note=key, velocity=velocity, time=max(0, tick - at)))
        at = max(at, tick)
    track.append(mido.MetaMessage("end_of_track", time=800))
    midi.save(path.with_suffix(".mid"))
    options = ["-q", "-n", "-i", "-R", "0", "-C", "0", "-g", "0.6", "-r", "48000"]
    command = ["fluidsynth", *options, "-F", path, SOUND_FONT, path.with_suffix(".mid")]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return truth


def clicks(sound, rate, rng):
    """Valve clicks, 6 to 26 dB under the peak, two a second."""
    sound, time_s = sound.copy(), 0.0
    while True:
        time_s += rng.exponential(0.5) + 0.1
        first = int(time_s * rate)
        if first > len(sound) - rate // 5:
            return sound
        t = np.arange(int(0.08 * rate)) / rate
        click = 0.5 * rng.normal(size=len(t)) * np.exp(-t / 0.002)
        for _ in range(rng.integers(2, 5)):
            tone = np.sin(2 * np.pi * np.exp(rng.uniform(5.7, 8.3)) * t + rng.uniform(0, 6))
            click += rng.normal() * np.exp(-t / rng.uniform(0.002, 0.02)) * tone
        click *= np.abs(sound).max() * 10 ** (rng.uniform(-26, -6) / 20) / np.abs(click).max()
        sound[first : first + len(t)] += click


def room(sound, rate, rt60_s, rng):
    """Noise that decays by 60 dB in a time, 4 dB under the direct sound."""
    t = np.arange(int(1.2 * rt60_s * rate)) / rate
    response = rng.normal(size=len(t)) * 10 ** (-3 * t / rt60_s)
    response[: int(0.005 * rate)] = 0
    response *= 10 ** (-4 / 20) / np.sqrt((response**2).sum())
    response[0] += 1
    size = 1 << int(np.ceil(np.log2(len(sound) + len(t))))
    return np.fft.irfft(np.fft.rfft(sound, size) * np.fft.rfft(response, size))[: len(sound) + len(t) // 2]


def features(rows, at):
    """What speaks of a note, in the order of NAMES; nothing for one that does not touch a note
    of its pitch."""
    note, before = rows[at], rows[at - 1] if at else None
    if before is None or round(note["pitch"]) != round(before["pitch"]):
        return None
    if note["onset_s"] - before["offset_s"] > TOUCHING_S or note["continuity"] is None:
        return None
    return [
        1.0,
        np.log(note["dip_db"] + 0.5),
        min(note["rise_s"] / 0.03, 1.0),
        min(note["rise_s"] / 0.004, 1.0),
        float(note["attack"] == "slurred"),
        note["continuity"],
        np.log(1.03 - note["continuity"]),
    ]


def label(truth, rows):
    """Of each row whether it was played, whether not, or None: an onset near it has no other
    row, so that it may be that one, late or misnamed."""
    free, near = set(range(len(truth))), lambda i, row: abs(truth[i][0] - row["onset_s"])
    same = lambda i, row: abs(truth[i][1] - row["pitch"]) < 0.6
    played = []
    for row in rows:
        own = [(near(i, row), i) for i in free if near(i, row) < 0.08 and same(i, row)]
        played.append(bool(own))
        if own:
            free.discard(min(own)[1])
    for at, row in enumerate(rows):
        if not played[at] and any(near(i, row) < (0.15 if same(i, row) else 0.06) for i in free):
            played[at] = None
    return played


def lines(sources):
    """Name of origin, seed, sound, its rate and the onset and pitch of each note."""
    with tempfile.TemporaryDirectory() as folder:
        for seed in MELODIES:
            number, shift = HORNS[seed % len(HORNS)]
            path = pathlib.Path(folder) / f"{seed}.wav"
            truth = play(rhythm.made(seed), number, shift, random.Random(seed), path)
            sound, rate = soundfile.read(path)
            yield "melodies", seed, sound.mean(axis=1), rate, truth
    for seed in SYNTHESISED:
        rng = np.random.default_rng(seed)
        sound, notes, _ = synthesis.synthetic_line(rng, rng.uniform(8, 12), 0.3)
        yield "synthesised", seed, sound, joined.RATE, [(n["onset_s"], n["midi"]) for n in notes]
    for seed in JOINED if sources else ():
        rng = np.random.default_rng(seed)
        sound, notes, _ = joined.joined_line(rng, sources, rng.uniform(8, 12), 0.3)
        yield "joined", seed, sound, joined.RATE, [(n["onset_s"], n["midi"]) for n in notes]


def transcribed(program, sound, rate, path):
    soundfile.write(path, 0.8 * sound / np.abs(sound).max(), rate)
    text = subprocess.run([program, path], check=True, capture_output=True, text=True).stdout
    return [json.loads(line) for line in text.splitlines()]


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("program", type=pathlib.Path)
    parser.add_argument("--sources", type=pathlib.Path, help="training/sources.npz")
    args = parser.parse_args()
    program = args.program.resolve()
    sources = None
    if args.sources:
        sources = training.Sources.load(args.sources).without({"soundfont"})
    data = []
    with tempfile.TemporaryDirectory() as folder:
        for origin, seed, sound, rate, truth in lines(sources):
            if not truth:
                continue
            rng = np.random.default_rng(seed)
            surroundings = {
                "dry": sound,
                "clicks": clicks(sound, rate, rng),
                "hall": room(sound, rate, 1.2, rng),
                "church": room(sound, rate, 2.5, rng),
            }
            for kind, changed in surroundings.items():
                rows = transcribed(program, changed, rate, pathlib.Path(folder) / "take.wav")
                for at, played in enumerate(label(truth, rows)):
                    data.append((seed, origin, kind, played, features(rows, at)))
    fitted = [d for d in data if d[4] is not None and d[3] is not None and d[0] % 4]
    x, y = np.array([d[4] for d in fitted]), np.array([not d[3] for d in fitted], float)

    def loss(weights):
        z = x @ weights
        p = 1 / (1 + np.exp(-z))
        value = np.logaddexp(0, z).sum() - y @ z + 0.05 * weights[1:] @ weights[1:]
        return value, x.T @ (p - y) + 0.1 * np.r_[0, weights[1:]]

    weights = minimize(loss, np.zeros(len(NAMES)), jac=True, method="L-BFGS-B").x
    for name, weight in zip(NAMES, weights):
        print(f"{name:13} {weight:8.3f}")
    table = defaultdict(lambda: [0, 0, 0, 0, 0])
    for seed, origin, kind, played, f in data:
        row = table[origin, kind, "left out" if seed % 4 == 0 else "fitted"]
        off_the_page = f is not None and np.dot(f, weights) > LEFT_OUT
        row[0 if played else 2] += 1
        row[3] += not played and f is not None
        row[1 if played else 4] += off_the_page
    for (origin, kind, part), (notes, lost, others, touching, rid) in sorted(table.items()):
        print(
            f"{origin:11} {kind:7} {part:9} notes {notes:5}, lost {lost:3}; "
            f"others {others:4}, of which touch their pitch {touching:4}, off the page {rid:4}"
        )


if __name__ == "__main__":
    main()
