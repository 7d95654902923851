"""Keyword arguments that several calls share."""

from __future__ import annotations

import os
from typing import Literal, Union

from . import _native

Snap = Literal["hard", "bend", "off"]
HornLike = Union[str, "os.PathLike[str]", _native.Horn, None]
TuningLike = Union[str, "os.PathLike[str]", _native.Tuning]


def settings(
    *,
    horn: HornLike = None,
    tuning: TuningLike = "equal-12",
    tonic: str | None = None,
    reference_hz: float = 440.0,
    causal: bool = False,
    channel: int | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    gate_db: float = _native.DEFAULT_GATE_DB,
    snap: Snap = "off",
    zero_volt_note: float = 60.0,
    contours: bool = True,
) -> _native.Settings:
    """Checked settings for the native calls."""
    return _native.Settings(
        horn=horn if horn is None or isinstance(horn, _native.Horn) else os.fspath(horn),
        tuning=tuning if isinstance(tuning, _native.Tuning) else os.fspath(tuning),
        tonic=tonic,
        reference_hz=reference_hz,
        causal=causal,
        channel=channel,
        start_s=start_s,
        end_s=end_s,
        gate_db=gate_db,
        snap=snap,
        zero_volt_note=zero_volt_note,
        contours=contours,
    )
