"""The front door: joins the command groups of the two wings and the demo, nothing else."""

from __future__ import annotations

import argparse
import io
import os
import sys

import ingest.commands
import report.commands
import report.comparing_commands
import report.lookback_commands
import sample_captures.commands
from schemas.errors import FilmtallyError

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime
    from typing import Any


def _now() -> datetime:
    from datetime import UTC, datetime

    return datetime.now(UTC)


def main(argv: Sequence[str] | None = None, now: Callable[[], datetime] = _now) -> int:
    """Run one command and return its exit code.

    0 done and conforming, 1 done and something does not conform, 2 bad usage or input, 3 the gate
    refused, 4 a signature or integrity check failed.

    Args:
        argv: The words after the program's name; those of the process where None.
        now: The clock.
    """
    parser = argparse.ArgumentParser(
        prog="filmtally",
        description="Film build from the gauge to a signed certificate.",
        epilog="Exit codes: 0 done and conforming, 1 something does not conform, 2 bad usage or input, "
        "3 the calibration gate refused, 4 a signature or integrity check failed.",
    )
    parser.add_argument("--shop", metavar="FOLDER", help="the shop folder (default: FILMTALLY_SHOP, or this folder)")
    commands = parser.add_subparsers(metavar="COMMAND", required=True)
    for group in (
        ingest.commands,
        report.commands,
        report.comparing_commands,
        report.lookback_commands,
        sample_captures.commands,
    ):
        group.register(commands)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # an old console may lack µ; no answer is worth a traceback
    args = parser.parse_args(argv)
    return _run(args, now)


def _read_capture(*args: Any) -> Any:
    """Read another party's capture: the one thing that the wing of reports asks of the other wing, handed over here."""
    from ingest.reading_captures import read_capture

    return read_capture(*args)


def _run(args: argparse.Namespace, now: Callable[[], datetime]) -> int:
    import platform
    from pathlib import Path

    from archive.bench import bench_slug

    args.now = now
    args.read_capture = _read_capture
    args.bench = bench_slug(os.environ.get("FILMTALLY_BENCH") or platform.node())
    args.shop = Path(args.shop or os.environ.get("FILMTALLY_SHOP") or ".")
    try:
        return int(args.run(args))
    except FilmtallyError as fault:
        print(f"filmtally: {fault.sentence}", file=sys.stderr)
        return fault.exit_code
    except BrokenPipeError:
        # Whoever read our output has gone; there is nobody left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        kept = "; what was shown as taken is on disk" if getattr(args, "takes_readings", False) else ""
        print(f"filmtally: stopped{kept}", file=sys.stderr)
        return 130


if __name__ == "__main__":
    sys.exit(main())
