"""Lines joined from single notes of one instrument, real or sampled."""
import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from scipy.ndimage import map_coordinates
from scipy.signal import butter, resample_poly, sosfilt

from shapes import dynamics, flutter, log_uniform, next_pitch, pitch_shape, puff

RATE = 24000
SETTLING_S = 0.005 + 0.010 * np.arange(40)  # when pack.py measures how far off a note is, after its tone begins
LONGEST_FADE_S = 0.035  # of a note that is cut short
SHARE_OF_ORIGIN = {"samples": 0.6}  # of the others', for it has few notes
LOWEST, HIGHEST = 21.0, 90.0  # MIDI: pedal notes of a bass trombone or tuba to a high trumpet

# style: (share, share of joins gap / abut / slur / dip, shortest and longest note in seconds, share of repeated pitches)
STYLES = {
    "mixed": (0.25, (0.35, 0.25, 0.25, 0.15), (0.12, 1.6), 0.12),
    "fast": (0.22, (0.20, 0.35, 0.30, 0.15), (0.06, 0.20), 0.15),
    "legato": (0.11, (0.12, 0.08, 0.70, 0.10), (0.12, 1.2), 0.02),
    "repeated": (0.18, (0.10, 0.20, 0.00, 0.70), (0.07, 0.45), 0.75),
    "double tonguing": (0.14, (0.05, 0.25, 0.00, 0.70), (0.083, 0.15), 0.65),
    "long": (0.10, (0.45, 0.25, 0.25, 0.05), (0.7, 4.0), 0.05),
}


@dataclass
class Note:
    """A single note: samples at 24 kHz, measured pitch (MIDI), limits of the tone (seconds), and how far off its pitch
    is at SETTLING_S after the tone begins (semitones)."""

    samples: np.ndarray
    midi: float
    on_s: float
    off_s: float
    instrument: str
    origin: str
    settling: np.ndarray


def transposed(samples, semitones):
    """Samples resampled to sound `semitones` higher (and shorter)."""
    if abs(semitones) < 1e-3:
        return samples
    ratio = Fraction(2 ** (-semitones / 12)).limit_denominator(160)
    return resample_poly(samples, ratio.numerator, ratio.denominator).astype(np.float32)


def rendered(rng, note, semitones, length_s, moving):
    """One note at its new pitch, no longer than length_s, perhaps with a moving pitch.

    Returns samples, first sample of the tone, one past its last, (times_s, semitones) of how far its pitch is from where it
    rests, times from the start of the tone, and how its pitch moves ("plain" if it does not, see pitch_shape).
    """
    speed = 2 ** (semitones / 12)
    settling_s = SETTLING_S / speed
    contour, kind = (settling_s, note.settling), "plain"
    last = int((note.on_s + (length_s * 1.3 + 0.25) * speed) * RATE)
    samples = transposed(note.samples[:last], semitones)
    on, off = int(note.on_s / speed * RATE), min(int(note.off_s / speed * RATE), len(samples))
    if moving and off - on > 0.15 * RATE:
        times, shape, kind = pitch_shape(rng, min(length_s, (off - on) / RATE))
        if shape is not None:
            rate = 2 ** (np.interp(np.arange(len(samples)) / RATE, times + on / RATE, shape, 0, 0) / 12)
            read = np.concatenate([[0], np.cumsum(rate[:-1])])
            # the tone's last sample moves with the pitch
            off = int(np.searchsorted(read, off))
            read = read[read < len(samples) - 1]
            samples = map_coordinates(samples, [read], order=3, mode="nearest").astype(np.float32)
            off = min(off, len(samples))
            contour = times, shape + np.interp(times, settling_s, note.settling)
    length = int(length_s * RATE)
    if off - on > length:
        fade = int(rng.uniform(0.010, LONGEST_FADE_S) * RATE)
        samples = samples[: on + length].copy()
        fade = min(fade, length // 3)
        samples[-fade:] *= np.cos(np.linspace(0, math.pi / 2, fade)) ** 2
        off = on + length
    return samples, on, off, contour, kind


def level_db(samples):
    """Level in dB under the loudest, 10 ms windows, one value a sample."""
    window = int(0.010 * RATE)
    energy = np.cumsum(np.concatenate([np.zeros(window // 2 + 1), samples.astype(float) ** 2, np.zeros(window - window // 2)]))
    energy = (energy[window:] - energy[:-window])[: len(samples)] / window
    return 10 * np.log10(energy + 1e-12) - 10 * np.log10(energy.max() + 1e-12)


def choose_notes(rng, notes):
    """One instrument's notes near one register, and how far this line transposes them."""
    groups = sorted({(note.origin, note.instrument) for note in notes})
    origins = sorted({origin for origin, _ in groups})
    weights = np.array([SHARE_OF_ORIGIN.get(origin, 1.0) for origin in origins])
    origin = origins[rng.choice(len(origins), p=weights / weights.sum())]
    names = [group for group in groups if group[0] == origin]
    _, instrument = names[rng.integers(len(names))]
    pool = [note for note in notes if note.origin == origin and note.instrument == instrument]
    if origin == "brass-dev":
        shift = rng.uniform(-7, 12) if rng.random() < 0.7 else 0.0
    else:
        shift = rng.uniform(-3, 3)
    if rng.random() < 0.35 and min(note.midi for note in pool) < 45:  # low lines, down to A0
        shift = rng.uniform(-7, 0)
        pool = [note for note in pool if note.midi + shift < 46]
    return pool, shift, instrument, origin


def joined_line(rng, sources, length_s, lead_s):
    """A dry line from joined single notes: (samples, notes, info), the first note after lead_s."""
    pool, shift, instrument, origin = choose_notes(rng, sources)
    pitches = np.array([note.midi for note in pool]) + shift
    lowest, highest = max(LOWEST, pitches.min() - 1), min(HIGHEST, pitches.max() + 1)
    names = list(STYLES)
    style = names[rng.choice(len(names), p=[STYLES[name][0] for name in names])]
    _, joins, (shortest, longest), repeats = STYLES[style]
    expressive = rng.random() < 0.25  # scoops, falls and vibrato made from real notes by uneven resampling
    soft_line = rng.random() < (0.45 if "horn" in instrument or pitches.min() < 45 else 0.1)
    beat_s = rng.uniform(1 / 12, 1 / 6)
    end = int((length_s - 0.2) * RATE)
    line = np.zeros(int((length_s + 5) * RATE), np.float32)
    notes = []
    at = int(lead_s * RATE)  # earliest sample of the next tone
    steady = None  # last sample at which the note before is still near its loudest
    pitch, chosen, gain_db = rng.uniform(lowest, highest), None, 0.0
    swing_db = rng.uniform(0, 10)
    while at < end:
        same = bool(notes) and rng.random() < repeats
        if not same:
            pitch = next_pitch(rng, pitch, lowest, highest) if notes else pitch
        distance = np.abs(pitches - pitch)
        if not (same and rng.random() < 0.6):
            near = np.argsort(distance + rng.uniform(0, 1.5, len(pool)))[:3]
            chosen = int(near[rng.integers(len(near))])
        limit = 3.0 if origin in ("brass-dev", "samples") else 2.0
        extra = float(np.clip(pitch - pitches[chosen], -limit, limit))
        semitones = shift + extra
        midi = pool[chosen].midi + semitones
        pitch = midi
        duration_s = beat_s * rng.uniform(0.9, 1.1) if style == "double tonguing" else log_uniform(rng, shortest, longest)
        sample, on, off, contour, kind = rendered(rng, pool[chosen], semitones, duration_s, expressive and rng.random() < 0.5)
        if off - on < 0.03 * RATE:
            at += int(0.02 * RATE)
            continue
        marks = {"shape": kind}
        if kind == "shake":
            marks["trill"] = True
        if expressive and off - on > 0.25 * RATE and rng.random() < 0.4:
            sample = sample.copy()
            tone_times = np.arange(off - on) / RATE
            if rng.random() < 0.3:
                sample[on:off] *= 10 ** (flutter(rng, tone_times) / 20)
                marks["flutter"] = True
            else:
                sample[on:off] *= 10 ** (dynamics(rng, tone_times, (off - on) / RATE) / 20)
        level = level_db(sample[on:off])
        loud = np.flatnonzero(level > -8)

        if gain_db < -11:  # after a soft note often a loud one
            gain_db = rng.uniform(-3, 0)
        else:
            gain_db = rng.uniform(-24, -12) if rng.random() < 0.12 else -rng.uniform(0, 1) * swing_db
        if soft_line or gain_db < -11 and rng.random() < 0.6:
            cutoff = 440 * 2 ** ((midi - 69) / 12) * log_uniform(rng, 1.5, 9)
            if cutoff < 9000:
                sample = sosfilt(butter(1 if rng.random() < 0.5 else 2, cutoff, fs=RATE, output="sos"), sample)
        sample = sample * (10 ** (gain_db / 20) / (np.sqrt(np.mean(sample[on:off] ** 2)) + 1e-9) * 0.1)

        join = ("gap", "abut", "slur", "dip")[rng.choice(4, p=joins)] if notes else "gap"
        if join in ("slur", "dip") and (steady is None or steady - notes[-1]["on"] < 0.04 * RATE):
            join = "abut"
        start_s = min(0.08, 0.3 * (off - on) / RATE)
        if join == "slur" and (off - on < 0.1 * RATE or abs(midi - notes[-1]["midi"]) < 0.5):
            join = "abut"

        if join == "slur":  # from the steady part of one note into the steady part of the next
            begin = on + int(start_s * RATE)
            fade = int(rng.uniform(0.008, 0.040) * RATE)
            segment = sample[begin:].copy()
            fade = min(fade, len(segment) // 3)
            before = np.sqrt(np.mean(line[max(0, steady - 600): steady] ** 2)) + 1e-9
            after = np.sqrt(np.mean(segment[:600] ** 2)) + 1e-9
            ramp = min(len(segment), int(0.15 * RATE))
            segment[:ramp] *= np.geomspace(np.clip(before / after, 0.2, 5), 1, ramp)
            curve = np.linspace(0, 1, fade, dtype=np.float32)
            line[steady: steady + fade] *= np.sqrt(1 - curve)
            line[steady + fade:] = 0
            segment[:fade] *= np.sqrt(curve)
            place, tone, attack = steady, steady + fade // 2, "slurred"
            finish = steady + off - begin
            tone_shift = tone - steady + begin - on
        elif join == "dip":  # the tongue only dents the tone
            dip_db = rng.uniform(8, 15)
            reached = np.flatnonzero(level > -dip_db - 2)
            begin = on + (int(reached[0]) if len(reached) else 0)
            down, gone = int(rng.uniform(0.008, 0.030) * RATE), int(rng.uniform(0.004, 0.015) * RATE)
            down = min(down, steady - notes[-1]["on"])
            line[steady - down: steady] *= 10 ** (-dip_db / 20 * np.linspace(0, 1, down))
            line[steady: steady + gone] *= 10 ** (-dip_db / 20) * np.linspace(1, 0, gone)
            line[steady + gone:] = 0
            segment = sample[begin:].copy()
            rise = min(int(rng.uniform(0.002, 0.006) * RATE), len(segment))
            segment[:rise] *= np.linspace(0, 1, rise)
            place, tone, attack = steady, steady, "tongued"
            finish = tone + off - begin
            tone_shift = begin - on
        else:
            if join == "gap":
                gap_s = log_uniform(rng, 0.05, 1.5) if notes else 0.0
                lead = min(on, int(rng.uniform(0.02, 0.2) * RATE))
                tone = at + int(gap_s * RATE)
            else:
                lead = min(on, int(rng.uniform(0.002, 0.02) * RATE))
                tone = at + int(rng.uniform(0, 0.04) * RATE)
            tone = max(tone, lead)
            segment = sample[on - lead:].copy()
            rise = min(lead, int(0.003 * RATE))
            segment[:rise] *= np.linspace(0, 1, rise)
            place, attack = tone - lead, "tongued"
            # what is left of the note before has stopped when the tone begins
            stop = min(int(0.02 * RATE), tone)
            line[tone - stop: tone] *= np.linspace(1, 0, stop)
            line[tone:] = 0
            finish = tone + off - on
            tone_shift = 0
            if join == "gap" and (origin == "soundfont" and rng.random() < 0.35 or rng.random() < 0.05):
                puff(rng, line, tone, 0.1 * 10 ** (gain_db / 20), RATE)
        last = min(len(line), place + len(segment))
        line[place:last] += segment[: last - place]
        if notes:
            notes[-1]["off"] = min(notes[-1]["off"], tone)
        notes.append(dict(on=tone, off=finish, midi=midi, attack=attack, **marks,
                          contour=(contour[0] + (tone - tone_shift) / RATE, midi + contour[1])))
        # where the level is still near its loudest and not yet faded, on the line's clock
        steady = tone - tone_shift + min(int(loud[-1]) - int(0.005 * RATE), off - on - int(LONGEST_FADE_S * RATE))
        if steady < tone + 0.03 * RATE:
            steady = None
        at = finish
    line = line[: int(length_s * RATE)]
    fade = int(0.05 * RATE)  # the last note may run over the end
    line[-fade:] *= np.linspace(1, 0, fade)
    return line, finished(notes, len(line)), dict(origin=origin, instrument=instrument, style=style, soft=soft_line)


def finished(notes, length):
    """Notes in seconds, those beyond the line's end left out and the last one cut there."""
    out = []
    for note in notes:
        off = min(note["off"], length)
        if off - note["on"] < 0.03 * RATE:
            continue
        on_s, off_s = note["on"] / RATE, off / RATE
        times, midi = note["contour"]
        inside = (times >= on_s) & (times <= off_s)
        moves = inside.sum() > 1 and np.ptp(midi[inside]) > 0.1
        contour = (times[inside], midi[inside]) if moves else None
        kept = {key: value for key, value in note.items() if key not in ("on", "off", "contour")}
        out.append(dict(kept, onset_s=on_s, offset_s=off_s, contour=contour))
    return out
