#!/usr/bin/env python3
"""Puts a dry 16-bit mono take into a noisy room: `noisy_room.py DRY.wav WET.wav`.

Reverberation of a hall by comb and all-pass filters in a row (M. R. Schroeder, J. Audio
Eng. Soc. 10, 1962; delays from there, reverberation time 1.2 s), and under it noise that
falls by 3 dB an octave, 35 dB below the take's peak, from a fixed seed. Plain arithmetic
in a fixed order: the result is the same everywhere, to the last bit.
"""

import array
import random
import sys
import wave

COMBS_S = (0.0297, 0.0371, 0.0411, 0.0437)
ALL_PASSES_S = (0.0050, 0.0017)
ALL_PASS_GAIN = 0.7
REVERBERATION_S = 1.2
WET = 0.35
NOISE = 10 ** (-35 / 20)
SEED = 1962


def comb(samples, delay, gain):
    out, held = [], [0.0] * delay
    for at, sample in enumerate(samples):
        place = at % delay
        out.append(held[place])
        held[place] = sample + gain * held[place]
    return out


def all_pass(samples, delay, gain):
    out, held = [], [0.0] * delay
    for at, sample in enumerate(samples):
        place = at % delay
        delayed = held[place]
        held[place] = sample + gain * delayed
        out.append(delayed - gain * held[place])
    return out


def reverberation(samples, rate):
    sum_of_combs = [0.0] * len(samples)
    for delay_s in COMBS_S:
        # Down by 60 dB after the reverberation time.
        echoes = comb(samples, int(delay_s * rate), 10 ** (-3 * delay_s / REVERBERATION_S))
        sum_of_combs = [a + 0.25 * b for a, b in zip(sum_of_combs, echoes)]
    for delay_s in ALL_PASSES_S:
        sum_of_combs = all_pass(sum_of_combs, int(delay_s * rate), ALL_PASS_GAIN)
    return sum_of_combs


def pink_noise(length):
    """Sixteen sources, each renewed half as often as the one before (after R. F. Voss)."""
    chance = random.Random(SEED)
    sources = [chance.uniform(-1, 1) for _ in range(16)]
    total = sum(sources)
    for count in range(1, length + 1):
        which = (count & -count).bit_length() - 1
        if which < len(sources):
            total -= sources[which]
            sources[which] = chance.uniform(-1, 1)
            total += sources[which]
        yield total / 16 ** 0.5


def main(dry, wet):
    with wave.open(dry) as file:
        rate = file.getframerate()
        assert (file.getnchannels(), file.getsampwidth()) == (1, 2), "a 16-bit mono take"
        samples = [s / 32768 for s in array.array("h", file.readframes(file.getnframes()))]
    room = reverberation(samples, rate)
    level = NOISE * max(map(abs, samples))
    mixed = [
        a + WET * b + level * noise
        for a, b, noise in zip(samples, room, pink_noise(len(samples)))
    ]
    peak = max(map(abs, mixed))
    with wave.open(wet, "wb") as file:
        file.setparams((1, 2, rate, 0, "NONE", ""))
        file.writeframes(array.array("h", [round(16_000 * s / peak) for s in mixed]).tobytes())


if __name__ == "__main__":
    main(*sys.argv[1:])
