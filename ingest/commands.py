"""The commands from a gauge to the archive: check, teach, measure, seal, amend."""

from __future__ import annotations

from ingest import check_commands, measure_commands, seal_commands, teach_commands

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    from typing import Any


def register(commands: Any) -> None:
    """Add the commands of this wing to *commands*, an argparse subparsers action."""
    for group in (check_commands, teach_commands, measure_commands, seal_commands):
        group.register(commands)
