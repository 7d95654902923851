"""Throughput of archives: 2,000 short takes on 1 and on 2 workers, against the program.

``archive.py [PROGRAM] [TAKES]`` makes the takes (five seconds each, all different, by
shifting and scaling the built-in line), maps them over a local cluster, kills a worker in
the middle of one run, and prints wall time, processor time of the workers, memory of each,
and the program's figures for the same folder.
"""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
import wave
from pathlib import Path

import numpy as np
from distributed import Client, LocalCluster

import leadpipe
from leadpipe import archive

RATE = 48_000
LENGTH_S = 5


def write(folder: Path, count: int) -> None:
    line = leadpipe.demo_line(RATE)
    chance = np.random.default_rng(1)
    for at in range(count):
        start = int(chance.integers(0, len(line) - LENGTH_S * RATE))
        piece = line[start : start + LENGTH_S * RATE] * chance.uniform(0.5, 1.0)
        with wave.open(str(folder / f"{at:05}.wav"), "wb") as file:
            file.setparams((1, 2, RATE, 0, "NONE", ""))
            file.writeframes((piece * 32_767).astype("<i2").tobytes())


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def peak_mb(pid: int) -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def run(takes: Path, out: Path, workers: int, kill: bool = False) -> None:
    with (
        LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=":0") as cluster,
        Client(cluster) as client,
    ):
        pids = list(client.run(os.getpid).values())
        # Imports are no part of the throughput.
        client.run(lambda: __import__("leadpipe.archive"))
        before_s, before_mb = sum(map(cpu_s, pids)), [peak_mb(pid) for pid in pids]
        done, killed = 0, None

        def on_row(row: dict) -> None:
            nonlocal done, killed
            done += 1
            if kill and killed is None and done == 500:
                killed = pids[0]
                os.kill(killed, signal.SIGKILL)

        own_s, started_s = time.process_time(), time.monotonic()
        table = archive.run(takes, out, client=client, progress=on_row, horn="flugelhorn")
        wall_s, own_s = time.monotonic() - started_s, time.process_time() - own_s
        statuses = table["status"].to_pylist()
        print(f"\n{workers} worker(s){', one killed after 500 takes' if kill else ''}:")
        print(f"  {len(statuses)} rows: " + ", ".join(f"{statuses.count(s)} {s}" for s in set(statuses)))
        files = sum(1 for _ in out.glob("notes/**/*.parquet"))
        print(f"  {files} results; {wall_s:.1f} s by the clock, {len(statuses) / wall_s:.0f} takes a second")
        if not kill:
            used_s = sum(map(cpu_s, pids)) - before_s
            takes_s = sum(filter(None, table["cpu_s"].to_pylist()))
            print(
                f"  processor time: workers {used_s:.1f} s ({1000 * used_s / len(statuses):.1f} ms a take, "
                f"of which transcription {1000 * takes_s / len(statuses):.1f} ms), scheduler and client {own_s:.1f} s"
            )
            peaks = ", ".join(f"{mb:.0f}" for mb in map(peak_mb, pids))
            starts = ", ".join(f"{mb:.0f}" for mb in before_mb)
            print(f"  memory of each worker, peak: {peaks} MB ({starts} MB before the first take)")


def main(program: str, count: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        takes = Path(folder) / "takes"
        takes.mkdir()
        write(takes, count)
        for jobs in (1, 2):
            used = resource.getrusage(resource.RUSAGE_CHILDREN)
            before_s, started_s = used.ru_utime + used.ru_stime, time.monotonic()
            out = Path(folder) / f"program-{jobs}"
            subprocess.run(
                [program, "transcribe", str(takes), "--horn", "flugelhorn", "--jobs", str(jobs),
                 "--out", str(out), "--write", "csv"],
                check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
            used = resource.getrusage(resource.RUSAGE_CHILDREN)
            used_s = used.ru_utime + used.ru_stime - before_s
            print(
                f"the program, {jobs} job(s): {time.monotonic() - started_s:.1f} s by the clock, "
                f"processor time {used_s:.1f} s ({1000 * used_s / count:.1f} ms a take)"
            )
        run(takes, Path(folder) / "one", 1)
        run(takes, Path(folder) / "two", 2)
        run(takes, Path(folder) / "killed", 2, kill=True)
        print(f"\nload of the machine: {', '.join(f'{load:.1f}' for load in os.getloadavg())}")


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else "leadpipe", int(sys.argv[2]) if len(sys.argv) > 2 else 2_000)
