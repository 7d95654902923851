"""Lines from additive synthesis: brass-like tones whose brightness follows their loudness."""
import math

import numpy as np
from scipy.signal import butter, lfilter, sosfilt

from joined import HIGHEST, LOWEST, RATE, finished
from shapes import dynamics, flutter, log_uniform, next_pitch, pitch_shape, puff, shake, smooth_step

TRILLING = 0.2  # share of lines in which half of the long notes are trills
FLUTTERING = 0.08  # share of notes with a flutter tongue
FEW = 0.12  # share of lines whose tones have one to three partials
SWITCHED = 0.1  # share of lines whose tones are switched on and off at once and perfectly steady, of any partials
CONTROL = 1000  # control values a second: pitch, level and every partial's strength
SILENT_DB = -90.0

# style: (share, notes in one breath, shares of joins slur / dip / glide, shortest and longest note in seconds)
STYLES = {
    "mixed": (0.26, (1, 4), (0.45, 0.40, 0.15), (0.12, 1.6)),
    "fast": (0.19, (1, 8), (0.45, 0.50, 0.05), (0.06, 0.2)),
    "lip slurs": (0.14, (2, 7), (0.90, 0.05, 0.05), (0.1, 1.0)),
    "repeated": (0.21, (2, 12), (0.0, 1.0, 0.0), (0.07, 0.4)),
    "staccato": (0.08, (1, 1), (0.45, 0.40, 0.15), (0.05, 0.12)),
    "long": (0.12, (1, 3), (0.60, 0.20, 0.20), (0.7, 4.0)),
}


def slow_noise(rng, length, cutoff_hz, count=None):
    """Noise below cutoff_hz at the control rate, RMS 1."""
    noise = rng.standard_normal(length if count is None else (count, length))
    pole = math.exp(-2 * math.pi * cutoff_hz / CONTROL)
    slow = lfilter([1 - pole], [1, -pole], noise, axis=-1)
    return slow / np.sqrt((1 - pole) / (1 + pole))


def score(rng, length_s, lead_s, few=False, switched=False):
    """The line at the control rate: pitch (MIDI), level (dB), notes, style, places where a tongue starts a tone out of a rest
    and where it dents one.

    few: the tones are to have few partials; such tones go higher, and often start and stop at once.
    switched: all tones start and stop at once, and keep their pitch and level.
    """
    names = list(STYLES)
    style = names[rng.choice(len(names), p=[STYLES[name][0] for name in names])]
    if (few or switched) and rng.random() < 0.4:
        style = "long"
    _, breath, joins, (shortest, longest) = STYLES[style]
    abrupt = switched or few and rng.random() < 0.6
    count = int(length_s * CONTROL)
    pitch, level = np.full(count, np.nan), np.full(count, SILENT_DB)
    centre = rng.uniform(LOWEST + 5, 45) if rng.random() < 0.3 else rng.uniform(40, 82)
    if few:
        centre = rng.uniform(LOWEST + 3, HIGHEST)
    lowest, highest = max(LOWEST, centre - 12), min(HIGHEST + (2 if few else 0), centre + 12)
    midi = rng.uniform(lowest, highest)
    expressive = rng.random() < (0.3 if few else 0.6) and not switched
    trilling = 0.5 if rng.random() < TRILLING and not switched else 0.1
    double_s = rng.uniform(1 / 13, 1 / 6) if style == "repeated" and rng.random() < 0.6 else None
    if double_s:
        breath = (4, 24)
    at, end, gain_db, swing_db = int(lead_s * CONTROL), count - int(0.2 * CONTROL), 0.0, rng.uniform(0, 10)
    notes, starts, tongued = [], [], []
    while at < end:
        group, first = int(rng.integers(breath[0], breath[1] + 1)), at
        attack_ms = int(rng.integers(1, 6) if abrupt else log_uniform(rng, 10, 80) * (0.4 if style in ("fast", "staccato") else 1))
        for index in range(group):
            if at >= end:
                break
            duration_s = double_s * rng.uniform(0.93, 1.07) if double_s else log_uniform(rng, shortest, longest)
            length = min(int(duration_s * CONTROL), count - at)
            if length < 40:
                at = end
                break
            if not (style == "repeated" and notes and rng.random() < 0.75):
                midi = next_pitch(rng, midi, lowest, highest)
            loud_before = gain_db < -11
            if index == 0 or style != "repeated":
                gain_db = rng.uniform(-3, 0) if loud_before else (
                    rng.uniform(-22, -12) if rng.random() < 0.12 else -rng.uniform(0, 1) * swing_db)
            times = np.arange(length) / CONTROL
            shape_times, shape, kind = pitch_shape(rng, duration_s) if expressive else (None, None, "plain")
            body = slice(at, at + length)
            pitch[body] = midi + (0 if shape is None else np.interp(times, shape_times, shape))
            level[body] = gain_db + (0 if switched else dynamics(rng, times, duration_s))
            note = dict(on=at, off=at + length, midi=midi, attack="tongued", shape=kind)
            if kind == "shake":
                note["trill"] = True
            if duration_s > 0.35 and (expressive or trilling == 0.5) and rng.random() < trilling:
                # a shake or trill: one note whose pitch swings
                after_s = rng.uniform(0, 0.2)
                pitch[body] = midi + shake(rng, times, after_s)
                note["shape"], note["trill"] = "shake", True
            if duration_s > 0.25 and rng.random() < FLUTTERING and not switched:
                level[body] += flutter(rng, times)
                note["flutter"] = True
            if index == 0:
                if rng.random() < 0.08 and length > 200 and not abrupt:  # half-valve start: weak, wandering
                    wander = int(rng.integers(40, 130))
                    pitch[at: at + wander] += slow_noise(rng, wander, 12) * rng.uniform(0.2, 0.8) * np.linspace(1, 0, wander)
                    level[at: at + wander] -= rng.uniform(4, 12) * np.linspace(1, 0, wander)
                starts.append((at, gain_db))
            else:
                join = ("slur", "dip", "glide")[rng.choice(3, p=joins)]
                if abs(midi - notes[-1]["midi"]) < 0.5:
                    join = "dip"
                if join == "dip":
                    depth, down, up = rng.uniform(6, 20), int(rng.integers(8, 30)), int(rng.integers(5, 18))
                    tongued.append((at, gain_db))
                else:
                    depth, down, up = max(0, rng.uniform(-8, 14)), int(rng.integers(8, 40)), int(rng.integers(8, 40))
                    note["attack"] = "slurred"
                    glide = int(rng.integers(4, 30) if join == "slur" else rng.integers(30, 90))
                    glide = min(glide, length // 2, (at - notes[-1]["on"]) // 2)
                    around = slice(at - glide // 2, at - glide // 2 + glide)
                    before, after = pitch[around.start], pitch[around.stop]
                    pitch[around] = before + (after - before) * smooth_step(np.linspace(0, 1, glide))
                    # no step in level either
                    span = slice(max(notes[-1]["on"], at - 20), at + min(20, length))
                    level[span] = np.convolve(np.pad(level[span], 10, "edge"), np.ones(21) / 21, "valid")
                down, up = min(down, at - notes[-1]["on"]), min(up, length // 2)
                level[at - down: at] -= depth * np.linspace(0, 1, down)
                level[at: at + up] -= depth * np.linspace(1, 0, up)
            notes.append(note)
            at += length
        if at <= first or not notes:
            break
        rise = np.sin(np.linspace(0.02, 1, min(attack_ms, at - first)) * math.pi / 2) ** 2
        level[first: first + len(rise)] += 20 * np.log10(rise)
        release = int(rng.integers(1, 6)) if abrupt else min(int(log_uniform(rng, 12, 60 if style in ("fast", "staccato") else 150)), at - notes[-1]["on"] - 20)
        if release > 4:
            level[at - release: at] += np.linspace(0, -40, release)
        _limits(notes, level, first)
        rest = {"fast": log_uniform(rng, 0.003, 0.3), "staccato": log_uniform(rng, 0.03, 0.4)}.get(style)
        rest = rest if rest is not None else (rng.uniform(0.004, 0.04) if rng.random() < 0.4 else log_uniform(rng, 0.05, 1.5))
        at += int(rest * CONTROL)
    return pitch, level, notes, style, starts, tongued


def _limits(notes, level, first):
    """Move the outer limits of a breath's notes to where the tone is 30 dB under its loudest."""
    inside = [note for note in notes if note["on"] >= first]
    head, tail = inside[0], inside[-1]
    body = level[head["on"]: head["off"]]
    head["on"] += int(np.flatnonzero(body > body.max() - 30)[0])
    body = level[tail["on"]: tail["off"]]
    tail["off"] = tail["on"] + int(np.flatnonzero(body > body.max() - 30)[-1]) + 1


def partials(rng, pitch, level, few=False, switched=False):
    """Strength of each partial at the control rate, shape (partials, control values), and the pitch with jitter.

    few: one to three partials. switched: no jitter, and each partial keeps its share.
    """
    known = np.flatnonzero(~np.isnan(pitch))
    pitch = np.interp(np.arange(len(pitch)), known, pitch[known])
    steady = switched or few and rng.random() < 0.6
    if not steady:
        pitch = pitch + slow_noise(rng, len(pitch), rng.uniform(3, 20)) * rng.uniform(0.003, 0.05)
    hz = 440 * 2 ** ((pitch - 69) / 12)
    low = np.median(hz) < 110
    count = int(rng.integers(8, 41)) if low else int(rng.integers(4, 25))
    if few:
        low, count = False, int(rng.integers(1, 4))
    number = np.arange(1, count + 1)[:, None]
    # the exponent of 1 / k ** exponent falls as the tone gets louder
    exponent = np.clip(rng.uniform(0.3, 1.8) - rng.uniform(0.04, 0.15) * level, 0.2, 6)
    db = -20 * exponent * np.log10(number)
    frequency = hz * number
    for _ in range(int(rng.integers(0, 4))):  # formants of bell, mouthpiece and mute
        centre, width = log_uniform(rng, 200, 4000), rng.uniform(0.3, 1.2)
        db += rng.uniform(-12, 14) * np.exp(-0.5 * (np.log2(frequency / centre) / width) ** 2)
    db += rng.uniform(0, 3) * rng.standard_normal((count, 1))
    if not few and rng.random() < (0.7 if low else 0.1):  # weak or missing fundamental
        db[0] -= rng.uniform(5, 40)
        if low and count > 8:
            db[1] -= rng.uniform(0, 12)
    if not switched:
        db += slow_noise(rng, len(pitch), rng.uniform(2, 12), count) * rng.uniform(0.1, 1.2)
    strength = 10 ** (db / 20) * np.clip((11500 - frequency) / 1500, 0, 1)
    strength /= np.sqrt((strength ** 2).sum(0)) + 1e-9
    amplitude = 10 ** (level / 20) * (level > SILENT_DB + 5)
    if not steady:
        amplitude *= 10 ** (slow_noise(rng, len(pitch), rng.uniform(3, 15)) * rng.uniform(0.1, 0.8) / 20)
    return strength * amplitude * math.sqrt(2), hz


def sounded(rng, strength, hz, length, held=False):
    """Sum of the partials, strength and frequency interpolated from the control rate, length in samples.

    held: strengths are held, not interpolated: what is switched on is there from one sample to the next.
    """
    step = RATE // CONTROL
    at = np.arange(length) / step
    loud = np.floor(at) if held else at
    grid = np.arange(len(hz))
    phase = 2 * math.pi * np.cumsum(np.interp(at, grid, hz)) / RATE
    turn = np.exp(1j * phase)
    wave, power = np.zeros(length), np.ones(length, complex)
    for row, offset in zip(strength, np.exp(1j * rng.uniform(0, 0.6) * rng.standard_normal(len(strength)))):
        power *= turn
        if row.max() > 1e-6:
            wave += np.interp(loud, grid, row) * (power * offset).imag
    return wave


def synthetic_line(rng, length_s, lead_s):
    """A dry line from additive synthesis: (samples, notes, info), the first note after lead_s."""
    few, switched = rng.random() < FEW, rng.random() < SWITCHED
    electronic = few or switched
    pitch, level, notes, style, starts, tongued = score(rng, length_s, lead_s, few, switched)
    length = int(length_s * RATE)
    if not notes:
        return np.zeros(length, np.float32), [], dict(origin="synthesis", instrument="synthesis", style=style)
    strength, hz = partials(rng, pitch, level, few, switched)
    line = sounded(rng, strength, hz, length, held=switched and rng.random() < 0.5)
    step = RATE // CONTROL

    # breath: noise that follows the tone, and more of it as the tongue lets go
    band = butter(1, (rng.uniform(200, 800), rng.uniform(2500, 9000)), "band", fs=RATE, output="sos")
    noise = sosfilt(band, rng.standard_normal(length))
    noise /= np.sqrt(np.mean(noise ** 2))
    breath_db = level - (rng.uniform(45, 90) if electronic else rng.uniform(28, 65))
    chiff_db = rng.uniform(15, 40)
    legato = rng.random() < 0.5  # a soft tongue lets no more breath through where it only dents the tone
    for at, gain_db in starts if legato else starts + tongued:
        if rng.random() < (0.1 if electronic else 0.7):
            chiff = np.exp(-np.arange(60) / rng.uniform(5, 20))[: max(0, len(level) - at)]
            breath_db[at: at + len(chiff)] = np.maximum(breath_db[at: at + len(chiff)], gain_db - chiff_db + 20 * np.log10(chiff))
    loudness = np.interp(np.arange(length) / step, np.arange(len(level)), 10 ** (breath_db / 20) * (level > SILENT_DB + 5))
    line += noise * loudness
    puffs = not electronic and rng.random() < 0.5
    for at, gain_db in starts:
        if puffs and rng.random() < 0.7:
            puff(rng, line, at * step, 10 ** (gain_db / 20), RATE)
    line = (0.1 * line).astype(np.float32)

    if rng.random() < 0.12:  # soft and dark
        cutoff = log_uniform(rng, 2, 8) * np.median(hz)
        if cutoff < 9000:
            line = sosfilt(butter(2, cutoff, fs=RATE, output="sos"), line).astype(np.float32)
    out = []
    for note in notes:
        times = np.arange(note["on"], note["off"], 5)
        contour = (times / CONTROL, pitch[np.minimum(times, len(pitch) - 1)])
        out.append(dict(note, on=note["on"] * step, off=note["off"] * step, contour=contour))
    return line, finished(out, length), dict(origin="synthesis", instrument="synthesis", style=style, electronic=electronic)
