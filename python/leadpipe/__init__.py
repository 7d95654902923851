"""Notes from a brass instrument: pitch, onset, articulation and intonation of trumpet,
flugelhorn, horn and trombone, from recordings or while they are played.

The same code as the program ``leadpipe``, called without a subprocess:

>>> import leadpipe
>>> take = leadpipe.demo_line(48_000)
>>> notes = leadpipe.transcribe(take, 48_000, horn="flugelhorn")
>>> [note.written for note in notes[:4]]
['C4', 'D4', 'E4', 'G4']

========================  ==========================================================
you want                  use
========================  ==========================================================
the notes of a take       :func:`transcribe`, :class:`Transcription`, :class:`Note`
pitch over time           :func:`track`, :class:`Track`
notes while you play      :class:`Tracker`
how in tune it is         :func:`intonation`
a take against a score    :func:`compare`
horns and tunings         :func:`horns`, :class:`Horn`, :func:`tunings`, :class:`Tuning`
other libraries' forms    :mod:`leadpipe.mir`
thousands of takes        :mod:`leadpipe.archive`
what can go wrong         :mod:`leadpipe.errors`
========================  ==========================================================

A name ends in its unit: ``_s`` seconds, ``_hz`` hertz, ``_db`` dBFS (RMS) or dB,
``_cents`` hundredths of an equal semitone, positive is sharp. Samples are float32 or
float64, full scale 1.0, of shape ``(frames,)`` or ``(frames, channels)``.
"""

from __future__ import annotations

from . import errors, mir
from ._native import VERSION as __version__
from ._native import Horn, Tuning, demo_line, horns, note_name, tunings
from .errors import (
    ClosedError,
    ForkError,
    InputError,
    InternalError,
    LeadpipeError,
    OutputError,
    RecordingWarning,
    ScoreWarning,
    SettingError,
    SilentError,
)
from .notes import NOTE_DTYPE, Note, PartOptions, Technique, Transcription, transcribe
from .practice import Comparison, Intonation, compare, intonation
from .streams import NoteEnded, NoteStarted, Tracker, Update
from .tracks import FRAME_DTYPE, Track, track

__all__ = [
    "FRAME_DTYPE",
    "NOTE_DTYPE",
    "ClosedError",
    "Comparison",
    "ForkError",
    "Horn",
    "InputError",
    "InternalError",
    "Intonation",
    "LeadpipeError",
    "Note",
    "NoteEnded",
    "NoteStarted",
    "OutputError",
    "PartOptions",
    "RecordingWarning",
    "ScoreWarning",
    "SettingError",
    "SilentError",
    "Technique",
    "Track",
    "Tracker",
    "Transcription",
    "Tuning",
    "Update",
    "__version__",
    "compare",
    "demo_line",
    "errors",
    "horns",
    "intonation",
    "mir",
    "note_name",
    "track",
    "transcribe",
    "tunings",
]
