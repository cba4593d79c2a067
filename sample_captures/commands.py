"""The command demo. Only what `--help` needs is imported up here."""

from __future__ import annotations

import argparse

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from typing import Any


def register(commands: Any) -> None:
    """Add the command demo to *commands*, an argparse subparsers action."""
    demo = commands.add_parser("demo", help="run the whole job on an invented shop, and say what to open")
    demo.add_argument(
        "folder", nargs="?", metavar="FOLDER", help="where to (default: the first free of demo-shop, demo-shop-2, …)"
    )
    demo.set_defaults(run=_demo)


def _demo(args: argparse.Namespace) -> int:
    from pathlib import Path

    from sample_captures.demo import demo

    return demo(Path(args.folder) if args.folder else None, args.now)
