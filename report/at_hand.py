"""What the commands are given to work on: the shop folder, its archive, and paths.

What these need is imported inside, since `--help` imports this module.
"""

from __future__ import annotations

TYPE_CHECKING = False  # as typing's own, without the cost of importing it for --help
if TYPE_CHECKING:
    import argparse
    from pathlib import Path

    from archive.shop_folder import ShopFolder
    from archive.store import Archive


def folder_of(args: argparse.Namespace) -> ShopFolder:
    """Return the shop folder that the command was given."""
    from archive.shop_folder import ShopFolder

    return ShopFolder(args.shop)


def archive_of(args: argparse.Namespace) -> Archive:
    """Return the archive of that shop, as this bench sees it."""
    from archive.store import Archive

    return Archive(folder_of(args).archive, args.bench)


def path_of(text: str) -> Path:
    """Return *text* as a path: an option's type."""
    from pathlib import Path

    return Path(text)
