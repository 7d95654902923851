"""Takes as users give them: paths, or arrays of samples."""

from __future__ import annotations

import os
import warnings
from typing import Any, Union

import numpy as np
import numpy.typing as npt

from .errors import InputError, RecordingWarning, SettingError

Take = Union[str, "os.PathLike[str]", npt.ArrayLike]
"""A path of a WAV, AIFF, CAF, FLAC, MP3 or OGG file, or samples: float32 or float64, full
scale 1.0, shape ``(frames,)`` or ``(frames, channels)``."""


def is_path(take: Take) -> bool:
    return isinstance(take, (str, os.PathLike))


def as_array(samples: npt.ArrayLike, name: str) -> npt.NDArray[Any]:
    """The samples as they are, if they can be used; copied only where the processor
    could not read them in place (misaligned, or in another byte order)."""
    array = np.asarray(samples)
    kind = array.dtype
    if kind.kind in "iub" and kind.itemsize <= 4:
        hint = (
            f"divide integers by their full scale: samples.astype('float32') / {_full_scale(kind)}"
        )
        raise InputError(f"{name}: {kind} samples; {hint}")
    if kind.kind != "f" or kind.itemsize not in (4, 8):
        raise InputError(
            f"{name}: {kind} samples; give float32 or float64 with full scale 1.0"
        )
    if array.ndim not in (1, 2):
        raise InputError(
            f"{name}: an array of shape {array.shape}; "
            "give samples of shape (frames,) or (frames, channels)"
        )
    return np.require(array, dtype=kind.newbyteorder("="), requirements="A")


def _full_scale(kind: np.dtype[Any]) -> int:
    return 1 if kind.kind == "b" else 2 ** (8 * kind.itemsize - 1)


def arguments(
    take: Take, sample_rate: float | None, name: str | None
) -> tuple[Any, float | None, str]:
    """What the native calls take: a path or an array, its rate, its name."""
    rate = None if sample_rate is None else float(sample_rate)
    if is_path(take):
        path = os.fspath(take)  # type: ignore[arg-type]
        if path == "-":
            raise InputError("-: standard input is for the program; pass samples, or a path")
        return path, rate, name or str(path)
    array = as_array(take, name or "samples")  # type: ignore[arg-type]
    if rate is None:
        raise SettingError(
            "samples without a sample rate; give it, such as sample_rate=48000"
        )
    return array, rate, name or "samples"


def warn(
    name: str,
    faults: list[str],
    category: type[UserWarning] = RecordingWarning,
    stacklevel: int = 3,
) -> None:
    """Warns of each fault, where the call was made that is ``stacklevel`` calls up."""
    for fault in faults:
        warnings.warn(f"{name}: {fault}", category, stacklevel=stacklevel)
