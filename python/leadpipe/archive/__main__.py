"""``python -m leadpipe.archive TAKES RESULTS``."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from ..errors import LeadpipeError


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m leadpipe.archive",
        description="Transcribe an archive over a Dask cluster; results as Parquet.",
        epilog="What is done is not done again: give the same command to go on.",
    )
    add = parser.add_argument
    add("takes", help="folder or bucket URL with WAV, AIFF, CAF, FLAC, MP3 or OGG files")
    add("results", help="folder or bucket URL for notes/ and summary.parquet")
    add("--scheduler", metavar="ADDRESS", help="of a Dask cluster; by default this machine's cores")
    add("--again", action="store_true", help="try takes again that could not be used")
    add("--horn", metavar="NAME", help="a name from `leadpipe horns`, or a TOML file")
    add("--tuning", metavar="NAME", help="a name from `leadpipe tunings`, a TOML or .syx file")
    add("--tonic", metavar="PITCH", help="of the tuning, such as Bb")
    add("--reference", dest="reference_hz", type=float, metavar="HZ", help="frequency of A4")
    add("--causal", action="store_true", default=None, help="decide as the live engine would")
    add("--channel", type=int, metavar="N", help="of the horn; by default all are mixed")
    add("--gate", dest="gate_db", type=float, metavar="DB", help="ignore sound below this, dBFS")
    return parser


def main(arguments: list[str] | None = None) -> int:
    given = vars(_parser().parse_args(arguments))
    takes, results = given.pop("takes"), given.pop("results")
    scheduler, again = given.pop("scheduler"), given.pop("again")
    options: dict[str, Any] = {name: value for name, value in given.items() if value is not None}
    try:
        from .run import run

        client = None
        if scheduler:
            from distributed import Client

            client = Client(scheduler)
        table = run(takes, results, client=client, again=again, progress=True, **options)
    except ImportError as error:
        print(f"leadpipe: {error}; pip install 'leadpipe[archive]'", file=sys.stderr)
        return 4
    except LeadpipeError as error:
        print(f"leadpipe: {error}", file=sys.stderr)
        return 4
    failed = table.filter(table["status"].to_numpy(zero_copy_only=False) == "failed")
    for take, text in zip(failed["take"].to_pylist(), failed["error"].to_pylist()):
        print(text if take in text else f"{take}: {text}", file=sys.stderr)
    return 3 if len(failed) else 0


if __name__ == "__main__":
    sys.exit(main())
