#!/usr/bin/env python3
"""The same lines in three rectangular rooms by the image-source method, with the same truth. For checking only.

usage: check_rooms.py LINES_DIR OUT_DIR [NAME ...]      (reads .wav, or with soundfile .flac, and .json of the same name)

Writes OUT_DIR/NAME/ with each line and its truth for: practice-room (3.6 x 2.9 x 2.5 m, RT60 0.45 s at 500 to 1000 Hz),
recital-hall (24 x 14 x 9 m, 1.6 s) and stone-church (42 x 17 x 13 m, 3.0 s). Training never sees these
rooms nor this method: its own reverberation is decaying noise. The direct sound's delay is taken out.

Method: J. B. Allen and D. A. Berkley, "Image method for efficiently simulating small-room acoustics", JASA 65(4), 1979,
with absorption in octave bands and each image moved at random by up to 8 cm against sweeping echoes.
"""
import glob
import os
import shutil
import sys

import numpy as np
from scipy.io import wavfile
from scipy.signal import butter, fftconvolve, sosfilt

SPEED_M_S = 343.0
BANDS_HZ = np.array([125, 250, 500, 1000, 2000, 4000, 8000])
# energy that a kilometre of air takes at 20 degrees Celsius and 50 % humidity, dB (ISO 9613-1)
AIR_DB_KM = np.array([0.4, 1.3, 2.7, 4.7, 9.9, 29.7, 105.0])

# size, horn, microphone (metres), RT60 (seconds) that the walls are set for in each band by Eyring's formula;
# the images give somewhat more, as sound along the long axis meets fewer walls
ROOMS = {
    "practice-room": ((3.6, 2.9, 2.5), (1.1, 0.9, 1.2), (1.5, 1.15, 1.35), (0.6, 0.5, 0.42, 0.4, 0.36, 0.32, 0.28)),
    "recital-hall": ((24.0, 14.0, 9.0), (4.0, 6.3, 1.3), (5.7, 7.2, 1.7), (1.6, 1.5, 1.4, 1.4, 1.25, 1.0, 0.7)),
    "stone-church": ((42.0, 17.0, 13.0), (8.0, 7.4, 1.3), (10.2, 8.4, 1.8), (3.0, 2.9, 2.8, 2.6, 2.2, 1.6, 0.9)),
}


def band_gains(frequency):
    """How much of each octave band makes up each frequency, shape (bands, frequencies); they add up to 1."""
    octave = np.log2(np.maximum(frequency, 1) / BANDS_HZ[0])
    return np.clip(1 - np.abs(np.clip(octave, 0, len(BANDS_HZ) - 1) - np.arange(len(BANDS_HZ))[:, None]), 0, 1)


def impulse_response(name, rate):
    """Response from the horn to the microphone, direct sound first, its peak near 1."""
    size, horn, microphone, decay_s = (np.array(value, float) for value in ROOMS[name])
    volume = size.prod()
    surface = 2 * (size[0] * size[1] + size[1] * size[2] + size[2] * size[0])
    # Eyring: the walls' absorption for the wanted decay, air apart
    air = AIR_DB_KM / 1000 / (10 * np.log10(np.e))
    absorption = 1 - np.exp(-(0.161 * volume / decay_s - 4 * air * volume) / surface)
    reflection = np.sqrt(1 - np.clip(absorption, 0.005, 0.99))
    length_s = 1.1 * decay_s.max()
    reach = length_s * SPEED_M_S
    rng = np.random.default_rng(sum(name.encode()))

    axes = []  # for each axis: the images' coordinates and the number of walls they passed
    for side, at in zip(size, horn):
        count = int(np.ceil(reach / (2 * side)))
        number = np.arange(-count, count + 1)
        axes.append((np.concatenate([2 * number * side + at, 2 * number * side - at]),
                     np.concatenate([2 * np.abs(number), np.abs(2 * number - 1)])))
    length = int(length_s * rate) + 1
    direct = np.linalg.norm(horn - microphone)
    gains = np.zeros((len(BANDS_HZ), length))
    y, z = (axis[0][:, None] - centre for axis, centre in ((axes[1], microphone[1]), (axes[2], microphone[2])))
    flat = np.hypot(y, z.T)
    walls_flat = axes[1][1][:, None] + axes[2][1][None, :]
    for x, walls_x in zip(*axes[0]):  # a slice of the lattice at a time
        distance = np.hypot(flat, x - microphone[0])
        walls = walls_flat + walls_x
        inside = distance < reach
        distance, walls = distance[inside], walls[inside]
        moved = distance + np.where(walls > 0, rng.uniform(-0.08, 0.08, len(distance)), 0)
        at = np.maximum((moved - direct) / SPEED_M_S * rate, 0)
        first = at.astype(int)
        part = at - first
        kept = first < length - 1
        first, part, distance, walls = first[kept], part[kept], distance[kept], walls[kept]
        for band in range(len(BANDS_HZ)):
            strength = reflection[band] ** walls * 10 ** (-AIR_DB_KM[band] * distance / 20000) * direct / distance
            gains[band] += np.bincount(first, strength * (1 - part), length)
            gains[band] += np.bincount(first + 1, strength * part, length)
    frequency = np.fft.rfftfreq(2 * length, 1 / rate)
    shares = band_gains(frequency)
    response = np.fft.irfft((np.fft.rfft(gains, 2 * length) * shares).sum(0))
    # images all have one sign, so their sum has a slow part that no room has
    return sosfilt(butter(2, 20, "high", fs=rate, output="sos"), response[:length])


def read(path):
    if path.endswith(".wav"):
        rate, samples = wavfile.read(path)
        return rate, samples / 32768 if samples.dtype == np.int16 else samples.astype(float)
    import soundfile

    samples, rate = soundfile.read(path)
    return rate, samples


def main(source, out, names):
    for name in names:
        if name not in ROOMS:
            sys.exit(f"check_rooms.py: no room is called {name!r}; there are {', '.join(ROOMS)}")
    paths = sorted(glob.glob(os.path.join(source, "*.wav")) + glob.glob(os.path.join(source, "*.flac")))
    if not paths:
        sys.exit(f"check_rooms.py: {source} holds no .wav and no .flac")
    for name in names or ROOMS:
        folder, responses = os.path.join(out, name), {}
        os.makedirs(folder, exist_ok=True)
        for path in paths:
            rate, samples = read(path)
            if rate not in responses:
                responses[rate] = impulse_response(name, rate)
            wet = fftconvolve(samples, responses[rate])
            wet /= max(1, np.abs(wet).max() / 0.99)
            base = os.path.splitext(os.path.basename(path))[0]
            wavfile.write(os.path.join(folder, base + ".wav"), rate, wet.astype(np.float32))
            shutil.copy(os.path.splitext(path)[0] + ".json", folder)


if __name__ == "__main__":
    if len(sys.argv) < 3:
        sys.exit(__doc__)
    main(sys.argv[1], sys.argv[2], sys.argv[3:])
