"""How in tune the playing is, and how it compares with a part: :func:`intonation`,
:func:`compare`."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, field
from typing import Any

from ._samples import warn
from .errors import ScoreWarning, SettingError
from .notes import Transcription

__all__ = ["Comparison", "Intonation", "compare", "intonation"]


@dataclass(frozen=True)
class Intonation:
    """Deviation of a take from its tuning: the report of ``leadpipe intonation --format
    json``. Cents are positive where the playing is sharp; lists hold dictionaries, so
    that ``pandas.DataFrame(report.pitches)`` is a table."""

    notes: list[dict[str, Any]]
    """A note each: onset_s, duration_s, concert, written, mean_cents, spread_cents
    (standard deviation within the note), drift_cents (change from start to end)."""
    pitches: list[dict[str, Any]]
    """A written pitch each, lowest first: written, concert, notes, time_s, mean_cents,
    spread_cents (between its notes)."""
    offset_cents: float
    """Mean over all sounding time."""
    spread_cents: float
    """Standard deviation of the notes around that."""
    best_reference_hz: float
    """The A4 that fits the playing best."""
    groups: dict[str, list[dict[str, Any]]]
    """The notes by register, dynamic, time and attack: name, notes, time_s, mean_cents,
    spread_cents."""
    trend: dict[str, float] | None
    """cents_per_minute and its uncertainty (twice the standard error), from eight notes
    on."""
    histogram: list[dict[str, float]]
    """Sounding time by bins of 5 cents: from_cents, time_s."""
    attacks: dict[str, Any]
    """Numbers of notes by attack, length and technique, and of accents."""
    shares: list[dict[str, Any]]
    """Of each written pitch the likely fingering, and the cents that tube lengths and
    partials predict (horn_cents), that were played (played_cents), and the difference
    (player_cents). Empty without a horn."""
    tuning_slide_mm: float | None
    """How far to pull the main tuning slide out (in, if negative) to correct the offset."""
    temperature_c: float
    """Air temperature that the horn's share is calculated for."""

    def to_dict(self) -> dict[str, Any]:
        """The report as the command prints it."""
        return dict(self.__dict__)


def intonation(transcription: Transcription, *, temperature_c: float = 20.0) -> Intonation:
    """Measures how in tune the playing is, as the command ``leadpipe intonation``.

    Args:
        transcription: with contours.
        temperature_c: of the air in the horn, -20 to 50 degrees Celsius.

    Raises:
        SettingError: no contours, or a temperature that is not possible.
    """
    return Intonation(**json.loads(transcription._line.intonation(temperature_c)))


@dataclass(frozen=True)
class Comparison:
    """A take against a part: the result of ``leadpipe compare --format json``."""

    notes: list[dict[str, Any]]
    """A note of the part, a played note, or both, each: verdict (``right``, ``wrong``,
    ``missing``, ``extra``), bar, target and played (written names), onset_s, late_ms
    (against the local tempo; late is positive), length_percent, cents (against the
    tuning), cents_from_target (if the target is a take), held_over, departure (at the
    last note before a repeat or a jump that was left out, or after a repeat too many: what
    it was, in words)."""
    right: int
    wrong: int
    missing: int
    extra: int
    timing_spread_ms: float
    """Standard deviation of the timing."""
    pace: float | None
    """Tempo against the part's: 1.1 is a tenth faster."""
    pace_first: float | None
    """The same over the first quarter of the notes."""
    pace_last: float | None
    """The same over the last quarter of the notes."""
    tempo: float | None
    """Quarter notes a minute as played, if the part gives its tempo."""
    mean_cents: float
    """Mean deviation of the right notes from the tuning."""
    spread_cents: float
    """Standard deviation of the same."""
    better_shift: int | None = field(default=None, compare=False)
    """Semitones by which the part would have to be shifted to match far better: it is in
    another transposition. ``None`` if it matches as it is."""

    def to_dict(self) -> dict[str, Any]:
        """The comparison as the command prints it."""
        values = dict(self.__dict__)
        del values["better_shift"]
        return values


def compare(
    played: Transcription,
    target: str | os.PathLike[str] | Transcription,
    *,
    part: int | None = None,
    shift: int = 0,
) -> Comparison:
    """Compares a take with a score or another take, as the command ``leadpipe compare``.

    Args:
        played: the take.
        target: path of a MIDI file or a MusicXML score, or another transcription.
        part: of the score, counted from 1; by default the first that has notes.
        shift: transposes the target by so many semitones.

    Raises:
        InputError: the score is missing, damaged, or has no such part.
        SettingError: a part of a take, or both are too long to compare.

    Warns:
        ScoreWarning: some of the score is left out.
    """
    return compared(played, target, part, shift, calls=1)


def compared(
    played: Transcription,
    target: str | os.PathLike[str] | Transcription,
    part: int | None,
    shift: int,
    *,
    calls: int,
) -> Comparison:
    """What :func:`compare` gives; warnings are shown at the caller so many calls up."""
    if not -48 <= shift <= 48:
        raise SettingError(f"a shift of {shift} semitones; give -48 to 48")
    if isinstance(target, Transcription):
        if part is not None:
            raise SettingError(
                "a part with a take as target; leave part out: only scores have parts"
            )
        text, better = played._line.compare_line(target._line, shift)
    else:
        if part is not None and part < 1:
            raise SettingError(f"no part {part}; parts count from 1")
        text, better, left_out = played._line.compare_score(os.fspath(target), part, shift)
        warn(os.fspath(target), left_out, ScoreWarning, stacklevel=3 + calls)
    return Comparison(**json.loads(text), better_shift=better)
