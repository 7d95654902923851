"""Notes while they are played: :class:`Tracker`."""

from __future__ import annotations

from dataclasses import dataclass
from types import TracebackType
from typing import NamedTuple, NoReturn, Union

import numpy as np
import numpy.typing as npt

from . import _native
from ._samples import as_array
from ._settings import HornLike, TuningLike, settings
from .notes import Note, to_array, to_notes
from .tracks import Track

__all__ = ["NoteEnded", "NoteStarted", "Tracker", "Update"]


@dataclass(frozen=True)
class NoteStarted:
    """A note has begun, and is decided on."""

    onset_s: float
    """When it began, stream seconds."""
    decided_s: float
    """When that was decided, stream seconds."""
    midi: int
    """MIDI number of the sounding note."""
    frequency_hz: float
    """Pitch at that time."""
    cents: float
    """Against the nearest pitch of the tuning."""
    concert: str
    """Name as it sounds."""
    written: str
    """Name in the horn's part."""
    level_db: float
    """Level at that time, dBFS (RMS)."""
    attack: str
    """``tongued`` or ``slurred``. That a note began by the air alone shows in how it
    rises, and so only when it has ended."""


@dataclass(frozen=True)
class NoteEnded:
    """A note that had begun is over."""

    note: Note
    """The note. Length, accent, techniques and brightness are known for whole takes alone:
    ``transcribe(..., causal=True)`` has them."""


class Update(NamedTuple):
    """What a block brought."""

    frames: Track
    """The frames that it completes, one every 1.4 ms."""
    events: tuple[Union[NoteStarted, NoteEnded], ...]
    """Notes that began or ended, in order."""


_STARTED = list(NoteStarted.__dataclass_fields__)


class Tracker:
    """Causal tracker of one channel: pitch and notes while they are played.

    It decides what the program's live engine decides, never looking ahead. One stream,
    one tracker; several threads may call it, one at a time gets in. It cannot be pickled
    or copied, and belongs to the process that made it.

    Args:
        sample_rate: of the stream, in hertz, 8 to 192 kHz.
        horn, tuning, tonic, reference_hz, gate_db: as of :func:`leadpipe.transcribe`.
        channel: of the horn in blocks of several, counted from 1; by default their mean.

    Example:
        >>> import leadpipe
        >>> take = leadpipe.demo_line(48_000)
        >>> started = []
        >>> with leadpipe.Tracker(48_000, horn="flugelhorn") as tracker:
        ...     for at in range(0, len(take), 256):
        ...         started += [e for e in tracker.push(take[at : at + 256]).events
        ...                     if isinstance(e, leadpipe.NoteStarted)]
        >>> len(started), started[0].written
        (18, 'C4')
    """

    def __init__(
        self,
        sample_rate: float,
        *,
        horn: HornLike = None,
        tuning: TuningLike = "equal-12",
        tonic: str | None = None,
        reference_hz: float = 440.0,
        channel: int | None = None,
        gate_db: float = _native.DEFAULT_GATE_DB,
    ) -> None:
        checked = settings(
            horn=horn,
            tuning=tuning,
            tonic=tonic,
            reference_hz=reference_hz,
            channel=channel,
            gate_db=gate_db,
            causal=True,
        )
        self._native = _native.Tracker(float(sample_rate), checked)

    @property
    def sample_rate(self) -> float:
        """Sample rate in hertz."""
        return self._native.sample_rate

    @property
    def closed(self) -> bool:
        """Whether the stream has ended."""
        return self._native.closed

    def push(self, block: npt.ArrayLike) -> Update:
        """Takes the next samples.

        Args:
            block: float32 or float64, full scale 1.0, shape ``(frames,)`` or ``(frames,
                channels)``, of any length, nought included.

        Raises:
            InputError: another type or shape, or NaN; the stream is then as it was.
            ClosedError: the stream has ended.
            ForkError: the tracker was made in another process.
        """
        samples = as_array(block, "block")
        return _update(self._native.push(samples))

    def finish(self) -> Update:
        """Ends the stream, with a note that still sounds, and closes the tracker."""
        return _update(self._native.finish())

    def close(self) -> None:
        """Closes the tracker without an answer. Closing twice is no fault."""
        self._native.close()

    def __enter__(self) -> Tracker:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"<Tracker at {self.sample_rate:g} Hz, {'closed' if self.closed else 'open'}>"

    def __reduce__(self) -> NoReturn:
        raise TypeError(
            "a Tracker holds the state of a stream and cannot be pickled or copied; "
            "make one in each process"
        )


def _update(update: tuple[_native._Frames, list[bool], _native.Line]) -> Update:
    frames, started, line = update
    if not started:
        return Update(Track(*frames), ())
    rows = to_array(line)
    events: list[NoteStarted | NoteEnded] = []
    for begins, row in zip(started, rows):
        if begins:
            events.append(NoteStarted(**{name: row[name].item() for name in _STARTED}))
        else:
            events.append(NoteEnded(to_notes(np.array([row]))[0]))
    return Update(Track(*frames), tuple(events))
