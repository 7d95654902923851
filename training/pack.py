#!/usr/bin/env python3
"""Pack single notes of real and sampled brass into sources.npz, for sound.py.

usage: pack.py [BRASS_DEV] [--samples FOLDER] [--soundfont SF2] [--out NPZ]

BRASS_DEV is the folder of recorded notes with its tones.json; without it only the soundfont is packed, and the samples:
FOLDER/INSTRUMENT/NOTE.mp3, where NOTE is a name such as Gs3 (G sharp below middle C), perhaps an octave off.
Needs ffmpeg and fluidsynth with a General MIDI soundfont (Debian: fluid-soundfont-gm); README.md lists
where each sound comes from and its licence.

sources.npz holds, for N notes one after another:
  high, low   upper and lower bytes of the first difference of 16-bit samples at 24 kHz, each note
              scaled to the same peak (differences and split bytes compress better; see sound.Sources)
  length      samples in each note, shape (N,)
  midi        measured pitch, semitones with A4 = 69, shape (N,)
  on, off     where the tone begins and ends inside the note, seconds, shape (N,)
  cut         True where the note goes on after its packed part, shape (N,)
  settling    semitones off the measured pitch, 5, 15, ... 395 ms after the tone begins, shape (N, 40)
  instrument, origin   names, shape (N,)
"""
import argparse
import glob
import json
import os
import re
import struct
import subprocess
import tempfile

import numpy as np
from scipy.signal import butter, resample_poly, sosfiltfilt

from joined import SETTLING_S

RATE = 24000
LONGEST_S = 3.5
BEFORE_S = 0.2
AFTER_S = 0.3

# name, General MIDI program (from 0), lowest and highest note, step in semitones
SAMPLED = [
    ("trumpet", 56, 52, 86, 2),
    ("trombone", 57, 34, 74, 3),
    ("tuba", 58, 24, 60, 3),
    ("muted-trumpet", 59, 53, 86, 3),
    ("french-horn", 60, 34, 77, 2),
    ("brass-section", 61, 36, 84, 4),
]
VELOCITIES = (35, 75, 115)
SAMPLED_S = 1.5
SPACING_S = 2.5


def decode(path):
    """Samples of a recording at 44.1 kHz, channels mixed."""
    command = ["ffmpeg", "-v", "error", "-i", path, "-ac", "1", "-ar", "44100", "-f", "f32le", "-"]
    return np.frombuffer(subprocess.run(command, check=True, capture_output=True).stdout, np.float32).astype(float)


def recorded_notes(folder):
    """Single notes of brass-dev; its tones.json has their pitch and the limits of the tone."""
    for row in json.load(open(os.path.join(folder, "tones.json"))):
        samples = resample_poly(decode(os.path.join(folder, row["file"])), 80, 147)
        on, off = row["tone_on_s"], min(row["tone_off_s"], row["tone_on_s"] + LONGEST_S)
        first = max(0, int((on - BEFORE_S) * RATE))
        last = min(len(samples), int((off + AFTER_S) * RATE))
        labelled = row["midi"] + row["f0_cents"] / 100
        midi = lowest_repeating(samples[int(on * RATE): int(off * RATE)], labelled)
        if midi != labelled:
            print(f"{row['file']}: labelled {labelled:.2f}, repeats an octave higher, packed as {midi:.2f}")
        yield dict(samples=samples[first:last], midi=midi,
                   on=on - first / RATE, off=off - first / RATE, cut=off < row["tone_off_s"],
                   instrument=row["instrument"], origin="brass-dev")


def midi_file(program, events, spacing_s):
    """A Standard MIDI File that plays (note, velocity, length in seconds) one every spacing_s."""
    def delta(ticks):
        out = [ticks & 0x7F]
        while ticks > 0x7F:
            ticks >>= 7
            out.insert(0, (ticks & 0x7F) | 0x80)
        return bytes(out)

    # 1000 ticks a quarter note at 1 s a quarter note: a tick is a millisecond
    track = delta(0) + b"\xff\x51\x03" + (1000000).to_bytes(3, "big")
    track += delta(0) + bytes([0xB0, 91, 0]) + delta(0) + bytes([0xB0, 93, 0]) + delta(0) + bytes([0xC0, program])
    wait = 500
    for note, velocity, length_s in events:
        track += delta(wait) + bytes([0x90, note, velocity]) + delta(int(length_s * 1000)) + bytes([0x80, note, 0])
        wait = int((spacing_s - length_s) * 1000)
    track += delta(wait) + b"\xff\x2f\x00"
    return b"MThd" + struct.pack(">IHHH", 6, 0, 1, 1000) + b"MTrk" + struct.pack(">I", len(track)) + track


def pitch(samples, nominal):
    """Pitch of a steady tone near `nominal` (MIDI) by two estimators, MIDI semitones.

    The first is the autocorrelation's highest peak within a semitone and a half, refined by a parabola;
    the second fits a harmonic series to the peaks of the spectrum, weighted by their energy.
    """
    expected = RATE / (440 * 2 ** ((nominal - 69) / 12))
    size = 1 << (2 * len(samples)).bit_length()
    power = np.abs(np.fft.rfft(samples, size)) ** 2
    overlap = len(samples) - np.arange(len(samples) // 2)
    correlation = np.fft.irfft(power)[: len(overlap)] / overlap
    # read at several periods: more precise, and what a parabola misses matters less
    period = expected
    for periods, width in ((1, 1.5), (4, 0.3), (12, 0.1)):
        low, high = period * periods * 2 ** (-width / 12), period * periods * 2 ** (width / 12)
        if high > len(correlation) - 2:
            break
        at = int(np.ceil(low)) + np.argmax(correlation[int(np.ceil(low)): int(high) + 2])
        a, b, c = correlation[at - 1: at + 2]
        period = (at + 0.5 * (a - c) / (a - 2 * b + c)) / periods
    by_correlation = 69 + 12 * np.log2(RATE / period / 440)

    window = np.hanning(len(samples))
    spectrum = np.abs(np.fft.rfft(samples * window, 1 << (4 * len(samples)).bit_length()))
    bin_hz = RATE / 2 / (len(spectrum) - 1)
    weights, estimates = [], []
    for harmonic in range(1, 13):
        centre = RATE / expected * harmonic
        low, high = int(centre * 2 ** (-0.7 / 12) / bin_hz), int(centre * 2 ** (0.7 / 12) / bin_hz) + 2
        if high >= len(spectrum):
            break
        at = low + np.argmax(spectrum[low:high])
        weights.append(spectrum[at] ** 2 * harmonic ** 2)
        estimates.append(at * bin_hz / harmonic)
    by_harmonics = 69 + 12 * np.log2(np.average(estimates, weights=weights) / 440)
    return by_correlation, by_harmonics


def tone_limits(samples, midi):
    """Where the tone begins and ends, seconds; None where silence does not enclose it.

    The rule of brass-dev: sound above 0.7 of the note's pitch, walked back from 12 dB under its loudest
    to the nearest 15 ms that lie 30 dB under it, and forward the same way.
    """
    cutoff = 0.7 * 440 * 2 ** ((midi - 69) / 12)
    tone = sosfiltfilt(butter(4, cutoff, "high", fs=RATE, output="sos"), samples)
    window = int(0.005 * RATE)
    energy = np.convolve(tone ** 2, np.ones(window) / window, "same")
    level = 10 * np.log10(energy + 1e-15) - 10 * np.log10(energy.max())
    loud = np.flatnonzero(level > -12)
    stretch = int(0.015 * RATE)
    quiet = np.convolve(level < -30, np.ones(stretch), "valid") > stretch - 0.5  # begins a quiet stretch
    before = np.flatnonzero(quiet[: max(0, loud[0] - stretch)])
    after = np.flatnonzero(quiet[loud[-1]:])
    if not len(before) or not len(after):
        return None
    return (before[-1] + stretch) / RATE, (loud[-1] + after[0]) / RATE


def repetition(samples):
    """How well a stretch repeats at each lag (1 is perfectly), by autocorrelation under a Hann window."""
    window = np.hanning(len(samples))
    size = 1 << (2 * len(samples)).bit_length()

    def correlated(values):
        return np.fft.irfft(np.abs(np.fft.rfft(values, size)) ** 2)[: len(samples) // 2 + 1]

    own, shape = correlated(samples * window), correlated(window)
    return own / (own[0] + 1e-12) * shape[0] / shape


def settling(samples, on_s, midi):
    """How far the pitch is from where it settles in the first 400 ms of a tone, semitones.

    An attack often begins up to a semitone off, and of a short note that is all that sounds. Read from three periods
    (at least 24 ms) around each moment; where nothing repeats, as at the nearest moment where something does.
    """
    period = RATE / (440 * 2 ** ((midi - 69) / 12))
    half = int(max(1.7 * period, 0.012 * RATE))
    low, high = int(period * 2 ** (-1.6 / 12)), int(period * 2 ** (1.6 / 12)) + 2
    off = np.full(len(SETTLING_S), np.nan)
    for step, after_s in enumerate(SETTLING_S):
        centre = int((on_s + after_s) * RATE)
        if centre < half or centre + half > len(samples):
            continue
        repeats = repetition(samples[centre - half: centre + half].astype(float))[: high + 1]
        at = low + int(np.argmax(repeats[low: high]))
        if low < at < high - 1 and repeats[at] > 0.85:
            a, b, c = repeats[at - 1: at + 2]
            off[step] = 12 * np.log2(period / (at + 0.5 * (a - c) / (a - 2 * b + c)))
    known = np.flatnonzero(np.isfinite(off))
    if not len(known):
        return np.zeros(len(SETTLING_S))
    off = np.interp(np.arange(len(SETTLING_S)), known, off[known])
    return np.median(np.lib.stride_tricks.sliding_window_view(np.pad(off, 1, "edge"), 3), 1)


def lowest_repeating(samples, midi):
    """The measured pitch, or the octave above where the sound repeats there as well: names and labels may be off."""
    repeats = repetition(samples[: int(0.3 * RATE)].astype(float))
    lag = int(round(RATE / (440 * 2 ** ((midi - 69) / 12)) / 2))
    above, own = repeats[lag - 1: lag + 2].max(), repeats[2 * lag - 2: 2 * lag + 3].max()
    return midi + 12 if above > max(0.9, 0.97 * own) else midi


def named_notes(folder):
    """Single notes in files named after their pitch; notes that do not settle on it at once are left out."""
    for path in sorted(glob.glob(os.path.join(folder, "*", "*.mp3"))):
        instrument = os.path.basename(os.path.dirname(path))
        name, sharp, octave = re.fullmatch(r"([A-G])(s?)(-?\d)\.mp3", os.path.basename(path)).groups()
        nominal = 12 * (int(octave) + 1) + "C D EF G A B".index(name) + len(sharp)
        samples = np.pad(resample_poly(decode(path), 80, 147), int(0.3 * RATE))
        loudest = int(np.argmax(np.convolve(samples ** 2, np.ones(240), "same")))
        steady = samples[loudest: loudest + int(0.8 * RATE)]
        by_correlation, by_harmonics = pitch(steady, nominal)
        midi = lowest_repeating(steady, by_correlation)
        limits = tone_limits(samples, midi)
        apart = abs(by_correlation - by_harmonics) * 100
        moving = settling(samples, limits[0], midi)
        if apart > 15 or np.abs(moving[3:]).max() > 1.4:
            print(f"{instrument} {nominal}: {apart:.0f} cents apart, moves by {np.abs(moving[3:]).max():.2f}, left out")
            continue
        on, off = limits[0], min(limits[1], limits[0] + LONGEST_S)
        first, last = int((on - BEFORE_S) * RATE), min(len(samples), int((off + AFTER_S) * RATE))
        yield dict(samples=samples[first:last], midi=midi, on=on - first / RATE, off=off - first / RATE,
                   cut=off < limits[1], instrument=instrument, origin="samples")


def sampled_notes(soundfont):
    """Notes of the soundfont's brass, dry, with their measured pitch and tone limits."""
    for name, program, lowest, highest, step in SAMPLED:
        events = [(note, velocity, SAMPLED_S) for note in range(lowest, highest + 1, step) for velocity in VELOCITIES]
        with tempfile.TemporaryDirectory() as folder:
            score, sound = os.path.join(folder, "notes.mid"), os.path.join(folder, "notes.wav")
            with open(score, "wb") as file:
                file.write(midi_file(program, events, SPACING_S))
            subprocess.run(["fluidsynth", "-ni", "-q", "-R", "0", "-C", "0", "-g", "0.6", "-r", "44100", "-F", sound,
                            soundfont, score], check=True, capture_output=True)
            samples = resample_poly(decode(sound), 80, 147)
        for index, (note, velocity, _) in enumerate(events):
            start = 0.5 + index * SPACING_S
            one = samples[int((start - 0.25) * RATE): int((start + SPACING_S - 0.3) * RATE)]
            if np.abs(one).max() < 1e-4:
                print(f"{name} {note} velocity {velocity}: silent, left out")
                continue
            steady = one[int(0.55 * RATE): int(1.55 * RATE)]
            by_correlation, by_harmonics = pitch(steady, note)
            limits = tone_limits(one, by_correlation)
            apart = abs(by_correlation - by_harmonics) * 100
            if limits is None or apart > 15 or abs(by_correlation - note) > 0.6:
                print(f"{name} {note} velocity {velocity}: correlation {by_correlation:.2f}, harmonics "
                      f"{by_harmonics:.2f}, tone {limits}, left out")
                continue
            on, off = limits
            first, last = max(0, int((on - BEFORE_S) * RATE)), min(len(one), int((off + AFTER_S) * RATE))
            yield dict(samples=one[first:last], midi=by_correlation, on=on - first / RATE, off=off - first / RATE,
                       cut=False, instrument=name, origin="soundfont")


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("brass_dev", nargs="?")
    parser.add_argument("--samples")
    parser.add_argument("--soundfont", default="/usr/share/sounds/sf2/FluidR3_GM.sf2")
    parser.add_argument("--out", default=os.path.join(os.path.dirname(os.path.abspath(__file__)), "sources.npz"))
    options = parser.parse_args()
    notes = list(sampled_notes(options.soundfont))
    if options.brass_dev:
        notes += list(recorded_notes(options.brass_dev))
    if options.samples:
        notes += list(named_notes(options.samples))
    differences = []
    for note in notes:
        note["settling"] = settling(note["samples"], note["on"], note["midi"]).astype(np.float32)
        scaled = np.round(note["samples"] / np.abs(note["samples"]).max() * 30000).astype(np.int16)
        differences.append(np.diff(scaled, prepend=np.int16(0)))  # wraps around, and so does its sum
    packed = np.concatenate(differences).view(np.uint16)
    temporary = options.out + ".part.npz"
    np.savez_compressed(
        temporary, high=(packed >> 8).astype(np.uint8), low=(packed & 255).astype(np.uint8),
        length=np.array([len(d) for d in differences]),
        **{key: np.array([note[key] for note in notes]) for key in ("midi", "on", "off", "cut", "settling", "instrument", "origin")})
    os.replace(temporary, options.out)
    print(f"{len(notes)} notes, {len(packed) / RATE:.0f} s, {os.path.getsize(options.out) / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
