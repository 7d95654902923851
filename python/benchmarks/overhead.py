"""What a call from Python costs over the command line, on a ten-minute take.

``overhead.py [PROGRAM]`` makes the take (the built-in line, over and over, as a 16-bit WAV
file), transcribes it by turns with the program and from Python, and prints the processor
time of each: user and system time, which a busy machine changes far less than the clock.
The program's start and Python's (with NumPy and leadpipe imported) are counted apart.
"""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
import wave
from pathlib import Path

import numpy as np

import leadpipe

RATE = 48_000
ROUNDS = int(os.environ.get("ROUNDS", "7"))
MINUTES = 10

CALLS = {
    "a path": "leadpipe.transcribe(path, horn='flugelhorn', contours=False).to_csv()",
    "a path, with contours": "leadpipe.transcribe(path, horn='flugelhorn').to_csv()",
    "float32, as an array": "leadpipe.transcribe(take, 48_000, horn='flugelhorn', contours=False)",
    "float64, as an array": "leadpipe.transcribe(wide, 48_000, horn='flugelhorn', contours=False)",
}


def write(path: Path) -> None:
    line = leadpipe.demo_line(RATE)
    take = np.resize(line, MINUTES * 60 * RATE)
    with wave.open(str(path), "wb") as file:
        file.setparams((1, 2, RATE, 0, "NONE", ""))
        file.writeframes((take * 32_767).astype("<i2").tobytes())


def children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def program_s(program: str, path: Path) -> float:
    before = children_s()
    command = [program, "transcribe", str(path), "--horn", "flugelhorn", "--format", "csv"]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return children_s() - before


def main(program: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ten-minutes.wav"
        write(path)
        take = np.resize(leadpipe.demo_line(RATE), MINUTES * 60 * RATE)
        names = {"leadpipe": leadpipe, "path": path, "take": take, "wide": take.astype("f8")}
        times: dict[str, list[float]] = {"the program": []} | {name: [] for name in CALLS}
        for _ in range(ROUNDS):
            times["the program"].append(program_s(program, path))
            for name, call in CALLS.items():
                before = time.process_time()
                eval(call, names)
                times[name].append(time.process_time() - before)
        start = children_s()
        subprocess.run([sys.executable, "-c", "import leadpipe"], check=True)
        start_s = children_s() - start
    base = statistics.median(times["the program"])
    print(f"{'processor time':24} {'least':>8} {'median':>8}   over the program's median")
    for name, all_s in times.items():
        middle = statistics.median(all_s)
        print(f"{name:24} {min(all_s):7.3f}s {middle:7.3f}s   {100 * (middle / base - 1):+.1f} %")
    print(f"import of leadpipe and NumPy, once: {start_s:.2f} s")
    print(f"load of the machine: {', '.join(f'{load:.1f}' for load in os.getloadavg())}")


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else "leadpipe")
