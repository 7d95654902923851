"""Hands takes out to the workers and collects their rows."""

from __future__ import annotations

import itertools
import os
import sys
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Callable

import pyarrow as pa

from .. import __version__
from .._settings import settings
from ..errors import SettingError
from .listing import Source, listing
from .store import Rows, Store
from .task import failure, transcribe_take

if TYPE_CHECKING:
    from distributed import Client

WINDOW = 10_000
"""Takes at the scheduler at once: as many as it holds with ease, and enough that no
worker waits."""

SUMMARY_EVERY_S = 60.0
"""Least time between two summaries of a run that goes on; more where writing one takes
long."""
SUMMARY_SHARE = 0.02
"""Most of the run's time that goes into them."""


def run(
    source: Source,
    out: str | os.PathLike[str],
    *,
    client: Client | None = None,
    again: bool = False,
    progress: bool | Callable[[dict[str, Any]], None] = False,
    **options: Any,
) -> pa.Table:
    """Transcribes an archive: one task a take, its notes as a Parquet file, and a summary.

    Args:
        source: a folder, a bucket's URL, or names of takes: :func:`listing`.
        out: folder or bucket for the results, which every worker can write to.
        client: of a Dask cluster; by default one worker a core of this machine.
        again: try takes again that could not be used in an earlier run.
        progress: ``True`` prints a line on standard error (Dask's dashboard shows more;
            its address is printed first), or a function that gets each row.
        options: keyword arguments of :func:`leadpipe.transcribe`: ``horn``, ``tuning``,
            ``tonic``, ``reference_hz``, ``causal``, ``channel``, ``start_s``, ``end_s``,
            ``gate_db``. Horns and tunings by name or file.

    Returns:
        The summary, in the order of the takes: :data:`SUMMARY_SCHEMA`.

    Raises:
        InputError: no takes.
        SettingError: an option that is not possible, before anything is done.
    """
    _check(options)
    takes = listing(source)
    out = os.fspath(out)
    run_id = uuid.uuid4().hex[:8]
    store = Store(out, run_id)
    store.check()
    rows = Rows()
    report = _Report(len(takes), progress)
    due_s = time.monotonic() + SUMMARY_EVERY_S
    with _cluster(client) as cluster:
        report.start(cluster)
        for at, row in _rows(cluster, run_id, takes, out, options, again):
            rows.add(at, row)
            report(row)
            if time.monotonic() > due_s:
                began_s = time.monotonic()
                store.write("summary.parquet", rows.table())
                now_s = time.monotonic()
                due_s = now_s + max(SUMMARY_EVERY_S, (now_s - began_s) / SUMMARY_SHARE)
    table = rows.table()
    store.write("summary.parquet", table)
    store.clear()
    report.done()
    return table


_OPTIONS = {
    "horn", "tuning", "tonic", "reference_hz", "causal", "channel", "start_s", "end_s", "gate_db",
}  # fmt: skip


def _check(options: dict[str, Any]) -> None:
    unknown = sorted(set(options) - _OPTIONS)
    if unknown:
        raise SettingError(f"no option {unknown[0]}; choose from {', '.join(sorted(_OPTIONS))}")
    for name in ("horn", "tuning"):
        if not isinstance(options.get(name, ""), (str, os.PathLike)):
            raise SettingError(f"{name} is an object; give its name, which can be sent to workers")
        if name in options:
            options[name] = os.fspath(options[name])
    settings(**options)


@contextmanager
def _cluster(client: Client | None) -> Iterator[Client]:
    if client is not None:
        yield client
        return
    from distributed import Client as NewClient
    from distributed import LocalCluster

    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    with (
        LocalCluster(n_workers=cores or 1, threads_per_worker=1) as cluster,
        NewClient(cluster) as own,
    ):
        yield own


def _rows(
    client: Client,
    run_id: str,
    takes: list[str],
    out: str,
    options: dict[str, Any],
    again: bool,
) -> Iterator[tuple[int, dict[str, Any]]]:
    """Rows as they are done, with the index of their take."""
    from distributed import as_completed

    left = iter(enumerate(takes))
    places: dict[Any, int] = {}

    def submit(at: int, take: str) -> Any:
        future = client.submit(
            transcribe_take,
            take,
            out,
            options,
            __version__,
            again,
            run_id,
            key=f"transcribe_take-{run_id}-{at}",
        )
        places[future.key] = at
        return future

    first = [submit(at, take) for at, take in itertools.islice(left, WINDOW)]
    finished = as_completed(first)
    del first
    for future in finished:
        at = places.pop(future.key)
        error = future.exception()
        row = future.result() if error is None else {"take": takes[at]} | _lost(error)
        following = next(left, None)
        if following is not None:
            finished.add(submit(*following))
        yield at, row


def _lost(error: BaseException) -> dict[str, Any]:
    """A task that has no row of its own: an error that no take should cause."""
    row = failure(error)
    if row["error_kind"] == "KilledWorker":
        row["error"] = (
            "every worker that tried this take died; see the workers' logs: "
            "most often their memory was exceeded"
        )
    return row | {"version": __version__}


class _Report:
    """Progress on standard error, or to the caller."""

    def __init__(self, takes: int, progress: bool | Callable[[dict[str, Any]], None]) -> None:
        self._call = progress if callable(progress) else None
        self._shown = progress is True
        self._takes, self._done, self._failed = takes, 0, 0
        self._since_s = time.monotonic()

    def start(self, client: Client) -> None:
        if self._shown:
            print(f"dashboard: {client.dashboard_link}", file=sys.stderr)

    def __call__(self, row: dict[str, Any]) -> None:
        self._done += 1
        self._failed += row["status"] == "failed"
        if self._call:
            self._call(row)
        if self._shown and sys.stderr.isatty():
            left_s = (time.monotonic() - self._since_s) / self._done * (self._takes - self._done)
            print(
                f"\r{self._done} of {self._takes} takes, {self._failed} failed, "
                f"{int(left_s) // 60}:{int(left_s) % 60:02} left \x1b[K",
                end="",
                file=sys.stderr,
            )

    def done(self) -> None:
        if self._shown:
            start = "\r\x1b[K" if sys.stderr.isatty() else ""
            print(f"{start}{self._done} takes, {self._failed} failed", file=sys.stderr)
