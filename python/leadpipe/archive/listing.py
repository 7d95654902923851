"""Which takes there are."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from typing import Union

import fsspec

from .. import _native
from ..errors import InputError

EXTENSIONS = frozenset(_native.EXTENSIONS)
"""Extensions of takes, in lower case."""

Source = Union[str, "os.PathLike[str]", Iterable[Union[str, "os.PathLike[str]"]]]
"""A folder, a bucket's URL (``s3://bucket/prefix``, whatever fsspec opens), or names of
takes."""


def listing(source: Source) -> list[str]:
    """The takes of a folder or a bucket, with all folders in it, sorted by name. Hidden
    files and folders and files of control voltages (``.cv.wav``) are left out. Names that are given one by one are taken as they are.

    Raises:
        InputError: there is no such folder, or no take in it.
    """
    if not isinstance(source, (str, os.PathLike)):
        takes = [os.fspath(name) for name in source]
        if not takes:
            raise InputError("an empty list of takes; give some")
        return takes
    root = os.fspath(source)
    takes = sorted(_in_bucket(root) if "://" in root else _in_folder(root))
    if not takes:
        raise InputError(
            f"{root}: no takes in this folder; "
            "choose one with WAV, AIFF, CAF, FLAC, MP3 or OGG files in it"
        )
    return takes


def _is_take(name: str) -> bool:
    # Our own voltages may lie beside their takes.
    if name.lower().endswith(".cv.wav"):
        return False
    return os.path.splitext(name)[1][1:].lower() in EXTENSIONS


def _in_folder(root: str) -> Iterator[str]:
    if os.path.isfile(root):
        yield root
        return
    if not os.path.isdir(root):
        raise InputError(f"{root}: no such folder; check the name")
    for folder, folders, files in os.walk(root):
        folders[:] = [name for name in folders if not name.startswith(".")]
        for name in files:
            if _is_take(name) and not name.startswith("."):
                yield os.path.join(folder, name)


def _in_bucket(root: str) -> Iterator[str]:
    files, prefix = fsspec.core.url_to_fs(root)
    for name in files.find(prefix):
        below = name[len(prefix) :].split("/")
        if _is_take(name) and not any(part.startswith(".") for part in below):
            yield files.unstrip_protocol(name)
