"""What a worker does for one take."""

from __future__ import annotations

import hashlib
import os
import tempfile
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import fsspec
import numpy as np
import numpy.typing as npt

from .. import __version__
from ..errors import InputError, LeadpipeError, RecordingWarning, SettingError
from ..notes import NOTE_DTYPE, Transcription, transcribe
from .store import Store, result_name, result_table, settings_id

_CHUNK = 1 << 20


def transcribe_take(
    take: str, out: str, options: dict[str, Any], version: str, again: bool, run_id: str
) -> dict[str, Any]:
    """Transcribes a take and writes its result, unless it is there.

    Args:
        take: its path or URL.
        out: the folder or bucket of results.
        options: keyword arguments of :func:`leadpipe.transcribe`.
        version: of leadpipe, which the worker's must be.
        again: whether takes that could not be used are tried again.
        run_id: of the run, by which what a worker that dies leaves is known.

    Returns:
        Its row of the summary. A take that cannot be used is a row too.
    """
    row: dict[str, Any] = {"take": take, "status": "failed", "version": __version__}
    try:
        if version != __version__:
            raise SettingError(
                f"leadpipe {__version__} on this worker, {version} where the run was started; "
                "install the same version"
            )
        with _local_copy(take) as (path, content):
            return _with_content(row, path, content, Store(out, run_id), options, again)
    except (LeadpipeError, OSError) as error:
        return row | failure(error)


def failure(error: BaseException) -> dict[str, Any]:
    return {"status": "failed", "error_kind": type(error).__name__, "error": str(error)}


def _with_content(
    row: dict[str, Any],
    path: str,
    content: str,
    store: Store,
    options: dict[str, Any],
    again: bool,
) -> dict[str, Any]:
    name = result_name(content, settings_id(__version__, options))
    if store.exists(name):
        known = store.metadata(name)
        if known["status"] == "done":
            return known | {"take": row["take"], "status": "kept"}
        if not again:
            # The same content may have failed under another name.
            error = known["error"].replace(known["take"], row["take"])
            return known | {"take": row["take"], "error": error}
    row |= {"content": content, "result": name}
    started_s = time.thread_time()
    notes: npt.NDArray[np.void] = np.empty(0, NOTE_DTYPE)
    try:
        heard = _transcribe(path, row["take"], options)
        notes = heard.to_numpy()
        row |= _measures(heard, notes) | {"status": "done"}
    except InputError as error:
        # The same content fails in the same way.
        row |= failure(error)
    row["cpu_s"] = time.thread_time() - started_s
    store.write(name, result_table(row, notes))
    return row


def _transcribe(path: str, take: str, options: dict[str, Any]) -> Transcription:
    with warnings.catch_warnings():
        # They are in the row.
        warnings.simplefilter("ignore", RecordingWarning)
        try:
            return transcribe(path, contours=False, **options)
        except InputError as error:
            # Messages name the take, not its local copy.
            raise type(error)(str(error).replace(path, take)) from None


def _measures(heard: Transcription, notes: npt.NDArray[np.void]) -> dict[str, Any]:
    measures: dict[str, Any] = {
        "warnings": heard.warnings,
        "notes": len(notes),
        "length_s": heard.length_s,
    }
    if len(notes):
        time_s = notes["offset_s"] - notes["onset_s"]
        mean = np.average(notes["cents"], weights=time_s)
        variance = np.average((notes["cents"] - mean) ** 2, weights=time_s)
        measures |= {"mean_cents": float(mean), "spread_cents": float(np.sqrt(variance))}
    return measures


@contextmanager
def _local_copy(take: str) -> Iterator[tuple[str, str]]:
    """A take as a local file, and the hash of its content."""
    digest = hashlib.blake2b(digest_size=16)
    if "://" not in take:
        with open(take, "rb") as file:
            while chunk := file.read(_CHUNK):
                digest.update(chunk)
        yield take, digest.hexdigest()
        return
    ending = os.path.splitext(take)[1]
    with tempfile.NamedTemporaryFile(prefix="leadpipe-", suffix=ending) as copy:
        with fsspec.open(take, "rb") as file:
            while chunk := file.read(_CHUNK):
                digest.update(chunk)
                copy.write(chunk)
        copy.flush()
        yield copy.name, digest.hexdigest()
