"""What several test files need: the program, the built-in take, scratch folders."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

import leadpipe

REPOSITORY = Path(__file__).resolve().parents[2]
FIXTURES = REPOSITORY / "fixtures"
RATE = 48_000


class Program:
    """The command line."""

    def __init__(self, path: str) -> None:
        self.path = path

    def __call__(self, *arguments: object) -> str:
        done = subprocess.run(
            [self.path, *map(str, arguments)], capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    def refuses(self, *arguments: object) -> str:
        """The one line that it says to bad input."""
        done = subprocess.run(
            [self.path, *map(str, arguments)], capture_output=True, text=True, check=False
        )
        assert done.returncode != 0
        return done.stderr.removeprefix("leadpipe: ").strip()


@pytest.fixture(scope="session")
def program() -> Program:
    built = REPOSITORY / "target" / "release" / "leadpipe"
    path = os.environ.get("LEADPIPE") or (str(built) if built.exists() else None)
    path = path or shutil.which("leadpipe")
    if path is None:
        pytest.fail("build the program first: cargo build --release, or name it with LEADPIPE=")
    return Program(path)


@pytest.fixture(scope="session")
def demo(program: Program, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The built-in take as a file."""
    folder = tmp_path_factory.mktemp("demo")
    program("demo", "--out", folder)
    return folder / "lamplight.wav"


@pytest.fixture(scope="session")
def samples() -> np.ndarray:
    """The built-in take as an array."""
    return leadpipe.demo_line(RATE)


def assert_same(actual: np.ndarray, expected: np.ndarray) -> None:
    """Structured arrays are equal, column by column; NaN equals NaN."""
    assert actual.dtype == expected.dtype
    for name in actual.dtype.names:
        np.testing.assert_array_equal(actual[name], expected[name], err_msg=name)
