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
from schemas.errors import BadInput, FilmtallyError

#: 128 and the number of SIGPIPE: what a shell says of a program that a closed pipe ended.
_NOBODY_READS = 141
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
    refused, 4 a signature or integrity check failed; 130 interrupted, 141 taking readings that nobody
    sees any more, since the pipe that they were shown on was closed.

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


def _coaching_of(args: argparse.Namespace, inspection_id: str) -> str:
    """Say what to change after an inspection was sealed: asked by the wing that takes readings, answered by the other one."""
    from report.coach_commands import coaching_of

    return coaching_of(args, inspection_id)


class _Heard(io.FileIO):
    """Standard output into a pipe or a file; once whoever read it has gone, what is still written goes nowhere."""

    def write(self, data: Any, /) -> int:
        try:
            return super().write(data)
        except BrokenPipeError:
            _to_nobody(self.fileno())
            return len(data)
        except OSError as fault:
            why = fault.strerror or str(fault)
            raise BadInput(f"the answer cannot be written to standard output ({why}); send it elsewhere") from None


def _to_nobody(file: int) -> None:
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, file)
    os.close(nowhere)


def _run_to_its_end(run: Callable[[], int]) -> int:
    """Run a command to its exit code although nobody may read its output to the end, as `head` does not: the code answers too."""
    kept = sys.stdout
    # Only what is really the process's own output: not a terminal, nor what a test put in its place.
    if not isinstance(kept, io.TextIOWrapper) or type(getattr(kept.buffer, "raw", kept.buffer)) is not io.FileIO:
        return run()
    if kept.isatty():
        return run()
    kept.flush()
    heard = _Heard(kept.fileno(), "w", closefd=False)
    at_once = bool(kept.line_buffering or kept.write_through)
    with io.TextIOWrapper(io.BufferedWriter(heard), kept.encoding, "replace", line_buffering=at_once) as sys.stdout:
        try:
            return run()
        finally:
            sys.stdout = kept


def _run(args: argparse.Namespace, now: Callable[[], datetime]) -> int:
    import platform
    from pathlib import Path

    from archive.bench import bench_slug

    args.now = now
    args.read_capture = _read_capture
    args.coaching_of = _coaching_of
    args.bench = bench_slug(os.environ.get("FILMTALLY_BENCH") or platform.node())
    args.shop = Path(args.shop or os.environ.get("FILMTALLY_SHOP") or ".")
    try:
        if getattr(args, "takes_readings", False):
            return int(args.run(args))  # it stops where nobody sees any more what it takes
        return _run_to_its_end(lambda: int(args.run(args)))
    except FilmtallyError as fault:
        print(f"filmtally: {fault.sentence}", file=sys.stderr)
        return fault.exit_code
    except BrokenPipeError:
        # Whoever read our output has gone; there is nobody left to tell, and what would have been answered is not known.
        _to_nobody(sys.stdout.fileno())
        return _NOBODY_READS
    except KeyboardInterrupt:
        kept = "; what was shown as taken is on disk" if getattr(args, "takes_readings", False) else ""
        print(f"filmtally: stopped{kept}", file=sys.stderr)
        return 130


if __name__ == "__main__":
    sys.exit(main())
