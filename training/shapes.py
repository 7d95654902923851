"""What both kinds of line share: melody, the shape of a note's pitch, air before a tone."""
import math

import numpy as np

STEP_S = 0.005  # contours have a point every 5 ms

# how the pitch moves within a note, and the share of notes that do
SHAPES = {"plain": 0.12, "scoop": 0.16, "fall": 0.1, "doit": 0.07, "vibrato": 0.23, "glissando": 0.07,
          "scoop and vibrato": 0.09, "drift": 0.04, "rip": 0.06, "shake": 0.06}


def log_uniform(rng, low, high):
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def next_pitch(rng, pitch, lowest, highest):
    """The next note's pitch: steps mostly, semitones often, leaps within an octave, now and then more."""
    for _ in range(8):
        kind = rng.random()
        if kind < 0.25:
            interval = 1
        elif kind < 0.55:
            interval = 2
        elif kind < 0.95:
            interval = int(rng.integers(3, 13))
        else:
            interval = int(rng.integers(12, 20))
        new = pitch + interval * rng.choice((-1, 1)) + rng.normal(0, 0.08)
        if lowest <= new <= highest:
            return new
    return float(np.clip(pitch + rng.choice((-1, 1)), lowest, highest))


def smooth_step(x):
    x = np.clip(x, 0, 1)
    return x * x * (3 - 2 * x)


def shake(rng, times, after_s):
    """Semitones over a note's pitch in a shake or trill that begins after_s into it, up to its upper note and back."""
    swing = 0.5 - 0.5 * np.cos(2 * math.pi * rng.uniform(4.5, 9) * np.maximum(0, times - after_s))
    step = rng.choice((1, 2, 3), p=[0.4, 0.4, 0.2])  # up to the next partial, for a shake
    return step * smooth_step(2.0 * (swing - 0.5) + 0.5)


def pitch_shape(rng, length_s):
    """The way pitch moves within a note of length_s: (times_s, semitones from the note's pitch, name in SHAPES).

    Semitones are None for a note that keeps its pitch.
    """
    times = np.arange(0, length_s + STEP_S, STEP_S)
    shape = np.zeros_like(times)
    kind = list(SHAPES)[rng.choice(len(SHAPES), p=list(SHAPES.values()))]
    if kind == "plain" or length_s < 0.15:
        return times, None, "plain"
    if "scoop" in kind:
        rise_s = rng.uniform(0.05, min(0.4, 0.6 * length_s))
        shape -= rng.uniform(1, 4) * (1 - smooth_step(times / rise_s) ** rng.uniform(0.5, 1.2))
    if kind in ("fall", "doit"):
        move_s = rng.uniform(0.08, min(0.4, 0.6 * length_s))
        moved = np.clip((times - length_s + move_s) / move_s, 0, 1) ** rng.uniform(1, 2)
        shape += moved * rng.uniform(1, 7) * (-1 if kind == "fall" else 1)
    if "vibrato" in kind:
        after_s = rng.uniform(0, min(0.4, 0.4 * length_s))
        wide = rng.random() < 0.3
        depth = (rng.uniform(0.6, 1.2) if wide else rng.uniform(0.08, 0.8)) * smooth_step((times - after_s) / 0.2)
        hz = rng.uniform(4.5, 8.5) if wide else rng.uniform(4, 7.5)
        shape += depth * np.sin(2 * math.pi * hz * times + rng.uniform(0, 2 * math.pi))
    if kind == "glissando":  # keeps moving until it rests on the note's own pitch
        move_s = rng.uniform(0.12, max(0.13, min(0.6, 0.6 * length_s)))
        shape += rng.uniform(1.5, 7) * rng.choice((-1, 1)) * (1 - np.clip(times / move_s, 0, 1))
    if kind == "rip":  # fast, from far below, into the note
        move_s = rng.uniform(0.06, min(0.3, 0.6 * length_s))
        shape -= rng.uniform(7, 17) * (1 - np.clip(times / move_s, 0, 1)) ** rng.uniform(0.7, 1.3)
    if kind == "shake":
        shape += shake(rng, times, rng.uniform(0, 0.2))
    if kind == "drift":
        shape += np.interp(times, [0, length_s], [0, rng.uniform(-0.4, 0.4)])
    return times, shape, kind


def dynamics(rng, times, length_s):
    """Level over a note, dB: even, or a crescendo, decrescendo, swell or fp."""
    kind = ("even", "crescendo", "decrescendo", "swell", "fp")[rng.choice(5, p=[0.6, 0.12, 0.12, 0.08, 0.08])]
    depth = rng.uniform(3, 18)
    x = np.clip(times / length_s, 0, 1)
    if kind == "even" or length_s < 0.25:
        return rng.uniform(-3, 0) * x
    if kind == "crescendo":
        return -depth * (1 - x)
    if kind == "decrescendo":
        return -depth * x
    if kind == "swell":
        return -depth * (1 - np.sin(math.pi * x))
    return -min(depth, 14) * smooth_step((times - 0.08) / 0.1) * (1 - 0.5 * x)


def flutter(rng, times):
    """Level of a flutter tongue, dB, 3 to 10 dB deep at 20 to 30 Hz, its rate not quite steady."""
    wander = np.interp(times, np.linspace(0, times[-1], 12), rng.uniform(-1, 1, 12))
    turns = np.cumsum(rng.uniform(20, 30) + wander) * (times[1] - times[0])
    return rng.uniform(1.5, 5) * (np.sin(2 * math.pi * turns) - 1) * smooth_step(times / 0.05)


def growl(rng, times):
    """Amplitude of a growl, about 1: the player hums while playing, so that the tone is modulated by the hum.

    The hum is at 40 to 250 Hz, glides a little, has up to three partials, and comes in within 20 to 150 ms.
    """
    wander = np.interp(times, np.linspace(0, times[-1], 8), rng.uniform(-0.05, 0.05, 8))
    hz = log_uniform(rng, 40, 250)
    phase = 2 * math.pi * np.cumsum(hz * (1 + wander)) * (times[1] - times[0])
    count = int(rng.integers(1, 4))
    hum = sum(np.sin(k * phase + rng.uniform(0, 6)) / k ** rng.uniform(0.5, 2) for k in range(1, count + 1))
    depth = rng.uniform(0.15, 0.9) * smooth_step(times / rng.uniform(0.02, 0.15))
    return (1 + depth * hum / np.abs(hum).max()) / (1 + 0.5 * depth)


def puff(rng, line, tone, level, rate):
    """Add the air that goes before a tone, which is no part of it: a 10 to 20 Hz puff or breath noise."""
    length = int(rng.uniform(0.03, 0.13) * rate)
    first = tone - length
    if first < 0:
        return
    times = np.arange(length) / rate
    if rng.random() < 0.6:
        length += int(0.03 * rate)  # it dies away under the tone
        times = np.arange(min(length, len(line) - first)) / rate
        wave = np.sin(2 * math.pi * rng.uniform(10, 20) * times) * np.sin(math.pi * np.arange(len(times)) / len(times)) ** 2
        line[first: first + len(wave)] += (wave * level * 10 ** (rng.uniform(-20, 6) / 20)).astype(line.dtype)
    if rng.random() < 0.6:
        noise = rng.standard_normal(length + 64)
        kernel = np.hanning(int(rng.integers(3, 20)))
        noise = np.convolve(noise, kernel / np.sqrt((kernel ** 2).sum()), "same")[: min(length, len(line) - first)]
        noise -= noise.mean()
        rise = np.linspace(0, 1, len(noise)) ** rng.uniform(0.5, 2)
        rise[-min(len(rise), int(0.005 * rate)):] *= np.linspace(1, 0, min(len(rise), int(0.005 * rate)))
        line[first: first + len(noise)] += (noise * rise * level * 10 ** (rng.uniform(-45, -20) / 20)).astype(line.dtype)
