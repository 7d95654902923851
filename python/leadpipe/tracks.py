"""The pitch of a take over time: :func:`track`, :class:`Track`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from . import _native
from ._samples import Take, arguments, warn
from ._settings import HornLike, settings

if TYPE_CHECKING:
    import pandas

__all__ = ["FRAME_DTYPE", "Track", "track"]

FRAME_DTYPE = np.dtype(
    [("time_s", "f8"), ("frequency_hz", "f8"), ("confidence", "f4"), ("level_db", "f4")]
)
"""A frame: the columns of the command ``leadpipe track``, unrounded."""


@dataclass(frozen=True)
class Track:
    """Pitch and level of a take or of a note, a frame every 1.4 ms. All arrays have the shape
    ``(frames,)``."""

    time_s: npt.NDArray[np.float64]
    """Seconds from the start of the take, without any filter delay."""
    frequency_hz: npt.NDArray[np.float64]
    """Hertz; NaN where there is no tone."""
    confidence: npt.NDArray[np.float32]
    """Share of the sound that the pitch explains, 0 to 1."""
    level_db: npt.NDArray[np.float32]
    """dBFS (RMS)."""

    def __len__(self) -> int:
        return len(self.time_s)

    @property
    def voiced(self) -> npt.NDArray[np.bool_]:
        """Where there is tone."""
        return ~np.isnan(self.frequency_hz)

    @property
    def hop_s(self) -> float:
        """Time between frames, seconds; NaN for less than two."""
        return float(self.time_s[1] - self.time_s[0]) if len(self) > 1 else float("nan")

    def to_numpy(self) -> npt.NDArray[np.void]:
        """The frames as a structured array of dtype :data:`FRAME_DTYPE`."""
        rows = np.empty(len(self), FRAME_DTYPE)
        for name in FRAME_DTYPE.names or ():
            rows[name] = getattr(self, name)
        return rows

    def to_frame(self) -> pandas.DataFrame:
        """The frames as a pandas data frame. Needs pandas."""
        import pandas

        return pandas.DataFrame(self.to_numpy())

    def at(self, times_s: npt.ArrayLike) -> npt.NDArray[np.int64]:
        """Index of the frame nearest to each time.

        Args:
            times_s: seconds, shape ``(n,)``.

        Returns:
            Indices, shape ``(n,)``; -1 for times outside the track, by more than half a
            hop.
        """
        times = np.asarray(times_s, dtype=np.float64)
        if len(self) == 0:
            return np.full(times.shape, -1, dtype=np.int64)
        hop_s = self.hop_s if len(self) > 1 else 1e-3
        index = np.rint((times - self.time_s[0]) / hop_s).astype(np.int64)
        return np.where((index < 0) | (index >= len(self)), -1, index)


def track(
    take: Take,
    sample_rate: float | None = None,
    *,
    horn: HornLike = None,
    causal: bool = False,
    channel: int | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    gate_db: float = _native.DEFAULT_GATE_DB,
    name: str | None = None,
) -> Track:
    """Tracks the pitch of a take, as the command ``leadpipe track``.

    Arguments, exceptions and warnings are those of :func:`leadpipe.transcribe`.

    Example:
        >>> import leadpipe
        >>> track = leadpipe.track(leadpipe.demo_line(48_000), 48_000, horn="flugelhorn")
        >>> round(float(track.frequency_hz[track.at([1.0])][0]))
        233
    """
    checked = settings(
        horn=horn,
        causal=causal,
        channel=channel,
        start_s=start_s,
        end_s=end_s,
        gate_db=gate_db,
    )
    source, rate, called = arguments(take, sample_rate, name)
    frames, faults = _native.track(source, rate, called, checked)
    warn(called, faults)
    return Track(*frames)
