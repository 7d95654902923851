"""What is written about the package is so."""

from __future__ import annotations

import doctest
import importlib
import os
import pkgutil
import re
import subprocess
import sys
from pathlib import Path

import pytest
from conftest import REPOSITORY

import leadpipe

PYTHON = REPOSITORY / "python"
MODULES = [
    name
    for _, name, _ in pkgutil.walk_packages(leadpipe.__path__, "leadpipe.")
    if not name.endswith("__main__")
]


@pytest.mark.parametrize("name", ["leadpipe", *MODULES])
def test_examples_in_docstrings(name):
    assert doctest.testmod(importlib.import_module(name)).failed == 0


def test_everything_public_is_described():
    for name in leadpipe.__all__:
        thing = getattr(leadpipe, name)
        if callable(thing) and not name.startswith("_") and thing.__module__ != "leadpipe._native":
            assert thing.__doc__, name


def test_the_readme_runs(tmp_path, demo):
    """Its Python, from top to bottom, beside a take."""
    text = (PYTHON / "README.md").read_text()
    blocks = re.findall(r"```python\n(.*?)```", text, re.S)
    assert len(blocks) >= 4
    (tmp_path / "take.wav").write_bytes(demo.read_bytes())
    (tmp_path / "takes").mkdir()
    (tmp_path / "takes" / "take.wav").write_bytes(demo.read_bytes())
    script = tmp_path / "readme.py"
    # Workers are new processes, which read the script again.
    body = "\n".join(blocks).replace("\n", "\n    ")
    script.write_text(f"if __name__ == '__main__':\n    {body}\n")
    done = subprocess.run(
        [sys.executable, script], cwd=tmp_path, capture_output=True, text=True, timeout=300
    )
    assert done.returncode == 0, done.stderr


def test_the_guide_runs(tmp_path):
    """It checks its figures itself; here, that every plot is drawn."""
    (tmp_path / "fixtures").mkdir()
    guide = tmp_path / "python" / "guide"
    guide.mkdir(parents=True)
    (guide / "guide.py").write_text((PYTHON / "guide" / "guide.py").read_text())
    for recording in (REPOSITORY / "fixtures").glob("*.wav"):
        (tmp_path / "fixtures" / recording.name).write_bytes(recording.read_bytes())
    done = subprocess.run(
        [sys.executable, guide / "guide.py"],
        cwd=guide,
        capture_output=True,
        text=True,
        timeout=600,
        env=os.environ | {"MPLBACKEND": "Agg"},
    )
    assert done.returncode == 0, done.stderr
    drawn = {path.name: path.stat().st_size for path in (guide / "figures").glob("*.png")}
    kept = set(re.findall(r'keep\(figure, "(\w+)"\)', (guide / "guide.py").read_text()))
    assert {Path(name).stem for name in drawn} == kept and len(kept) == 4
    assert min(drawn.values()) > 5_000
