"""Results as Parquet files::

    OUT/notes/3f/3f0c...-91ab22c4.parquet   the notes of one take: content and settings
    OUT/summary.parquet                     a row a take

Files appear whole or not at all. Two workers that write the same result write the same
bytes' worth of it; the later one stays.
"""

from __future__ import annotations

import hashlib
import json
import os
import uuid
from typing import Any

import fsspec
import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.dataset
import pyarrow.parquet

from ..errors import InputError, OutputError
from ..notes import NOTE_DTYPE

_ARROW = {"f8": pa.float64(), "f4": pa.float32(), "i2": pa.int16(), "b1": pa.bool_()}


def _field(name: str) -> pa.Field:
    kind = NOTE_DTYPE[name]
    return pa.field(name, pa.string() if kind.kind == "U" else _ARROW[kind.str[1:]])


NOTES_SCHEMA = pa.schema(
    [pa.field("take", pa.string()), pa.field("content", pa.string())]
    + [_field(name) for name in NOTE_DTYPE.names or ()]
)
"""Columns of a result: ``take`` (name of the first take with this content), ``content``
(its hash, as in the summary), and those of :data:`leadpipe.NOTE_DTYPE`."""

SUMMARY_SCHEMA = pa.schema(
    [
        ("take", pa.string()),
        ("content", pa.string()),
        ("status", pa.string()),
        ("error_kind", pa.string()),
        ("error", pa.string()),
        ("warnings", pa.list_(pa.string())),
        ("notes", pa.int32()),
        ("length_s", pa.float64()),
        ("mean_cents", pa.float64()),
        ("spread_cents", pa.float64()),
        ("cpu_s", pa.float64()),
        ("version", pa.string()),
        ("result", pa.string()),
    ]
)
"""Columns of the summary. ``status``: ``done`` in this run, ``kept`` from an earlier one,
or ``failed``. ``content``: BLAKE2b-128 of the file's bytes. ``mean_cents`` and
``spread_cents`` (standard deviation) are weighted by the notes' sounding time.
``cpu_s``: processor time that the take took when it was done. ``result``: its file below
the folder of results."""


class Store:
    """A folder or a bucket of results."""

    def __init__(self, out: str, run: str = "") -> None:
        """``run`` marks what the workers of one run have not finished writing."""
        self.files, self.root = fsspec.core.url_to_fs(out)
        self._run = run or uuid.uuid4().hex

    def path(self, name: str) -> str:
        return f"{self.root.rstrip('/')}/{name}"

    def check(self) -> None:
        """Refuses a folder that cannot be written to, before long work starts."""
        probe = self._staged()
        try:
            self.write(probe, pa.table({}))
            self.files.rm(self.path(probe))
        except OSError as error:
            raise OutputError(f"{self.root}: {error}; choose another folder") from error

    def exists(self, name: str) -> bool:
        return bool(self.files.exists(self.path(name)))

    def write(self, name: str, table: pa.Table) -> None:
        """Writes a table under a temporary name, which is then changed."""
        path = self.path(name)
        folder = path.rsplit("/", 1)[0]
        self.files.makedirs(folder, exist_ok=True)
        staged = f"{folder}/{self._staged()}"
        try:
            with self.files.open(staged, "wb") as to:
                pyarrow.parquet.write_table(table, to, compression="zstd")
            self.files.mv(staged, path)
        except BaseException:
            if self.files.exists(staged):
                self.files.rm(staged)
            raise

    def _staged(self) -> str:
        return f".{self._run}-{uuid.uuid4().hex}.staged"

    def clear(self) -> None:
        """Removes what workers of the run left half written when they died."""
        # Not by a pattern: the folder's name may hold characters that mean something in one.
        for path in self.files.find(self.root):
            if path.rsplit("/", 1)[-1].startswith(f".{self._run}-"):
                self.files.rm(path)

    def metadata(self, name: str) -> dict[str, Any]:
        """What :func:`result_table` noted in a result."""
        with self.files.open(self.path(name), "rb") as file:
            schema = pyarrow.parquet.read_schema(file)
        row = json.loads((schema.metadata or {})[b"leadpipe"])
        assert isinstance(row, dict)
        return row


def settings_id(version: str, options: dict[str, Any]) -> str:
    """Short name of a version and the settings of a run. Horns and tunings of one's own
    count by what is in their files."""
    described = dict(options)
    for name in ("horn", "tuning"):
        value = described.get(name)
        if isinstance(value, str) and value.endswith((".toml", ".syx")):
            with open(value, "rb") as file:
                described[name] = hashlib.blake2b(file.read(), digest_size=16).hexdigest()
    text = json.dumps([version, described], sort_keys=True)
    return hashlib.blake2b(text.encode(), digest_size=4).hexdigest()


def result_name(content: str, settings: str) -> str:
    return f"notes/{content[:2]}/{content}-{settings}.parquet"


def text(name: str) -> str:
    """A name or a message as Parquet can hold it: bytes that are no UTF-8 replaced."""
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "replace")


def result_table(row: dict[str, Any], notes: npt.NDArray[np.void]) -> pa.Table:
    """The notes of a take, and its row of the summary as metadata."""
    columns = [
        pa.array([text(row["take"])] * len(notes), pa.string()),
        pa.array([row["content"]] * len(notes), pa.string()),
    ]
    for name in NOTE_DTYPE.names or ():
        values = notes[name]
        columns.append(
            pa.array(values.tolist() if values.dtype.kind == "U" else np.ascontiguousarray(values))
        )
    table = pa.Table.from_arrays(
        [column.cast(field.type) for column, field in zip(columns, NOTES_SCHEMA)],
        schema=NOTES_SCHEMA,
    )
    return table.replace_schema_metadata({"leadpipe": json.dumps(row)})


class Rows:
    """Rows of a summary, in any order, as columns: a million takes are some hundred
    megabytes rather than gigabytes of dictionaries."""

    _CHUNK = 10_000

    def __init__(self) -> None:
        self._tables: list[pa.Table] = []
        self._places: list[int] = []
        self._new: list[dict[str, Any]] = []

    def add(self, place: int, row: dict[str, Any]) -> None:
        held = {name: text(row[name]) for name in ("take", "error") if row.get(name)}
        self._places.append(place)
        self._new.append(row | held)
        if len(self._new) >= self._CHUNK:
            self._gather()

    def _gather(self) -> None:
        self._tables.append(pa.Table.from_pylist(self._new, schema=SUMMARY_SCHEMA))
        self._new = []

    def table(self) -> pa.Table:
        """All rows, in order of their places."""
        self._gather()
        return pa.concat_tables(self._tables).take(np.argsort(self._places))


def summary(out: str | os.PathLike[str]) -> pa.Table:
    """The summary of a run: a row a take, columns as in :data:`SUMMARY_SCHEMA`.

    Raises:
        InputError: there is none.
    """
    store = Store(os.fspath(out))
    if not store.exists("summary.parquet"):
        raise InputError(f"{os.fspath(out)}: no summary here; give the folder of a run's results")
    with store.files.open(store.path("summary.parquet"), "rb") as file:
        return pyarrow.parquet.read_table(file)


def notes(out: str | os.PathLike[str]) -> pyarrow.dataset.Dataset:
    """The notes of all takes that are in the summary, as a dataset to be filtered and
    read in parts; columns as in :data:`NOTES_SCHEMA`.

    Example:
        ``notes("results").to_table(columns=["take", "cents"]).to_pandas()``
    """
    store = Store(os.fspath(out))
    names = [name for name in summary(out)["result"].unique().to_pylist() if name]
    paths = [store.path(name) for name in names]
    return pyarrow.dataset.dataset(
        paths, schema=NOTES_SCHEMA, format="parquet", filesystem=store.files
    )
