"""Addresses that can never work, whatever is plugged in or switched on: told before anything is begun.

What is not there may still come (a cable, a share), so it is waited for; what is there and is something else never changes.
"""

from __future__ import annotations

import stat
from pathlib import Path

from ingest.links.address import Address
from schemas.errors import BadInput


def refuse_unreachable(address: Address) -> None:
    """Look at what *address* names on this computer.

    Raises:
        BadInput: It is there and can never be such a link, or it is a single file that is not there.
    """
    path = Path(address.rest).expanduser() if address.scheme in ("serial", "folder", "file", "pipe") else None
    if path is None or (address.scheme == "pipe" and address.rest == "-"):
        return
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError) as wrong:
        if address.scheme == "file":
            why = wrong.strerror if isinstance(wrong, OSError) else "no file can be called so"
            raise BadInput(f"{path}: this file cannot be read ({why}); name the right one") from None
        return
    is_file, is_folder = stat.S_ISREG(mode), stat.S_ISDIR(mode)
    what = "a folder" if is_folder else "a file"
    if address.scheme == "serial" and (is_file or is_folder):
        raise BadInput(
            f"{address.name}: is {what} and no serial line; name the device, 'filmtally measure --list-links' shows those there are"
        )
    if address.scheme == "folder" and not is_folder:
        raise BadInput(
            f"{address.name}: is no folder; name the folder in which the files appear, or a single file as file:{address.rest}"
        )
    if address.scheme == "file" and is_folder:
        raise BadInput(f"{address.name}: is a folder; name a file in it, or watch it as folder:{address.rest}")
    if address.scheme == "pipe" and is_folder:
        raise BadInput(f"{address.name}: is a folder and no pipe; name a named pipe, or pipe:- for standard input")
