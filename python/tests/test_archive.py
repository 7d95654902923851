"""Archives: every take a row, nothing done twice, nothing lost."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import dask
import fsspec
import numpy as np
import pytest
import soundfile
from conftest import FIXTURES, RATE
from distributed import Client, LocalCluster

import leadpipe
from leadpipe import archive


@pytest.fixture(scope="module")
def client():
    with dask.config.set({"distributed.scheduler.allowed-failures": 1}):
        with (
            LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0") as cluster,
            Client(cluster) as client,
        ):
            yield client


@pytest.fixture(scope="module")
def takes(samples, tmp_path_factory) -> Path:
    """Twelve takes in two folders, two of the same content, and three that cannot be used."""
    folder = tmp_path_factory.mktemp("takes")
    (folder / "lessons").mkdir()
    for at in range(11):
        # Of each another piece: another content.
        piece = samples[: RATE * (3 + at)]
        soundfile.write(folder / "lessons" / f"take-{at:02}.wav", piece, RATE)
    (folder / "again.wav").write_bytes((folder / "lessons" / "take-03.wav").read_bytes())
    (folder / "text.wav").write_text("no sound")
    (folder / "silent.flac").write_bytes(b"")
    soundfile.write(folder / "silent.wav", np.zeros(RATE), RATE)
    (folder / "notes.txt").write_text("not a take")
    (folder / ".hidden.wav").write_text("not a take")
    return folder


def by_take(table) -> dict[str, dict]:
    return {Path(row["take"]).name: row for row in table.to_pylist()}


def test_every_take_is_a_row(client, takes, tmp_path):
    rows = by_take(archive.run(takes, tmp_path, client=client, horn="flugelhorn"))
    assert len(rows) == 15
    failed = {name: row for name, row in rows.items() if row["status"] == "failed"}
    assert sorted(failed) == ["silent.flac", "silent.wav", "text.wav"]
    assert failed["silent.wav"]["error_kind"] == "SilentError"
    for name, row in failed.items():
        with pytest.raises(leadpipe.InputError) as refused:
            leadpipe.transcribe(takes / name, horn="flugelhorn")
        assert row["error"] == str(refused.value)
    # A file may be written by the worker that had its twin.
    assert rows["again.wav"]["content"] == rows["take-03.wav"]["content"]
    assert rows["again.wav"]["result"] == rows["take-03.wav"]["result"]
    assert archive.summary(tmp_path).equals(archive.summary(tmp_path))
    assert by_take(archive.summary(tmp_path)) == rows


def test_results_are_those_of_a_call(client, takes, tmp_path):
    table = archive.run(takes, tmp_path, client=client, horn="flugelhorn", tuning="just")
    notes = archive.notes(tmp_path).to_table().to_pandas()
    for name, row in by_take(table).items():
        if row["status"] == "failed":
            continue
        alone = leadpipe.transcribe(row["take"], horn="flugelhorn", tuning="just")
        assert row["notes"] == len(alone)
        assert row["length_s"] == alone.length_s
        rows = notes[notes["content"] == row["content"]].reset_index(drop=True)
        frame = alone.to_frame()
        for column in frame.columns:
            np.testing.assert_array_equal(rows[column], frame[column], err_msg=column)
        report = alone.intonation()
        assert row["mean_cents"] == pytest.approx(report.offset_cents, abs=1e-9), name
        assert row["spread_cents"] == pytest.approx(report.spread_cents, abs=1e-9)


def test_names_of_any_kind(client, samples, tmp_path):
    folder = tmp_path / "takes"
    folder.mkdir()
    for at, name in enumerate(["ö ü 夢.wav", os.fsdecode(b"\xff\xfe.wav"), "a'b\nc.wav", "%20.wav"]):
        soundfile.write(folder / "one.wav", samples[at * 100 : 4 * RATE], RATE)
        (folder / "one.wav").rename(folder / name)
    (folder / os.fsdecode(b"\xfd.wav")).write_text("no sound")
    table = archive.run(folder, tmp_path / "out", client=client)
    assert sorted(table["status"].to_pylist()) == ["done"] * 4 + ["failed"]
    assert archive.notes(tmp_path / "out").count_rows() == sum(filter(None, table["notes"].to_pylist()))


def written(folder: Path) -> dict[str, int]:
    files = folder.glob("notes/**/*.parquet")
    return {str(path.relative_to(folder)): path.stat().st_mtime_ns for path in files}


def test_what_is_done_is_not_done_again(client, takes, tmp_path):
    some = sorted((takes / "lessons").iterdir())[:6]
    archive.run(some, tmp_path, client=client)
    before = written(tmp_path)
    assert len(before) == 6
    table = archive.run(takes, tmp_path, client=client)
    rows = by_take(table)
    assert {name for name, row in rows.items() if row["status"] == "kept"} >= {
        path.name for path in some
    }
    after = written(tmp_path)
    assert {name: after[name] for name in before} == before
    again = archive.run(takes, tmp_path, client=client)
    assert written(tmp_path) == after
    assert set(again["status"].to_pylist()) == {"kept", "failed"}
    for name, row in by_take(again).items():
        old = rows[name] | {"status": row["status"]}
        assert row == old
    # Other settings are another result.
    archive.run(some, tmp_path, client=client, causal=True)
    assert len(written(tmp_path)) == len(after) + 6


def test_moved_and_changed_takes(client, samples, tmp_path):
    folder, out = tmp_path / "takes", tmp_path / "out"
    folder.mkdir()
    soundfile.write(folder / "a.wav", samples[: 4 * RATE], RATE)
    archive.run(folder, out, client=client)
    (folder / "a.wav").rename(folder / "b.wav")
    (row,) = archive.run(folder, out, client=client).to_pylist()
    assert (Path(row["take"]).name, row["status"]) == ("b.wav", "kept")
    soundfile.write(folder / "b.wav", samples[: 6 * RATE], RATE)
    (row,) = archive.run(folder, out, client=client).to_pylist()
    assert row["status"] == "done"


def test_failures_can_be_tried_again(client, tmp_path):
    folder, out = tmp_path / "takes", tmp_path / "out"
    folder.mkdir()
    (folder / "text.wav").write_text("no sound")
    archive.run(folder, out, client=client)
    (before,) = written(out).values()
    archive.run(folder, out, client=client)
    assert list(written(out).values()) == [before]
    (row,) = archive.run(folder, out, client=client, again=True).to_pylist()
    assert row["status"] == "failed"
    assert list(written(out).values()) != [before]


def test_a_worker_that_dies_loses_nothing(client, samples, tmp_path):
    folder = tmp_path / "takes"
    folder.mkdir()
    for at in range(40):
        soundfile.write(folder / f"{at:02}.wav", samples[at * 100 :], RATE)
    killed = []

    def kill_one(row) -> None:
        if not killed:
            pid = next(iter(client.run(os.getpid).values()))
            os.kill(pid, signal.SIGKILL)
            killed.append(pid)

    table = archive.run(folder, tmp_path / "out", client=client, progress=kill_one)
    assert killed
    # "kept": it had written the result, but could not tell.
    assert len(table) == 40 and set(table["status"].to_pylist()) <= {"done", "kept"}
    assert len(written(tmp_path / "out")) == 40
    assert not list((tmp_path / "out").glob("**/.*.staged"))


def test_what_a_dead_worker_left_half_written_is_removed(client, takes, tmp_path, monkeypatch):
    # A name that means something else as a pattern.
    results = tmp_path / "results [2]"
    (results / "notes").mkdir(parents=True)
    other = results / "notes" / ".another-run.staged"
    other.touch()
    real = archive.run.__globals__["transcribe_take"]

    def dies_while_it_writes(take, out, options, version, again, run_id):
        with open(f"{out}/notes/.{run_id}-{os.path.basename(take)}.staged", "wb") as file:
            file.write(b"PAR1")
        return real(take, out, options, version, again, run_id)

    monkeypatch.setitem(archive.run.__globals__, "transcribe_take", dies_while_it_writes)
    archive.run(takes, results, client=client)
    assert list(results.glob("**/.*.staged")) == [other]


def test_a_take_that_kills_its_workers_is_a_row(client, takes, tmp_path, monkeypatch):
    real = archive.run.__globals__["transcribe_take"]

    def deadly(take, *rest):
        if "text" in take:
            os._exit(1)
        return real(take, *rest)

    monkeypatch.setitem(archive.run.__globals__, "transcribe_take", deadly)
    rows = by_take(archive.run(takes, tmp_path, client=client))
    assert rows["text.wav"]["error_kind"] == "KilledWorker"
    assert "every worker" in rows["text.wav"]["error"]
    assert sum(row["status"] != "failed" for row in rows.values()) == 12


def test_another_version_on_a_worker_is_told(client, takes, tmp_path, monkeypatch):
    monkeypatch.setitem(archive.run.__globals__, "__version__", "9.9.9")
    table = archive.run(takes, tmp_path, client=client)
    assert set(table["error_kind"].to_pylist()) == {"SettingError"}
    assert "install the same version" in table["error"][0].as_py()
    assert written(tmp_path) == {}


def test_buckets(takes):
    memory = fsspec.filesystem("memory")
    memory.put(str(takes), "lessons", recursive=True)
    with (
        LocalCluster(
            n_workers=1, threads_per_worker=2, processes=False, dashboard_address=":0"
        ) as cluster,
        Client(cluster) as client,
    ):
        rows = by_take(archive.run("memory://lessons", "memory://out", client=client))
        again = by_take(archive.run("memory://lessons", "memory://out", client=client))
    assert len(rows) == 15
    assert rows["text.wav"]["error"].startswith("memory://")
    assert sum(row["status"] in ("done", "kept") for row in rows.values()) == 12
    assert {row["status"] for row in again.values()} == {"kept", "failed"}
    notes = archive.notes("memory://out").to_table()
    kept = {row["result"]: row["notes"] for row in rows.values() if row["status"] != "failed"}
    assert len(notes) == sum(kept.values())


def test_bad_input(takes, tmp_path):
    for source, options, words in [
        (tmp_path / "nowhere", {}, "no such folder"),
        (tmp_path, {}, "no takes in this folder"),
        ([], {}, "empty list"),
        (takes, {"horn": "flugelhron"}, "flugelhorn"),
        (takes, {"contours": True}, "no option contours"),
        (takes, {"horn": leadpipe.Horn("trumpet")}, "give its name"),
    ]:
        with pytest.raises(leadpipe.LeadpipeError, match=words):
            archive.run(source, tmp_path / "out", **options)
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(leadpipe.OutputError, match="choose another folder"):
        archive.run(takes, tmp_path / "file" / "out")
    with pytest.raises(leadpipe.InputError, match="no summary"):
        archive.summary(tmp_path)


def test_the_command(tmp_path):
    def call(*arguments: object) -> subprocess.CompletedProcess:
        command = [sys.executable, "-m", "leadpipe.archive", *map(str, arguments)]
        return subprocess.run(
            command, cwd=tmp_path, capture_output=True, text=True, timeout=120
        )

    done = call(FIXTURES, tmp_path / "out", "--horn", "trombone")
    assert done.returncode == 0, done.stderr
    assert "4 takes, 0 failed" in done.stderr
    notes = archive.notes(tmp_path / "out").to_table().to_pandas()
    assert sorted(notes["concert"]) == ["Ab3", "B3", "C3", "Db3"]
    (tmp_path / "text.wav").write_text("no sound")
    refused = call(tmp_path / "nowhere", tmp_path / "out")
    assert (refused.returncode, refused.stderr.count("\n")) == (4, 1)
