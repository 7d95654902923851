#!/usr/bin/env python3
"""Known melodies, played and written down again.

Melodies of music21's corpus (folk songs in the public domain) are played by
fluidsynth's trumpet at a known tempo, transcribed to MusicXML and read back with
music21. Prints for each, with the tempo given and estimated: notes found, notes
written, rhythm values right, and whether every bar is full. The same rhythm may be
written in halves or in quarters, and nothing of it can be heard: where the values are
other ones throughout, it prints which and how many are right as such, and the tempo in
the score's values beside the written one.

    pip install music21 mido
    apt-get install fluidsynth fluid-soundfont-gm
    cargo build --release && scripts/melodies.py target/release/leadpipe
"""

import difflib
import pathlib
import subprocess
import sys
import tempfile
from collections import Counter
from fractions import Fraction

import mido
from music21 import converter, corpus

SOUND_FONT = "/usr/share/sounds/sf2/FluidR3_GM.sf2"
COLLECTION = "essenFolksong/altdeu10"
TEMPI = [84, 96, 104, 112, 120, 92]
MELODIES = 12
LOWEST = 54  # of a trumpet, sounding
SOUNDING = 0.9  # share of its value that a note sounds


def melody(score):
    """Pitch (None for a rest) and quarter lengths, tied notes as one."""
    notes = []
    for element in score.parts[0].recurse().notesAndRests:
        length = float(element.duration.quarterLength)
        if element.isRest:
            notes.append((None, length))
        elif element.tie and element.tie.type in ("stop", "continue") and notes:
            notes[-1] = (notes[-1][0], notes[-1][1] + length)
        elif element.isNote:
            notes.append((element.pitch.midi, length))
    lowest = min((pitch for pitch, _ in notes if pitch), default=LOWEST)
    octaves = max(0, -(-(LOWEST - lowest) // 12))
    return [(pitch and pitch + 12 * octaves, length) for pitch, length in notes]


def play(notes, tempo, folder):
    """Renders notes to a WAV."""
    midi = mido.MidiFile(ticks_per_beat=480)
    track = mido.MidiTrack()
    midi.tracks.append(track)
    track.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(tempo)))
    track.append(mido.Message("program_change", program=56))
    wait = 480
    for pitch, length in notes:
        ticks = round(480 * length)
        if pitch is None:
            wait += ticks
            continue
        sounding = int(SOUNDING * ticks)
        track.append(mido.Message("note_on", note=pitch, velocity=90, time=wait))
        track.append(mido.Message("note_off", note=pitch, velocity=0, time=sounding))
        wait = ticks - sounding
    track.append(mido.MetaMessage("end_of_track", time=480))
    midi.save(folder / "melody.mid")
    wav = folder / "melody.wav"
    options = ["-q", "-n", "-i", "-R", "0", "-C", "0", "-g", "0.6", "-r", "48000"]
    command = ["fluidsynth", *options, "-F", wav, SOUND_FONT, folder / "melody.mid"]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return wav


def write_down(program, wav, folder, options):
    """Transcribes, reads back: (pitch, length) of the notes, full bars, tempo."""
    command = [program, "transcribe", wav, "--out", folder, "--write", "musicxml"]
    run = dict(check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    subprocess.run([*command, *options], **run)
    score = converter.parse(folder / "melody.musicxml")
    notes = melody_as_written(score)
    bars = score.parts[0].getElementsByClass("Measure")
    # A pickup, numbered 0, is a bar of its own length.
    whole = [b for b in bars if b.number != 0]
    full = all(b.duration.quarterLength == b.barDuration.quarterLength for b in whole)
    tempo = score.recurse().getElementsByClass("MetronomeMark")[0].getQuarterBPM()
    return notes, full, tempo


def melody_as_written(score):
    notes = []
    for note in score.parts[0].flatten().notes:
        length = float(note.duration.quarterLength)
        if note.tie and note.tie.type in ("stop", "continue") and notes:
            notes[-1] = (notes[-1][0], notes[-1][1] + length)
        else:
            notes.append((note.pitch.midi, length))
    return notes


def usual_factor(values):
    """What most written values are of those in the score."""
    factors = Counter(Fraction(there / here).limit_denominator(12) for here, there in values)
    return factors.most_common(1)[0][0] if factors else Fraction(1)


def main():
    program = pathlib.Path(sys.argv[1]).resolve()
    scores = [s for s in corpus.parse(COLLECTION).scores if len(melody(s)) >= 15]
    for number, score in enumerate(scores[:MELODIES]):
        notes, tempo = melody(score), TEMPI[number % len(TEMPI)]
        truth = [(pitch, length) for pitch, length in notes if pitch]
        with tempfile.TemporaryDirectory() as name:
            folder = pathlib.Path(name)
            wav = play(notes, tempo, folder)
            for how, options in (("given", ["--tempo", str(tempo)]), ("estimated", [])):
                written, full, found = write_down(program, wav, folder, options)
                pitches = [[p for p, _ in side] for side in (truth, written)]
                blocks = difflib.SequenceMatcher(None, *pitches, False).get_matching_blocks()
                pairs = [(b.a + i, b.b + i) for b in blocks for i in range(b.size)]
                right = lambda factor: sum(
                    abs(factor * truth[a][1] - written[b][1]) < 1e-6 for a, b in pairs
                ) / len(truth)
                factor = usual_factor([(truth[a][1], written[b][1]) for a, b in pairs])
                other = "" if factor == 1 else (
                    f"; in values {factor} of the score's {right(factor):.2f}, "
                    f"tempo {found / factor:.0f}"
                )
                print(
                    f"{number:2} {how:9} tempo {tempo} {found}  "
                    f"notes {len(pairs)} of {len(truth)}, {len(written)} written  "
                    f"rhythm {right(1):.2f}{other}  bars full {full}"
                )


if __name__ == "__main__":
    main()
