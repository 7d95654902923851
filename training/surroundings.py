"""Rooms, noises, other instruments and recording faults around a dry line."""
import math

import numpy as np
from scipy.signal import butter, fftconvolve, sosfilt

from shapes import log_uniform

RATE = 24000


def rms(samples):
    return math.sqrt(float(np.mean(np.square(samples)))) + 1e-12


def scaled(samples, level):
    return samples * (level / rms(samples))


def impulse_response(rng):
    """The reverberant part of a room: early reflections, then noise that decays faster in the treble, or all alike."""
    decay_s = log_uniform(rng, 0.2, 2.8) if rng.random() < 0.6 else rng.uniform(1.0, 2.8)
    length = int(min(1.2 * decay_s, 3.0) * RATE)
    times = np.arange(length) / RATE
    spectrum = np.fft.rfft(rng.standard_normal(length))
    octave = np.log2(np.maximum(np.fft.rfftfreq(length, 1 / RATE), 20.0))
    low, high = rng.uniform(0.8, 1.5), rng.uniform(0.25, 1.0)
    if rng.random() < 0.25:
        low = high = 1.0
    tail = np.zeros(length)
    edges = [math.log2(f) for f in (250, 1000, 3500)]
    below = [np.clip(0.5 + (edge - octave), 0, 1) for edge in edges]  # crossovers an octave wide
    shares = [below[0], below[1] - below[0], below[2] - below[1], 1 - below[2]]
    for share, factor in zip(shares, (low, 1.0, (1 + high) / 2, high)):
        tail += np.fft.irfft(spectrum * share, length) * 10 ** (-3 * times / (decay_s * factor))
    before = int(rng.uniform(0.001, 0.03) * RATE)
    response = np.concatenate([np.zeros(before), tail])
    for _ in range(int(rng.integers(0, 13))):
        at = before + int(rng.uniform(0, 0.06) * RATE)
        if at < len(response):
            response[at] += rng.choice((-1, 1)) * rng.uniform(0.5, 6)
    return response, decay_s


def coloured_noise(rng, length, slope):
    """Noise whose power falls as frequency ** -slope: 0 white, 1 pink, 2 brown; nothing below 20 Hz."""
    frequency = np.fft.rfftfreq(length, 1 / RATE)
    spectrum = np.fft.rfft(rng.standard_normal(length)) * np.maximum(frequency, 20.0) ** (-slope / 2)
    spectrum[frequency < 20] = 0
    return np.fft.irfft(spectrum, length)


def periodic(hz, strengths, phases, start, length):
    """A steady tone with these partials, read from one stored period."""
    size = 8192
    angle = 2 * math.pi * np.arange(size) / size
    period = sum(s * np.sin(k * angle + p) for k, (s, p) in enumerate(zip(strengths, phases), 1) if k * hz < RATE / 2 - 500)
    position = (start + np.arange(length)) * (hz / RATE * size)
    return np.asarray(period)[position.astype(np.int64) % size] if np.ndim(period) else np.zeros(length)


def hum(rng, length):
    mains = rng.choice((50.0, 60.0)) + rng.normal(0, 0.05)
    strengths = rng.uniform(0, 1, 12) ** 2 / np.arange(1, 13) ** rng.uniform(0, 1.5)
    if rng.random() < 0.5:
        strengths[2::2] *= 0.1  # a rectifier's hum is mostly at twice the mains
    return periodic(mains, strengths, rng.uniform(0, 2 * math.pi, 12), 0, length)


# Neighbouring harmonics: chords that have a common fundamental which does not sound.
HARMONICS = [(2, 3), (3, 4), (3, 5), (2, 3, 4), (2, 3, 5), (3, 4, 5), (4, 5, 6), (2, 3, 4, 5), (3, 4, 5, 6), (4, 5, 6, 8), (4, 6, 9)]
CHORDS = [(0, 7), (0, 4, 7), (0, 3, 7), (0, 5, 7), (0, 4, 7, 10), (0, 4, 7, 11), (0, 3, 7, 10)]


def voicing(rng):
    """A chord as it is played, semitones over its lowest tone: its tones in close or open position, the root perhaps doubled.

    Open chords are near the upper harmonics of a tone that does not sound, and must not be heard as it.
    """
    chord = CHORDS[rng.integers(len(CHORDS))]
    tones = {0} | {step + 12 * int(rng.integers(0, 2)) for step in chord[1:]}
    if rng.random() < 0.5:
        tones.add(12)
    return sorted(tones)


def pad(rng, length):
    """Sustained chords, two to five tones, with partials; changing, perhaps swelling or coming and going."""
    out = np.zeros(length)
    at, slow = 0, rng.random() < 0.4
    while at < length:
        hold = min(int(rng.uniform(1, 4) * RATE), length - at)
        root = rng.uniform(33, 66)
        exponent, count = rng.uniform(0.8, 2.5), int(rng.integers(1, 12))
        kind = rng.random()
        if kind < 0.35:
            chord = voicing(rng)
        elif kind < 0.65:
            series = HARMONICS[rng.integers(len(HARMONICS))]
            chord = [round(12 * math.log2(harmonic / series[0])) for harmonic in series]
        else:
            chord = rng.choice([0, 3, 4, 7, 10, 12, 14, 15, 16, 19, 24], int(rng.integers(2, 6)), replace=False)
        detuned = rng.choice((0.0, 0.05))  # an organ's tones are in tune, an ensemble's are not quite
        tones = sum(periodic(440 * 2 ** ((root + step + detuned * rng.normal() - 69) / 12),
                             1 / np.arange(1, count + 1) ** exponent, rng.uniform(0, 2 * math.pi, count), at, hold)
                    for step in chord)
        rise = min(hold // 2, int(log_uniform(rng, 0.005, 1.0 if slow else 0.1) * RATE))
        if rng.random() < 0.25:  # cut from one chord to the next
            rise = 0
        if rise:
            tones[:rise] *= np.linspace(0, 1, rise)
            tones[-rise:] *= np.linspace(1, 0, rise)
        if rng.random() < 0.3:
            tones *= 10 ** (-rng.uniform(0, 12) / 20 * (1 - np.sin(math.pi * np.arange(hold) / hold)))
        if rng.random() < 0.9:
            out[at: at + hold] += tones
        at += hold
    return out


def knock(rng, kind=None):
    """One short sound that is no note: click, valve clatter, hand clap, key knock or a talker's burst. Peak 1."""
    kind = kind or ("click", "valves", "clap", "knock", "talker")[rng.integers(5)]
    if kind == "talker":
        length = int(rng.uniform(0.2, 1.5) * RATE)
        times = np.arange(length) / RATE
        voice = rng.standard_normal(length)
        if rng.random() < 0.5:  # voiced, with a gliding pitch
            hz = rng.uniform(90, 220) * 2 ** (np.interp(times, [0, times[-1]], rng.uniform(-0.3, 0.3, 2)))
            voice = 0.2 * voice + (np.cumsum(hz) / RATE % 1 < 0.1) * 3
        band = butter(2, (rng.uniform(150, 400), rng.uniform(1500, 4000)), "band", fs=RATE, output="sos")
        sound = sosfilt(band, voice) * np.abs(np.sin(math.pi * rng.uniform(2, 5) * times + rng.uniform(0, 3))) ** 2
    else:
        length = int(0.15 * RATE)
        times = np.arange(length) / RATE
        sound = np.zeros(length)
        for _ in range({"click": 1, "valves": int(rng.integers(2, 6)), "clap": int(rng.integers(1, 5)), "knock": 1}[kind]):
            at = int(rng.uniform(0, {"click": 0, "valves": 0.09, "clap": 0.02, "knock": 0}[kind]) * RATE)
            after = times[: length - at]
            if kind == "knock":
                hit = np.sin(2 * math.pi * log_uniform(rng, 100, 2500) * after) * np.exp(-after / rng.uniform(0.008, 0.05))
            else:
                decay_s = {"click": rng.uniform(0.0003, 0.003), "valves": rng.uniform(0.001, 0.008), "clap": rng.uniform(0.005, 0.04)}[kind]
                hit = rng.standard_normal(len(after)) * np.exp(-after / decay_s)
            sound[at:] += rng.uniform(0.3, 1) * hit
        if kind in ("valves", "clap"):
            # a hollow hand resonates at a pitch of its own
            centre = log_uniform(rng, 500, 4000)
            width = 1.6 if rng.random() < 0.5 else log_uniform(rng, 1.05, 1.4)
            sound = sosfilt(butter(1, (centre / width, min(centre * width, 11000)), "band", fs=RATE, output="sos"), sound)
    return sound / (np.abs(sound).max() + 1e-9), kind


def knocks(rng, length, level):
    """Short sounds at random times, each with its own strength against `level`."""
    out, kinds = np.zeros(length), set()
    for _ in range(int(log_uniform(rng, 1, 25))):
        sound, kind = knock(rng)
        at = int(rng.uniform(0, length - 100))
        sound = sound[: length - at]
        out[at: at + len(sound)] += sound * level * 3 * 10 ** (-rng.uniform(4, 36) / 20)
        kinds.add(kind)
    return out, sorted(kinds)


def knocks_only(rng, length):
    """Claps, clicks or the like, one after another, perhaps in time."""
    out = np.zeros(length)
    kind = ("clap", "click", "valves", "knock")[rng.choice(4, p=[0.6, 0.2, 0.1, 0.1])]
    beat_s, jitter = log_uniform(rng, 0.25, 1.5), rng.choice((0.0, 0.3))
    at = int(rng.uniform(0.2, 1) * RATE)
    while at < length - 100:
        sound = knock(rng, kind)[0][: length - at]
        out[at: at + len(sound)] += sound * 10 ** (-rng.uniform(0, 12) / 20)
        at += int(beat_s * RATE * (1 + jitter * rng.uniform(-1, 1)))
    return 0.3 * out, kind


# Where a doubling voice lies above the horn, and how often.
INTERVALS = {0: 0.3, -12: 0.25, 12: 0.15, -24: 0.05, 24: 0.03, 7: 0.08, -5: 0.07, 19: 0.03, 4: 0.02, 3: 0.02}


def doubling(rng, length, notes):
    """A synthesizer that plays every note a moment later, at one interval, from a loudspeaker in the room. RMS 1 while it plays.

    Returns samples and the interval in semitones. It is no horn, so no label says that it sounds.
    """
    interval = int(rng.choice(list(INTERVALS), p=list(INTERVALS.values())))
    exponent, count, odd = rng.uniform(0.6, 2), int(rng.integers(1, 25)), rng.random() < 0.3
    delay_s = rng.uniform(0.012, 0.12)
    rise_s, fall_s = log_uniform(rng, 0.001, 0.06), log_uniform(rng, 0.005, 0.5)
    bends = rng.random() < 0.5  # follows the horn's pitch, or keeps to the nearest semitone
    level = rng.uniform(0, 1)  # how far it follows the horn's loudness
    out = np.zeros(length)
    for note in notes:
        first = int((note["onset_s"] + delay_s) * RATE)
        sounding = int((note["offset_s"] - note["onset_s"]) * RATE)
        last = min(length, first + sounding + int(fall_s * RATE))
        times = np.arange(last - first) / RATE
        if len(times) < 2:
            continue
        midi = np.full(len(times), round(note["midi"]) if not bends else note["midi"], float)
        if bends and note["contour"] is not None:
            midi = np.interp(times + note["onset_s"], *note["contour"])
        hz = 440 * 2 ** ((midi + interval - 69) / 12)
        phase = 2 * math.pi * np.cumsum(hz) / RATE
        partials = range(1, count + 1, 2 if odd else 1)
        wave = sum(np.sin(k * phase) / k ** exponent for k in partials if k * hz.max() < RATE / 2 - 500) + np.zeros(len(times))
        wave *= np.minimum(1, times / rise_s) * np.clip((times[-1] - times) / fall_s, 0, 1)
        out[first:last] += wave * 10 ** (level * note["level_db"] / 20)
    if rng.random() < 0.7:
        out = sosfilt(butter(2, log_uniform(rng, 600, 9000), fs=RATE, output="sos"), out)
    playing = np.abs(out) > 1e-4
    return out / (rms(out[playing]) if playing.any() else 1.0), interval


def burst(rng, length, notes):
    """A stretch of loud noise in the rest before the first note or the one after the last: a plug pulled, feedback cut. RMS 1 while
    it lasts, and silence elsewhere; None where no rest has room for it."""
    rests = [(0.0, notes[0]["onset_s"]), (notes[-1]["offset_s"] + 0.3, length / RATE)]
    rests = [(first, last) for first, last in rests if last - first > 0.15]
    if not rests:
        return None
    first, last = rests[rng.integers(len(rests))]
    ends = last - min(log_uniform(rng, 0.02, 1.0), 0.5 * (last - first))
    begins = max(first, ends - log_uniform(rng, 0.05, 1.5))
    here = slice(int(begins * RATE), int(ends * RATE))
    out = np.zeros(length)
    out[here] = scaled(coloured_noise(rng, here.stop - here.start, rng.uniform(0, 1.5)), 1.0)
    return out


def dropouts(rng, samples):
    """Samples that a sound device has lost, up to some 8 ms at a time: silence, the sample before held, or a piece played twice."""
    out = samples.copy()
    kind = ("silence", "held", "again")[rng.integers(3)]
    for _ in range(int(log_uniform(rng, 1, 30))):
        gap = int(log_uniform(rng, 0.0003, 0.008) * RATE)
        at = int(rng.uniform(gap, len(out) - gap))
        out[at: at + gap] = {"silence": 0, "held": out[at - 1], "again": samples[at - gap: at]}[kind]
    return out


def equalised(rng, samples):
    """A random smooth response, some 6 dB up and down."""
    spectrum = np.fft.rfft(samples)
    octave = np.log2(np.maximum(np.fft.rfftfreq(len(samples), 1 / RATE), 25) / 25)
    points = np.linspace(0, 9, 8)
    gains = rng.normal(0, rng.uniform(1, 4), 8) + rng.normal(0, 0.8) * (points - 4)
    return np.fft.irfft(spectrum * 10 ** (np.interp(octave, points, gains) / 20), len(samples))


def band_limited(rng, samples):
    """Telephone, a dull or a thin microphone, or both."""
    kind = rng.choice(["telephone", "low-pass", "high-pass", "both"], p=[0.35, 0.25, 0.2, 0.2])
    if kind == "telephone":
        low, high = 300 * rng.uniform(0.8, 1.2), 3400 * rng.uniform(0.8, 1.15)
        sections = [butter(int(rng.integers(1, 5)), (low, high), "band", fs=RATE, output="sos")]
    else:
        sections = []
        if kind != "high-pass":
            sections.append(butter(int(rng.integers(1, 5)), log_uniform(rng, 2000, 10000), fs=RATE, output="sos"))
        if kind != "low-pass":
            sections.append(butter(int(rng.integers(1, 5)), log_uniform(rng, 40, 400), "high", fs=RATE, output="sos"))
    for section in sections:
        samples = sosfilt(section, samples)
    return samples, str(kind)


SHARES = {  # how often each surrounding is used where a line has surroundings at all
    "reverberation": 0.7, "noise": 0.75, "rumble": 0.25, "hum": 0.25, "pad": 0.5, "fan": 0.12,
    "knocks": 0.35, "burst": 0.06, "doubling": 0.25, "dropouts": 0.12, "equaliser": 0.4, "band-limit": 0.35, "clipping": 0.08, "offset": 0.15, "level": 1.0,
}


def surrounded(rng, dry, horn_level, notes=(), exclude=(), surely=()):
    """The line in random surroundings, same length: (samples, dict of what was used).

    `surely` names surroundings that are used whatever their share, unless excluded.
    horn_level is the RMS of the horn while it plays; strengths are given against it. notes are the line's, which a
    doubling voice plays.
    """
    length, used = len(dry), {}
    clean = rng.random() < 0.2  # dry or nearly so
    chosen = {name: rng.random() < share * (0.15 if clean and name not in ("equaliser", "offset", "level") else 1)
              and name not in exclude for name, share in SHARES.items()}
    chosen.update({name: True for name in surely if name not in exclude})
    line, background = dry.astype(float), np.zeros(length)

    if chosen["knocks"]:
        sounds, used["knocks"] = knocks(rng, length, horn_level)
        if rng.random() < 0.6:
            line = line + sounds
        else:
            background += sounds
    if chosen["burst"] and notes:
        noise = burst(rng, length, notes)
        if noise is not None:
            over_db = rng.uniform(-6, 24)
            line = line + noise * horn_level * 10 ** (over_db / 20)
            used["burst"] = round(over_db, 1)
    if chosen["doubling"] and notes:
        voice, interval = doubling(rng, length, notes)
        # At the unison what is as loud as the horn is the horn.
        under_db = rng.uniform(10, 30) if interval == 0 else rng.uniform(6, 30)
        line = line + voice * horn_level * 10 ** (-under_db / 20)
        used["doubling"] = dict(interval=interval, under_db=round(under_db, 1))
    if chosen["reverberation"]:
        response, decay_s = impulse_response(rng)
        ratio_db = rng.uniform(-2, 15)
        wet = fftconvolve(line, response)[:length]
        line = line + wet * (rms(line) / rms(wet) * 10 ** (-ratio_db / 20))
        used["reverberation"] = dict(decay_s=round(decay_s, 3), direct_db=round(ratio_db, 1))
    if chosen["noise"]:
        under_db = rng.uniform(*((6, 18), (18, 30), (30, 60))[rng.choice(3, p=(0.35, 0.25, 0.4))])
        slope = rng.uniform(0, 2)
        background += scaled(coloured_noise(rng, length, slope), horn_level * 10 ** (-under_db / 20))
        used["noise"] = dict(under_db=round(under_db, 1), slope=round(slope, 2))
    if chosen["rumble"]:
        under_db = rng.uniform(-12, 30)
        low = sosfilt(butter(2, rng.uniform(12, 30), fs=RATE, output="sos"), rng.standard_normal(length))
        background += scaled(low, horn_level * 10 ** (-under_db / 20))
        used["rumble"] = round(under_db, 1)
    if chosen["hum"]:
        under_db = rng.uniform(15, 45)
        background += scaled(hum(rng, length), horn_level * 10 ** (-under_db / 20))
        used["hum"] = round(under_db, 1)
    if chosen["pad"]:
        under_db = rng.uniform(*((8, 18), (18, 40))[rng.choice(2, p=(0.6, 0.4))])
        chords = pad(rng, length)
        if np.abs(chords).max() > 0:
            background += scaled(chords, horn_level * 10 ** (-under_db / 20))
            used["pad"] = round(under_db, 1)
    if chosen["fan"]:
        under_db = rng.uniform(20, 50)
        for _ in range(int(rng.integers(1, 4))):
            tone = periodic(log_uniform(rng, 80, 3000), [1.0, rng.uniform(0, 0.5)], rng.uniform(0, 6, 2), 0, length)
            background += scaled(tone, horn_level * 10 ** (-under_db / 20))
        used["fan"] = round(under_db, 1)
    if used and rng.random() < 0.15:  # the recording is silent, to the sample, before it starts
        background[: int(rng.uniform(0.05, 0.5) * RATE)] = 0
    line = line + background

    if chosen["dropouts"]:
        line, used["dropouts"] = dropouts(rng, line), True
    if chosen["equaliser"]:
        line = equalised(rng, line)
        used["equaliser"] = True
    if chosen["band-limit"]:
        line, used["band-limit"] = band_limited(rng, line)
    if chosen["clipping"]:
        drive = rng.uniform(0.5, 3) / (np.abs(line).max() + 1e-12)
        line = np.tanh(line * drive)
        used["clipping"] = True
    peak_dbfs = -3.0
    if chosen["level"]:
        peak_dbfs = rng.uniform(-25, 0) if rng.random() < 0.7 else rng.uniform(-70, -25)
    line = line * (10 ** (peak_dbfs / 20) / (np.abs(line).max() + 1e-12))
    if chosen["offset"]:
        steady = np.abs(line).max() * 10 ** (-rng.uniform(20, 60) / 20) * rng.choice((-1, 1))
        line = line * (1 - abs(steady) / (np.abs(line).max() + 1e-12)) + steady
        used["offset"] = True
    used["peak_dbfs"] = round(peak_dbfs, 1)
    return line.astype(np.float32), used
